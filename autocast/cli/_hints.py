"""What a person knows, as options that several commands share."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from autocast.judgement import Hint

SPOT = "X,Y[,RADIUS]"


def _says(words: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(metavar=SPOT, help=words)
    return option


Neutral = Annotated[
    list[str] | None,
    _says(
        "You know that this spot is neutral: grey, white or black. X,Y and RADIUS are pixels "
        "of the upright picture, from its top left; a radius is 1 % of the long side unless given."
    ),
]
Sky = Annotated[list[str] | None, _says("You know that this spot is clear sky.")]
Foliage = Annotated[list[str] | None, _says("You know that this spot is green foliage.")]
Skin = Annotated[list[str] | None, _says("You know that this spot is skin.")]
OwnColour = Annotated[
    list[str] | None,
    _says("The thing at this spot really has this colour: leave it out."),
]
OtherLight = Annotated[
    list[str] | None,
    _says("This region stands in another light: leave it out and read it by itself."),
]


def hints_of(said: dict[str, list[str] | None]) -> list[Hint]:
    """The hints of all options, in their order."""
    from autocast.judgement import Hint

    return [
        Hint(what, *numbers(spot, "--" + what.replace("_", "-"), (2, 3)))
        for what, spots in said.items()
        for spot in spots or ()
    ]


def numbers(text: str, option: str, counts: tuple[int, ...]) -> list[float]:
    """The numbers of ``12,34``; anything else is a usage error that names the option."""
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) not in counts or not all(map(isfinite, values)):
        raise typer.BadParameter(f"{text!r} is no place; write {SPOT}.", param_hint=option)
    return values
