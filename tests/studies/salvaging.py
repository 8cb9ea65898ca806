"""How much of a rotted ledger `autocast export --salvage` still reads. A script, no test.

    python tests/studies/salvaging.py [--count N] [--seed N]

Ledgers rot as in ``tests/studies/rotting.py``. What is sound is told by SQLite alone, which is
asked for each picture and its judgement by number: it is sound where all is as it was before.
Counted is how many of these are among those written.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import json
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, suppress
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.archive.export import export, readable  # noqa: E402
from autocast.archive.ledger import Ledger  # noqa: E402
from autocast.errors import AutocastError  # noqa: E402
from tests.studies import rotting  # noqa: E402

_ONE = (
    "SELECT p.*, j.json, j.regions FROM pictures p LEFT JOIN judgements j ON j.picture = p.id "
    "WHERE p.id = ?"
)


def rows(ledger: Path) -> Iterator[sqlite3.Row]:
    """Every picture that SQLite reads by its number."""
    address = f"{ledger.absolute().as_uri()}?mode=ro&immutable=1"
    with closing(sqlite3.connect(address, uri=True)) as plain:
        plain.row_factory = sqlite3.Row
        with suppress(sqlite3.Error):
            plain.execute("PRAGMA writable_schema = ON")
        for number in range(1, 2 * rotting.PICTURES):
            with suppress(sqlite3.Error, UnicodeDecodeError):
                if (row := plain.execute(_ONE, (number,)).fetchone()) is not None:
                    yield row


@cache
def original() -> frozenset[tuple[object, ...]]:
    """All rows as they were."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "sound.ledger")
        path.write_bytes(rotting.sound())
        return frozenset(map(tuple, rows(path)))


def salvaged(number: int, seed: int) -> tuple[int, int, str]:
    """How many pictures of a rotted ledger are sound, how many of these are written, what is said.

    What is said is empty where there was an answer.
    """
    with tempfile.TemporaryDirectory() as folder:
        path, to = Path(folder, "rotted.ledger"), Path(folder, "t.jsonl")
        path.write_bytes(rotting.rotted(number, seed)[1])
        sound = {readable(row["path"]) for row in rows(path) if tuple(row) in original()}
        try:
            with Ledger.read(path, salvage=True) as opened:
                export(opened, to, salvage=True)
        except AutocastError as error:
            return len(sound), 0, str(error).replace(str(path), "LEDGER")
        written = {json.loads(line)["path"] for line in to.read_text("ascii").splitlines()}
        return len(sound), len(sound & written), ""


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    told: Counter[str] = Counter()
    sound = written = answered = 0
    for number in range(given.count):
        some, of_them, said = salvaged(number, given.seed)
        sound, written, answered = sound + some, written + of_them, answered + (not said)
        told[said] += bool(said)
        if of_them < some:
            print(f"ledger {number}: {of_them} of {some} sound pictures. {said}")
    print(f"{given.count} ledgers, seed {given.seed}; {answered} could be salvaged")
    print(f"{written} of {sound} sound pictures written")
    for words, count in told.most_common():
        print(f"{count:>8}  {words}")


if __name__ == "__main__":
    main()
