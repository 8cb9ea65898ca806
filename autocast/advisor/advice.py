"""Estimate -> probability, verdict, and what speaks for and against.

The thresholds that decide a verdict lie in the model file ``verdict.json``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.advisor.gates import remarks
from autocast.advisor.places import spots
from autocast.advisor.risk import Thresholds, rule
from autocast.colour import requote
from autocast.colour.grid import grid
from autocast.evidence import Finding, Vote, kinds, place
from autocast.judgement import (
    EVIDENT_FROM,
    REMARKS,
    SLIGHT_FROM,
    TONE_RANGES,
    Assumptions,
    Cast,
    Evidence,
    Judgement,
    Mode,
    Reading,
    Stance,
    ToneCast,
    Verdict,
    sentences,
)
from autocast.judgement.things import CLASSES, CONTENT, HINT, OBJECT
from autocast.modelstore.files import load_json
from autocast.voting.analysis import Case, Coloured, Hinted, tone_parts
from autocast.voting.conditioning import hear
from autocast.voting.features import HEARD, features, leave_out
from autocast.voting.fitted import tones_apart, weigh
from autocast.voting.posterior import Estimate

SECOND_NAMED = 0.1
"""Share of the posterior from which a second cast is named (project convention)."""
DOUBTED_FROM = 7.5
"""C* of the whole from which the count alone keeps a picture from clear (project convention)."""
HEARD_FROM = 0.5
"""Range of a vote's log-likelihood, in nats, below which it prefers no cast to another."""
TAKES_SIDES = 1.0
"""Log-likelihood ratio, in nats, from which a vote is for or against (a ratio of e)."""
CONTENT_NAMED = 0.05
"""Change of the probability from which what the picture shows is named (project convention)."""
OBJECT_PLACES = 6
"""Places named for the strongly coloured thing (project convention)."""


def advise(case: Case, model: str, assumptions: Assumptions) -> Judgement:
    """Weigh the case and word the judgement. Raises AssumptionError for what is no share."""
    settings = load_json("verdict.json")
    rules = rule(settings, assumptions)
    word = _word(case)
    probability, rests = word.probability, dict(word.without)
    apart = bool(tones_apart(word.tones[None])[0] >= settings["tones_apart"])
    parts = word.uneven >= settings["parts_apart"]
    earned = remarks(case, tones_apart=apart, parts_apart=parts)
    monochrome = case.character.monochrome
    if monochrome:
        # Its greys have no cast, whatever the trees make of so odd a picture.
        probability = settings["monochrome"]
        rests = dict.fromkeys(rests, probability)
    # The thresholds belong to the probability before it is moved to another base rate.
    verdict = _verdict(case, probability, earned, rules.thresholds)
    probability = rules.at_base_rate(probability)
    rests = {kind: rules.at_base_rate(rest) for kind, rest in rests.items()}
    shifts = {kind: probability - rest for kind, rest in rests.items()}
    evidence = tuple(_evidence(case, shifts, word.moved, verdict))
    if case.coloured is not None and not monochrome:
        evidence = (*evidence, _object_evidence(case, case.coloured, verdict))
    evidence = (*evidence, *_content_evidence(shifts[CONTENT], verdict))
    if case.hinted is not None:
        moved = word.moved[HINT]
        evidence = (*evidence, *_hint_evidence(case, case.hinted, shifts[HINT], moved, verdict))
    picture = case.scene.picture
    judgement = Judgement(
        verdict=verdict,
        probability=round(probability, 4),
        base_rate=round(rules.base_rate, 6),
        cast=_cast(case.estimate),
        tones=_tones(case.estimate),
        evidence=evidence,
        look_at=spots(case),
        remarks=earned,
        sentences=(),
        model=model,
        name=picture.name,
        width=picture.width,
        height=picture.height,
        profile=picture.profile,
        risks=rules.risks,
    )
    return replace(judgement, sentences=sentences.compose(judgement))


@dataclass(frozen=True, slots=True, eq=False)
class _Word:
    """What the trees say, hints heard: the probability, and the tone ranges' casts (3, 2).

    ``uneven`` is as in :class:`autocast.voting.fitted.Weighed`. ``without`` holds the
    probability, and ``moved`` the distance by which the quoted cast moves, when a
    kind of evidence is left out.
    """

    probability: float
    tones: NDArray[np.floating[Any]]
    uneven: float
    without: Mapping[str, float]
    moved: Mapping[str, float]


