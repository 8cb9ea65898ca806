"""Estimate -> probability, verdict, remarks, and what speaks for and against.

Thresholds that decide a verdict lie in the model file ``weights.json`` under
``confidence``; those that only decide whether a remark is made stand here, and
are common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast import sentences
from autocast.castgrid import grid
from autocast.character import Character
from autocast.colour import requote
from autocast.evidence import EVIDENCE, Finding, Vote
from autocast.evidence.scene import CLASSES, KINDS, Scene
from autocast.evidence.votes import columns, place
from autocast.judgement import (
    EVIDENT_FROM,
    REMARKS,
    SLIGHT_FROM,
    TONE_RANGES,
    Cast,
    Evidence,
    Judgement,
    Mode,
    Place,
    Reading,
    Spot,
    Stance,
    ToneCast,
    Verdict,
)
from autocast.voting import AREAS, Ballot, Estimate, conflict, count

Floats = NDArray[np.floating]

TONE_SHARE = 0.06
"""Share of the frame from which a tone range's own cast counts."""
AREA_SHARE = 0.06
"""Share of probable neutrals from which half a frame's own cast counts."""
TONES_APART = 8.0
"""Distance of two tone ranges' casts (a*b* at L* 60) worth a remark."""
AREAS_APART = 11.0
"""Distance of two halves' casts (a*b* at L* 60) that means mixed light."""
CERTAIN_APART = 2.0
"""... and the same in standard deviations of the difference."""
SECOND_MODE = 0.3
"""Share of the posterior from which a second cast is as good as the first."""
KNOWN_SHARE = 0.05
"""Share of the frame below which things of known colour count as not found."""
INFORMATIVE = 1.0
"""Narrowing of the prior, in nats, below which nothing was learned."""
EDGE_SHARE = 0.1
"""Posterior on the grid's rim from which the cast may lie beyond it."""
COLOURED_FROM = 22.0
"""C* beyond the cast from which a thing is strongly coloured."""
OBJECT_SHARE = 0.03
"""Share of the frame from which a strongly coloured thing is named."""
DOMINANT_SHARE = 0.4
"""Share of the frame from which one colour dominates."""
HUE_WITHIN = 45.0
"""Degrees of hue that count as one colour."""
NEUTRAL_SHARE = 0.01
"""Share of the frame from which probable neutrals of a tone range are heard."""
NEUTRALS_AGREE = 6.0
"""Distance up to which the neutrals of two tone ranges agree (a*b* at L* 60)."""
WARM_HUES = (45.0, 100.0)
"""Hue angles, in degrees, of warmth that low sun or lamps lend a scene."""
CLIPPED_SHARE = 0.25
"""Share of clipped pixels worth a remark."""


@dataclass(frozen=True, slots=True, eq=False)
class Coloured:
    """The strongly coloured thing of one hue that fills most of the picture."""

    share: float
    reads: Reading
    regions: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Support:
    """Probable neutrals by tone range: their share and the cast they read, at L* 60."""

    shares: Mapping[str, float]
    casts: Mapping[str, Floats]

    @property
    def agreeing(self) -> int:
        """How many tone ranges hold neutrals that agree with each other; 0 if any two quarrel."""
        heard = list(self.casts.values())
        for i, one in enumerate(heard):
            for other in heard[:i]:
                if float(np.hypot(*(one - other))) > NEUTRALS_AGREE:
                    return 0
        return len(heard)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """Everything the advisor weighs."""

    scene: Scene
    character: Character
    counted: Ballot
    estimate: Estimate
    members: NDArray[np.float32]
    votes: Mapping[str, Vote]


def advise(case: Case, model: str) -> Judgement:
    """Weigh the case and word the judgement."""
    settings = case.scene.weights["confidence"]
    support = _support(case)
    coloured = _coloured(case)
    probability = _probability(case, case.estimate, support, settings)
    remarks = _remarks(case, support, coloured)
    if case.character.monochrome:
        probability = settings["monochrome"]
    verdict = _verdict(case, probability, remarks, settings)
    cast = _cast(case.estimate)
    evidence = _evidence(case, support, probability, verdict, settings)
    if coloured is not None and not case.character.monochrome:
        evidence = (*evidence, _object_evidence(case, coloured, verdict))
    picture = case.scene.picture
    judgement = Judgement(
        verdict=verdict,
        probability=round(probability, 4),
        base_rate=settings["base_rate"],
        cast=cast,
        tones=_tones(case.estimate),
        evidence=evidence,
        look_at=_spots(case, coloured),
        remarks=remarks,
        sentences=(),
        model=model,
        name=picture.name,
        width=picture.width,
        height=picture.height,
        profile=picture.profile,
    )
    return replace(judgement, sentences=sentences.compose(judgement))


