"""What a person knows, as options that several commands share."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from math import isfinite
from typing import Annotated, Any

import typer

from autocast.judgement import Hint
from autocast.judgement.things import HINT_HELP

SPOT = "X,Y[,RADIUS]"
_PLACE = (
    " X,Y and RADIUS are pixels of the upright picture, from its top left; a radius is 1 % of "
    "the long side unless given."
)
"""Said of the first hint alone."""


def with_hints(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command one option for each hint; it is handed all of them as ``hints``."""
    signature = inspect.signature(command, eval_str=True)
    parameters = [p for p in signature.parameters.values() if p.name != "hints"]
    for number, (hint, words) in enumerate(HINT_HELP.items()):
        option = typer.Option(metavar=SPOT, help=words if number else words + _PLACE)
        known = Annotated[list[str] | None, option]
        kind = inspect.Parameter.KEYWORD_ONLY
        parameters.append(inspect.Parameter(hint, kind, default=None, annotation=known))

    @functools.wraps(command)
    def parsed(**given: Any) -> None:  # noqa: ANN401 -- whatever the command takes
        hints = [
            Hint(hint, *numbers(spot, "--" + hint.replace("_", "-"), (2, 3)))
            for hint in HINT_HELP
            for spot in given.pop(hint) or ()
        ]
        command(**given, hints=hints)

    # Where typer reads what a command takes.
    parsed.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    parsed.__annotations__ = {p.name: p.annotation for p in parameters}
    return parsed


def numbers(text: str, option: str, counts: tuple[int, ...]) -> list[float]:
    """The numbers of ``12,34``; anything else is a usage error that names the option."""
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) not in counts or not all(map(isfinite, values)):
        raise typer.BadParameter(f"{text!r} is not a position; write {SPOT}.", param_hint=option)
    return values