def _word(case: Case) -> _Word:
    # The trees were grown without hints: they are asked as if none had been given.
    before = case if case.hinted is None else case.hinted.before
    told = features(before)
    less = [leave_out(told, before, kind) for kind in HEARD]
    weighed = weigh([told, *less])
    probability, *without = (float(p) for p in weighed.probability)
    if case.hinted is None:
        # What was counted without a kind is among the figures told without it.
        rests = [np.array([each["together.a"], each["together.b"]]) for each in less]
        tones = weighed.casts[0, 1:]
    else:
        heard, *others = (
            hear(weighed, row, case.hinted.witnesses) for row in range(len(HEARD) + 1)
        )
        rests, tones = [each.casts[0] for each in others], heard.casts[1:]
        without = [*(each.evident for each in others), probability]
        rests.append(before.estimate.mean)
        probability = heard.evident
    kinds = (*HEARD, HINT)[: len(rests)]
    moved = [float(np.hypot(*(rest - case.estimate.mean))) for rest in rests]
    return _Word(
        probability,
        tones,
        float(weighed.uneven[0]),
        dict(zip(kinds, without, strict=True)),
        dict(zip(kinds, moved, strict=True)),
    )


def _verdict(
    case: Case, probability: float, earned: tuple[str, ...], thresholds: Thresholds
) -> Verdict:
    clear, cast = left_open(case, earned)
    if clear and ("monochrome" in earned or probability <= thresholds.clear_below):
        return "clear"
    return "cast" if cast and probability > thresholds.cast_above else "ask"


def left_open(case: Case, earned: tuple[str, ...]) -> tuple[bool, bool]:
    """May a picture be called ``clear``, and may it be called ``cast``, by its probability?

    Remarks may hand it to a person whatever the probability. The cast that is quoted
    must not be a plain one in what is called clear, nor may tones or parts of the
    frame surely disagree. Warmth that the scene may own
    is never called a cast outright, nor is a cast that the count cannot see.
    """
    if any(REMARKS[code].asks for code in earned):
        return False, False
    if "monochrome" in earned:
        return True, False
    plain = float(np.hypot(*case.estimate.mean)) >= DOUBTED_FROM
    seen = _worst(case.estimate) >= SLIGHT_FROM
    uneven = {"parts_disagree", "tones_disagree"} & set(earned)
    return not plain and not uneven, seen and "believable_warmth" not in earned


def _worst(estimate: Estimate) -> float:
    """The largest C* of the whole (at L* 60) and of the tone ranges that count (at their own)."""
    tones = [
        np.hypot(*requote(part.mean, TONE_RANGES[name][2])) for name, part in tone_parts(estimate)
    ]
    return float(max([np.hypot(*estimate.mean), *tones]))


def _cast(estimate: Estimate) -> Cast:
    covariance = estimate.covariance
    off, along = float(covariance[0, 1]), (float(covariance[0, 0]), float(covariance[1, 1]))
    second = estimate.modes[1] if len(estimate.modes) > 1 else None
    return Cast(
        a=round(float(estimate.mean[0]), 3),
        b=round(float(estimate.mean[1]), 3),
        covariance=((round(along[0], 4), round(off, 4)), (round(off, 4), round(along[1], 4))),
        spread=round(float(np.sqrt(sum(along) / 2)), 3),
        second=None
        if second is None or second[2] < SECOND_NAMED
        else Mode(*(round(v, 3) for v in second)),
    )


def _tones(estimate: Estimate) -> dict[str, ToneCast]:
    out = {}
    for name, (_, _, at) in TONE_RANGES.items():
        part = estimate.parts[name]
        a, b = (float(v) for v in requote(part.mean, at))
        spread = float(requote(np.sqrt(np.trace(part.covariance) / 2), at))
        out[name] = ToneCast(round(a, 3), round(b, 3), round(spread, 3), round(part.share, 4), at)
    return out


def _evidence(
    case: Case, shifts: Mapping[str, float], moved: Mapping[str, float], verdict: Verdict
) -> Iterator[Evidence]:
    """What each kind says, and how probability and cast change by hearing it."""
    readings = {kind: vote.reading for kind, vote in case.votes.items()}
    findings = {k.kind: k.find(case.scene, case.members) for k in kinds()}
    heard = {
        kind: 2 / float(np.trace(covariance))
        for kind, (_, covariance) in readings.items()
        if _speaks(findings[kind], case.votes[kind])
    }
    for kind in kinds():
        name, finding = kind.kind, findings[kind.kind]
        silent = _silent(name, kind.label, round(finding.share, 4))
        if name not in heard:
            yield silent
            continue
        mean, covariance = readings[name]
        yield replace(
            silent,
            reads=_rounded(finding.reads),
            expected=_rounded(finding.expected),
            explains=(round(float(mean[0]), 2), round(float(mean[1]), 2)),
            spread=round(float(np.sqrt(np.trace(covariance) / 2)), 2),
            weight=round(heard[name] / sum(heard.values()), 4),
            drove=round(moved[name], 3),
            drove_probability=round(shifts[name], 4),
            stance=_stance(case.votes[name], case.estimate, verdict),
            where=finding.where,
        )


