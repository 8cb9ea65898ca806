"""The commands that pre-sort an archive and hand on what was found."""

from __future__ import annotations

import difflib
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from autocast.archive import DEADLINE
from autocast.cli._app import (
    Memory,
    ModelsFolder,
    allowed,
    app,
    models_in,
    one_sentence,
    say,
    terminal,
    timed,
    with_assumptions,
)
from autocast.judgement import DECISION_WORDS, REMARKS, TEMPERATURES, VERDICT_WORDS, Assumptions

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from autocast.archive.ledger import Ledger
    from autocast.archive.rows import Wanted
    from autocast.archive.run import Again, Tally
    from autocast.archive.workers import WorkerPool
    from autocast.modelstore import Models

LedgerFile = Annotated[
    Path, typer.Argument(metavar="LEDGER", help="Ledger that autocast presort wrote.")
]


@app.command()
@with_assumptions
def presort(
    folders: Annotated[
        list[str],
        typer.Argument(
            metavar="FOLDER",
            help="Folders to walk, with all below them; or addresses such as s3://bucket/folder.",
        ),
    ],
    *,
    into: Annotated[
        Path,
        typer.Option(metavar="LEDGER", help="Ledger to write into; made where there is none."),
    ],
    include: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PATTERN",
            help="Only files that match, such as '*.tif' or '1931/*/front.jpg': a pattern "
            "without / matches names, one with / the path below FOLDER. May be repeated.",
        ),
    ] = None,
    exclude: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PATTERN", help="Leave out files and folders that match. May be repeated."
        ),
    ] = None,
    rejudge: Annotated[
        bool, typer.Option("--rejudge", help="Judge every picture again, changed or not.")
    ] = False,
    retry_failed: Annotated[
        bool,
        typer.Option("--retry-failed", help="Also retry those that could not be judged."),
    ] = False,
    models: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder of model files to judge with, as autocast train writes them.",
            show_default="those that came with autocast",
        ),
    ] = None,
    jobs: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=1, help="Pictures to judge at once.", show_default="one per core"
        ),
    ] = None,
    deadline: Annotated[
        float,
        typer.Option(
            metavar="SECONDS", min=1, max=1e7, help="Seconds after which a picture is given up."
        ),
    ] = DEADLINE,
    scheduler: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Judge on the workers of this Dask scheduler, such as tcp://host:8786, "
            "which must see the same paths.",
        ),
    ] = None,
    memory: Memory = None,
    assumptions: Assumptions,
    take_back: Annotated[
        bool,
        typer.Option(
            "--take-back",
            help="Take back the base rate, risks or thresholds that verdicts go by: they are the "
            "judgements' own again.",
        ),
    ] = False,
) -> None:
    """Judge every picture of an archive once, and keep the results in a ledger.

    Can be stopped (Ctrl-C), killed and started again at any moment: what is in
    the ledger and has the same size and time of change is not judged again.
    Files count by content, not by name; hidden and system folders are left out.
    Pictures are only read. See the result with autocast list.

    A base rate and risks that are given decide the verdicts of the whole ledger,
    which keeps them until others are given or --take-back is; the judgements
    themselves stay. See what they would do with autocast list LEDGER --settings.

    Memory is allowed to each picture, and less where the machine has not so much for
    all that are judged at once. What failed for want of memory is tried again where
    more is allowed.

    Exit codes: 0 walked to the end, whatever the verdicts and failures, which are
    in the ledger; 1 the run could not go on, standard error says why; 2 the
    command was not understood; 130 stopped before the end.
    """
    if rejudge and retry_failed:
        raise typer.BadParameter("--rejudge includes it; give one.", param_hint="--retry-failed")
    if scheduler is not None and jobs is not None:
        raise typer.BadParameter(
            "the workers of --scheduler set that; leave it out.", param_hint="--jobs"
        )
    if take_back and assumptions != Assumptions():
        raise typer.BadParameter(
            "give a base rate and risks, or take back what was given.", param_hint="--take-back"
        )
    which: Again = "all" if rejudge else "failed" if retry_failed else "changed"
    with one_sentence():
        from autocast.archive import learnt
        from autocast.archive.ledger import Ledger
        from autocast.archive.rate import refresh
        from autocast.archive.run import Run
        from autocast.archive.walk import Chosen, resolve_root
        from autocast.cli._passage import stoppable, watched
        from autocast.modelstore import Models, default_models

        roots = [resolve_root(folder) for folder in folders]
        chosen = Chosen(tuple(include or ()), tuple(exclude or ()))
        fitted = default_models() if models is None else Models.load(models)
        name = shlex.quote(str(into))
        with (
            timed(f"autocast list {name}, or autocast review {name}"),
            stoppable() as stop,
            Ledger.write(into) as ledger,
        ):
            _say_before(ledger, which, fitted)
            with (
                _workers(fitted, scheduler, jobs, deadline, allowed(memory)) as pool,
                watched(roots, chosen) as show,
            ):
                run = Run(ledger, pool, again=which, progress=show, stop=stop)
                tally = run.over(roots, chosen)
            if run.changed or not ledger.fact("refreshed"):
                refresh(ledger, fitted)
            taken_back = take_back and learnt.take_back(ledger)
            if assumptions != Assumptions():
                learnt.going_by(ledger, fitted, assumptions)
            elif not take_back:
                learnt.reapply(ledger)
            _say_after(ledger, tally)
            if take_back:
                typer.echo(
                    "Taken back: verdicts are the judgements' own again."
                    if taken_back
                    else "Nothing to take back: verdicts were the judgements' own."
                )
        if not tally.complete:
            say("Stopped before the end; run the same command to go on.")
            raise typer.Exit(130)


