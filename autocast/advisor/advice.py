"""Estimate -> probability, verdict, and what speaks for and against.

The thresholds that decide a verdict lie in the model file ``verdict.json``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from autocast.advisor.gates import by_estimate, kept_from, remarks
from autocast.advisor.places import spots
from autocast.advisor.risk import rule
from autocast.colour import at_60, requote
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
from autocast.judgement.things import CLASSES, CONTENT, DOUBTED, HINT, JOINT, OBJECT, TREES
from autocast.voting.analysis import Analysis, Coloured, Hinted
from autocast.voting.conditioning import Estimate
from autocast.voting.posterior import Count
from autocast.voting.weighing import Weighed

SECOND_NAMED = 0.1
"""Share of the posterior from which a second cast is named (project convention)."""
PREFERS_FROM = 0.5
"""Range of a vote's log-likelihood, in nats, below which it prefers no cast to another."""
TAKES_SIDES = 1.0
"""Log-likelihood ratio, in nats, from which a vote is for or against (a ratio of e)."""
CONTENT_NAMED = 0.05
"""Change of the probability from which what the picture shows is named (project convention)."""
TOGETHER: Mapping[str, str] = {
    JOINT: "known colours counted together",
    TREES: "all readings together, as fitted",
}
"""Voices that rest on every kind of evidence, in words."""
OBJECT_PLACES = 6
"""Places named for the strongly coloured object (project convention)."""


def advise(weighed: Weighed, assumptions: Assumptions) -> Judgement:
    """Judge a picture whose cast was estimated, and put it in words.

    Parameters
    ----------
    weighed : Weighed
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
    analysis = weighed.analysis
    models = analysis.scene.models
    rules = rule(models.verdict, assumptions)
    probability, rests = weighed.probability, dict(weighed.without)
    monochrome = analysis.character.monochrome
    earned = set(remarks(analysis))
    if monochrome:
        # Its greys have no cast, whatever the trees make of so odd a picture.
        probability = models.verdict["monochrome"]
        rests = dict.fromkeys(rests, probability)
    else:
        found = by_estimate(
            weighed.estimate.casts[None],
            np.array([weighed.uneven]),
            models.verdict["parts_apart"],
        )
        earned |= {name for name, holds in found.items() if holds[0]}
    # The thresholds belong to the probability before it is moved to another base rate.
    kept = {verdict for each in kept_from(earned).values() for verdict in each}
    verdict = rules.thresholds.verdict_of(
        probability, ("clear" not in kept, "cast" not in kept), monochrome=monochrome
    )
    leans = rules.thresholds.leans(probability) if verdict == "ask" else None
    probability = rules.at_base_rate(probability)
    shifts = {kind: probability - rules.at_base_rate(rest) for kind, rest in rests.items()}
    drove = _Drove(weighed.moved, shifts)
    evidence = tuple(_evidence(weighed, drove, verdict))
    if analysis.coloured is not None and not monochrome:
        evidence = (*evidence, _object_evidence(analysis, analysis.coloured, verdict))
    evidence = (*evidence, *_content_evidence(drove, verdict))
    if analysis.hinted is not None:
        evidence = (*evidence, *_hint_evidence(weighed, analysis.hinted, drove, verdict))
    picture = analysis.scene.picture
    judgement = Judgement(
        verdict=verdict,
        leans=leans,
        probability=round(probability, 4),
        base_rate=round(rules.base_rate, 6),
        cast=_cast(weighed.estimate, analysis.count),
        tones=_tones(weighed.estimate, analysis.count),
        evidence=evidence,
        look_at=spots(analysis),
        remarks=tuple(code for code in REMARKS if code in earned),
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
class _Drove:
    """What changes without a kind of evidence; None where that was not asked.

    ``moved``: the distance by which the cast moves; ``shifts``: what the kind adds to the
    probability.
    """

    moved: Mapping[str, float]
    shifts: Mapping[str, float]

    def of(self, kind: str, evidence: Evidence) -> Evidence:
        """A kind's evidence with both."""
        moved, shift = self.moved.get(kind), self.shifts.get(kind)
        return replace(
            evidence,
            drove=None if moved is None else round(moved, 3),
            drove_probability=None if shift is None else round(shift, 4),
        )


def _cast(estimate: Estimate, counted: Count) -> Cast:
    mean, covariance = estimate.casts[0], estimate.covariance[0, :, 0]
    off, along = float(covariance[0, 1]), (float(covariance[0, 0]), float(covariance[1, 1]))
    second = counted.modes[1] if len(counted.modes) > 1 else None
    return Cast(
        a=round(float(mean[0]), 3),
        b=round(float(mean[1]), 3),
        covariance=((round(along[0], 4), round(off, 4)), (round(off, 4), round(along[1], 4))),
        spread=round(estimate.deviation(0), 3),
        second=None
        if second is None or second[2] < SECOND_NAMED
        else Mode(*(round(v, 3) for v in second)),
    )


