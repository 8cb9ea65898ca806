"""What people decide about pictures: kept, taken back, compared; a judgement never changes by it.

A decision is on a content, told by its SHA-256: it holds for a picture that was moved or
judged again, and for a copy of it elsewhere; a file whose content changed is undecided, and
what was decided before is shown as made on other content. Rows are only ever added. Each
person's latest decision on a content stands, until they take it back.
"""

from __future__ import annotations

import itertools
import json
import math
from collections import Counter
from dataclasses import asdict, dataclass
from statistics import NormalDist
from typing import Any, Literal

from autocast.archive.ledger import Ledger, now
from autocast.archive.rows import Row, clean
from autocast.errors import LedgerError
from autocast.judgement import DECISION_WORDS, EVIDENT_FROM, HINTS, Decision, Hint

REASONS = ("night", "stage", "low sun", "indoor lamps", "water")
"""Why a colour may be meant so, to choose from (common practice, no source)."""
LONGEST = 2000
"""Characters of a note or a reason (project convention)."""
_DEVIATIONS = NormalDist().inv_cdf(0.975)
"""Standard errors to either side of a two-sided 95 % interval (common practice)."""

_NAMES = "id, batch, picture, decision, person, note, reason, queue, at, hints, a, b, hash"
"""The columns of a decision; one whose name has rotted is missed by SQLite."""

Over = Literal["picture", "series", "folder"]


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person wants kept of a picture, and of which others with it.

    ``cast`` (a*, b* at L* 60) is the one decided on, the judgement's own unless ``hints``
    changed it; one that is not evident is not kept, for it is not the one the person saw.
    ``over`` takes all that share the fault of its series, or, for what is meant so, all of its
    folder that ask or are likely casts and that the person did not decide.
    ``queue`` is the one it was met in, a key of :data:`autocast.archive.queues.QUEUES`.
    """

    picture: int
    decision: str
    person: str
    queue: str = ""
    note: str = ""
    reason: str = ""
    hints: tuple[Hint, ...] = ()
    cast: tuple[float, float] | None = None
    over: Over = "picture"


@dataclass(frozen=True, slots=True)
class Kept:
    """What was kept, or taken back, at once: its number, and the pictures."""

    batch: int
    pictures: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Decided:
    """One decision as it was kept; ``other_content``: of the same file, before it changed."""

    id: int
    batch: int
    picture: int
    decision: Decision
    person: str
    note: str
    reason: str
    hints: tuple[Hint, ...]
    cast: tuple[float, float] | None
    queue: str
    at: str
    other_content: bool = False


@dataclass(frozen=True, slots=True)
class Companions:
    """Pictures that a decision may be for as well, the picture itself among them.

    ``series`` are those that share one fault, empty where there is none; ``folder`` the
    numbers of those in its folder that ask or are likely casts and that the person did not decide.
    """

    series: tuple[Row, ...]
    folder: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far two people agree on a cast or none, of the pictures that both decided.

    ``agreed`` is the share on which they do; ``kappa`` Cohen's, with its 95 % interval; None
    where chance alone would give full agreement.
    """

    persons: tuple[str, str]
    both: int
    agreed: float
    kappa: float | None
    low: float | None
    high: float | None


def decide(ledger: Ledger, wish: Wish) -> Kept:
    """Keep a decision, in one transaction; it is on the disk when this returns.

    Raises LedgerError where the picture is unknown, was not judged or is gone, or where
    the wish cannot be read.
    """
    if wish.decision not in DECISION_WORDS:
        raise LedgerError(
            f"{wish.decision!r} is no decision; give one of {', '.join(DECISION_WORDS)}."
        )
    if wish.over == "folder" and wish.decision != "meant_so":
        raise LedgerError("Only a colour that is meant so is decided for a whole folder.")
    person, note, reason = (clean(text.strip()) for text in (wish.person, wish.note, wish.reason))
    if not person:
        raise LedgerError("A decision needs the name of the person who made it.")
    if max(len(person), len(note), len(reason)) > LONGEST:
        raise LedgerError(f"A name, a note and a reason may have {LONGEST} characters; shorten it.")
    hints = json.dumps([asdict(hint) for hint in wish.hints], allow_nan=False)
    with ledger.changes():
        row = ledger.row(wish.picture)
        if row.verdict is None or row.hash is None or row.gone:
            raise LedgerError(
                f"{row.name} is not there as it was judged; run autocast presort again, or skip it."
            )
        rows = _over(ledger, row, wish, person)
        batch: int | None = None
        for each in rows:
            cast = wish.cast if each.id == row.id and wish.cast is not None else (each.a, each.b)
            a, b = cast if wish.decision == "cast" and _evident(cast) else (None, None)
            done = ledger.run(
                "INSERT INTO decisions (picture, decision, note, person, hash, at, batch, reason, "
                "hints, a, b, queue) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    each.id, wish.decision, note, person, each.hash, now(), batch, reason,
                    hints if each.id == row.id else "[]", a, b,
                    # Only the picture that was looked at was drawn from a queue.
                    wish.queue if each.id == row.id else "",
                ),
            )  # fmt: skip
            if batch is None:
                batch = done.lastrowid
                ledger.run("UPDATE decisions SET batch = id WHERE id = ?", (batch,))
    assert batch is not None  # noqa: S101 -- the picture itself is always among the rows
    return Kept(batch, tuple(each.id for each in rows))


