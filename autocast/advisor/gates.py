"""Which remarks an analysis earns, one rule for each, and which verdicts they leave.

The limits lie in :mod:`autocast.judgement.limits`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping

import numpy as np

from autocast.colour import at_60, requote
from autocast.colour.grid import grid
from autocast.judgement import REMARKS, TONE_RANGES
from autocast.judgement.limits import (
    AREA_SHARE,
    AREAS_APART,
    CERTAIN_APART,
    CLIPPED_SHARE,
    COLUMNS_APART,
    CONCENTRATED_FROM,
    CONCENTRATED_SPREAD,
    CONFLICT_FROM,
    DOMINANT_SHARE,
    DOUBTED_FROM,
    EDGE_SHARE,
    EVIDENT_FROM,
    FEWEST_AGREEING,
    INFORMATIVE,
    KNOWN_SHARE,
    LEAST_COUNTED,
    READABLE_SHARE,
    ROWS_APART,
    SECOND_MODE,
    SEEN_FROM,
    SLIGHT_FROM,
    TONES_APART,
    VOUCHING_WITHIN,
    WARM_HUES,
    WARMEST,
)
from autocast.judgement.things import ELSE, HINTED, KINDS, NEUTRALS
from autocast.voting.analysis import Analysis, gap, neutral_share, tone_parts
from autocast.voting.posterior import COLUMNS, ROWS, Estimate, area_masks

COMPARED = (
    ("top_left", "top_right"),
    ("bottom_left", "bottom_right"),
    *itertools.combinations(COLUMNS, 2),
)
"""Areas whose light is compared, at one height: sky and ground differ in any landscape."""
STRIPS = ((COLUMNS, *COLUMNS_APART), (ROWS, *ROWS_APART))
"""Columns and rows of the frame, and how far apart two of them must lie for a remark."""
ANSWERED = frozenset({"conflict", "split", "no_known_colour", "few_neutrals"})
"""Remarks that ask what a person answers by naming a neutral."""


def remarks(analysis: Analysis, *, tones_apart: bool, parts_apart: bool) -> tuple[str, ...]:
    """Codes of the remarks that a picture earns.

    Parameters
    ----------
    analysis : Analysis
        With hints or without.
    tones_apart : bool
        Do the trees find the casts of two tone ranges apart, whatever the count says?
    parts_apart : bool
        Do they find a cast on a part of the frame, whatever the count says?

    Returns
    -------
    tuple of str
        Keys of :data:`autocast.judgement.REMARKS`, in its order.
    """
    found = set(analysis.scene.picture.remarks)
    if analysis.character.monochrome:
        # Without colour there is nothing for the other rules to speak of.
        found |= {"monochrome"}
        found |= {code for code in ("clipped", "dark") if RULES[code](analysis)}
        found |= {"no_known_colour"} if _nothing_readable(analysis) else set()
    else:
        found |= {code for code, holds in RULES.items() if holds(analysis)}
        found |= {"tones_disagree"} if tones_apart else set()
        found |= {"parts_disagree"} if parts_apart else set()
        found -= ANSWERED if _answered(analysis) else set()
    return tuple(code for code in REMARKS if code in found)


def _answered(analysis: Analysis) -> bool:
    """Has a hint named a neutral, and does the rest of the picture allow it?"""
    hinted = analysis.hinted
    return (
        hinted is not None
        and not hinted.doubted
        and any(HINTED[vote.hint.what].name == NEUTRALS for vote in hinted.votes)
    )


def _nothing_readable(analysis: Analysis) -> bool:
    return float(analysis.scene.regions.area.sum()) < READABLE_SHARE


def _nothing_known(analysis: Analysis) -> bool:
    if _nothing_readable(analysis):
        return True
    known = analysis.members[:, : KINDS.index(ELSE)].sum(axis=1) * analysis.scene.regions.area
    return float(known.sum()) < KNOWN_SHARE or analysis.estimate.information < INFORMATIVE


def _split(analysis: Analysis) -> bool:
    """Do two casts explain the picture about equally well?"""
    modes = analysis.estimate.modes
    if len(modes) < 2 or modes[1][2] < SECOND_MODE:
        return False
    first, second = (np.array(mode[:2]) for mode in modes[:2])
    return float(np.hypot(*(first - second))) > EVIDENT_FROM


def _dominant(analysis: Analysis) -> bool:
    """Does one strong colour fill most of the picture, as it came?

    Concentrated in the a*b* plane as in Gasparini & Schettini, Pattern
    Recognition 37 (2004): the mean lies far from neutral and the spread is
    small beside it. Their thresholds (from memory, not verified) are D > 10,
    D / sigma > 0.6; here the spread must be small in itself as well, since a
    strong cast over many things leaves them apart.
    """
    if analysis.coloured is not None and analysis.coloured.share >= DOMINANT_SHARE:
        return True
    regions = analysis.scene.regions
    area = regions.area / max(float(regions.area.sum()), 1e-9)
    colours = at_60(regions.lab)
    mean = area @ colours
    spread = float(np.sqrt(area @ ((colours - mean) ** 2).sum(axis=1)))
    return float(np.hypot(*mean)) - spread > CONCENTRATED_FROM and spread < CONCENTRATED_SPREAD


def _vouched(analysis: Analysis) -> bool:
    """Do neutrals agree in two tone ranges at least, and read near neutral themselves?

    Neutrals that were only found by taking a strong colour for a cast vouch for nothing.
    """
    near = all(float(np.hypot(*cast)) < VOUCHING_WITHIN for cast in analysis.support.casts.values())
    return analysis.support.agreeing >= FEWEST_AGREEING and near


def _tones_disagree(analysis: Analysis) -> bool:
    distance, deviations = gap([part for _, part in tone_parts(analysis.estimate)])
    return distance > TONES_APART and deviations > CERTAIN_APART


def _mixed(analysis: Analysis) -> bool:
    """Do two areas of the frame read different light?

    Their neutrals are looked for under each one's own light: under one cast
    for both, one of them would show none.
    """
    masks = area_masks(analysis.scene.regions)
    for pair in COMPARED:
        parts = [analysis.estimate.parts[name] for name in pair]
        distance, deviations = gap(parts)
        if (
            distance > AREAS_APART
            and deviations > CERTAIN_APART
            and all(
                neutral_share(analysis, part.mean, masks[name]) >= AREA_SHARE
                for part, name in zip(parts, pair, strict=True)
            )
        ):
            return True
    return False


def _parts_disagree(analysis: Analysis) -> bool:
    """Do columns, or rows, of the frame read casts that are surely not one?"""
    for names, distance, deviations in STRIPS:
        parts = [analysis.estimate.parts[name] for name in names]
        counted = [part for part in parts if part.share >= LEAST_COUNTED]
        for pair in itertools.combinations(counted, 2):
            apart, surely = gap(pair)
            if apart >= distance and surely >= deviations:
                return True
    return False


def _warm(analysis: Analysis) -> bool:
    a, b = (float(v) for v in analysis.estimate.mean)
    hue = float(np.degrees(np.arctan2(b, a)))
    within = WARM_HUES[0] <= hue <= WARM_HUES[1]
    return bool(within and SLIGHT_FROM <= np.hypot(a, b) <= WARMEST)


RULES: Mapping[str, Callable[[Analysis], bool]] = {
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


PLAIN_CAST, UNSEEN_CAST = "plain cast counted", "no cast counted"
"""Rules that no remark names: the count sees a plain cast, or none at all."""


def kept_from(analysis: Analysis, earned: Collection[str]) -> dict[str, tuple[str, ...]]:
    """Which verdicts a picture is kept from, whatever its probability, and by which rule.

    Remarks keep it from what their rows say. The cast that is counted must not be a
    plain one in what is called clear, and a cast that the count cannot see is never
    called one.

    Parameters
    ----------
    analysis : Analysis
        With hints or without.
    earned : collection of str
        The remarks that it earns.

    Returns
    -------
    dict
        By the remark's key, or the rule's name, the verdicts (``clear``, ``cast``).
    """
    rules = {code: REMARKS[code].keeps_from for code in earned if REMARKS[code].keeps_from}
    if analysis.character.monochrome:
        return rules
    if float(np.hypot(*analysis.estimate.mean)) >= DOUBTED_FROM:
        rules[PLAIN_CAST] = ("clear",)
    if _largest(analysis.estimate) < SEEN_FROM:
        rules[UNSEEN_CAST] = ("cast",)
    return rules


def eligibility(analysis: Analysis, earned: Collection[str]) -> tuple[bool, bool]:
    """May a picture be called ``clear``, and may it be called ``cast``, by its probability?

    Parameters
    ----------
    analysis : Analysis
        With hints or without.
    earned : collection of str
        The remarks that it earns.

    Returns
    -------
    tuple of (bool, bool)
        For ``clear`` and for ``cast``: no rule of :func:`kept_from` keeps it from that.
    """
    kept = {verdict for rule in kept_from(analysis, earned).values() for verdict in rule}
    return "clear" not in kept, "cast" not in kept


def _largest(estimate: Estimate) -> float:
    """The largest C* of the whole (at L* 60) and of the tone ranges that count (at their own)."""
    tones = [
        np.hypot(*requote(part.mean, TONE_RANGES[name][2])) for name, part in tone_parts(estimate)
    ]
    return float(max([np.hypot(*estimate.mean), *tones]))
