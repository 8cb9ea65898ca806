"""Estimate -> probability, verdict, and what speaks for and against.

The thresholds that decide a verdict lie in the model file ``verdict.json``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from autocast.advisor.gates import eligibility, remarks
from autocast.advisor.places import spots
from autocast.advisor.risk import rule
from autocast.colour import at_60, requote
from autocast.colour.grid import grid
from autocast.evidence import Finding, Vote, kinds, place
from autocast.judgement import (
    EVIDENT_FROM,
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
from autocast.modelstore.models import Models
from autocast.voting.analysis import Analysis, Coloured, Hinted
from autocast.voting.conditioning import condition
from autocast.voting.features import ABLATED, extract, leave_out
from autocast.voting.fitted import predict, tones_apart
from autocast.voting.posterior import Estimate

SECOND_NAMED = 0.1
"""Share of the posterior from which a second cast is named (project convention)."""
PREFERS_FROM = 0.5
"""Range of a vote's log-likelihood, in nats, below which it prefers no cast to another."""
TAKES_SIDES = 1.0
"""Log-likelihood ratio, in nats, from which a vote is for or against (a ratio of e)."""
CONTENT_NAMED = 0.05
"""Change of the probability from which what the picture shows is named (project convention)."""
OBJECT_PLACES = 6
"""Places named for the strongly coloured thing (project convention)."""


def advise(analysis: Analysis, assumptions: Assumptions) -> Judgement:
    """Judge an analysis, and put it in words.

    Parameters
    ----------
    analysis : Analysis
        With hints or without.
    assumptions : Assumptions
        Base rate and risks that go before the models' own.

    Returns
    -------
    Judgement
        Without its ``hints``, which the caller adds.

    Raises
    ------
    AssumptionError
        An assumption is no share between 0 and 1.
    """
    models = analysis.scene.models
    rules = rule(models.verdict, assumptions)
    assessed = _assess(analysis, models)
    probability, rests = assessed.probability, dict(assessed.without)
    earned = remarks(
        analysis,
        tones_apart=assessed.tones_apart >= models.verdict["tones_apart"],
        parts_apart=assessed.uneven >= models.verdict["parts_apart"],
    )
    monochrome = analysis.character.monochrome
    if monochrome:
        # Its greys have no cast, whatever the trees make of so odd a picture.
        probability = models.verdict["monochrome"]
        rests = dict.fromkeys(rests, probability)
    # The thresholds belong to the probability before it is moved to another base rate.
    verdict = rules.thresholds.verdict_of(
        probability, eligibility(analysis, earned), monochrome=monochrome
    )
    probability = rules.at_base_rate(probability)
    rests = {kind: rules.at_base_rate(rest) for kind, rest in rests.items()}
    shifts = {kind: probability - rest for kind, rest in rests.items()}
    evidence = tuple(_evidence(analysis, shifts, assessed.moved, verdict))
    if analysis.coloured is not None and not monochrome:
        evidence = (*evidence, _object_evidence(analysis, analysis.coloured, verdict))
    evidence = (*evidence, *_content_evidence(shifts[CONTENT], verdict))
    if analysis.hinted is not None:
        moved = assessed.moved[HINT]
        hints = _hint_evidence(analysis, analysis.hinted, shifts[HINT], moved, verdict)
        evidence = (*evidence, *hints)
    picture = analysis.scene.picture
    judgement = Judgement(
        verdict=verdict,
        probability=round(probability, 4),
        base_rate=round(rules.base_rate, 6),
        cast=_cast(analysis.estimate),
        tones=_tones(analysis.estimate),
        evidence=evidence,
        look_at=spots(analysis),
        remarks=earned,
        sentences=(),
        model=models.id,
        name=picture.name,
        width=picture.width,
        height=picture.height,
        profile=picture.profile,
        risks=rules.risks,
    )
    return replace(judgement, sentences=sentences.compose(judgement))


@dataclass(frozen=True, slots=True, eq=False)
class _Assessed:
    """What the trees predict, hints included.

    The probability, how far two tone ranges' casts lie apart at most, and
    ``uneven`` as in :class:`autocast.voting.fitted.Prediction`. ``without`` holds
    the probability, and ``moved`` the distance by which the quoted cast moves,
    when a kind of evidence is left out.
    """

    probability: float
    tones_apart: float
    uneven: float
    without: Mapping[str, float]
    moved: Mapping[str, float]


