"""The commands that fit and measure."""

from __future__ import annotations

import contextlib
import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from autocast.cli._app import (
    ModelsFolder,
    RiskCast,
    RiskClear,
    RiskMissed,
    app,
    models_in,
    one_sentence,
    say,
    timed,
)
from autocast.errors import ModelError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from autocast.judgement import Risks


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
    models: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder of model files whose densities, weights and network trees are grown with.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Same folder and seed, same files.")] = 1,
    risk_clear: RiskClear = None,
    risk_missed: RiskMissed = None,
    risk_cast: RiskCast = None,
) -> None:
    """Refit the trees on your own judged photographs.

    FOLDER holds manifest.csv with the columns file, group (photographer, shoot
    or sender: never split between fit and check) and consensus (none, doubtful,
    slight, evident or cannot_tell). MODELS must hold the densities, weights and
    network that the trees are grown with, which are those that autocast came
    with or those of --models; fitted.npz and verdict.json in it are replaced.
    The photographs are only read. The risks are those that verdicts keep unless
    judge is given others. Needs autocast[train].

    Exit codes: 0 written; 1 a folder cannot be read or written, or is not enough
    to fit on, standard error says why; 2 the command was not understood.
    """
    risks = _risks(risk_clear, risk_missed, risk_cast)
    with one_sentence():
        with _fitting():
            from autocast.training import commands
        with timed(f"autocast judge PICTURE --models {shlex.quote(str(to))}") as step:
            commands.train(
                folder, to, seed, os.cpu_count() or 1, step, risks=risks, models=models_in(models)
            )


@app.command()
def evaluate(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Photographs, with their manifest.csv or not.")
    ],
    *,
    json: Annotated[bool, typer.Option("--json", help="Print the figures as JSON.")] = False,
    plots: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Draw the figures too, as PNG files in this folder."),
    ] = None,
    models: ModelsFolder = None,
    seed: Annotated[int, typer.Option(min=0, help="Same folder and seed, same figures.")] = 1,
    risk_clear: RiskClear = None,
    risk_missed: RiskMissed = None,
    risk_cast: RiskCast = None,
) -> None:
    """Measure how far judgements can be trusted on photographs like yours.

    With a manifest.csv (as for train), every fifth of the groups is judged by
    models fitted and calibrated on the others. Without one, casts are laid over
    the pictures as they are, and the models that autocast came with, or those
    of --models, are asked. Nothing is changed. Needs autocast[train].

    Exit codes: 0 measured; 1 the folder cannot be read or is not enough, standard
    error says why; 2 the command was not understood.
    """
    risks = _risks(risk_clear, risk_missed, risk_cast)
    with one_sentence():
        from autocast.report import curves

        with _fitting():
            from autocast.evaluation import commands
        if plots is not None:
            curves.check_folder(plots)
        with timed() as step:
            figures = commands.measure_up(
                folder, seed, os.cpu_count() or 1, step, risks=risks, models=models_in(models)
            )
        if json:
            from json import dumps

            typer.echo(dumps(figures, indent=1, allow_nan=False))
        else:
            from autocast.report.figures import figures_text

            typer.echo(figures_text(figures))
        if plots is not None:
            for path in curves.draw(figures, plots):
                say(f"Drawn: {path}")


def _risks(clear: float | None, missed: float | None, cast: float | None) -> Risks:
    from autocast.judgement import Assumptions, Risks

    given = Assumptions(risk_clear=clear, risk_missed=missed, risk_cast=cast).risks
    return Risks(**{name: value for name, value in given.items() if value is not None})


@contextlib.contextmanager
def _fitting() -> Iterator[None]:
    """Say in one sentence which package is missing where fitting cannot be imported."""
    try:
        yield
    except ImportError as error:
        raise ModelError(
            f"Fitting needs {error.name}; install it with pip install 'autocast[train]'."
        ) from error