def _evident(cast: tuple[float | None, float | None]) -> bool:
    a, b = cast
    return a is not None and b is not None and math.hypot(a, b) >= EVIDENT_FROM


def _over(ledger: Ledger, row: Row, wish: Wish, person: str) -> tuple[Row, ...]:
    """The rows that a decision is for, the one looked at first."""
    if wish.over == "picture":
        return (row,)
    others = companions(ledger, row, person)
    if wish.over == "series":
        if not others.series:
            raise LedgerError(f"{row.name} shares no fault with a series; decide it alone.")
        return (row, *(each for each in others.series if each.id != row.id))
    return (row, *(ledger.row(each) for each in others.folder if each != row.id))


def undo(ledger: Ledger, person: str) -> Kept | None:
    """Take back a person's latest decision that was not taken back; None where there is none."""
    with ledger.changes():
        found = ledger.select(
            "SELECT max(batch) FROM decisions d WHERE person = ? AND undoes IS NULL "
            "AND NOT EXISTS (SELECT 1 FROM decisions u WHERE u.undoes = d.batch)",
            (person,),
        )[0][0]
        if found is None:
            return None
        rows = ledger.select(
            "SELECT picture, hash FROM decisions WHERE batch = ? ORDER BY id", (found,)
        )
        ledger.run(
            "INSERT INTO decisions (picture, decision, person, hash, at, undoes) "
            "VALUES (?, 'undone', ?, ?, ?, ?)",
            (rows[0]["picture"], person, rows[0]["hash"], now(), found),
        )
    return Kept(found, tuple(row["picture"] for row in rows))


def decided(ledger: Ledger, row: Row) -> list[Decided]:
    """What stands on a picture, by person; before it, what was decided on other content of it."""
    found = ledger.select(
        f"SELECT {_NAMES}, s.hash IS NOT ? AS other_content FROM standing s "  # noqa: S608
        "WHERE s.hash = ? OR s.picture = ? ORDER BY other_content DESC, s.id",
        (row.hash, row.hash, row.id),
    )
    return [_decided(each) for each in found]


def by_content(ledger: Ledger) -> dict[str, tuple[Decided, ...]]:
    """The decisions that stand on each content, by its SHA-256."""
    out: dict[str, list[Decided]] = {}
    query = f"SELECT {_NAMES} FROM standing WHERE hash NOT NULL ORDER BY id"  # noqa: S608
    for each in ledger.select(query):
        out.setdefault(each["hash"], []).append(_decided(each))
    return {key: tuple(values) for key, values in out.items()}


def label(decisions: tuple[Decided, ...]) -> float | None:
    """The share of people who say cast of those who could tell; None where nobody could."""
    told = [each.decision == "cast" for each in decisions if each.decision != "cant_tell"]
    return sum(told) / len(told) if told else None


def hints_kept(found: Any) -> tuple[Hint, ...]:  # noqa: ANN401 -- a row of SQL
    """What a person said of spots in a row of ``decisions``, the whole row checked.

    Raises LedgerError where it is damaged.
    """
    texts = ("person", "note", "reason", "queue", "at", "hints")
    numbers = ("id", "batch", "picture")
    try:
        hints = tuple(Hint(**each) for each in json.loads(found["hints"]))
        sound = (
            found["decision"] in DECISION_WORDS
            and all(isinstance(found[name], str) for name in texts)
            and all(isinstance(found[name], int) for name in numbers)
            and not any(isinstance(found[name], str | bytes) for name in ("a", "b"))
            and (found["a"] is None) == (found["b"] is None)
            and all(_is_sound(hint) for hint in hints)
        )
    except (ValueError, TypeError, RecursionError):
        sound = False
    if not sound:
        raise LedgerError(
            f"The ledger's decision number {found['id']} is damaged; restore a copy of the ledger."
        )
    return hints


def _is_sound(hint: Hint) -> bool:
    numbers: tuple[Any, ...] = (hint.x, hint.y, 1.0 if hint.radius is None else hint.radius)
    return hint.what in HINTS and all(
        isinstance(each, int | float) and math.isfinite(each) for each in numbers
    )


