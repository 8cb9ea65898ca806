"""A demonstration: an invented archive, made, pre-sorted, reported on and scored."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from autocast.archive.ledger import Ledger
from autocast.archive.rate import refresh
from autocast.archive.run import Run
from autocast.archive.walk import resolve_root
from autocast.archive.workers import Processes, cores
from autocast.demonstration.invented import check_packages, make
from autocast.demonstration.scoring import Pointing, Score, pointing, score
from autocast.errors import OutputError
from autocast.modelstore import default_models
from autocast.report import pages
from autocast.report.text import printable

LEDGER = "marrowick.ledger"


class Demonstrated(NamedTuple):
    """The page to open, and how the verdicts did."""

    page: Path
    scores: list[Score]
    pointing: Pointing


def demonstrate(to: Path, say: Callable[[str], None]) -> Demonstrated:
    """Make the archive below ``to``, pre-sort it, write the report and score the verdicts.

    Raises OutputError when ``to`` holds anything or cannot be written, or when a
    package is missing.
    """
    check_packages()
    shown = printable(str(to))
    try:
        to.mkdir(parents=True, exist_ok=True)
        if any(to.iterdir()):
            raise OutputError(f"{shown} is not empty; name another folder with --to, or empty it.")
    except OSError as error:
        raise OutputError(f"{shown} cannot be made: {error.strerror or error}.") from error
    say("Making the invented archive of Marrowick ...")
    made = make(to / "archive")
    say(f"Judging its {len(made)} files ...")
    with Ledger.write(to / LEDGER) as ledger:
        with Processes(default_models(), cores()) as pool:
            Run(ledger, pool).over([resolve_root(str(to / "archive"))])
        refresh(ledger, default_models())
        say("Writing the report ...")
        page = pages.write(ledger, to / "report")
        rows = [row for each in ledger.pages() for row in each]
    return Demonstrated(page, score(made, rows), pointing(made, rows))
