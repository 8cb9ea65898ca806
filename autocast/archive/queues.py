"""In which order a person meets pictures: what asks, likely casts, and samples drawn at random.

A random draw goes by content: SHA-256 values are as good as drawn at random, so pictures in
their order are a random order that knows nothing of what a picture shows, stays when the
archive grows, and needs only an index. It starts where the ledger's seed says, and goes round.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

from autocast.archive.decisions import differing
from autocast.archive.ledger import Ledger, conditions
from autocast.archive.rows import Row, Wanted

QUEUES: Mapping[str, str] = MappingProxyType(
    {
        "asks": "pictures a person should look at, the likeliest casts first",
        "casts": "likely casts, the likeliest first",
        "audit": "drawn at random from what was passed, to see what slips through",
        "sample": "drawn at random from all, to tell how many casts there are",
        "disagreements": "pictures on which two people decided differently",
        "all": "every picture, in the order of the list",
    }
)
"""The queues by name, in words."""
DRAWN = ("audit", "sample")
"""Those that are drawn at random."""
_VERDICTS: Mapping[str, tuple[str, ...]] = {
    "asks": ("ask",),
    "casts": ("cast",),
    "audit": ("clear",),
    "sample": ("cast", "ask", "clear"),
    "all": ("cast", "ask", "clear"),
}
_VERDICT = "coalesce(p.own_verdict, p.verdict)"  # as the indices have it
_UNDECIDED = "NOT EXISTS (SELECT 1 FROM standing d WHERE d.hash = p.hash AND d.person = ?)"


@dataclass(frozen=True, slots=True)
class Queue:
    """A queue as one person meets it, narrowed by a folder with all below it, a hue, a remark."""

    name: str
    person: str
    folder: bytes | None = None
    hue: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Tally:
    """How many pictures a queue has, and how many of them the person decided."""

    pictures: int
    decided: int

    @property
    def left(self) -> int:
        """Those still to be decided."""
        return self.pictures - self.decided


class _Stretch(NamedTuple):
    """A part of a queue: which pictures ``p`` it has, and in which order."""

    where: str
    values: tuple[object, ...]
    order: str


def following(ledger: Ledger, queue: Queue, after: int | None = None, count: int = 1) -> list[int]:
    """The next pictures that the person has not decided.

    Parameters
    ----------
    ledger : Ledger
        The ledger they are in.
    queue : Queue
        Whose order.
    after : int, optional
        The picture after which; from the start without it.
    count : int
        How many at most.

    Returns
    -------
    list of int
        Numbers of pictures; empty at the end. A disagreement is settled by deciding again:
        there, what the person decided is met as well.
    """
    row = None if after is None else ledger.row(after)
    where, values = _narrowed(queue)
    if queue.name == "disagreements":
        return [
            number
            for number in differing(ledger)
            if (row is None or number > row.id) and _fits(ledger, number, where, values)
        ][:count]
    out: list[int] = []
    for stretch in _stretches(ledger, queue.name, row):
        found = ledger.select(
            "SELECT p.id FROM pictures p "  # noqa: S608
            f"WHERE {stretch.where} AND {where} AND {_UNDECIDED} ORDER BY {stretch.order} LIMIT ?",
            (*stretch.values, *values, queue.person, count - len(out)),
        )
        out += [each[0] for each in found]
        if len(out) == count:
            break
    return out


def tally(ledger: Ledger, queue: Queue) -> Tally:
    """How many pictures a queue has, and how many of them the person decided."""
    where, values = _narrowed(queue)
    if queue.name == "disagreements":
        return Tally(sum(_fits(ledger, k, where, values) for k in differing(ledger)), 0)
    of = _VERDICTS[queue.name]
    among = f"{_VERDICT} IN ({', '.join('?' * len(of))}) AND {where}"
    values = (*of, *values)
    (pictures,) = ledger.select(f"SELECT count(*) FROM pictures p WHERE {among}", values)[0]  # noqa: S608
    (decided,) = ledger.select(
        "SELECT count(DISTINCT p.id) FROM standing d CROSS JOIN pictures p ON p.hash = d.hash "  # noqa: S608
        f"WHERE d.person = ? AND {among}",
        (queue.person, *values),
    )[0]
    return Tally(pictures, decided)


def start_of_draw(ledger: Ledger) -> str:
    """The SHA-256 at which this archive's random draws start, by the seed that the ledger keeps."""
    return hashlib.sha256(str(ledger.fact("seed")).encode()).hexdigest()


def _narrowed(queue: Queue) -> tuple[str, tuple[object, ...]]:
    where, values = conditions(
        Wanted(
            hues=() if queue.hue is None else (queue.hue,),
            remarks=() if queue.remark is None else (queue.remark,),
            folder=queue.folder,
        ),
        of="p.",
    )
    return " AND ".join(where), values


def _fits(ledger: Ledger, number: int, where: str, values: tuple[object, ...]) -> bool:
    query = f"SELECT 1 FROM pictures p WHERE p.id = ? AND {where}"  # noqa: S608
    return bool(ledger.select(query, (number, *values)))


def _stretches(ledger: Ledger, name: str, row: Row | None) -> Iterator[_Stretch]:
    """The parts of a queue, from its start or from behind a picture."""
    if name in DRAWN:
        yield from _drawn(start_of_draw(ledger), _VERDICTS[name], row)
        return
    verdicts = _VERDICTS[name]
    begun = 0 if row is None or row.verdict not in verdicts else verdicts.index(row.verdict)
    for verdict in verdicts[begun:]:
        of = f"{_VERDICT} = ?"
        behind = row if row is not None and row.verdict == verdict else None
        at = () if behind is None else (behind.probability, behind.probability, behind.id)
        if at:
            of += " AND (p.probability < ? OR (p.probability = ? AND p.id > ?))"
        yield _Stretch(of, (verdict, *at), "p.probability DESC, p.id")


def _drawn(start: str, verdicts: tuple[str, ...], row: Row | None) -> Iterator[_Stretch]:
    """The order of contents from the start round to it again, of one verdict or of all."""
    of, values = ("p.verdict NOT NULL", ()) if len(verdicts) > 1 else (f"{_VERDICT} = ?", verdicts)
    order = "p.hash, p.id"
    if row is None or row.hash is None:
        yield _Stretch(f"{of} AND p.hash >= ?", (*values, start), order)
        yield _Stretch(f"{of} AND p.hash < ?", (*values, start), order)
        return
    behind = f"{of} AND (p.hash, p.id) > (?, ?)"
    if row.hash >= start:
        yield _Stretch(behind, (*values, row.hash, row.id), order)
        yield _Stretch(f"{of} AND p.hash < ?", (*values, start), order)
    else:
        yield _Stretch(f"{behind} AND p.hash < ?", (*values, row.hash, row.id, start), order)