def _silent(kind: str, label: str, share: float) -> Evidence:
    """An evidence that names no cast."""
    return Evidence(
        kind=kind,
        label=label,
        share=share,
        reads=None,
        expected=None,
        explains=None,
        spread=0.0,
        weight=0.0,
        drove=0.0,
        drove_probability=0.0,
        stance="silent",
        where=(),
    )


def _speaks(finding: Finding, vote: Vote) -> bool:
    """Was anything found, and does it prefer any cast to another?"""
    if vote.kind in CLASSES and finding.reads is None:
        return False
    return float(np.ptp(vote.log_likelihood)) > HEARD_FROM


def _stance(vote: Vote, estimate: Estimate, verdict: Verdict) -> Stance:
    """Does the vote speak for a cast (or, where none is seen, for none)?

    It compares the best that the vote says near no cast with what it says
    beyond; a ratio of e either way takes a side.
    """
    reach = np.hypot(grid().casts[:, 0], grid().casts[:, 1])
    likelihood = vote.log_likelihood
    none = float(likelihood[reach <= SLIGHT_FROM + 0.1].max())
    if verdict == "clear":
        for_it = none - float(likelihood[reach > EVIDENT_FROM].max())
    else:
        off = np.hypot(*(grid().casts - estimate.mean).T)
        # What a person says may lie beyond the grid: then the nearest cast speaks for it.
        near = off <= max(SLIGHT_FROM, float(off.min()))
        for_it = float(likelihood[near].max()) - none
    if abs(for_it) < TAKES_SIDES:
        return "silent"
    return "for" if for_it > 0 else "against"


def _object_evidence(case: Case, coloured: Coloured, verdict: Verdict) -> Evidence:
    at_60 = requote(np.array([coloured.reads.a, coloured.reads.b]), 60.0, coloured.reads.lightness)
    order = coloured.regions[np.argsort(-case.scene.regions.area[coloured.regions])]
    return Evidence(
        kind=OBJECT,
        label="strongly coloured thing",
        share=round(coloured.share, 4),
        reads=_rounded(coloured.reads),
        expected=None,
        explains=(round(float(at_60[0]), 2), round(float(at_60[1]), 2)),
        spread=0.0,
        weight=0.0,
        drove=0.0,
        drove_probability=0.0,
        stance="against" if verdict == "clear" else "silent",
        where=tuple(place(case.scene, int(r)) for r in order[:OBJECT_PLACES]),
    )


def _content_evidence(adds: float, verdict: Verdict) -> Iterator[Evidence]:
    """What the picture seems to show, where it changes the probability by enough to be named."""
    if abs(adds) < CONTENT_NAMED:
        return
    yield replace(
        _silent(CONTENT, "what the picture seems to show", 1.0),
        drove_probability=round(adds, 4),
        stance="for" if (adds > 0) == (verdict != "clear") else "against",
    )


def _hint_evidence(
    case: Case, hinted: Hinted, shift: float, moved: float, verdict: Verdict
) -> Iterator[Evidence]:
    """What a person said of each spot. ``drove`` is that of all hints together."""
    for witness in hinted.witnesses:
        mean, covariance = witness.reading
        hint = witness.hint
        yield Evidence(
            kind=HINT,
            label=f"{hint.what} at {hint.x:g},{hint.y:g}, as you said",
            share=round(witness.where.width * witness.where.height, 4),
            reads=_rounded(witness.reads),
            expected=_rounded(witness.expected),
            explains=(round(float(mean[0]), 2), round(float(mean[1]), 2)),
            spread=round(float(np.sqrt(np.trace(covariance) / 2)), 2),
            weight=1.0,
            drove=round(moved, 3),
            drove_probability=round(shift, 4),
            stance=_stance(Vote(HINT, witness.log_likelihood), case.estimate, verdict),
            where=(witness.where,),
        )


def _rounded(reading: Reading | None) -> Reading | None:
    return None if reading is None else Reading(*(round(v, 2) for v in reading))