def features(case: Case, estimate: Estimate, support: Support) -> dict[str, float]:
    """What the probability is told. Sizes are C* at L* 60 unless a name says otherwise."""
    a, b = (float(v) for v in estimate.mean)
    size = float(np.hypot(a, b))
    reach = np.hypot(grid().casts[:, 0], grid().casts[:, 1])
    tones = [
        float(np.hypot(*requote(part.mean, TONE_RANGES[name][2])))
        for name, part in _tone_parts(estimate)
    ]
    hue = float(np.degrees(np.arctan2(b, a)))
    return {
        "size": size,
        "mass_beyond": float(estimate.posterior[reach > (SLIGHT_FROM + EVIDENT_FROM) / 2].sum()),
        "tone_size": max([0.0, *tones]),
        "tone_gap": _gap([part for _, part in _tone_parts(estimate)])[0],
        "warm": size if WARM_HUES[0] <= hue <= WARM_HUES[1] else 0.0,
        "cold": max(0.0, -b),
        "green": max(0.0, -a),
        "magenta": max(0.0, a - max(0.0, b)),
        "spread": float(np.sqrt(np.trace(estimate.covariance) / 2)),
        "conflict": min(conflict(case.votes), 10.0),
        "neutral_share": float(sum(support.shares.values())),
    }


def _probability(
    case: Case, estimate: Estimate, support: Support, settings: Mapping[str, Any]
) -> float:
    told = features(case, estimate, support)
    logit = settings["intercept"] + sum(settings["slopes"][k] * told[k] for k in settings["slopes"])
    return float(1 / (1 + np.exp(-np.clip(logit, -30, 30))))


def _verdict(
    case: Case, probability: float, remarks: tuple[str, ...], settings: Mapping[str, Any]
) -> Verdict:
    if any(REMARKS[code].asks for code in remarks):
        return "ask"
    if case.character.monochrome:
        return "clear"
    if probability <= settings["clear_below"]:
        return "clear"
    # Warmth that the scene may own is never called a cast outright.
    if probability >= settings["cast_above"] and "believable_warmth" not in remarks:
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
        if second is None or second[2] < SECOND_MODE / 3
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


def _tone_parts(estimate: Estimate) -> list[tuple[str, Any]]:
    return [
        (name, estimate.parts[name])
        for name in TONE_RANGES
        if estimate.parts[name].share >= TONE_SHARE
    ]


def _gap(parts: list[Any]) -> tuple[float, float]:
    """The largest distance of two parts' casts, and the same in standard deviations."""
    widest = (0.0, 0.0)
    for i, one in enumerate(parts):
        for other in parts[:i]:
            off = one.mean - other.mean
            deviations = float(
                np.sqrt(off @ np.linalg.solve(one.covariance + other.covariance, off))
            )
            widest = max(widest, (float(np.hypot(*off)), deviations))
    return widest


def _support(case: Case) -> Support:
    neutral = case.members[:, columns("neutrals")].sum(axis=1)
    regions = case.scene.regions
    lightness = regions.lab[:, 0]
    at_60 = regions.lab[:, 1:] * (76.0 / (lightness + 16))[:, None]
    shares, casts = {}, {}
    for name, (low, high, _) in TONE_RANGES.items():
        within = (neutral >= 0.5) & (lightness >= low) & (lightness < high)
        share = float(regions.area[within].sum())
        shares[name] = share
        if share >= NEUTRAL_SHARE:
            casts[name] = regions.area[within] @ at_60[within] / share
    return Support(shares, casts)


