"""Which remarks a case earns: one rule for each.

Thresholds are common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from autocast.case import Case, gap, tone_parts
from autocast.castgrid import grid
from autocast.evidence.scene import KINDS
from autocast.evidence.votes import columns
from autocast.judgement import EVIDENT_FROM, REMARKS, SLIGHT_FROM

AREA_SHARE = 0.06
"""Share of probable neutrals from which half a frame's own cast counts."""
TONES_APART = 10.0
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
DOMINANT_SHARE = 0.4
"""Share of the frame from which one colour dominates."""
WARM_HUES = (45.0, 100.0)
"""Hue angles, in degrees, of warmth that low sun or lamps lend a scene."""
CLIPPED_SHARE = 0.25
"""Share of clipped pixels worth a remark."""


def remarks(case: Case) -> tuple[str, ...]:
    """Codes of :data:`autocast.judgement.REMARKS`, in the order of that list."""
    found = set(case.scene.picture.remarks)
    if case.character.monochrome:
        # Without colour there is nothing for the other rules to speak of.
        found |= {"monochrome"} | ({"clipped"} if RULES["clipped"](case) else set())
    else:
        found |= {code for code, holds in RULES.items() if holds(case)}
    return tuple(code for code in REMARKS if code in found)


def _nothing_known(case: Case) -> bool:
    known = case.members[:, : KINDS.index("else")].sum(axis=1) * case.scene.regions.area
    return float(known.sum()) < KNOWN_SHARE or case.estimate.information < INFORMATIVE


def _split(case: Case) -> bool:
    """Do two casts explain the picture about equally well?"""
    modes = case.estimate.modes
    if len(modes) < 2 or modes[1][2] < SECOND_MODE:
        return False
    first, second = (np.array(mode[:2]) for mode in modes[:2])
    return float(np.hypot(*(first - second))) > EVIDENT_FROM


def _dominant(case: Case) -> bool:
    return case.coloured is not None and case.coloured.share >= DOMINANT_SHARE


def _vouched(case: Case) -> bool:
    return case.support.agreeing >= 2


def _tones_disagree(case: Case) -> bool:
    distance, deviations = gap([part for _, part in tone_parts(case.estimate)])
    return distance > TONES_APART and deviations > CERTAIN_APART


def _mixed(case: Case) -> bool:
    """Do neutrals in two opposite halves of the frame read different light?"""
    regions = case.scene.regions
    neutral = case.members[:, columns("neutrals")].sum(axis=1) * regions.area
    left, top = regions.across < 0.5, regions.height < 0.5
    halves = {"left": left, "right": ~left, "top": top, "bottom": ~top}
    heard = {name for name, half in halves.items() if neutral[half].sum() >= AREA_SHARE}
    for pair in (("left", "right"), ("top", "bottom")):
        if heard.issuperset(pair):
            distance, deviations = gap([case.estimate.parts[name] for name in pair])
            if distance > AREAS_APART and deviations > CERTAIN_APART:
                return True
    return False


def _warm(case: Case) -> bool:
    a, b = (float(v) for v in case.estimate.mean)
    hue = float(np.degrees(np.arctan2(b, a)))
    return bool(np.hypot(a, b) >= SLIGHT_FROM and WARM_HUES[0] <= hue <= WARM_HUES[1])


RULES: Mapping[str, Callable[[Case], bool]] = {
    "conflict": lambda c: c.conflict > c.scene.weights["confidence"]["conflict_from"],
    "split": _split,
    "no_known_colour": _nothing_known,
    "few_neutrals": lambda c: _dominant(c) and not _vouched(c),
    "dominant_colour": _dominant,
    "coloured_object": lambda c: c.coloured is not None and _vouched(c),
    "mixed_light": _mixed,
    "tones_disagree": _tones_disagree,
    "off_grid": lambda c: float(c.estimate.posterior[grid().edge].sum()) > EDGE_SHARE,
    "believable_warmth": _warm,
    "toned": lambda c: c.character.toned,
    "not_photograph": lambda c: c.character.graphic,
    "clipped": lambda c: c.character.clipped > CLIPPED_SHARE,
    "dark": lambda c: c.character.dark,
}
"""Every remark that the evidence can earn; the picture room makes the others."""
