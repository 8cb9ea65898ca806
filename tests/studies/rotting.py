"""How ledgers that rotted are read. A script, no test.

    python tests/studies/rotting.py [--count N] [--seed N] [--processes N] [--minutes M]
        [--keep FOLDER]

A ledger of a few dozen pictures, hostile names among them, loses bytes, pages and its end, or
gets values that no autocast writes: rotted text, verdicts that do not exist, numbers for text,
broken JSON. Each then goes through ``list`` and, in turn, ``export``, ``report`` or ``list``
with filters, as mutated pictures do (``tests/studies/mutating.py``): one sentence or an answer,
never a traceback, and the ledger stays as it is.
"""

from __future__ import annotations

import atexit
import shutil
import sqlite3
import sys
import tempfile
from contextlib import closing, suppress
from functools import cache, partial
from pathlib import Path
from random import Random

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests import ledgers  # noqa: E402
from tests.studies import mutating  # noqa: E402

PICTURES = 40
_PAGE = 4096
"""Bytes of a page of SQLite's where nothing else is asked for (sqlite.org/fileformat2.html)."""
_ROTTEN = (
    "x",
    "",
    -7,
    2**62,
    float("inf"),
    -1e308,
    b"\xff\xfe\x00",
    None,
    "{" * 3000,
    '{"a": NaN}',
    "<script>",
    "\ud7ff\x00\x1b[31m",
)
"""Values where others are meant."""


@cache
def sound() -> bytes:
    """The ledger as it was."""
    folder = Path(tempfile.mkdtemp(prefix="autocast-rotting-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)  # its pictures are looked at
    plain = [f"mole/{k:02}.png".encode() for k in range(PICTURES - len(ledgers.HOSTILE))]
    names = [*ledgers.HOSTILE, *plain]
    return ledgers.build(folder, names, ledgers.cycle(len(names)), 2).read_bytes()


@cache
def columns() -> tuple[tuple[str, str], ...]:
    """Every table's columns."""
    with tempfile.NamedTemporaryFile(suffix=".ledger") as file:
        file.write(sound())
        file.flush()
        with closing(sqlite3.connect(file.name)) as plain:
            tables = [
                str(row[0])
                for row in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            ]
            return tuple(
                (table, str(row[1]))
                for table in tables
                for row in plain.execute(f"PRAGMA table_info({table})")
            )


def rotted(number: int, seed: int) -> tuple[str, bytes]:
    """The ledger of a number, rotted; the same for the same seed."""
    rng = Random(f"{seed}:{number}")  # noqa: S311 -- repeatable, not secret
    data = sound()
    if rng.random() < 0.5:
        data = _values(data, rng)
    else:
        for _ in range(rng.choice((1, 1, 3, 20))):
            data = _bytes(data, rng)
    return "ledger", data


def _values(data: bytes, rng: Random) -> bytes:
    """Rows with values that no autocast writes; what the tables refuse stays as it was."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "a.ledger")
        path.write_bytes(data)
        with closing(sqlite3.connect(path)) as plain:
            plain.execute("PRAGMA ignore_check_constraints = ON")
            for _ in range(rng.choice((1, 2, 6))):
                table, column = rng.choice(columns())
                some = "" if rng.random() < 0.3 else " WHERE abs(random()) % 5 = 0"
                with suppress(sqlite3.Error):
                    plain.execute(f"UPDATE {table} SET {column} = ?{some}", (rng.choice(_ROTTEN),))  # noqa: S608 -- the ledger's own names
            plain.commit()
        return path.read_bytes()


def _bytes(data: bytes, rng: Random) -> bytes:
    """Bytes that flipped, a page that is gone or doubled, an end that is missing."""
    how = rng.randrange(6)
    out = bytearray(data)
    page = _PAGE * rng.randrange(max(len(data) // _PAGE, 1))
    if how == 0:
        return data[: rng.randrange(len(data)) + 1]
    if how == 1:
        out[page : page + _PAGE] = bytes(_PAGE)
    elif how == 2:
        out[page : page + _PAGE] = rng.randbytes(_PAGE)
    elif how == 3:
        other = _PAGE * rng.randrange(max(len(data) // _PAGE, 1))
        out[page : page + _PAGE] = data[other : other + _PAGE]
    elif how == 4:
        out[rng.randrange(min(100, len(out)))] = rng.randrange(256)
    else:
        for _ in range(rng.choice((1, 8, 64))):
            out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def commands(number: int, path: Path, out: Path) -> list[tuple[str, list[str]]]:
    """What a ledger goes through."""
    ledger = str(path)
    second = (
        ("export", ["export", ledger, "--to", str(out / "t.csv"), "--force"]),
        ("export", ["export", ledger, "--to", str(out / "t.jsonl"), "--force"]),
        ("salvage", ["export", ledger, "--salvage", "--to", str(out / "s.jsonl"), "--force"]),
        ("report", ["report", ledger, "--to", str(out / f"report-{number}")]),
        ("list", ["list", ledger, "--verdict", "ask", "--hue", "warm", "--undecided"]),
    )
    return [("list", ["list", ledger, "--plain"]), second[number % len(second)]]


if __name__ == "__main__":
    mutating.told(__doc__.splitlines()[0], lambda seed: (partial(rotted, seed=seed), commands))
