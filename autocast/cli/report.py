"""The command that writes the report on an archive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from autocast.cli._app import app, one_sentence, say


@app.command()
def report(
    ledger: Annotated[
        Path, typer.Argument(metavar="LEDGER", help="The ledger that autocast presort wrote.")
    ],
    *,
    to: Annotated[
        Path,
        typer.Option(metavar="FOLDER", help="A new folder for the pages, or an earlier report."),
    ],
) -> None:
    """Write pages that show a pre-sorted archive, to be opened in a browser.

    FOLDER gets index.html with the counts and where the casts lie, a contact
    sheet of all pictures with filters and the evidence for each, and the list
    of what a person should look at. The pages need no network and can be
    copied or mailed as a folder. Run again, it renews an earlier report and
    makes small copies only of pictures that are new or changed. Photographs are
    only read. Needs autocast[report].
    """
    with one_sentence():
        from autocast.archive.ledger import Ledger
        from autocast.report.pages import write

        with Ledger.read(ledger) as opened:
            page = write(opened, to, step=_progress)
    say(f"Open {page.resolve().as_uri()}")


def _progress(done: int, total: int) -> None:
    say(f"{done} of {total} pictures")
