"""How often the verdicts on the invented archive were right, by what is known of each picture."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

from autocast.archive.rows import Row
from autocast.demonstration.invented import Made

WITHIN = 45.0
"""Degrees of hue within which the direction of a likely cast is right (project convention)."""
REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a kind of picture, and which verdicts on it are right."""

    description: str
    right: tuple[str, ...]


KINDS: Mapping[str, Known] = {
    "nothing wrong": Known("scenes balanced to their light", ("clear",)),
    "coloured object": Known("the same, with a large coloured object", ("clear",)),
    "few neutrals": Known("the same, with nothing that ought to be grey", ("clear",)),
    "known cast": Known("one known cast over everything", ("cast",)),
    "lamplight": Known("in lamplight, which may be meant", ("ask", "cast")),
    "mixed light": Known("daylight from one side, lamplight from the other", ("ask",)),
    "toned print": Known("toned black-and-white prints", ("ask",)),
    "black and white": Known("plain black-and-white prints", ("clear",)),
    "nothing known": Known("nothing of known colour in it", ("ask",)),
    "no photograph": Known("a drawing", ("ask",)),
    "damaged": Known("damaged files", (REFUSED,)),
}
"""Kinds that count. Of photographs ``as they come`` nobody says what is right."""


@dataclass(frozen=True, slots=True)
class Score:
    """One kind: pictures, and how many verdicts were right, left to a person, or wrong."""

    kind: str
    description: str
    count: int
    right: int
    person: int
    wrong: int


def score(made: Sequence[Made], rows: Iterable[Row]) -> list[Score]:
    """Compare what is known with what the ledger says."""
    by_path = {row.path: row for row in rows}
    out = []
    for kind, known in KINDS.items():
        each = [_outcome(one, by_path.get(one.path), known) for one in made if one.kind == kind]
        counted = [each.count(what) for what in ("right", "person", "wrong")]
        out.append(Score(kind, known.description, len(each), *counted))
    return out


def _outcome(made: Made, row: Row | None, known: Known) -> str:
    verdict = REFUSED if row is None or row.verdict is None else row.verdict
    if verdict in known.right:
        astray = row is not None and made.cast is not None and not _agree(made.cast, row)
        return "wrong" if astray else "right"
    return "person" if verdict == "ask" else "wrong"


class Pointing(NamedTuple):
    """How the estimates of the pictures with one known cast compare with what was laid."""

    pictures: int
    within: int
    error: float


def pointing(made: Sequence[Made], rows: Iterable[Row]) -> Pointing:
    """Whatever the verdict: directions that are right, and the median error in a*b*."""
    by_path = {row.path: row for row in rows}
    pairs = [(m.cast, by_path[m.path]) for m in made if m.cast is not None and m.path in by_path]
    errors = [math.dist(cast, (row.a or 0.0, row.b or 0.0)) for cast, row in pairs]
    return Pointing(len(pairs), sum(_agree(*pair) for pair in pairs), median(errors or [math.nan]))


def _agree(cast: tuple[float, float], row: Row) -> bool:
    turned = math.atan2(row.b or 0.0, row.a or 0.0) - math.atan2(cast[1], cast[0])
    return abs(math.degrees(math.remainder(turned, math.tau))) <= WITHIN


def score_text(scores: Sequence[Score]) -> str:
    """The scores as a table in plain text."""
    wide = max(len(s.description) for s in scores)
    lines = [f"{'what is known':<{wide}}  pictures  right  left to a person  wrong"]
    rows = [(s.description, s.count, s.right, s.person, s.wrong) for s in scores]
    total = [sum(s) for s in zip(*(row[1:] for row in rows), strict=True)]
    for description, count, right, person, wrong in [*rows, ("all", *total)]:
        lines.append(f"{description:<{wide}}  {count:>8}  {right:>5}  {person:>16}  {wrong:>5}")
    return "\n".join(lines)


def pointing_text(known: Pointing) -> str:
    """How well the known casts were estimated, in one sentence."""
    return (
        f"Of the {known.pictures} known casts, whatever the verdict, the estimate points the right "
        f"way in {known.within} (within {WITHIN:.0f} degrees); its median error is "
        f"{known.error:.1f} in a*b*."
    )
