"""What people decided as files: a table of decisions, and a manifest to fit and measure on.

A manifest is the ``manifest.csv`` that ``train`` and ``evaluate`` read, with the grades of
two people in the place of two looks. A colour that is fine or meant so is no cast; *cast*
counts as evident, its figures are left empty where no evident one was estimated.
"""

from __future__ import annotations

import csv
import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

from autocast.archive.decisions import Decided, by_content, hints_kept
from autocast.archive.export import chosen, csv_file, readable, uri
from autocast.archive.kept import check_kept
from autocast.archive.ledger import Ledger
from autocast.archive.rows import is_address
from autocast.errors import OutputError
from autocast.judgement import DECISION_WORDS, Decision
from autocast.picture.writing import check_free, whole

STATES = ("stands", "superseded", "taken back")
"""What became of a decision."""
GRADES: Mapping[Decision, str] = {
    "fine": "none",
    "meant_so": "none",
    "cast": "evident",
    "cant_tell": "cannot_tell",
}
"""Decisions as the grades of a manifest."""
MANIFEST = "manifest.csv"
_LOOK = ("judgement", "a", "b", "reason")
_COLUMNS = ("file", "group", "consensus", *(f"{name}_{k}" for k in (1, 2) for name in _LOOK))
_TABLE = (
    "path", "uri", "decision", "state", "person", "at", "reason", "note", "cast_a", "cast_b",
    "hints", "queue", "batch", "sha256", "verdict", "probability",
)  # fmt: skip


class Manifest(NamedTuple):
    """How many pictures a manifest holds, whose grades, and how many it cannot hold."""

    pictures: int
    persons: tuple[str, ...]
    left_out: int


def export_decisions(ledger: Ledger, to: Path, *, force: bool = False) -> int:
    """Write every decision, one row each, what was taken back as well; how many.

    CSV or JSON Lines by the ending of ``to``. Raises OutputError.
    """
    lines = chosen(ledger, to, {".csv": False, ".jsonl": True}, force=force)
    rows = list(_decisions(ledger))
    with whole(to, force=force) as beside:
        if lines:
            with beside.open("w", encoding="ascii", newline="\n") as file:
                file.writelines(json.dumps(row) + "\n" for row in rows)
        else:
            with csv_file(beside, _TABLE) as write:
                write({**row, "hints": json.dumps(row["hints"])} for row in rows)
    return len(rows)


def _decisions(ledger: Ledger) -> Iterator[dict[str, Any]]:
    found = ledger.select(
        "SELECT d.*, p.path, o.verdict, o.probability, "
        "EXISTS (SELECT 1 FROM decisions u WHERE u.undoes = d.batch) AS undone, "
        "EXISTS (SELECT 1 FROM standing s WHERE s.id = d.id) AS stands "
        "FROM decisions d JOIN pictures p ON p.id = d.picture JOIN overview o ON o.id = p.id "
        "WHERE d.undoes IS NULL ORDER BY d.id"
    )
    for row in found:
        state = STATES[0] if row["stands"] else STATES[2] if row["undone"] else STATES[1]
        yield {
            "path": readable(row["path"]),
            "uri": uri(row["path"]),
            "decision": DECISION_WORDS.get(row["decision"], row["decision"]),
            "state": state,
            "cast_a": row["a"],
            "cast_b": row["b"],
            "hints": [asdict(hint) for hint in hints_kept(row)],
            "sha256": row["hash"],
            **{
                name: row[name]
                for name in ("person", "at", "reason", "note", "queue", "batch", "verdict",
                             "probability")
            },
        }  # fmt: skip


def write_manifest(ledger: Ledger, folder: Path, *, force: bool = False) -> Manifest:
    """Write ``manifest.csv`` into a folder, which is made where it is missing.

    It names the pictures where they lie; the grades are those of the two people who decided
    most. A group is a folder; where all lie in one, a series, and each other picture its own.
    Raises OutputError.
    """
    decisions = by_content(ledger)
    persons = tuple(
        name
        for name, _ in Counter(
            each.person for some in decisions.values() for each in some
        ).most_common(2)
    )
    rows, left_out = [], 0
    for content, some in sorted(decisions.items()):
        graded = {each.person: each for each in some}
        looks = [graded.get(person) for person in persons]
        picture = _picture(ledger, content)
        if picture is None or not any(looks):
            left_out += 1
            continue
        rows.append({**picture, **_looks(looks)})
    if not rows:
        raise OutputError(
            f"{ledger.path} holds no decisions on pictures that are there; "
            "decide some with autocast review."
        )
    if len({row["folder"] for row in rows}) > 1:
        rows = [{**row, "group": row["folder"]} for row in rows]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder} cannot be made: {error.strerror or error}.") from error
    to = folder / MANIFEST
    check_kept(ledger, to)
    check_free(to, force=force)
    with whole(to, force=force) as beside, beside.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, _COLUMNS, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(sorted(rows, key=lambda row: row["file"]))
    return Manifest(len(rows), persons, left_out)


def _picture(ledger: Ledger, content: str) -> dict[str, str] | None:
    """Where a content lies, and with what; None where it is gone or its name is no text."""
    for found in ledger.select(
        "SELECT path, folder, series, id FROM overview WHERE hash = ? AND gone = 0 ORDER BY path",
        (content,),
    ):
        row = ledger.checked(found)
        try:
            path = row["path"].decode()
        except UnicodeDecodeError:
            continue
        if is_address(row["path"]):
            continue
        alone = f"picture {row['id']}" if row["series"] is None else f"series {row['series']}"
        return {
            "file": os.path.abspath(path),  # noqa: PTH100 -- as the ledger has it, links and all
            "folder": readable(row["folder"]),
            "group": alone,
        }
    return None


def _looks(looks: Iterable[Decided | None]) -> dict[str, Any]:
    """Two people's grades, and what they come to together."""
    out: dict[str, Any] = {}
    grades = []
    for number, look in enumerate(looks, start=1):
        if look is None:
            continue
        grades.append(GRADES[look.decision])
        unseen = ("", "") if look.decision == "cast" else (0.0, 0.0)
        a, b = unseen if look.cast is None else (round(axis, 2) for axis in look.cast)
        reason = "; ".join(filter(None, (look.reason, look.note)))
        values = (grades[-1], a, b, reason)
        out |= {f"{name}_{number}": value for name, value in zip(_LOOK, values, strict=True)}
    # As the tuning photographs have it: none against evident is slight.
    told = set(grades)
    together = grades[0] if len(told) == 1 else "slight"
    return {**out, "consensus": "cannot_tell" if "cannot_tell" in told else together}