def _assess(analysis: Analysis, models: Models) -> _Assessed:
    # The trees were grown without hints: they are asked as if none had been given.
    before = analysis if analysis.hinted is None else analysis.hinted.before
    features = extract(before)
    less = [leave_out(features, before, kind) for kind in ABLATED]
    prediction = predict([features, *less], models.trees)
    probability, *without = (float(p) for p in prediction.probability)
    if analysis.hinted is None:
        # What was counted without a kind is among the features without it.
        rests = [np.array([each["joint.a"], each["joint.b"]]) for each in less]
        casts = prediction.casts[0]
    else:
        hinted, *others = (
            condition(prediction, row, analysis.hinted.votes) for row in range(len(ABLATED) + 1)
        )
        rests, casts = [each.casts[0] for each in others], hinted.casts
        without = [*(each.evident for each in others), probability]
        rests.append(before.estimate.mean)
        probability = hinted.evident
    names = (*ABLATED, HINT)[: len(rests)]
    moved = [float(np.hypot(*(rest - analysis.estimate.mean))) for rest in rests]
    return _Assessed(
        probability,
        float(tones_apart(casts[None, 1:])[0]),
        float(prediction.uneven[0]),
        dict(zip(names, without, strict=True)),
        dict(zip(names, moved, strict=True)),
    )


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
    analysis: Analysis, shifts: Mapping[str, float], moved: Mapping[str, float], verdict: Verdict
) -> Iterator[Evidence]:
    """What each kind says, and how probability and cast change by it."""
    readings = {kind: vote.reading for kind, vote in analysis.votes.items()}
    findings = {k.kind: k.find(analysis.scene, analysis.members) for k in kinds()}
    precision = {
        kind: 2 / float(np.trace(covariance))
        for kind, (_, covariance) in readings.items()
        if _speaks(findings[kind], analysis.votes[kind])
    }
    for kind in kinds():
        name, finding = kind.kind, findings[kind.kind]
        silent = _silent(name, kind.label, round(finding.share, 4))
        if name not in precision:
            yield silent
            continue
        mean, covariance = readings[name]
        yield replace(
            silent,
            reads=_rounded(finding.reads),
            expected=_rounded(finding.expected),
            explains=(round(float(mean[0]), 2), round(float(mean[1]), 2)),
            spread=round(float(np.sqrt(np.trace(covariance) / 2)), 2),
            weight=round(precision[name] / sum(precision.values()), 4),
            drove=round(moved[name], 3),
            drove_probability=round(shifts[name], 4),
            stance=_stance(analysis.votes[name], analysis.estimate, verdict),
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
    return float(np.ptp(vote.log_likelihood)) > PREFERS_FROM


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


def _object_evidence(analysis: Analysis, coloured: Coloured, verdict: Verdict) -> Evidence:
    ab = at_60(coloured.reads)
    order = coloured.regions[np.argsort(-analysis.scene.regions.area[coloured.regions])]
    return Evidence(
        kind=OBJECT,
        label="strongly coloured thing",
        share=round(coloured.share, 4),
        reads=_rounded(coloured.reads),
        expected=None,
        explains=(round(float(ab[0]), 2), round(float(ab[1]), 2)),
        spread=0.0,
        weight=0.0,
        drove=0.0,
        drove_probability=0.0,
        stance="against" if verdict == "clear" else "silent",
        where=tuple(place(analysis.scene, int(r)) for r in order[:OBJECT_PLACES]),
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
    analysis: Analysis, hinted: Hinted, shift: float, moved: float, verdict: Verdict
) -> Iterator[Evidence]:
    """What each hint says. ``drove`` is that of all hints at once."""
    for hint_vote in hinted.votes:
        mean, covariance = hint_vote.reading
        hint = hint_vote.hint
        yield Evidence(
            kind=HINT,
            label=f"{hint.what} at {hint.x:g},{hint.y:g}, as you said",
            share=round(hint_vote.where.width * hint_vote.where.height, 4),
            reads=_rounded(hint_vote.reads),
            expected=_rounded(hint_vote.expected),
            explains=(round(float(mean[0]), 2), round(float(mean[1]), 2)),
            spread=round(float(np.sqrt(np.trace(covariance) / 2)), 2),
            weight=1.0,
            drove=round(moved, 3),
            drove_probability=round(shift, 4),
            stance=_stance(Vote(HINT, hint_vote.log_likelihood), analysis.estimate, verdict),
            where=(hint_vote.where,),
        )


def _rounded(reading: Reading | None) -> Reading | None:
    return None if reading is None else Reading(*(round(v, 2) for v in reading))