def _tones(estimate: Estimate, counted: Count) -> dict[str, ToneCast]:
    out = {}
    for k, (name, (_, _, at)) in enumerate(TONE_RANGES.items(), start=1):
        a, b = (float(v) for v in requote(estimate.casts[k], at))
        spread = float(requote(estimate.deviation(k), at))
        share = round(counted.parts[name].share, 4)
        out[name] = ToneCast(round(a, 3), round(b, 3), round(spread, 3), share, at)
    return out


def _evidence(weighed: Weighed, drove: _Drove, verdict: Verdict) -> Iterator[Evidence]:
    """What each kind says, how much it counts, and how probability and cast change by it."""
    analysis = weighed.analysis
    for kind in kinds():
        finding, vote = kind.find(analysis.scene, analysis.members), analysis.votes[kind.kind]
        weight = sum(voice.weight for voice in weighed.voices if voice.kind == kind.kind)
        silent = replace(
            _silent(kind.kind, kind.label, round(finding.share, 4)), weight=round(weight, 4)
        )
        if not _speaks(finding, vote):
            heard = silent.weight > 0
            yield drove.of(kind.kind, _voiced(silent, weighed)) if heard else silent
            continue
        mean, covariance = vote.reading
        yield replace(
            drove.of(kind.kind, silent),
            reads=_rounded(finding.reads),
            expected=_rounded(finding.expected),
            explains=(round(float(mean[0]), 2), round(float(mean[1]), 2)),
            spread=round(float(np.sqrt(np.trace(covariance) / 2)), 2),
            stance=_stance(vote, weighed.estimate, verdict),
            where=finding.where,
        )
    for name, label in TOGETHER.items():
        weight = round(sum(voice.weight for voice in weighed.voices if voice.kind == name), 4)
        if weight:
            # They rest on every kind at once, and cannot be left out.
            said = replace(_silent(name, label, 1.0), weight=weight, drove=None)
            yield _voiced(replace(said, drove_probability=None), weighed)


def _voiced(evidence: Evidence, weighed: Weighed) -> Evidence:
    """An evidence with what its voices say: their weighted mean."""
    voices = [voice for voice in weighed.voices if voice.kind == evidence.kind]
    weight = sum(voice.weight for voice in voices)
    a, b = (sum(v.cast[k] * v.weight for v in voices) / weight for k in (0, 1))
    return replace(evidence, explains=(round(a, 2), round(b, 2)))


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
        off = np.hypot(*(grid().casts - estimate.casts[0]).T)
        # What a person says may lie beyond the grid: then the nearest cast speaks for it.
        near = off <= max(SLIGHT_FROM, float(off.min()))
        for_it = float(likelihood[near].max()) - none
    if abs(for_it) < TAKES_SIDES:
        return "silent"
    return "for" if for_it > 0 else "against"


def _object_evidence(analysis: Analysis, coloured: Coloured, verdict: Verdict) -> Evidence:
    ab = at_60(coloured.reads)
    order = coloured.regions[np.argsort(-analysis.scene.regions.area[coloured.regions])]
    return replace(
        _silent(OBJECT, "strongly coloured object", round(coloured.share, 4)),
        reads=_rounded(coloured.reads),
        explains=(round(float(ab[0]), 2), round(float(ab[1]), 2)),
        stance="against" if verdict == "clear" else "silent",
        where=tuple(place(analysis.scene, int(r)) for r in order[:OBJECT_PLACES]),
    )


def _content_evidence(drove: _Drove, verdict: Verdict) -> Iterator[Evidence]:
    """What the picture seems to show, where it changes the probability by enough to be named."""
    adds = drove.shifts.get(CONTENT, 0.0)
    if abs(adds) < CONTENT_NAMED:
        return
    yield replace(
        _silent(CONTENT, "what the picture seems to show", 1.0),
        drove_probability=round(adds, 4),
        stance="for" if (adds > 0) == (verdict != "clear") else "against",
    )


def _hint_evidence(
    weighed: Weighed, hinted: Hinted, drove: _Drove, verdict: Verdict
) -> Iterator[Evidence]:
    """What each hint says. ``drove`` is that of all hints at once."""
    for hint_vote, contradicted in zip(hinted.votes, hinted.contradicted, strict=True):
        mean, covariance = hint_vote.reading
        hint = hint_vote.hint
        name = f"{hint.what} at {hint.x:g},{hint.y:g}, as you said"
        name += DOUBTED if contradicted else ""
        share = round(hint_vote.where.width * hint_vote.where.height, 4)
        yield replace(
            drove.of(HINT, _silent(HINT, name, share)),
            reads=_rounded(hint_vote.reads),
            expected=_rounded(hint_vote.expected),
            explains=(round(float(mean[0]), 2), round(float(mean[1]), 2)),
            spread=round(float(np.sqrt(np.trace(covariance) / 2)), 2),
            weight=1.0,
            stance=_stance(Vote(HINT, hint_vote.log_likelihood), weighed.estimate, verdict),
            where=(hint_vote.where,),
        )


def _rounded(reading: Reading | None) -> Reading | None:
    return None if reading is None else Reading(*(round(v, 2) for v in reading))
