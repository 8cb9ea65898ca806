"""The folders of an archive, and the one that a person means."""

from __future__ import annotations

import os
from collections.abc import Iterable

from autocast.archive.ledger import Ledger
from autocast.archive.rows import Wanted, clean, folder_of, is_address
from autocast.archive.walk import absolute
from autocast.errors import LedgerError

NAMED = 8
"""Folders named to somebody who asked for another (project convention)."""


def folders(ledger: Ledger) -> list[bytes]:
    """Every folder that holds pictures, in order; read by the index, a step a folder."""
    found = ledger.select(
        "WITH RECURSIVE met (folder) AS (SELECT min(folder) FROM pictures UNION ALL "
        "SELECT (SELECT min(folder) FROM pictures WHERE folder > met.folder) FROM met "
        "WHERE met.folder NOT NULL) SELECT folder FROM met WHERE folder NOT NULL"
    )
    return [row[0] for row in found]


def common_root(some: Iterable[bytes]) -> bytes:
    """The folder that holds all others; empty where there is none but the root."""
    names = set(some)
    if not names or any(is_address(name) for name in names):
        return b""
    shared = os.path.commonpath(names)
    return b"" if shared == b"/" else shared


def meant(ledger: Ledger, given: str) -> bytes:
    """The folder that a person means: as it lies, or below the archive's own.

    Raises LedgerError, which names some that are there, where no picture lies in it.
    """
    met = folders(ledger)
    root = common_root(met)
    typed = os.fsencode(given).strip(b"/")
    for folder in (
        absolute(given),
        root + b"/" + typed,
        folder_of(root).rstrip(b"/") + b"/" + typed,
    ):
        if ledger.counts(Wanted(folder=folder, gone=True)).pictures:
            return folder
    below = [clean(os.fsdecode(each.removeprefix(root).lstrip(b"/"))) for each in met]
    named = ", ".join(filter(None, below[:NAMED])) + (" and others" if len(below) > NAMED else "")
    raise LedgerError(
        f"No picture lies in {given}; give a folder below {clean(os.fsdecode(root))}"
        + (f", such as {named}." if named else ".")
    )