def _coloured(case: Case) -> Coloured | None:
    """The largest share of strongly coloured regions of one hue that no class explains."""
    regions = case.scene.regions
    lightness = regions.lab[:, 0]
    off = regions.lab[:, 1:] - case.estimate.mean * ((lightness + 16) / 76)[:, None]
    strong = (np.hypot(off[:, 0], off[:, 1]) > COLOURED_FROM) & (
        case.members[:, KINDS.index("else")] > 0.4
    )
    chosen = np.flatnonzero(strong)
    if not len(chosen):
        return None
    hue = np.degrees(np.arctan2(off[chosen, 1], off[chosen, 0]))
    apart = np.abs((hue[:, None] - hue[None, :] + 180) % 360 - 180)
    share = (apart <= HUE_WITHIN) @ regions.area[chosen]
    centre = int(np.argmax(share))
    if share[centre] < OBJECT_SHARE:
        return None
    same = chosen[apart[centre] <= HUE_WITHIN]
    lab = regions.area[same] @ regions.lab[same] / regions.area[same].sum()
    return Coloured(float(share[centre]), Reading(*(float(v) for v in lab)), same)


def _remarks(case: Case, support: Support, coloured: Coloured | None) -> tuple[str, ...]:
    found = set(case.scene.picture.remarks)
    kind, estimate = case.character, case.estimate
    if kind.clipped > CLIPPED_SHARE:
        found.add("clipped")
    if kind.monochrome:
        return _ordered(found | {"monochrome"})
    for flag, code in ((kind.toned, "toned"), (kind.graphic, "not_photograph"), (kind.dark, "dark")):
        if flag:
            found.add(code)
    known = float(
        (case.members[:, : KINDS.index("else")].sum(axis=1) * case.scene.regions.area).sum()
    )
    if known < KNOWN_SHARE or estimate.information < INFORMATIVE:
        found.add("no_known_colour")
    if float(estimate.posterior[grid().edge].sum()) > EDGE_SHARE:
        found.add("off_grid")
    if _split(estimate):
        found.add("split")
    if coloured is not None:
        vouched = support.agreeing >= 2
        if vouched:
            found.add("coloured_object")
        if coloured.share >= DOMINANT_SHARE:
            found.add("dominant_colour")
            if not vouched:
                found.add("few_neutrals")
    distance, deviations = _gap([part for _, part in _tone_parts(estimate)])
    if distance > TONES_APART and deviations > CERTAIN_APART:
        found.add("tones_disagree")
    if _mixed(case):
        found.add("mixed_light")
    a, b = (float(v) for v in estimate.mean)
    hue = float(np.degrees(np.arctan2(b, a)))
    if np.hypot(a, b) >= SLIGHT_FROM and WARM_HUES[0] <= hue <= WARM_HUES[1]:
        found.add("believable_warmth")
    if conflict(case.votes) > case.scene.weights["confidence"]["conflict_from"]:
        found.add("conflict")
    return _ordered(found)


def _ordered(found: set[str]) -> tuple[str, ...]:
    return tuple(code for code in REMARKS if code in found)


def _split(estimate: Estimate) -> bool:
    """Do two casts explain the picture, of which one could be passed and one could not?"""
    if len(estimate.modes) < 2 or estimate.modes[1][2] < SECOND_MODE:
        return False
    first, second = (np.array(mode[:2]) for mode in estimate.modes[:2])
    return float(np.hypot(*(first - second))) > EVIDENT_FROM


def _mixed(case: Case) -> bool:
    """Do neutrals in two opposite halves of the frame read different light?"""
    neutral = case.members[:, columns("neutrals")].sum(axis=1) * case.scene.regions.area
    regions = case.scene.regions
    halves = {
        "left": regions.across < 0.5,
        "right": regions.across >= 0.5,
        "top": regions.height < 0.5,
        "bottom": regions.height >= 0.5,
    }
    heard = {k for k in AREAS if float(neutral[halves[k]].sum()) >= AREA_SHARE}
    for one, other in (("left", "right"), ("top", "bottom")):
        if one in heard and other in heard:
            distance, deviations = _gap([case.estimate.parts[one], case.estimate.parts[other]])
            if distance > AREAS_APART and deviations > CERTAIN_APART:
                return True
    return False


