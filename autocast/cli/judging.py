"""The command that judges single photographs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from autocast.cli._app import BaseRate, RiskCast, RiskClear, RiskMissed, app, progress, terminal
from autocast.cli._hints import Foliage, Neutral, OtherLight, OwnColour, Skin, Sky, hints_of
from autocast.errors import AutocastError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from autocast.judgement import Assumptions, Hint, Judgement


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
    base_rate: BaseRate = None,
    risk_clear: RiskClear = None,
    risk_missed: RiskMissed = None,
    risk_cast: RiskCast = None,
    neutral: Neutral = None,
    sky: Sky = None,
    foliage: Foliage = None,
    skin: Skin = None,
    own_colour: OwnColour = None,
    other_light: OtherLight = None,
) -> None:
    """Judge photographs: no cast seen, likely cast, or a person should look.

    One picture is shown with all its evidence, several with a short block each.
    A picture that cannot be judged is named on standard error; the others are
    judged all the same. No picture is ever changed. With one picture, say what
    you know of a spot (--neutral and its kin), and it is judged with that.

    The base rate moves the probability; with the risks it sets when a picture
    is called clear or a cast. Without them, those of the models hold.

    Exit codes: 0 all judged, whatever the verdicts; 1 some picture could not be
    judged or the --picture not be written; 2 the command was not understood;
    130 interrupted.
    """
    _check_usage(len(pictures), json=json, brief=brief, plate=picture, force=force)
    from autocast.judgement import Assumptions

    hints = hints_of(
        {
            "neutral": neutral,
            "sky": sky,
            "foliage": foliage,
            "skin": skin,
            "own_colour": own_colour,
            "other_light": other_light,
        }
    )
    if hints and len(pictures) > 1:
        raise typer.BadParameter(
            "tell of one picture at a time.", param_hint="--neutral and its kin"
        )
    from autocast.report.text import (
        count_text,
        judgement_json,
        judgement_line,
        judgement_text,
        printable,
    )

    assumptions = Assumptions(base_rate, risk_clear, risk_missed, risk_cast)
    several = len(pictures) > 1
    columns, colour = terminal()

    def shown(judgement: Judgement) -> str:
        if json:
            return judgement_json(judgement)
        if brief:
            return judgement_line(judgement, columns, colour=colour)
        text = judgement_text(judgement, columns, colour=colour, brief=several)
        return f"{text}\n" if several else text

    verdicts = []
    failed = 0
    with progress(len(pictures)) as step:
        for path in pictures:
            try:
                for judgement in _judged(path, hints, assumptions, picture, force=force):
                    verdicts.append(judgement.verdict)
                    step(shown(judgement), err=False)
            except AutocastError as error:
                failed += 1
                step(f"autocast: {printable(str(error))}", err=True)
    if several and not json:
        typer.echo(count_text(verdicts, failed, columns))
    if failed:
        raise typer.Exit(1)


def _check_usage(count: int, *, json: bool, brief: bool, plate: Path | None, force: bool) -> None:
    if json and brief:
        raise typer.BadParameter("choose one of --json and --brief.", param_hint="--brief")
    if plate is not None and count > 1:
        raise typer.BadParameter("takes one picture at a time.", param_hint="--picture")
    if force and plate is None:
        raise typer.BadParameter("goes with --picture only.", param_hint="--force")


def _judged(
    path: Path,
    hints: Sequence[Hint],
    assumptions: Assumptions,
    plate: Path | None,
    *,
    force: bool,
) -> Iterator[Judgement]:
    """The judgement of one picture; where a plate is wanted, it is drawn after that is shown."""
    from autocast import judging

    if plate is None:
        yield judging.judge(path, hints, assumptions)
        return
    from autocast.picture import reduced_pixels
    from autocast.report.evidence_picture import WIDTH, check_target, draw

    check_target(plate, path, force=force)
    examination = judging.examine(path, hints, assumptions)
    yield examination.judgement
    draw(examination, plate, reduced_pixels(path, WIDTH))
