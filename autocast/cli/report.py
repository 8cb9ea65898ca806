"""The command that writes the report on an archive."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from autocast.cli._app import (
    Memory,
    ModelsFolder,
    allowed,
    app,
    left,
    one_sentence,
    say,
    timed,
    with_assumptions,
)
from autocast.cli.archive import supposed
from autocast.judgement import Assumptions


@app.command()
@with_assumptions
def report(
    ledger: Annotated[
        Path, typer.Argument(metavar="LEDGER", help="The ledger that autocast presort wrote.")
    ],
    *,
    to: Annotated[
        Path,
        typer.Option(metavar="FOLDER", help="A new folder for the pages, or an earlier report."),
    ],
    memory: Memory = None,
    models: ModelsFolder = None,
    assumptions: Assumptions,
) -> None:
    """Write pages that show a pre-sorted archive, to be opened in a browser.

    FOLDER gets index.html with the counts and where the casts lie, a contact
    sheet of all pictures with filters and the evidence for each, and the list
    of what a person should look at. The pages need no network and can be
    copied or mailed as a folder. Run again, it renews an earlier report and
    makes small copies only of pictures that are new or changed. Photographs are
    only read. With a base rate or risks the pages show the verdicts that these
    give; the ledger keeps its own. Needs autocast[report].

    Exit codes: 0 written; 1 the ledger cannot be read or the pages not be
    written, standard error says why; 2 the command was not understood.
    """
    with one_sentence():
        from autocast.archive.ledger import Ledger
        from autocast.report.pages import write

        with Ledger.read(ledger) as opened:
            assumed = supposed(opened, models, assumptions)
            since = time.monotonic()
            with timed():
                page = write(
                    opened,
                    to,
                    assumed=assumed,
                    memory=allowed(memory),
                    step=lambda done, total: say(f"{left(done, total, since)} pictures"),
                )
    say(f"Open {page.resolve().as_uri()}")