def _workers(
    models: Models, scheduler: str | None, jobs: int | None, deadline: float, memory: int
) -> WorkerPool:
    from autocast.archive.room import Room, memory_of_machine, most_at_once, room_for_each

    if scheduler is not None:
        from autocast.archive.cluster import Cluster

        return Cluster(models, scheduler, deadline, Room(memory))
    from autocast.archive.workers import Processes, cores
    from autocast.picture import in_words

    machine = memory_of_machine()
    jobs = jobs or most_at_once(cores(), machine)
    room = room_for_each(jobs, memory, machine)
    if room.memory < memory:
        say(
            f"Note: opening a picture may take {in_words(room.memory, up=False)} of memory, by "
            f"what the machine has for {jobs} at once."
        )
    return Processes(models, jobs, deadline, room)


def _say_before(ledger: Ledger, again: Again, models: Models) -> None:
    if ledger.log_said is not None:
        say(
            f"Note: {ledger.log_said}, so the ledger has no write-ahead log: do not read it from "
            "another machine while this runs."
        )
    others = {model: count for model, count in ledger.models().items() if model != models.id}
    if others and again != "all":
        counts = ", ".join(f"{count:,} by {model}" for model, count in others.items())
        say(
            f"Note: the models have changed since ({counts}; now {models.id}). Those judgements "
            "are kept; --rejudge judges all again."
        )


def _say_after(ledger: Ledger, tally: Tally) -> None:
    from autocast.report.listing import counts_text
    from autocast.report.text import counted

    columns, _ = terminal()
    new = tally.judged + tally.failed
    typer.echo(
        f"{new:,} judged now, {tally.unchanged:,} unchanged, "
        f"{counted(tally.seen.others, 'other file')}."
    )
    typer.echo(counts_text(ledger.counts(), columns))
    _say_own(ledger, columns)


def _say_own(ledger: Ledger, columns: int, assumed: dict[str, Any] | None = None) -> bool:
    """What verdicts go by, where that is not what the judgements went by.

    Whether a base rate is supposed.
    """
    from autocast.archive.learnt import adopted
    from autocast.report.listing import own_text

    own = assumed or adopted(ledger)
    if own is not None:
        typer.echo(own_text(own, columns))
    return own is not None and "assumed" in own


