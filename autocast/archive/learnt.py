"""What people's decisions tell of an archive, and thresholds of its own that follow from them.

Nothing here changes a judgement. Thresholds that a person adopts stand in the ledger with the
decisions that they came from; a verdict by them stands beside the judgement's, and goes when
they are taken back.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.archive.decisions import Agreement, Decided, agreement, by_content, label
from autocast.archive.ledger import Ledger, damaged, now
from autocast.archive.queues import start_of_draw
from autocast.archive.rate import Rate, kept_rate
from autocast.archive.rows import Counts
from autocast.archive.shares import (
    LEAST_SAMPLED,
    Leak,
    Plan,
    Share,
    cast_share,
    looks_needed,
    plans,
    slipped,
)
from autocast.archive.thresholds import (
    LEAST_DECIDED,
    Levels,
    OwnThresholds,
    in_decisions,
    own_thresholds,
    verdicts,
)
from autocast.errors import LedgerError
from autocast.judgement import REMARKS, RISKS, Assumptions, Risks
from autocast.judgement.probability import at_base_rate
from autocast.judging import thresholds_at
from autocast.modelstore import Models, default_models

_FACT = "own_thresholds"
_AT_ONCE = 2000
"""Pictures that get another verdict in one transaction (project convention)."""

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Figures:
    """What decisions tell of the whole archive.

    ``casts`` is its share of casts, by the ``sampled`` decisions on pictures drawn at random
    from all (None below :data:`~autocast.archive.shares.LEAST_SAMPLED`); ``rate`` the same by
    its scores alone. ``slipped`` is the share of casts among what was passed, by the
    ``audited`` decisions drawn from it at random (None without one), and ``looks_needed`` how
    many more, if none is a cast, until it is surely below 2 %. ``missing`` pictures were drawn
    and not decided, or nobody could tell. ``plans`` come with whether what was audited passes
    by them, None where too little was. ``decisions`` counts those that stand, by person.
    """

    casts: Share | None
    sampled: int
    rate: Rate | None
    slipped: Leak | None
    audited: int
    looks_needed: int
    missing: int
    plans: tuple[tuple[Plan, bool | None], ...]
    agreement: tuple[Agreement, ...]
    decisions: dict[str, dict[str, int]]


@dataclass(frozen=True, slots=True)
class Proposal:
    """Thresholds of the archive's own, with the counts of verdicts before and after.

    ``decisions`` are the numbers of those that they came from; ``model`` judged the pictures
    that they are for.
    """

    own: OwnThresholds
    before: Counts
    after: Counts
    decisions: tuple[int, ...]
    model: str


def figures(ledger: Ledger) -> Figures:
    """What the decisions that stand tell of the archive."""
    decisions = by_content(ledger)
    drawn, missing = _drawn(ledger, decisions, ("sample",), clear=False)
    audited, missed = _drawn(ledger, decisions, ("audit", "sample"), clear=True)
    casts = None
    if len(drawn) >= LEAST_SAMPLED:
        every, rates = np.array(list(ledger.probabilities())).T
        sampled, at, labels = np.array(drawn).T
        # Models may have come with several base rates; any one will do.
        one = float(rates[0])
        casts = cast_share(at_base_rate(every, rates, one), at_base_rate(sampled, at, one), labels)
    # Whatever anybody calls a cast has slipped through.
    wrong = [said > 0 for _, _, said in audited]
    passed = ledger.counts().clear
    counted: dict[str, Counter[str]] = {}
    for some in decisions.values():
        for each in some:
            counted.setdefault(each.person, Counter())[each.decision] += 1
    return Figures(
        casts=casts,
        sampled=len(drawn),
        rate=kept_rate(ledger),
        slipped=slipped(sum(wrong), len(audited), passed) if audited else None,
        audited=len(audited),
        looks_needed=looks_needed(sum(wrong), len(audited), pictures=passed),
        # What was passed is in both: a picture is missed once.
        missing=len(missing | missed),
        plans=tuple((plan, _passes(plan, wrong)) for plan in (plans(passed) if passed else ())),
        agreement=tuple(agreement(ledger)),
        decisions={name: dict(counts) for name, counts in sorted(counted.items())},
    )


def needed(ledger: Ledger) -> dict[str, int]:
    """How many more decisions a random queue needs until it tells what it is for."""
    decisions = by_content(ledger)
    drawn, _ = _drawn(ledger, decisions, ("sample",), clear=False)
    audited, _ = _drawn(ledger, decisions, ("audit", "sample"), clear=True)
    wrong = sum(said > 0 for _, _, said in audited)
    passed = ledger.counts().clear
    return {
        "sample": max(LEAST_SAMPLED - len(drawn), 0),
        "audit": looks_needed(wrong, len(audited), pictures=passed),
    }


def _passes(plan: Plan, wrong: Sequence[bool]) -> bool | None:
    """Whether a lot passes by what was audited, in the order of the draw."""
    if sum(wrong[: plan.sample]) > plan.accept:
        return False
    return True if len(wrong) >= plan.sample else None


def _drawn(
    ledger: Ledger,
    decisions: dict[str, tuple[Decided, ...]],
    queues: tuple[str, ...],
    *,
    clear: bool,
) -> tuple[list[tuple[float, float, float]], set[int]]:
    """Probability, base rate and label of the pictures drawn so far; which have no label.

    In the order of the draw they reach from its start to the farthest that was decided in one
    of ``queues``. All between belong to the sample, however they came to be decided: so who
    skips what is hard to tell does not bend the figures unseen.
    """
    start = start_of_draw(ledger)
    met = [
        (content < start, content)
        for content, some in decisions.items()
        if any(each.queue in queues for each in some)
    ]
    if not met:
        return [], set()
    round_again, farthest = max(met)
    where = "hash >= ? OR hash <= ?" if round_again else "hash >= ? AND hash <= ?"
    if clear:
        where = f"({where}) AND verdict = 'clear'"
    rows = ledger.select(
        f"SELECT id, hash, probability, base_rate FROM overview WHERE ({where}) "  # noqa: S608
        "AND verdict NOT NULL AND gone = 0 ORDER BY hash < ?, hash, id",
        (start, farthest, start),
    )
    told, missing = [], set[int]()
    for row in rows:
        said = label(decisions.get(row["hash"], ()))
        if said is None:
            missing.add(row["id"])
        else:
            told.append((row["probability"], row["base_rate"], said))
    return told, missing


@dataclass(frozen=True, slots=True, eq=False)
class _Pictures:
    """What thresholds need of pictures that one model judged."""

    id: list[int]
    probability: Floats
    base_rate: Floats
    eligible: Bools
    monochrome: Bools
    verdict: list[str]
    content: list[str]


def _pictures(ledger: Ledger, model: str) -> _Pictures:
    found = ledger.select(
        "SELECT id, probability, base_rate, remarks, verdict, hash FROM pictures "
        "WHERE verdict NOT NULL AND gone = 0 AND model = ? ORDER BY id",
        (model,),
    )
    rows = [ledger.checked(row) for row in found]
    kept = {code: np.isin(("clear", "cast"), text.keeps_from) for code, text in REMARKS.items()}
    none = np.zeros(2, dtype=np.bool_)
    by_remarks: dict[str, Bools] = {}
    for said in {row["remarks"] for row in rows}:
        by_remarks[said] = ~np.any([none, *(kept[code] for code in said.split())], axis=0)
    return _Pictures(
        [row["id"] for row in rows],
        np.array([row["probability"] for row in rows], dtype=np.float64),
        np.array([row["base_rate"] for row in rows], dtype=np.float64),
        np.array([by_remarks[row["remarks"]] for row in rows], dtype=np.bool_).reshape(-1, 2),
        np.array(["monochrome" in row["remarks"].split() for row in rows], dtype=np.bool_),
        [row["verdict"] for row in rows],
        [row["hash"] for row in rows],
    )


def proposal(ledger: Ledger, models: Models | None = None, risks: Risks = RISKS) -> Proposal | None:
    """Thresholds that the decisions suggest; None where too few stand.

    They are for the pictures that ``models`` judged (those that autocast came with unless
    given), at the risks wanted. Nothing is kept.
    """
    models = models or default_models()
    pictures, decisions = _pictures(ledger, models.id), by_content(ledger)
    labels = [label(decisions.get(content, ())) for content in pictures.content]
    told = np.flatnonzero([each is not None for each in labels])
    if len(told) < LEAST_DECIDED:
        return None
    own = own_thresholds(
        pictures.probability,
        pictures.base_rate,
        pictures.eligible,
        pictures.monochrome,
        told,
        np.array([labels[k] for k in told], dtype=np.float64),
        in_decisions(risks, models.verdict["curve"]),
        (models.verdict["clear_below"], models.verdict["cast_above"]),
        models.verdict["base_rate"],
    )
    counts = ledger.counts()
    before, after = Counter(pictures.verdict), Counter(_verdicts(pictures, asdict(own)))
    contents = {pictures.content[k] for k in told}
    return Proposal(
        own,
        replace(counts, **{name: before[name] for name in ("clear", "cast", "ask")}),
        replace(counts, **{name: after[name] for name in ("clear", "cast", "ask")}),
        tuple(sorted(each.id for content in contents for each in decisions[content])),
        models.id,
    )


def adopt(ledger: Ledger, proposed: Proposal, person: str) -> None:
    """Let the archive go by thresholds of its own until they are taken back."""
    if not person.strip():
        raise LedgerError("Adopting thresholds needs the name of the person who does.")
    document = {
        **asdict(proposed.own),
        "decisions": proposed.decisions,
        "model": proposed.model,
        "person": person.strip(),
        "at": now(),
    }
    ledger.set_fact(_FACT, json.dumps(document))
    reapply(ledger)


def going_by(ledger: Ledger, models: Models, assumptions: Assumptions) -> None:
    """Let the archive go by a base rate and risks that are assumed, until others are.

    Pictures that ``models`` judged get the verdicts that they would have had so.
    """
    document = _assumed(models, assumptions) | {"at": now()}
    ledger.set_fact(_FACT, json.dumps(document))
    reapply(ledger)


def suppose(ledger: Ledger, models: Models, assumptions: Assumptions) -> dict[str, Any]:
    """Read a ledger as it would be at a base rate and risks; nothing is kept. What is supposed."""
    document = _assumed(models, assumptions)
    ledger.suppose(_own_verdicts(ledger, document), document["assumed"]["base_rate"])
    return document


def _assumed(models: Models, assumptions: Assumptions) -> dict[str, Any]:
    """Thresholds at what is assumed."""
    going = thresholds_at(models, assumptions)
    return {
        **Levels(going.fitted, going.clear_below, going.cast_above)._asdict(),
        "model": models.id,
        "assumed": {
            "base_rate": going.base_rate,
            "risks": going.risks._asdict(),
            "strict": assumptions.strict,
        },
    }


@dataclass(frozen=True, slots=True)
class Sorted:
    """How many pictures would be passed, called a cast and asked about, at a setting in words."""

    words: str
    clear: int
    cast: int
    ask: int


def settings(ledger: Ledger, models: Models) -> list[Sorted]:
    """What a few settings would make of the pictures that ``models`` judged, to choose from."""
    pictures = _pictures(ledger, models.id)
    rate = kept_rate(ledger)
    offered: list[tuple[str, Assumptions]] = [("as autocast comes", Assumptions())]
    if rate is not None:
        offered.append((f"--base-rate {rate.rate:.2g}, as estimated here", Assumptions(rate.rate)))
    offered += [
        ("--base-rate 0.05", Assumptions(0.05)),
        ("--base-rate 0.05 --risk-cast 0.2", Assumptions(0.05, risk_cast=0.2)),
        ("--risk-clear 0.02 --risk-missed 0.05", Assumptions(risk_clear=0.02, risk_missed=0.05)),
        ("--risk-clear 0.1 --risk-missed 0.25", Assumptions(risk_clear=0.1, risk_missed=0.25)),
        ("--strict", Assumptions(strict=True)),
    ]
    out = []
    for words, assumptions in offered:
        counts = Counter(_verdicts(pictures, _assumed(models, assumptions)))
        out.append(Sorted(words, counts["clear"], counts["cast"], counts["ask"]))
    return out


def take_back(ledger: Ledger) -> bool:
    """Go by the judgements' own verdicts again; whether the archive had thresholds of its own."""
    had = adopted(ledger)
    ledger.set_fact(_FACT, None)
    _set(ledger, {})
    rate = kept_rate(ledger)
    ledger.set_fact("archive_rate", None if rate is None else rate.rate)
    return had is not None


