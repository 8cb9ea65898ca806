"""What must never be written onto: a ledger's pictures, their sidecars, and the ledger itself.

Files are told by what they are to the file system, not by how a path is spelled, so
that links of either kind, ``..`` and letters of another case lead nowhere new.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from autocast.archive.ledger import BESIDE, Ledger
from autocast.archive.rows import is_address
from autocast.errors import OutputError

_Mark = tuple[int, int]
"""A file's device and number there."""


def check_kept(ledger: Ledger, to: Path) -> None:
    """Refuse to write a file where one lies that must stay. Raises OutputError."""
    mark = _mark(to)
    if mark is None:
        return
    if mark == _mark(ledger.path):
        raise OutputError(f"{to} is the ledger itself; give another name.")
    # SQLite keeps them beside the file that a link leads to.
    if any(mark == _mark(f"{p}{e}") for p in (ledger.path, ledger.path.resolve()) for e in BESIDE):
        raise OutputError(f"{to} belongs to the ledger; give another name.")
    for path in _pictures(ledger):
        if mark == _mark(path):
            raise OutputError(f"{to} is a picture of the ledger, never changed; give another name.")
        if mark in (_mark(path + b".xmp"), _mark(os.path.splitext(path)[0] + b".xmp")):  # noqa: PTH122 -- bytes
            raise OutputError(f"{to} is the sidecar of a picture; give another name.")


def check_folder(ledger: Ledger, to: Path) -> None:
    """Refuse to fill a folder that holds the ledger or a picture of it. Raises OutputError."""
    mark = _mark(to)
    inside: dict[bytes, bool] = {b"": False}

    def within(folder: bytes) -> bool:
        if folder not in inside:
            above = os.path.dirname(folder)  # noqa: PTH120 -- bytes
            inside[folder] = _mark(folder) == mark or (above != folder and within(above))
        return inside[folder]

    asked = ledger.select("SELECT DISTINCT folder FROM pictures")
    folders = (row[0] for row in asked if isinstance(row[0], bytes))
    if mark is not None and any(
        within(os.path.realpath(each)) for each in folders if not is_address(each)
    ):
        raise OutputError(f"{to} holds pictures of the ledger; name another folder.")
    if mark is not None and within(os.path.realpath(os.fsencode(ledger.path.parent))):
        raise OutputError(f"{to} holds the ledger; name another folder.")


def _pictures(ledger: Ledger) -> Iterator[bytes]:
    for (path,) in ledger.select("SELECT path FROM pictures"):
        # A damaged ledger may hold anything; what it says is told where rows are read.
        if isinstance(path, bytes) and not is_address(path):
            yield path


def _mark(path: bytes | str | os.PathLike[str]) -> _Mark | None:
    try:
        facts = os.stat(path)  # noqa: PTH116 -- bytes
    except (OSError, ValueError):
        return None
    return facts.st_dev, facts.st_ino
