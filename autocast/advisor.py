"""Estimate -> probability, verdict, and what speaks for and against.

What decides a verdict lies in the model file ``weights.json`` under ``confidence``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from autocast import sentences
from autocast.case import Case, Coloured, gap, tone_parts
from autocast.castgrid import grid
from autocast.colour import requote
from autocast.evidence import EVIDENCE, Finding, Vote
from autocast.evidence.scene import CLASSES
from autocast.evidence.votes import place
from autocast.judgement import (
    EVIDENT_FROM,
    REMARKS,
    SLIGHT_FROM,
    TONE_RANGES,
    Cast,
    Evidence,
    Judgement,
    Mode,
    Reading,
    Stance,
    ToneCast,
    Verdict,
)
from autocast.remarking import WARM_HUES, remarks
from autocast.spots import spots
from autocast.voting import Estimate, count

SECOND_NAMED = 0.1
"""Share of the posterior from which a second cast is named (project convention)."""
HEARD_FROM = 0.5
"""Range of a vote's log-likelihood, in nats, below which it prefers no cast to another."""
TAKES_SIDES = 1.0
"""Log-likelihood ratio, in nats, from which a vote is for or against (a ratio of e)."""
OBJECT_PLACES = 6
"""Places named for the strongly coloured thing (project convention)."""


def advise(case: Case, model: str) -> Judgement:
    """Weigh the case and word the judgement."""
    settings = case.scene.weights["confidence"]
    earned = remarks(case)
    monochrome = case.character.monochrome
    probability = settings["monochrome"] if monochrome else _probability(case, case.estimate)
    verdict = _verdict(probability, earned, settings)
    evidence = tuple(_evidence(case, probability, verdict))
    if case.coloured is not None and not monochrome:
        evidence = (*evidence, _object_evidence(case, case.coloured, verdict))
    picture = case.scene.picture
    judgement = Judgement(
        verdict=verdict,
        probability=round(probability, 4),
        base_rate=settings["base_rate"],
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
    )
    return replace(judgement, sentences=sentences.compose(judgement))


def features(case: Case, estimate: Estimate) -> dict[str, float]:
    """What the probability is told. Sizes are C* at L* 60 unless a name says otherwise."""
    a, b = (float(v) for v in estimate.mean)
    size = float(np.hypot(a, b))
    reach = np.hypot(grid().casts[:, 0], grid().casts[:, 1])
    tones = [
        float(np.hypot(*requote(part.mean, TONE_RANGES[name][2])))
        for name, part in tone_parts(estimate)
    ]
    hue = float(np.degrees(np.arctan2(b, a)))
    return {
        "size": size,
        "mass_beyond": float(estimate.posterior[reach > (SLIGHT_FROM + EVIDENT_FROM) / 2].sum()),
        "tone_size": max([0.0, *tones]),
        "tone_gap": gap([part for _, part in tone_parts(estimate)])[0],
        "warm": size if WARM_HUES[0] <= hue <= WARM_HUES[1] else 0.0,
        "cold": max(0.0, -b),
        "green": max(0.0, -a),
        "magenta": max(0.0, a - max(0.0, b)),
        "spread": float(np.sqrt(np.trace(estimate.covariance) / 2)),
        "conflict": min(case.conflict, 10.0),
        "neutral_share": float(sum(case.support.shares.values())),
    }


def _probability(case: Case, estimate: Estimate) -> float:
    settings = case.scene.weights["confidence"]
    told = features(case, estimate)
    logit = settings["intercept"] + sum(settings["slopes"][k] * told[k] for k in settings["slopes"])
    return float(1 / (1 + np.exp(-np.clip(logit, -30, 30))))


def _verdict(probability: float, earned: tuple[str, ...], settings: Mapping[str, Any]) -> Verdict:
    if any(REMARKS[code].asks for code in earned):
        return "ask"
    if "monochrome" in earned or probability <= settings["clear_below"]:
        return "clear"
    # Warmth that the scene may own is never called a cast outright.
    if probability >= settings["cast_above"] and "believable_warmth" not in earned:
        return "cast"
    return "ask"


def _cast(estimate: Estimate) -> Cast:
    covariance = estimate.covariance
    second = estimate.modes[1] if len(estimate.modes) > 1 else None
    off, along = float(covariance[0, 1]), (float(covariance[0, 0]), float(covariance[1, 1]))
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


def _evidence(case: Case, probability: float, verdict: Verdict) -> Iterator[Evidence]:
    """What each kind says, and what changes when it is left out."""
    readings = {kind: vote.reading for kind, vote in case.votes.items()}
    findings = {k.kind: k.find(case.scene, case.members) for k in EVIDENCE}
    heard = {
        kind: 2 / float(np.trace(covariance))
        for kind, (_, covariance) in readings.items()
        if _speaks(findings[kind], case.votes[kind])
    }
    for kind in EVIDENCE:
        name, finding = kind.kind, findings[kind.kind]
        silent = Evidence(
            kind=name,
            label=kind.label,
            share=round(finding.share, 4),
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
        if name not in heard:
            yield silent
            continue
        rest = count(case.counted, without=name)
        moved = float(np.hypot(*(rest.mean - case.estimate.mean)))
        shift = 0.0 if case.character.monochrome else probability - _probability(case, rest)
        mean, covariance = readings[name]
        yield replace(
            silent,
            reads=_rounded(finding.reads),
            expected=_rounded(finding.expected),
            explains=(round(float(mean[0]), 2), round(float(mean[1]), 2)),
            spread=round(float(np.sqrt(np.trace(covariance) / 2)), 2),
            weight=round(heard[name] / sum(heard.values()), 4),
            drove=round(moved, 3),
            drove_probability=round(shift, 4),
            stance=_stance(case.votes[name], case.estimate, verdict),
            where=finding.where,
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
        near = np.hypot(*(grid().casts - estimate.mean).T) <= SLIGHT_FROM
        for_it = float(likelihood[near].max()) - none
    if abs(for_it) < TAKES_SIDES:
        return "silent"
    return "for" if for_it > 0 else "against"


def _object_evidence(case: Case, coloured: Coloured, verdict: Verdict) -> Evidence:
    at_60 = requote(np.array([coloured.reads.a, coloured.reads.b]), 60.0, coloured.reads.lightness)
    order = coloured.regions[np.argsort(-case.scene.regions.area[coloured.regions])]
    return Evidence(
        kind="object",
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


def _rounded(reading: Reading | None) -> Reading | None:
    return None if reading is None else Reading(*(round(v, 2) for v in reading))