@app.command("list")
@with_assumptions
def list_(
    ledger: LedgerFile,
    *,
    verdict: Annotated[
        list[str] | None,
        typer.Option(
            metavar="VERDICT", help="Only this verdict: cast, ask or clear, or as it is printed."
        ),
    ] = None,
    hue: Annotated[
        list[str] | None,
        typer.Option(
            metavar="HUE", help="Only casts towards this hue, such as blue, or warm or cold."
        ),
    ] = None,
    remark: Annotated[
        list[str] | None,
        typer.Option(metavar="REMARK", help="Only with this remark, such as mixed_light."),
    ] = None,
    folder: Annotated[
        str | None,
        typer.Option(
            metavar="FOLDER",
            help="Only this folder and all below it, as it lies or below the archive's own.",
        ),
    ] = None,
    failed: Annotated[
        bool, typer.Option("--failed", help="Only those that could not be judged.")
    ] = False,
    decided: Annotated[
        list[str] | None,
        typer.Option(
            metavar="DECISION",
            help="Only what a person decided so: fine, cast, meant_so or cant_tell.",
        ),
    ] = None,
    undecided: Annotated[
        bool, typer.Option("--undecided", help="Only what nobody has decided.")
    ] = False,
    each: Annotated[
        bool,
        typer.Option("--each", help="Show every picture of a series that has one fault."),
    ] = False,
    both: Annotated[
        bool,
        typer.Option("--both", help="Also show the chance for each picture alone."),
    ] = False,
    plain: Annotated[
        bool,
        typer.Option(
            "--plain",
            help="Print for other programs, between tabs: verdict, chance in this archive, a*, b*, "
            "spread, path, and what decides it or why it failed.",
        ),
    ] = False,
    settings: Annotated[
        bool,
        typer.Option(
            "--settings",
            help="Only show how many pictures a few base rates and risks would call clear, a cast, "
            "or leave to a person.",
        ),
    ] = False,
    models: ModelsFolder = None,
    assumptions: Assumptions,
    count: Annotated[
        int, typer.Option(metavar="N", min=0, max=10**9, help="Lines to show at most; 0 shows all.")
    ] = 20,
) -> None:
    """Show likely casts, then what a person should look at, the likeliest first.

    Series with one fault come before them, one line each: how many pictures
    share it, and how sure that is. Each other line gives the chance of a cast
    in this archive, the cast in words, and the picture; below it stands what
    people decided. --verdict, --hue, --remark and --decided may be repeated; any of
    their values matches.

    Exit codes: 0 shown; 1 the ledger cannot be read, standard error says why;
    2 the command was not understood.
    """
    from autocast.report.listing import HUES

    verdicts = _keys("verdict", verdict, VERDICT_WORDS)
    decisions = _keys("decided", decided, DECISION_WORDS)
    _known("hue", hue, (*TEMPERATURES, *HUES))
    _known("remark", remark, REMARKS)
    if failed and (verdict or hue or remark):
        raise typer.BadParameter(
            "they have no verdict, hue or remark to choose by.", param_hint="--failed"
        )
    with one_sentence():
        from dataclasses import replace

        from autocast.archive.folders import meant
        from autocast.archive.ledger import Ledger
        from autocast.archive.rows import Wanted

        wanted = Wanted(
            verdicts=verdicts,
            hues=tuple(each for name in hue or () for each in TEMPERATURES.get(name, (name,))),
            remarks=tuple(remark or ()),
            failed=True if failed else None,
            findings=not each,
            decided=decisions,
            undecided=undecided,
        )
        with Ledger.read(ledger) as opened:
            if settings:
                _show_settings(opened, models)
                return
            assumed = supposed(opened, models, assumptions)
            if folder is not None:
                wanted = replace(wanted, folder=meant(opened, folder))
            if plain:
                _show_plain(opened, wanted, count)
            else:
                _show(opened, wanted, count, assumed, both=both)