def _decided(found: Any) -> Decided:  # noqa: ANN401 -- a row of SQL
    names = found.keys()
    return Decided(
        **{
            name: found[name]
            for name in ("id", "batch", "picture", "decision", "person", "note", "reason", "queue",
                         "at")
        },
        hints=hints_kept(found),
        cast=None if found["a"] is None else (found["a"], found["b"]),
        other_content="other_content" in names and bool(found["other_content"]),
    )  # fmt: skip


def companions(ledger: Ledger, row: Row, person: str) -> Companions:
    """The pictures that a decision on this one may be for as well."""
    series: tuple[Row, ...] = ()
    if row.series is not None and row.series.finding and not row.series.odd:
        numbers = ledger.select(
            "SELECT m.picture FROM members m JOIN pictures p ON p.id = m.picture "
            "WHERE m.series = ? AND NOT m.odd AND NOT p.gone AND p.hash NOT NULL ORDER BY p.path",
            (row.series.series,),
        )
        series = tuple(ledger.row(each[0]) for each in numbers)
    folder = ledger.select(
        "SELECT id FROM pictures p WHERE folder = ? AND NOT gone AND hash NOT NULL "
        "AND coalesce(own_verdict, verdict) IN ('cast', 'ask') AND (id = ? OR NOT EXISTS "
        "(SELECT 1 FROM standing s WHERE s.hash = p.hash AND s.person = ?)) ORDER BY path",
        (row.folder, row.id, person),
    )
    return Companions(series, tuple(each[0] for each in folder))


def differing(ledger: Ledger) -> list[int]:
    """The pictures on which what two people decided differs."""
    found = ledger.select(
        "SELECT min(p.id) FROM standing s JOIN pictures p ON p.hash = s.hash AND NOT p.gone "
        "GROUP BY s.hash HAVING count(DISTINCT s.decision) > 1 ORDER BY 1"
    )
    return [each[0] for each in found]


def agreement(ledger: Ledger) -> list[Agreement]:
    """How far each two people agree, those with most pictures in common first."""
    counts: dict[tuple[str, str], Counter[tuple[bool, bool]]] = {}
    for decisions in by_content(ledger).values():
        told = sorted((d.person, d.decision == "cast") for d in decisions
                      if d.decision != "cant_tell")  # fmt: skip
        for (one, first), (other, second) in itertools.combinations(told, 2):
            counts.setdefault((one, other), Counter())[first, second] += 1
    found = [_agreement(persons, table) for persons, table in counts.items()]
    return sorted(found, key=lambda each: (-each.both, each.persons))


def _agreement(persons: tuple[str, str], table: Counter[tuple[bool, bool]]) -> Agreement:
    both, agreed, kappa, error = cohen_kappa(table)
    if kappa is None:
        return Agreement(persons, both, agreed, None, None, None)
    reach = _DEVIATIONS * error
    return Agreement(
        persons, both, agreed, kappa, max(-1.0, kappa - reach), min(1.0, kappa + reach)
    )


def cohen_kappa(table: Counter[tuple[bool, bool]]) -> tuple[int, float, float | None, float]:
    """Agreement beyond chance of two people who each say yes or no.

    Parameters
    ----------
    table : Counter of (bool, bool)
        How many pictures each pair of answers was given to; at least one.

    Returns
    -------
    count : int
        Pictures.
    agreed : float
        Share with the same answer, 0..1.
    kappa : float or None
        -1..1; None where both always say the same one thing.
    error : float
        Its large-sample standard error.

    References
    ----------
    Cohen, Educational and Psychological Measurement 20, 1960; the error by Fleiss, Cohen &
    Everitt, Psychological Bulletin 72, 1969 (from memory).
    """
    count = sum(table.values())
    share = {(x, y): table[x, y] / count for x in (False, True) for y in (False, True)}
    one = {k: share[k, False] + share[k, True] for k in (False, True)}
    other = {k: share[False, k] + share[True, k] for k in (False, True)}
    agreed = share[False, False] + share[True, True]
    chance = sum(one[k] * other[k] for k in (False, True))
    if math.isclose(chance, 1.0):
        return count, agreed, None, 0.0
    kappa = (agreed - chance) / (1 - chance)
    same = sum(share[k, k] * (1 - (one[k] + other[k]) * (1 - kappa)) ** 2 for k in (False, True))
    apart = (1 - kappa) ** 2 * sum(
        share[k, not k] * (other[k] + one[not k]) ** 2 for k in (False, True)
    )
    spread = same + apart - (kappa - chance * (1 - kappa)) ** 2
    return count, agreed, kappa, math.sqrt(max(spread, 0.0) / count) / (1 - chance)
