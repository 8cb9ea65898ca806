"""The command that judges single photographs."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple

import typer

from autocast.cli._app import (
    Memory,
    ModelsFolder,
    allowed,
    app,
    models_in,
    one_sentence,
    progress,
    say,
    terminal,
    with_assumptions,
)
from autocast.cli._hints import with_hints
from autocast.errors import AutocastError, UnreadablePicture
from autocast.judgement import Assumptions, Hint, Judgement

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from autocast.modelstore import Models

Form = Literal["screen", "details", "block", "brief", "plain", "json"]
"""How a judgement is printed."""


@app.command()
@with_hints
@with_assumptions
def judge(
    pictures: Annotated[
        list[Path], typer.Argument(metavar="PICTURE", help="Photographs to judge.")
    ],
    *,
    json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document per picture, one a line.")
    ] = False,
    details: Annotated[
        bool,
        typer.Option(
            "--details", help="Show all of it: cast by tone, every kind of evidence, notes."
        ),
    ] = False,
    brief: Annotated[bool, typer.Option("--brief", help="Print one line per picture.")] = False,
    plain: Annotated[
        bool,
        typer.Option(
            "--plain",
            help="Print one line per picture for other programs, between tabs: verdict, "
            "probability, a*, b*, spread and path.",
        ),
    ] = False,
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
    assumptions: Assumptions,
    memory: Memory = None,
    models: ModelsFolder = None,
    hints: list[Hint],
) -> None:
    """Judge photographs: no evident cast, likely cast, or a person should look.

    One picture is shown with the reason and the places that matter, several with
    three lines each; --details shows all the evidence.
    A picture that cannot be judged is named on standard error; the others are
    judged all the same. No picture is ever changed. With one picture, say what
    you know of a spot (--neutral and the other hints), and it is judged with that.

    The base rate moves the probability; with the risks it sets when a picture
    is called clear or a cast. Without them, those of the models hold. Risks are
    kept on average; with --strict in 95 of 100 cases.

    Exit codes: 0 all judged, whatever the verdicts; 1 some picture could not be
    judged or the --picture not be written; 2 the command was not understood;
    130 interrupted.
    """
    _check_usage(len(pictures), picture=picture, force=force)
    _one_of({"--json": json, "--brief": brief, "--plain": plain, "--details": details})
    if hints and len(pictures) > 1:
        raise typer.BadParameter(
            "hints are for one picture at a time.", param_hint="--neutral and the other hints"
        )
    from autocast.report.text import count_text, printable

    several = len(pictures) > 1
    form: Form = "details" if details else "block" if several else "screen"
    form = "json" if json else "plain" if plain else "brief" if brief else form
    with one_sentence():
        loaded = models_in(models)
    given = _Given(hints, assumptions, loaded, allowed(memory))
    verdicts = []
    failed = 0
    with progress(len(pictures)) as step:
        for path in pictures:
            try:
                for judgement in _judged(path, given, picture, force=force):
                    verdicts.append(judgement.verdict)
                    step(_shown(judgement, form, parted=several), err=False)
            except AutocastError as error:
                failed += 1
                step(f"autocast: {printable(str(error))}", err=True)
    if several and not (json or plain):
        typer.echo(count_text(verdicts, failed, terminal()[0]))
    if failed:
        raise typer.Exit(1)


def _shown(judgement: Judgement, form: Form, *, parted: bool) -> str:
    from autocast.report import text

    columns, colour = terminal()
    if form == "json":
        return text.judgement_json(judgement)
    if form == "plain":
        return text.judgement_fields(judgement)
    if form == "brief":
        # What is piped on is shortened nowhere.
        width = columns if sys.stdout.isatty() else None
        return text.judgement_line(judgement, width, colour=colour)
    if form == "block":
        return text.judgement_block(judgement, columns, colour=colour) + "\n"
    whole = text.judgement_text(judgement, columns, colour=colour, details=form == "details")
    return f"{whole}\n" if parted else whole


def _one_of(options: Mapping[str, bool]) -> None:
    given = [name for name, wanted in options.items() if wanted]
    if len(given) > 1:
        raise typer.BadParameter(f"choose one of {' and '.join(given)}.", param_hint=given[1])


def _check_usage(count: int, *, picture: Path | None, force: bool) -> None:
    if picture is not None and count > 1:
        raise typer.BadParameter("takes one picture at a time.", param_hint="--picture")
    if force and picture is None:
        raise typer.BadParameter("goes with --picture only.", param_hint="--force")


class _Given(NamedTuple):
    """What every picture is judged with."""

    hints: list[Hint]
    assumptions: Assumptions
    models: Models | None
    memory: int


def _judged(
    path: Path,
    given: _Given,
    picture: Path | None,
    *,
    force: bool,
) -> Iterator[Judgement]:
    """The judgement of one picture; an evidence picture is drawn after that is shown."""
    from autocast import judging

    if path.is_dir():
        raise UnreadablePicture(
            f"{path} is a folder; autocast presort {shlex.quote(str(path))} --into FILE "
            "judges the pictures in it."
        )
    if picture is None:
        yield judging.judge(path, *given[:3], memory=given.memory)
        return
    from autocast.picture import check_target, reduced_pixels
    from autocast.report.evidence_picture import WIDTH, draw
    from autocast.report.text import printable

    what = "The evidence picture is a PNG"
    check_target(path, picture, force=force, suffixes=(".png",), what=what)
    examination = judging.examine(path, *given[:3], memory=given.memory)
    yield examination.judgement
    draw(examination, picture, reduced_pixels(path, WIDTH, given.memory), force=force)
    say(f"Written: {printable(str(picture))}")
