"""Which remarks a case earns: one rule for each.

Thresholds are common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping

import numpy as np

from autocast.colour.grid import grid
from autocast.judgement import EVIDENT_FROM, REMARKS, SLIGHT_FROM
from autocast.judgement.things import KINDS
from autocast.voting.analysis import Case, gap, neutral_share, tone_parts
from autocast.voting.posterior import COLUMNS, ROWS, area_masks

AREA_SHARE = 0.06
"""Share of probable neutrals from which half a frame's own cast counts."""
TONES_APART = 8.0
"""Distance of two tone ranges' casts (a*b* at L* 60) worth a remark."""
AREAS_APART = 11.0
"""Distance of two halves' casts (a*b* at L* 60) that means mixed light."""
LEAST_HEARD = 0.02
"""Share of the frame below which a part's cast is not heard."""
CERTAIN_APART = 2.0
"""... and the same in standard deviations of the difference."""
CONFLICT_FROM = 4.0
"""Distance of two votes, in standard deviations, that is a conflict."""
SECOND_MODE = 0.3
"""Share of the posterior from which a second cast is as good as the first."""
KNOWN_SHARE = 0.1
"""Share of the frame below which things of known colour count as not found."""
VOUCHING_WITHIN = 8.0
"""C* at L* 60 up to which agreeing neutrals vouch that an object owns its colour."""
READABLE_SHARE = 0.02
"""Share of the frame, neither clipped nor buried, below which nothing can be read."""
INFORMATIVE = 1.0
"""Narrowing of the prior, in nats, below which nothing was learned."""
EDGE_SHARE = 0.1
"""Posterior on the grid's rim from which the cast may lie beyond it."""
CONCENTRATED_FROM = 10.0
"""Distance of the mean from neutral, less the spread, from which a colour is concentrated."""
CONCENTRATED_SPREAD = 6.0
"""Spread up to which it is: one thing and its shading."""
DOMINANT_SHARE = 0.4
"""Share of the frame from which one colour dominates."""
COMPARED = (
    ("top_left", "top_right"),
    ("bottom_left", "bottom_right"),
    *itertools.combinations(COLUMNS, 2),
)
"""Areas whose light is compared, at one height: sky and ground differ in any landscape."""
PARTS_APART = ((COLUMNS, 10.0, 2.2), (ROWS, 13.0, 6.5))
"""Columns and rows of the frame whose casts (a*b* at L* 60) are worth a remark when this far
apart, and by this many standard deviations of the difference.

Sky and ground differ in any landscape, so that rows must differ more surely."""
WARM_HUES = (45.0, 100.0)
"""Hue angles, in degrees, of warmth that low sun or lamps lend a scene."""
WARMEST = 12.0
"""C* at L* 60 up to which warmth is believed of a scene without asking further."""
ANSWERED = frozenset({"conflict", "split", "no_known_colour", "few_neutrals"})
"""Remarks that ask what a person answers by naming a neutral."""
CLIPPED_SHARE = 0.25
"""Share of clipped pixels worth a remark."""


def remarks(case: Case, *, tones_apart: bool, parts_apart: bool) -> tuple[str, ...]:
    """Codes of :data:`autocast.judgement.REMARKS`, in the order of that list.

    ``tones_apart`` says whether the trees find the casts of two tone ranges apart,
    and ``parts_apart`` a cast on a part of the frame, whatever the count says.
    """
    found = set(case.scene.picture.remarks)
    if case.character.monochrome:
        # Without colour there is nothing for the other rules to speak of.
        found |= {"monochrome"}
        found |= {code for code in ("clipped", "dark") if RULES[code](case)}
        found |= {"no_known_colour"} if _nothing_readable(case) else set()
    else:
        found |= {code for code, holds in RULES.items() if holds(case)}
        found |= {"tones_disagree"} if tones_apart else set()
        found |= {"parts_disagree"} if parts_apart else set()
        found -= ANSWERED if _answered(case) else set()
    return tuple(code for code in REMARKS if code in found)


def _answered(case: Case) -> bool:
    """Has a person named a neutral, and does the rest of the picture allow it?"""
    hinted = case.hinted
    return (
        hinted is not None
        and not hinted.doubted
        and any(witness.hint.what == "neutral" for witness in hinted.witnesses)
    )