@app.command()
def export(
    ledger: LedgerFile,
    *,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="A file for every picture: .csv, .jsonl or .parquet, by its ending.",
        ),
    ] = None,
    decisions: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Every decision that people made, as a .csv or .jsonl file."
        ),
    ] = None,
    manifest: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="A folder for a manifest.csv of what people decided, for autocast train and "
            "evaluate.",
        ),
    ] = None,
    salvage: Annotated[
        bool,
        typer.Option(
            "--salvage",
            help="With --to: of a damaged ledger write what can still be read, and say how much "
            "cannot.",
        ),
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that exists.")] = False,
) -> None:
    """Write a ledger as a table: CSV, JSON Lines, or Parquet (needs autocast[parquet]).

    With --to one row for each picture; JSON Lines and Parquet hold the judgement
    in full as well. With --decisions one row for each decision, those taken back
    included. In CSV, texts that a spreadsheet would take for a formula get an
    apostrophe before them. With --manifest the grades of the two people who
    decided most, to fit and measure autocast on them; it names the pictures where
    they lie.

    Exit codes: 0 written; 1 the ledger cannot be read or a file not be
    written, standard error says why; 2 the command was not understood.
    """
    if to is decisions is manifest is None:
        raise typer.BadParameter(
            "name a file or folder to write.", param_hint="--to, --decisions or --manifest"
        )
    if salvage and to is None:
        raise typer.BadParameter("goes with --to only.", param_hint="--salvage")
    with one_sentence():
        from autocast.archive.export import export as write
        from autocast.archive.grades import export_decisions, write_manifest
        from autocast.archive.ledger import Ledger
        from autocast.report.text import counted

        with Ledger.read(ledger, salvage=salvage) as opened:
            if to is not None:
                count, lost = write(opened, to, force=force, salvage=salvage)
                told = f"{counted(count, 'picture')} written to {to}."
                more = " or more" if lost else ""
                typer.echo(f"{told} {lost:,}{more} could not be read." if salvage else told)
            if decisions is not None:
                count = export_decisions(opened, decisions, force=force)
                typer.echo(f"{counted(count, 'decision')} written to {decisions}.")
            if manifest is not None:
                found = write_manifest(opened, manifest, force=force)
                typer.echo(
                    f"{counted(found.pictures, 'picture')} with the grades of "
                    f"{' and '.join(found.persons)} written to {manifest / 'manifest.csv'}."
                    + (f" {found.left_out:,} left out." if found.left_out else "")
                )


@app.command()
def sidecars(
    ledger: LedgerFile,
    *,
    verdict: Annotated[
        list[str] | None,
        typer.Option(
            metavar="VERDICT",
            help="Only for pictures of this verdict: cast, ask or clear. May be repeated.",
        ),
    ] = None,
    subjects: Annotated[
        bool,
        typer.Option(
            "--subjects",
            help="Also list the verdict among the Dublin Core subjects, where programs that show "
            "keywords find it.",
        ),
    ] = False,
) -> None:
    """Write each judgement beside its picture, as an XMP sidecar (ISO 16684-1).

    What people decided goes with it. The pictures are not touched. What a
    sidecar says already is kept; only what autocast wrote into it before is
    replaced. Needs autocast[sidecars].

    Exit codes: 0 all written; 1 some could not be written, standard error says
    which and why; 2 the command was not understood.
    """
    verdicts = _keys("verdict", verdict, VERDICT_WORDS)
    with one_sentence():
        from autocast.archive.decisions import by_content
        from autocast.archive.ledger import Ledger
        from autocast.archive.rows import Wanted
        from autocast.archive.sidecars import write_sidecars
        from autocast.report.text import counted, printable

        written = failed = 0
        with Ledger.read(ledger) as opened:
            wanted = Wanted(verdicts=verdicts, failed=False)
            pages = opened.pages(wanted, by="path")
            for _, done in write_sidecars(pages, by_content(opened), subjects=subjects):
                if isinstance(done, Path):
                    written += 1
                else:
                    failed += 1
                    say(f"autocast: {printable(str(done))}")
    typer.echo(f"{counted(written, 'sidecar')} written." + (f" {failed:,} not." if failed else ""))
    if failed:
        raise typer.Exit(1)