def _evidence(
    case: Case,
    support: Support,
    probability: float,
    verdict: Verdict,
    settings: Mapping[str, Any],
) -> tuple[Evidence, ...]:
    """What each kind says, and what changes when it is left out."""
    readings = {kind: vote.reading for kind, vote in case.votes.items()}
    sureness = {kind: 2 / float(np.trace(cov)) for kind, (_, cov) in readings.items()}
    findings = {k.kind: k.find(case.scene, case.members) for k in EVIDENCE}
    heard = {k: s for k, s in sureness.items() if _speaks(findings[k], case.votes[k])}
    total = sum(heard.values())
    out = []
    for kind in EVIDENCE:
        name, finding = kind.kind, findings[kind.kind]
        if name not in heard:
            out.append(
                Evidence(
                    name, kind.label, round(finding.share, 4), None, None, None,
                    0.0, 0.0, 0.0, 0.0, "silent", (),
                )
            )  # fmt: skip
            continue
        rest = count(case.counted, without=name)
        moved = float(np.hypot(*(rest.mean - case.estimate.mean)))
        if case.character.monochrome:
            shift = 0.0
        else:
            shift = probability - _probability(case, rest, support, settings)
        mean, covariance = readings[name]
        out.append(
            Evidence(
                kind=name,
                label=kind.label,
                share=round(finding.share, 4),
                reads=_rounded(finding.reads),
                expected=_rounded(finding.expected),
                explains=(round(float(mean[0]), 2), round(float(mean[1]), 2)),
                spread=round(float(np.sqrt(np.trace(covariance) / 2)), 2),
                weight=round(heard[name] / total, 4),
                drove=round(moved, 3),
                drove_probability=round(shift, 4),
                stance=_stance(case.votes[name], case.estimate, verdict),
                where=finding.where,
            )
        )
    return tuple(out)


def _speaks(finding: Finding, vote: Vote) -> bool:
    """Was anything found, and does it prefer any cast to another?"""
    if vote.kind in CLASSES and finding.reads is None:
        return False
    return float(np.ptp(vote.log_likelihood)) > 0.5


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
    if abs(for_it) < 1:
        return "silent"
    return "for" if for_it > 0 else "against"


def _object_evidence(case: Case, coloured: Coloured, verdict: Verdict) -> Evidence:
    at_60 = requote(
        np.array([coloured.reads.a, coloured.reads.b]), 60.0, coloured.reads.lightness
    )
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
        where=tuple(place(case.scene, int(r)) for r in order[:6]),
    )


def _rounded(reading: Reading | None) -> Reading | None:
    return None if reading is None else Reading(*(round(v, 2) for v in reading))


def _spots(case: Case, coloured: Coloured | None) -> tuple[Spot, ...]:
    """Where a careful person would put the reading: neutrals from light to dark, then the rest."""
    regions = case.scene.regions
    if not len(regions):
        return ()
    neutral = case.members[:, columns("neutrals")].sum(axis=1)
    chosen: list[tuple[int, str, str]] = []
    for name, (low, high, _) in reversed(TONE_RANGES.items()):
        within = (regions.lab[:, 0] >= low) & (regions.lab[:, 0] < high)
        score = neutral * np.sqrt(regions.area) * within
        if score.max() > 0.4 * np.sqrt(0.002):
            region = int(score.argmax())
            kind = KINDS[int(case.members[region, :5].argmax())]
            chosen.append((region, f"probable neutral ({kind})", f"should be near neutral in the {name}"))
    for name, why in (
        ("sky", "should be blue, on the green side of magenta"),
        ("vegetation", "a* should be negative, b* positive and larger"),
        ("skin", "a* and b* should be positive, b* at least about a*"),
    ):
        score = case.members[:, columns(name)].sum(axis=1) * np.sqrt(regions.area)
        if score.max() > 0.5 * np.sqrt(0.004):
            chosen.append((int(score.argmax()), name, why))
    if coloured is not None:
        region = int(coloured.regions[np.argmax(regions.area[coloured.regions])])
        chosen.append((region, "strongly coloured", "is this the thing's own colour, or the light's?"))
    return tuple(_spot(case, *choice) for choice in chosen)


def _spot(case: Case, region: int, what: str, why: str) -> Spot:
    """A point that surely lies in the region: the pixel of it nearest to its middle."""
    labels = case.scene.regions.labels
    y, x = np.nonzero(labels == region)
    middle = int(np.argmin((y - y.mean()) ** 2 + (x - x.mean()) ** 2))
    frame: Place = case.scene.picture.frame
    lab = case.scene.regions.lab[region]
    return Spot(
        x=round(frame.x + (float(x[middle]) + 0.5) / labels.shape[1] * frame.width, 4),
        y=round(frame.y + (float(y[middle]) + 0.5) / labels.shape[0] * frame.height, 4),
        reads=Reading(*(round(float(v), 2) for v in lab)),
        what=what,
        why=why,
    )
