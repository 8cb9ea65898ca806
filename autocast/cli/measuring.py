"""The command that reads spots of a photograph."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from autocast.cli._app import Memory, ModelsFolder, allowed, app, models_in, one_sentence, terminal
from autocast.cli._hints import positions


@app.command()
def measure(
    picture: Annotated[Path, typer.Argument(metavar="PICTURE", help="The photograph to read.")],
    *,
    at: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y",
            help="A spot, in pixels of the upright picture from its top left, such as 378,164, or "
            "in per cent of its width and height, such as 63%,41%; give --at again for more. "
            "Without it, spots are proposed.",
        ),
    ] = None,
    radius: Annotated[
        float | None,
        typer.Option(
            metavar="PIXELS",
            help="Radius of the discs that are read; 1 % of the long side unless given.",
        ),
    ] = None,
    memory: Memory = None,
    models: ModelsFolder = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Read spots at full resolution, from light to dark, and say what they should read.

    Each reading is the mean of a small disc, in the file's own RGB and in
    CIELAB (white point D65), with its spread and how much of it is clipped.
    Without --at the spots are proposed that a careful person would pick: the
    lightest and darkest that hold detail, and things of known colour.

    Exit codes: 0 read; 1 the picture or a spot cannot be read, standard error
    says why; 2 the command was not understood.
    """
    told = positions([(spot, "--at") for spot in at or ()], picture, (2,), memory)
    places = [(x, y) for x, y in told]
    with one_sentence():
        from autocast.measuring import measure as measure_now

        measures = measure_now(picture, places, radius, models_in(models), memory=allowed(memory))
    if json:
        typer.echo(measures.to_json())
        return
    from autocast.report.spots import measures_text

    typer.echo(measures_text(measures, terminal()[0]))
