"""Which remarks an analysis earns, one rule for each, and which verdicts they leave.

The limits lie in :mod:`autocast.judgement.limits`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import at_60
from autocast.colour.grid import grid
from autocast.judgement import REMARKS
from autocast.judgement.limits import (
    AREA_SHARE,
    AREAS_APART,
    CERTAIN_APART,
    CLIPPED_SHARE,
    CONCENTRATED_FROM,
    CONCENTRATED_SPREAD,
    CONFLICT_FROM,
    DOMINANT_SHARE,
    EDGE_SHARE,
    EVIDENT_FROM,
    FEWEST_AGREEING,
    INFORMATIVE,
    KNOWN_SHARE,
    LARGEST_TOLD,
    PLAIN_FROM,
    READABLE_SHARE,
    SECOND_MODE,
    SLIGHT_FROM,
    TONES_APART,
    VOUCHING_WITHIN,
    WARM_HUES,
    WARMEST,
)
from autocast.judgement.things import ELSE, HINTED, KINDS, NEUTRALS
from autocast.voting.analysis import Analysis, gap, neutral_share
from autocast.voting.fitted import tones_apart
from autocast.voting.posterior import COLUMNS, area_masks

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

COMPARED = (
    ("top_left", "top_right"),
    ("bottom_left", "bottom_right"),
    *itertools.combinations(COLUMNS, 2),
)
"""Areas whose light is compared, at one height: sky and ground differ in any landscape."""
ANSWERED = frozenset({"conflict", "split", "no_known_colour", "few_neutrals"})
"""Remarks that ask what a person answers by naming a neutral."""


def remarks(analysis: Analysis) -> frozenset[str]:
    """Codes of the remarks that a picture earns, whatever is estimated of it.

    Parameters
    ----------
    analysis : Analysis
        With hints or without.

    Returns
    -------
    frozenset of str
        Keys of :data:`autocast.judgement.REMARKS`.
    """
    found = set(analysis.scene.picture.remarks)
    if analysis.character.monochrome:
        # Without colour there is nothing for the other rules to speak of.
        found |= {"monochrome"}
        found |= {code for code in ("clipped", "dark") if RULES[code](analysis)}
        found |= {"no_known_colour"} if _nothing_readable(analysis) else set()
    else:
        found |= {code for code, holds in RULES.items() if holds(analysis)}
        found -= ANSWERED if _answered(analysis) else set()
    return frozenset(found)


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
    return float(known.sum()) < KNOWN_SHARE or analysis.count.information < INFORMATIVE


def _split(analysis: Analysis) -> bool:
    """Do two casts explain the picture about equally well?"""
    modes = analysis.count.modes
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


def _mixed(analysis: Analysis) -> bool:
    """Do two areas of the frame read different light?

    Their neutrals are looked for under each one's own light: under one cast
    for both, one of them would show none.
    """
    masks = area_masks(analysis.scene.regions)
    for pair in COMPARED:
        parts = [analysis.count.parts[name] for name in pair]
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


def _warm(casts: Floats) -> Bools:
    """Which casts (n, 2) are of a warmth that low sun or lamps lend a scene."""
    hue = np.degrees(np.arctan2(casts[:, 1], casts[:, 0]))
    size = np.hypot(casts[:, 0], casts[:, 1])
    within = (hue >= WARM_HUES[0]) & (hue <= WARM_HUES[1])
    return np.asarray(within & (size >= SLIGHT_FROM) & (size <= WARMEST))


RULES: Mapping[str, Callable[[Analysis], bool]] = {
    "conflict": lambda c: c.conflict > CONFLICT_FROM,
    "split": _split,
    "no_known_colour": _nothing_known,
    "few_neutrals": lambda c: _dominant(c) and not _vouched(c),
    "dominant_colour": _dominant,
    "coloured_object": lambda c: c.coloured is not None and _vouched(c),
    "mixed_light": _mixed,
    "hint_doubted": lambda c: c.hinted is not None and c.hinted.doubted,
    "off_grid": lambda c: float(c.count.posterior[grid().edge].sum()) > EDGE_SHARE,
    "toned": lambda c: c.character.toned,
    "not_photograph": lambda c: c.character.graphic,
    "clipped": lambda c: c.character.clipped > CLIPPED_SHARE,
    "dark": lambda c: c.character.dark,
}
"""Every remark that the evidence can earn; the picture room makes the others."""


PLAIN_CAST, UNSEEN_CAST = "plain cast", "negligible cast"
"""Rules that no remark names: verdict and estimate must not contradict each other."""


def by_estimate(casts: Floats, uneven: Floats, parts_apart: float) -> dict[str, Bools]:
    """What the estimate itself earns, for n pictures.

    Parameters
    ----------
    casts : (n, 4, 2) ndarray
        Of the whole, shadows, midtones and highlights, a*, b* at L* 60.
    uneven : (n,) ndarray
        Log-odds that a part of the frame has a cast of its own.
    parts_apart : float
        Those from which it counts as having one.

    Returns
    -------
    dict of str to (n,) ndarray of bool
        By remark, or by rule.
    """
    size = np.hypot(casts[..., 0], casts[..., 1])
    return {
        "tones_disagree": tones_apart(casts[:, 1:]) >= TONES_APART,
        "parts_disagree": uneven >= parts_apart,
        "believable_warmth": _warm(casts[:, 0]),
        "off_grid": size[:, 0] > LARGEST_TOLD,
        PLAIN_CAST: size[:, 0] >= PLAIN_FROM,
        UNSEEN_CAST: size.max(axis=1) < SLIGHT_FROM,
    }


def kept_from(earned: Collection[str]) -> dict[str, tuple[str, ...]]:
    """Which verdicts remarks and rules keep a picture from, whatever its probability.

    A plain cast is quoted of nothing that is called clear, and a negligible one of nothing
    that is called a cast.

    Parameters
    ----------
    earned : collection of str
        The remarks and the rules that it earns.

    Returns
    -------
    dict
        By the remark's key, or the rule's name, the verdicts (``clear``, ``cast``).
    """
    rules = {code: REMARKS[code].keeps_from for code in earned if code in REMARKS}
    rules |= {code: RULES_KEEP[code] for code in earned if code in RULES_KEEP}
    return {code: keeps for code, keeps in rules.items() if keeps}


RULES_KEEP: Mapping[str, tuple[str, ...]] = {PLAIN_CAST: ("clear",), UNSEEN_CAST: ("cast",)}
"""What the rules without a remark keep a picture from."""
