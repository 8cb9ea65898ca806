"""What a person knows, as options that several commands share; and positions in a picture."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from typing import Annotated, Any

import typer

from autocast.cli._app import allowed, one_sentence, taking
from autocast.errors import HintError
from autocast.judgement import Hint
from autocast.judgement.things import HINT_HELP

SPOT = "X,Y[,RADIUS]"
_PLACE = (
    " X,Y and RADIUS are pixels of the upright picture, from its top left, such as 378,164; or "
    "per cent of its width, height and long side, such as 63%,41%. A radius is 1 % of the long "
    "side unless given."
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
        told = [
            (hint, spot, "--" + hint.replace("_", "-"))
            for hint in HINT_HELP
            for spot in given.pop(hint) or ()
        ]
        picture = given["pictures"][0] if "pictures" in given else given["picture"]
        places = positions(
            [(spot, option) for _, spot, option in told], picture, (2, 3), given.get("memory")
        )
        hints = [Hint(hint, *at) for (hint, _, _), at in zip(told, places, strict=True)]
        command(**given, hints=hints)

    return taking(parsed, parameters)


def positions(
    told: list[tuple[str, str]],
    picture: Path,
    counts: tuple[int, ...],
    memory: int | None = None,
) -> list[list[float]]:
    """Positions in pixels, of texts such as ``378,164`` or ``63%,41%``, each with its option.

    A usage error names the option of what is neither. The picture is only opened where
    something is given in per cent.
    """
    read = [_numbers(text, option, counts) for text, option in told]
    if not any(share for each in read for _, share in each):
        return [[number for number, _ in each] for each in read]
    with one_sentence():
        from autocast.picture import upright_size

        width, height = upright_size(picture, allowed(memory))
    wholes = (width, height, max(width, height))
    return [
        [
            number * whole / 100 if share else number
            for (number, share), whole in zip(each, wholes, strict=False)
        ]
        for each in read
    ]


def _numbers(text: str, option: str, counts: tuple[int, ...]) -> list[tuple[float, bool]]:
    """The numbers of a text, and whether each is in per cent."""
    parts = [part.strip() for part in text.split(",")]
    try:
        values = [(float(part.removesuffix("%")), part.endswith("%")) for part in parts]
    except ValueError:
        values = []
    # 100 % is the edge itself, and names the last pixel.
    values = [(min(n, 99.999) if share and n <= 100 else n, share) for n, share in values]
    if len(values) not in counts or not all(isfinite(number) for number, _ in values):
        shape = "X,Y" if counts == (2,) else SPOT
        raise typer.BadParameter(
            f"{text!r} is not a position; write {shape}, in pixels or with % behind a number.",
            param_hint=option,
        )
    with one_sentence():
        if any(share and not 0 <= number <= 100 for number, share in values):
            raise HintError(
                f"{option} {text} lies outside the picture, which goes from 0%,0% at its top left "
                "to 100%,100%."
            )
    return values