def adopted(ledger: Ledger) -> dict[str, Any] | None:
    """What the archive goes by: thresholds, by whom and since when; None where nothing was said.

    Learned thresholds name the ``decisions`` they came from; others what is ``assumed``.
    """
    kept = ledger.fact(_FACT)
    if kept is None:
        return None
    try:
        document = dict(json.loads(kept))
        numbers = [document[name] for name in Levels._fields]
        if "assumed" in document:
            numbers.append(document["assumed"]["base_rate"])
        texts = [document["model"], document["at"]]
        sound = all(isinstance(each, int | float) for each in numbers)
        sound = sound and all(isinstance(each, str) for each in texts)
    except (ValueError, TypeError, KeyError, RecursionError):
        sound = False
    if not sound:
        raise damaged(ledger.path, "what its verdicts go by")
    return document


def reapply(ledger: Ledger) -> None:
    """Give what was judged since its verdict by the archive's own thresholds, if it has some.

    They are for the pictures that their model judged; others keep the judgement's.
    """
    kept = adopted(ledger)
    if kept is None:
        return
    _set(ledger, _own_verdicts(ledger, kept))
    if "assumed" in kept:
        ledger.set_fact("archive_rate", kept["assumed"]["base_rate"])


def _own_verdicts(ledger: Ledger, document: Mapping[str, Any]) -> dict[int, str]:
    """The verdicts by thresholds of the archive's own, where they are not the judgement's."""
    pictures = _pictures(ledger, document["model"])
    given = zip(pictures.id, _verdicts(pictures, document), pictures.verdict, strict=True)
    return {number: verdict for number, verdict, judged in given if verdict != judged}


def _verdicts(pictures: _Pictures, document: Mapping[str, Any]) -> list[str]:
    levels = Levels(*(document[name] for name in Levels._fields))
    given: list[str] = verdicts(
        levels, pictures.probability, pictures.base_rate, pictures.eligible, pictures.monochrome
    ).tolist()
    return given


def _set(ledger: Ledger, own: dict[int, str]) -> None:
    """Let these pictures have verdicts of the archive's own, and no other."""
    had = ledger.select("SELECT id, own_verdict FROM pictures WHERE own_verdict NOT NULL")
    changes: dict[int, str | None] = {row["id"]: None for row in had if row["id"] not in own}
    was = {row["id"]: row["own_verdict"] for row in had}
    changes |= {number: verdict for number, verdict in own.items() if was.get(number) != verdict}
    pairs = [(verdict, number) for number, verdict in changes.items()]
    for first in range(0, len(pairs), _AT_ONCE):
        # In short transactions: a run that writes meanwhile must not wait long.
        with ledger.changes():
            for pair in pairs[first : first + _AT_ONCE]:
                ledger.run("UPDATE pictures SET own_verdict = ? WHERE id = ?", pair)
