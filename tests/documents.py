"""Reading the project's documents, so that tests can hold their figures to files and code."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent


def text(name: str) -> str:
    """A document of the repository."""
    return (ROOT / name).read_text(encoding="utf-8")


def figures(pattern: str, document: str) -> tuple[str, ...]:
    """The groups of the one place where a sentence stands, line breaks aside.

    Fails where the sentence is gone, or stands twice.
    """
    found = list(re.finditer(pattern, " ".join(document.split())))
    assert len(found) == 1, f"{len(found)} places read {pattern!r}"
    return found[0].groups()


def table(header: str, document: str) -> list[list[str]]:
    """The cells of the one table whose header line begins so, without emphasis, escapes or header.

    Fails where there is no such table, or more than one.
    """
    lines = document.splitlines()
    at = [k for k, line in enumerate(lines) if line.startswith(header)]
    assert len(at) == 1, f"{len(at)} tables begin with {header!r}"
    rows: list[list[str]] = []
    for line in lines[at[0] + 2 :]:
        if not line.startswith("|"):
            break
        cells = line.strip().strip("|").split("|")
        rows.append([cell.strip().replace("`", "").replace("\\", "") for cell in cells])
    assert rows, header
    return rows


def number(cell: str) -> float:
    """The number at the head of a cell: thin spaces and a percent sign aside."""
    found = re.match(r"[-−]?(?:\d[\d ]*)?\.?\d+", cell)
    assert found, cell
    return float(found[0].replace(" ", "").replace("−", "-"))
