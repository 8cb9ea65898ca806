"""One picture's analysis: what the votes say, and the plain facts that follow from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import at_60, requote
from autocast.colour.grid import grid
from autocast.evidence import Vote, columns
from autocast.judgement import TONE_RANGES, Reading
from autocast.judgement.limits import (
    COLOURED_FROM,
    HUE_WITHIN,
    NEUTRAL_FROM,
    NEUTRAL_SHARE,
    NEUTRALS_AGREE,
    OBJECT_SHARE,
    TONE_SHARE,
    UNEXPLAINED_FROM,
)
from autocast.judgement.things import ELSE, KINDS, NEUTRALS
from autocast.segmentation.character import Character
from autocast.segmentation.likelihoods import Scene, memberships
from autocast.segmentation.regions import Regions, tone_masks
from autocast.voting.hints import HintVote
from autocast.voting.posterior import (
    Estimate,
    LogLikelihoods,
    Part,
    conflict,
    count,
    log_likelihoods,
    members,
    votes,
)

Floats = NDArray[np.floating[Any]]


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
class Analysis:
    """Everything the advisor weighs."""

    scene: Scene
    character: Character
    log_likelihoods: LogLikelihoods
    estimate: Estimate
    members: NDArray[np.float32]
    votes: Mapping[str, Vote]
    support: Support
    coloured: Coloured | None
    conflict: float
    hinted: Hinted | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Hinted:
    """What a person said: the hints, whether one is doubted, and the analysis without them."""

    votes: tuple[HintVote, ...]
    doubted: bool
    before: Analysis


def analyse(scene: Scene, character: Character) -> Analysis:
    """Ask the evidence, count the votes, and note the facts that follow."""
    likelihoods = log_likelihoods(scene)
    return analyse_under(scene, character, likelihoods, count(likelihoods))


def analyse_under(
    scene: Scene, character: Character, likelihoods: LogLikelihoods, estimate: Estimate
) -> Analysis:
    """The facts that follow from an estimate."""
    held = members(scene, estimate)
    heard = votes(scene, held, likelihoods)
    return Analysis(
        scene=scene,
        character=character,
        log_likelihoods=likelihoods,
        estimate=estimate,
        members=held,
        votes=heard,
        support=support(scene.regions, held),
        coloured=coloured(scene.regions, held, estimate),
        conflict=conflict(heard),
    )


def tone_parts(estimate: Estimate) -> list[tuple[str, Part]]:
    """The tone ranges that fill enough of the picture to count."""
    return [
        (name, estimate.parts[name])
        for name in TONE_RANGES
        if estimate.parts[name].share >= TONE_SHARE
    ]


def gap(parts: Sequence[Part]) -> tuple[float, float]:
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


def support(regions: Regions, held: NDArray[np.float32]) -> Support:
    """What the probable neutrals of each tone range read, given memberships R x 9."""
    neutral = held[:, columns(NEUTRALS)].sum(axis=1)
    colours = at_60(regions.lab)
    shares, casts = {}, {}
    for name, tone in tone_masks(regions.lab[:, 0]).items():
        within = (neutral >= NEUTRAL_FROM) & tone
        share = float(regions.area[within].sum())
        shares[name] = share
        if share >= NEUTRAL_SHARE:
            casts[name] = regions.area[within] @ colours[within] / share
    return Support(shares, casts)


def neutral_share(analysis: Analysis, cast: Floats, part: NDArray[np.bool_]) -> float:
    """Share of the frame in ``part`` (R) that would be probable neutrals under ``cast``."""
    nearest = np.array([np.argmin(((grid().casts - cast) ** 2).sum(axis=1))])
    held = memberships(analysis.scene, nearest, np.ones(1))[:, columns(NEUTRALS)].sum(axis=1)
    return float((held * analysis.scene.regions.area)[part].sum())


def coloured(regions: Regions, held: NDArray[np.float32], estimate: Estimate) -> Coloured | None:
    """The largest share of strongly coloured regions of one hue that no class explains."""
    lightness = regions.lab[:, 0]
    off = regions.lab[:, 1:] - requote(estimate.mean, lightness[:, None])
    strong = (np.hypot(off[:, 0], off[:, 1]) > COLOURED_FROM) & (
        held[:, KINDS.index(ELSE)] > UNEXPLAINED_FROM
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