def _show_plain(ledger: Ledger, wanted: Wanted, count: int) -> None:
    import itertools

    from autocast.report.listing import row_fields

    rows = (row for page in ledger.pages(wanted, documents=True) for row in page)
    for row in itertools.islice(rows, count or None):
        typer.echo(row_fields(row))


def supposed(
    ledger: Ledger, models: Path | None, assumptions: Assumptions
) -> dict[str, Any] | None:
    """Read a ledger as it would be at what is assumed; what that is, None where nothing is."""
    if assumptions == Assumptions():
        return None
    from autocast.archive.learnt import suppose
    from autocast.modelstore import default_models

    return suppose(ledger, models_in(models) or default_models(), assumptions)


def _show_settings(ledger: Ledger, models: Path | None) -> None:
    from autocast.archive.learnt import settings
    from autocast.modelstore import default_models
    from autocast.report.listing import settings_text

    typer.echo(settings_text(settings(ledger, models_in(models) or default_models())))


def _show(
    ledger: Ledger, wanted: Wanted, count: int, assumed: dict[str, Any] | None, *, both: bool
) -> None:
    import itertools
    from dataclasses import replace

    from autocast.archive.decisions import by_content
    from autocast.archive.ledger import PAGE
    from autocast.archive.rate import kept_rate
    from autocast.report.listing import chances_text, counts_text, listing, rate_text

    columns, _ = terminal()
    counts = ledger.counts(replace(wanted, findings=False))
    typer.echo(counts_text(counts, columns))
    is_supposed = _say_own(ledger, columns, assumed)
    rate, in_archive = None if wanted.failed else kept_rate(ledger), ledger.rate_of_casts()
    usual = ledger.assumed_rate()
    if rate is not None:
        typer.echo(rate_text(rate, columns, supposed=in_archive if is_supposed else None))
    if usual is not None and counts.judged:
        typer.echo(
            chances_text(
                in_archive, usual, columns, both=both, supposed=is_supposed and rate is not None
            )
        )
    lines = ledger.counts(wanted).pictures
    pages = ledger.pages(wanted, size=count or PAGE, documents=True)
    shown = itertools.islice(pages, 1) if count else pages
    width = columns if sys.stdout.isatty() else None
    decisions = by_content(ledger)
    for line in listing(
        shown, counts, width, each=not wanted.findings, both=both, decisions=decisions
    ):
        typer.echo(line)
    if 0 < count < lines:
        typer.echo(f"\nThe first {count:,} of {lines:,} lines; --count 0 shows all.")


def _keys(option: str, given: Collection[str] | None, words: Mapping[Any, str]) -> tuple[str, ...]:
    """What was given of an option by its key or as it is printed, by its key."""
    printed = {said.casefold(): key for key, said in words.items()}
    keys = tuple(printed.get(name.casefold(), name) for name in given or ())
    _known(option, keys, words)
    return keys


def _known(option: str, given: Collection[str] | None, names: Collection[str]) -> None:
    for name in given or ():
        if name not in names:
            near = difflib.get_close_matches(name.replace(" ", "_"), names, 1)
            meant = f" Did you mean {near[0]}?" if near else ""
            raise typer.BadParameter(
                f"{name!r} is not one of {', '.join(names)}.{meant}", param_hint=f"--{option}"
            )
