"""Estimate -> probability, verdict, and what speaks for and against.

The thresholds that decide a verdict lie in the model file ``verdict.json``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from autocast import sentences
from autocast.case import Case, Coloured
from autocast.castgrid import grid
from autocast.colour import requote
from autocast.evidence import EVIDENCE, Finding, Vote
from autocast.evidence.scene import CLASSES
from autocast.evidence.votes import place
from autocast.features import features, leave_out
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
from autocast.modelfiles import load_json
from autocast.remarking import remarks
from autocast.spots import spots
from autocast.voting import Estimate
from autocast.weighing import Weighed, weigh

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
    settings = load_json("verdict.json")
    told = features(case)
    left_out = [leave_out(told, case, kind.kind) for kind in EVIDENCE]
    weighed, *without = weigh([told, *left_out])
    rests = dict(zip((kind.kind for kind in EVIDENCE), without, strict=True))
    earned = remarks(case, weighed)
    monochrome = case.character.monochrome
    if monochrome:
        # Its greys have no cast, whatever the trees make of so odd a picture.
        weighed = replace(weighed, probability=settings["monochrome"])
    verdict = _verdict(weighed, earned, settings)
    evidence = tuple(_evidence(case, weighed, rests, verdict))
    if case.coloured is not None and not monochrome:
        evidence = (*evidence, _object_evidence(case, case.coloured, verdict))
    picture = case.scene.picture
    judgement = Judgement(
        verdict=verdict,
        probability=round(weighed.probability, 4),
        base_rate=settings["base_rate"],
        cast=_cast(weighed, case.estimate),
        tones=_tones(weighed, case.estimate),
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


def _verdict(weighed: Weighed, earned: tuple[str, ...], settings: Mapping[str, Any]) -> Verdict:
    if any(REMARKS[code].asks for code in earned):
        return "ask"
    if "monochrome" in earned or weighed.probability <= settings["clear_below"]:
        return "clear"
    # Warmth that the scene may own is never called a cast outright.
    if weighed.probability >= settings["cast_above"] and "believable_warmth" not in earned:
        return "cast"
    return "ask"


def _cast(weighed: Weighed, estimate: Estimate) -> Cast:
    a, b = (float(v) for v in weighed.casts["whole"])
    variance = [float(v) ** 2 for v in weighed.deviation]
    return Cast(
        a=round(a, 3),
        b=round(b, 3),
        covariance=((round(variance[0], 4), 0.0), (0.0, round(variance[1], 4))),
        spread=round(float(np.sqrt(sum(variance) / 2)), 3),
        second=_second(weighed, estimate),
    )


def _second(weighed: Weighed, estimate: Estimate) -> Mode | None:
    """The likeliest other cast of the joint count, where it is likely enough and another."""
    for a, b, share in estimate.modes:
        apart = float(np.hypot(*(weighed.casts["whole"] - (a, b))))
        if share >= SECOND_NAMED and apart > EVIDENT_FROM:
            return Mode(round(a, 3), round(b, 3), round(share, 3))
    return None


def _tones(weighed: Weighed, estimate: Estimate) -> dict[str, ToneCast]:
    out = {}
    for name, (_, _, at) in TONE_RANGES.items():
        a, b = (float(v) for v in requote(weighed.casts[name], at))
        spread = float(requote(weighed.tone_spread[name], at))
        share = estimate.parts[name].share
        out[name] = ToneCast(round(a, 3), round(b, 3), round(spread, 3), round(share, 4), at)
    return out


def _evidence(
    case: Case, weighed: Weighed, rests: Mapping[str, Weighed], verdict: Verdict
) -> Iterator[Evidence]:
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
        rest = rests[name]
        moved = float(np.hypot(*(rest.casts["whole"] - weighed.casts["whole"])))
        shift = 0.0 if case.character.monochrome else weighed.probability - rest.probability
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
            stance=_stance(case.votes[name], weighed, verdict),
            where=finding.where,
        )


def _speaks(finding: Finding, vote: Vote) -> bool:
    """Was anything found, and does it prefer any cast to another?"""
    if vote.kind in CLASSES and finding.reads is None:
        return False
    return float(np.ptp(vote.log_likelihood)) > HEARD_FROM


def _stance(vote: Vote, weighed: Weighed, verdict: Verdict) -> Stance:
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
        near = np.hypot(*(grid().casts - weighed.casts["whole"]).T) <= SLIGHT_FROM
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