def _nothing_readable(case: Case) -> bool:
    return float(case.scene.regions.area.sum()) < READABLE_SHARE


def _nothing_known(case: Case) -> bool:
    if _nothing_readable(case):
        return True
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
    """Does one strong colour fill most of the picture, as it came?

    Concentrated in the a*b* plane as in Gasparini & Schettini, Pattern
    Recognition 37 (2004): the mean lies far from neutral and the spread is
    small beside it. Their thresholds (from memory, not verified) are D > 10,
    D / sigma > 0.6; here the spread must be small in itself as well, since a
    strong cast over many things leaves them apart.
    """
    if case.coloured is not None and case.coloured.share >= DOMINANT_SHARE:
        return True
    regions = case.scene.regions
    area = regions.area / max(float(regions.area.sum()), 1e-9)
    at_60 = regions.lab[:, 1:] * (76.0 / (regions.lab[:, :1] + 16))
    mean = area @ at_60
    spread = float(np.sqrt(area @ ((at_60 - mean) ** 2).sum(axis=1)))
    return float(np.hypot(*mean)) - spread > CONCENTRATED_FROM and spread < CONCENTRATED_SPREAD


def _vouched(case: Case) -> bool:
    """Do neutrals agree in two tone ranges at least, and read near neutral themselves?

    Neutrals that were only found by taking a strong colour for a cast vouch for nothing.
    """
    near = all(float(np.hypot(*cast)) < VOUCHING_WITHIN for cast in case.support.casts.values())
    return case.support.agreeing >= 2 and near


def _tones_disagree(case: Case) -> bool:
    distance, deviations = gap([part for _, part in tone_parts(case.estimate)])
    return distance > TONES_APART and deviations > CERTAIN_APART


def _mixed(case: Case) -> bool:
    """Do two areas of the frame read different light?

    Their neutrals are looked for under each one's own light: under one cast
    for both, one of them would show none.
    """
    masks = area_masks(case.scene.regions)
    for pair in COMPARED:
        parts = [case.estimate.parts[name] for name in pair]
        distance, deviations = gap(parts)
        if (
            distance > AREAS_APART
            and deviations > CERTAIN_APART
            and all(
                neutral_share(case, part.mean, masks[name]) >= AREA_SHARE
                for part, name in zip(parts, pair, strict=True)
            )
        ):
            return True
    return False


def _parts_disagree(case: Case) -> bool:
    """Do columns, or rows, of the frame read casts that are surely not one?"""
    for names, distance, deviations in PARTS_APART:
        parts = [case.estimate.parts[name] for name in names]
        heard = [part for part in parts if part.share >= LEAST_HEARD]
        for pair in itertools.combinations(heard, 2):
            apart, surely = gap(pair)
            if apart >= distance and surely >= deviations:
                return True
    return False


def _warm(case: Case) -> bool:
    a, b = (float(v) for v in case.estimate.mean)
    hue = float(np.degrees(np.arctan2(b, a)))
    within = WARM_HUES[0] <= hue <= WARM_HUES[1]
    return bool(within and SLIGHT_FROM <= np.hypot(a, b) <= WARMEST)


RULES: Mapping[str, Callable[[Case], bool]] = {
    "conflict": lambda c: c.conflict > CONFLICT_FROM,
    "split": _split,
    "no_known_colour": _nothing_known,
    "few_neutrals": lambda c: _dominant(c) and not _vouched(c),
    "dominant_colour": _dominant,
    "coloured_object": lambda c: c.coloured is not None and _vouched(c),
    "mixed_light": _mixed,
    "parts_disagree": _parts_disagree,
    "tones_disagree": _tones_disagree,
    "hint_doubted": lambda c: c.hinted is not None and c.hinted.doubted,
    "off_grid": lambda c: float(c.estimate.posterior[grid().edge].sum()) > EDGE_SHARE,
    "believable_warmth": _warm,
    "toned": lambda c: c.character.toned,
    "not_photograph": lambda c: c.character.graphic,
    "clipped": lambda c: c.character.clipped > CLIPPED_SHARE,
    "dark": lambda c: c.character.dark,
}
"""Every remark that the evidence can earn; the picture room makes the others."""
