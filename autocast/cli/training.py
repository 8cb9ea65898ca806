"""The commands that fit and measure."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from autocast.cli._app import app, one_sentence, say
from autocast.errors import ModelError

if TYPE_CHECKING:
    from types import ModuleType


@app.command()
def train(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Photographs and their manifest.csv.")
    ],
    *,
    to: Annotated[
        Path,
        typer.Option(metavar="MODELS", help="Folder of model files to write into."),
    ],
    seed: Annotated[int, typer.Option(min=0, help="Same folder and seed, same files.")] = 1,
) -> None:
    """Refit the weights on your own judged photographs.

    FOLDER holds manifest.csv with the columns file, group (photographer, shoot
    or sender: never split between fit and check) and consensus (none, doubtful,
    slight, evident or cannot_tell). MODELS must hold the files that autocast
    came with; fitted.npz and verdict.json in it are replaced. The photographs
    are only read. Needs autocast[train].
    """
    with one_sentence():
        commands = _training()
        commands.train(folder, to, seed, os.cpu_count() or 1, say)


@app.command()
def evaluate(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Photographs and their manifest.csv.")
    ],
    *,
    json: Annotated[bool, typer.Option("--json", help="Print the figures as JSON.")] = False,
    seed: Annotated[int, typer.Option(min=0, help="Same folder and seed, same figures.")] = 1,
) -> None:
    """Measure, on groups the fit never saw, how far judgements can be trusted.

    Every fifth of the groups in FOLDER (as for train) is judged by models fitted
    and calibrated on the others. Needs autocast[train].
    """
    with one_sentence():
        commands = _training()
        figures = commands.measure_up(folder, seed, os.cpu_count() or 1, say)
        if json:
            from json import dumps

            typer.echo(dumps(figures, indent=1))
        else:
            from autocast.report.figures import figures_text

            typer.echo(figures_text(figures))


def _training() -> ModuleType:
    try:
        from autocast.training import commands
    except ImportError as error:
        raise ModelError(
            f"Fitting needs {error.name}; install it with pip install 'autocast[train]'."
        ) from error
    return commands
