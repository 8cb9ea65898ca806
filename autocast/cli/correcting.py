"""The command that writes a corrected copy."""

from __future__ import annotations

import contextlib
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from autocast.cli._app import Memory, ModelsFolder, allowed, app, models_in, one_sentence, terminal
from autocast.cli._hints import with_hints
from autocast.judgement import Hint

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


_COPY = "the copy itself"


@app.command(context_settings={"allow_extra_args": True})
@with_hints
def correct(
    context: typer.Context,
    picture: Annotated[
        Path, typer.Argument(metavar="PICTURE", help="The photograph; it is never changed.")
    ],
    *,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT",
            help="Where the corrected copy goes, of the same kind as the original (JPEG, PNG, "
            "TIFF or WebP). Without it the correction is only described, and nothing is written.",
        ),
    ] = None,
    strength: Annotated[
        int,
        typer.Option(min=1, max=100, metavar="PERCENT", help="How much of the cast is taken away."),
    ] = 100,
    best_guess: Annotated[
        bool,
        typer.Option("--best-guess", help="Correct by the best guess where a person should look."),
    ] = False,
    clf: Annotated[
        Path | None,
        typer.Option(
            "--clf",
            metavar="OUT.clf",
            help="Also write the correction as a 3D table in the Common LUT Format.",
        ),
    ] = None,
    pair: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT.png",
            help="Also draw both pictures with the readings marked (needs autocast[plot]).",
        ),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Let files that exist be replaced.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
    memory: Memory = None,
    models: ModelsFolder = None,
    hints: list[Hint],
) -> None:
    """Take a likely cast away in a copy, and check it by judging again.

    Only colour moves: one smooth curve per channel, then every pixel's
    lightness is put back. Bit depth, colour profile, metadata and resolution
    stay. Where no evident cast is seen nothing is written. Where a person should look,
    say what you know of a spot (--neutral and the other hints), or use
    --best-guess.

    Caution: pictures kept as evidence, or for medical, scientific or identity
    use, are not to be altered on autocast's word.

    Exit codes: 0 a copy was written and its check passed, or, without --to, a
    correction was described; 1 the
    picture cannot be corrected or a file not be written, standard error says
    why; 2 the command was not understood; 3 no evident cast is seen, or a person
    should look first: nothing was written; 4 a copy was written, but it is not sure
    that it is nearer to the truth.
    """
    if context.args:
        # Whoever gives two names means the second for the copy.
        shown = shlex.join(["autocast", "correct", str(picture), "--to", context.args[0]])
        raise typer.BadParameter(f"one picture at a time; the copy goes --to a file: {shown}")
    if pair is not None and to is None:
        raise typer.BadParameter(
            "it shows the original beside the copy that --to writes; give --to OUT as well.",
            param_hint="--pair",
        )
    with one_sentence():
        from autocast.correction import Wish, check_clf, correct_and_keep, write_clf
        from autocast.picture import check_target

        if clf is not None:
            check_clf(clf, picture, force=force)
        if pair is not None and to is not None:
            what = "The pair is a PNG"
            check_target(picture, pair, force=force, suffixes=(".png",), what=what)
            check_target(to, pair, force=force, source_is=_COPY)
        with _progress(wanted=to is not None) as report:
            wish = Wish(
                tuple(hints),
                strength / 100,
                best_guess=best_guess,
                force=force,
                report=report,
                models=models_in(models),
                memory=allowed(memory),
            )
            correction, work = correct_and_keep(picture, to, wish)
    if json:
        typer.echo(correction.to_json())
    else:
        from autocast.report.spots import correction_text

        typer.echo(correction_text(correction, terminal()[0]))
    with one_sentence():
        if clf is not None and work.curves is not None:
            write_clf(work.curves, correction.judgement.name, clf, force=force)
        proof = correction.proof
        if pair is not None and to is not None and work.after is not None and proof is not None:
            from autocast.picture import reduced_pixels
            from autocast.report.evidence_picture import WIDTH
            from autocast.report.pair import draw_pair

            check_target(to, pair, force=force, source_is=_COPY)
            draw_pair(
                work.before.picture,
                work.after.picture,
                proof,
                pair,
                force=force,
                photographs=(
                    reduced_pixels(picture, WIDTH, allowed(memory)),
                    reduced_pixels(to, WIDTH, allowed(memory)),
                ),
            )
    if correction.advice is None:
        raise typer.Exit(3)
    if proof is not None and not proof.passed:
        raise typer.Exit(4)


@contextlib.contextmanager
def _progress(*, wanted: bool) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error while the copy is written, where that is a terminal."""
    if not wanted or not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TimeRemainingColumn

    columns = (BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)

        def report(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield report
