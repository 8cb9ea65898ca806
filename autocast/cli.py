"""The command line: parse, call, print; nothing else."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from autocast.errors import AutocastError, ModelError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import ModuleType

    from autocast.judgement import Judgement

app = typer.Typer(
    name="autocast",
    help="Says whether the colour of a photograph can be trusted.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

FEW = 4
"""Up to so many pictures are judged without a progress bar."""
WIDEST = 100
"""Columns beyond which lines grow no longer, on a wider terminal."""


def main() -> None:
    """Run the command line."""
    # A terminal that lacks a character shows another; a result is not lost over it.
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    app(prog_name="autocast")


def _version(wanted: bool) -> None:  # noqa: FBT001 -- typer calls it so
    if wanted:
        from autocast import __version__

        typer.echo(f"autocast {__version__}")
        raise typer.Exit


@app.callback()
def _autocast(
    *,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Says whether the colour of a photograph can be trusted."""


@app.command()
def judge(
    pictures: Annotated[
        list[Path], typer.Argument(metavar="PICTURE", help="Photographs to judge.")
    ],
    *,
    json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document per picture, one a line.")
    ] = False,
    brief: Annotated[bool, typer.Option("--brief", help="Print one line per picture.")] = False,
    picture: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT.png",
            help="Draw the evidence of the one picture given: what was recognised, the votes.",
        ),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Let --picture replace a file that exists.")
    ] = False,
) -> None:
    """Judge photographs: no cast seen, likely cast, or a person should look.

    One picture is shown with all its evidence, several with a short block each.
    A picture that cannot be judged is named on standard error; the others are
    judged all the same. No picture is ever changed.

    Exit codes: 0 all judged, whatever the verdicts; 1 some picture could not be
    judged or the --picture not be written; 2 the command was not understood;
    130 interrupted.
    """
    _check_usage(len(pictures), json=json, brief=brief, plate=picture, force=force)
    from autocast.report.text import (
        count_text,
        judgement_json,
        judgement_line,
        judgement_text,
        printable,
    )

    several = len(pictures) > 1
    columns, colour = _terminal()

    def shown(judgement: Judgement) -> str:
        if json:
            return judgement_json(judgement)
        if brief:
            return judgement_line(judgement, columns, colour=colour)
        text = judgement_text(judgement, columns, colour=colour, brief=several)
        return f"{text}\n" if several else text

    verdicts = []
    failed = 0
    with _progress(len(pictures)) as step:
        for path in pictures:
            try:
                for judgement in _judged(path, picture, force=force):
                    verdicts.append(judgement.verdict)
                    step(shown(judgement), err=False)
            except AutocastError as error:
                failed += 1
                step(f"autocast: {printable(str(error))}", err=True)
    if several and not json:
        typer.echo(count_text(verdicts, failed, columns))
    if failed:
        raise typer.Exit(1)


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
    with _one_sentence():
        commands = _training()
        commands.train(folder, to, seed, os.cpu_count() or 1, _say)


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
    with _one_sentence():
        commands = _training()
        figures = commands.measure_up(folder, seed, os.cpu_count() or 1, _say)
        if json:
            from json import dumps

            typer.echo(dumps(figures, indent=1))
        else:
            from autocast.report.figures import figures_text

            typer.echo(figures_text(figures))


@contextlib.contextmanager
def _one_sentence() -> Iterator[None]:
    """Turn what autocast raises on purpose into one sentence and exit code 1."""
    from autocast.report.text import printable

    try:
        yield
    except AutocastError as error:
        typer.echo(f"autocast: {printable(str(error))}", err=True)
        raise typer.Exit(1) from error


def _training() -> ModuleType:
    try:
        from autocast.training import commands
    except ImportError as error:
        raise ModelError(
            f"Fitting needs {error.name}; install it with pip install 'autocast[train]'."
        ) from error
    return commands


def _say(line: str) -> None:
    typer.echo(line, err=True)


def _check_usage(count: int, *, json: bool, brief: bool, plate: Path | None, force: bool) -> None:
    if json and brief:
        raise typer.BadParameter("choose one of --json and --brief.", param_hint="--brief")
    if plate is not None and count > 1:
        raise typer.BadParameter("takes one picture at a time.", param_hint="--picture")
    if force and plate is None:
        raise typer.BadParameter("goes with --picture only.", param_hint="--force")


def _judged(path: Path, plate: Path | None, *, force: bool) -> Iterator[Judgement]:
    """The judgement of one picture; where a plate is wanted, it is drawn after that is shown."""
    from autocast import judging

    if plate is None:
        yield judging.judge(path)
        return
    from autocast.report.plate import check_target, draw

    check_target(plate, path, force=force)
    examination = judging.examine(path)
    yield examination.judgement
    draw(examination, plate)


def _terminal() -> tuple[int, bool]:
    """Columns to fill, and whether colour is welcome (the NO_COLOR convention, no-color.org)."""
    columns = min(shutil.get_terminal_size((80, 24)).columns, WIDEST)
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return columns, sys.stdout.isatty() and not plain


@contextlib.contextmanager
def _progress(total: int) -> Iterator[Callable[..., None]]:
    """A function that prints one result and moves the bar, where there is one, out of its way."""
    if total <= FEW or not sys.stderr.isatty():
        yield typer.echo
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    bar = Progress(
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    )
    task = bar.add_task("", total=total)

    def step(text: str, *, err: bool) -> None:
        bar.stop()
        typer.echo(text, err=err)
        bar.advance(task)
        bar.start()

    with bar:
        yield step
