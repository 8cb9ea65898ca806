"""The command that shows what autocast does."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from autocast.cli._app import app, one_sentence, timed


@app.command()
def demo(
    *,
    to: Annotated[
        Path, typer.Option(metavar="FOLDER", help="A new or empty folder to make it in.")
    ] = Path("autocast-demo"),
) -> None:
    """Show what autocast does on a small invented archive, in under a minute.

    Makes about 80 pictures whose colour is known (rendered scenes, and
    photographs that installed packages carry, with known casts laid over some),
    pre-sorts them, writes a report and says which page to open and how often the
    verdicts were right. Nothing outside FOLDER is written. Needs autocast[demo].

    Exit codes: 0 shown, however the verdicts did; 1 FOLDER cannot be written or
    a package is missing, standard error says why; 2 the command was not understood.
    """
    with one_sentence():
        from autocast.demonstration import demonstrate
        from autocast.demonstration.scoring import pointing_text, score_text

        with timed() as step:
            done = demonstrate(to, step)
        typer.echo(f"\n{score_text(done.scores)}\n")
        typer.echo(pointing_text(done.pointing))
        typer.echo(
            "Six photographs that came with installed packages are judged as well; nobody says "
            "what is right for them."
        )
        typer.echo(f"\nOpen {done.page.resolve().as_uri()}")
