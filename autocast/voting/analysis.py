"""One picture's analysis: what the votes say, and the plain facts that follow from them."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import at_60, requote
from autocast.colour.grid import grid
from autocast.evidence import Vote, columns
from autocast.judgement import Reading
from autocast.judgement.limits import (
    COLOURED_FROM,
    HUE_WITHIN,
    NEUTRAL_FROM,
    NEUTRAL_SHARE,
    NEUTRALS_AGREE,
    OBJECT_SHARE,
    UNEXPLAINED_FROM,
)
from autocast.judgement.things import ELSE, KINDS, NEUTRALS
from autocast.segmentation.character import Character
from autocast.segmentation.likelihoods import Scene, memberships
from autocast.segmentation.regions import Regions, tone_masks
from autocast.voting.hints import HintVote
from autocast.voting.posterior import (
    Count,
    LogLikelihoods,
    Part,
    conflict,
    count,
    in_deviations,
    log_likelihoods,
    members,
    votes,
)

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True, eq=False)
class Coloured:
    """The strongly coloured thing of one hue that fills most of the picture.

    ``share`` of the frame, 0..1; ``reads`` is its mean colour; ``regions`` are the
    numbers of its regions.
    """

    share: float
    reads: Reading
    regions: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Support:
    """Probable neutrals by tone range: their share and the cast they read, at L* 60.

    ``shares`` are of the frame, 0..1; ``casts`` (a*, b*) hold only tone ranges with
    enough of them.
    """

    shares: Mapping[str, float]
    casts: Mapping[str, Floats]

    @property
    def agreeing(self) -> int:
        """How many tone ranges hold neutrals that agree with each other.

        Returns
        -------
        int
            0..3; 0 if any two quarrel.
        """
        casts = list(self.casts.values())
        for i, one in enumerate(casts):
            for other in casts[:i]:
                if float(np.hypot(*(one - other))) > NEUTRALS_AGREE:
                    return 0
        return len(casts)


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """Everything the advisor weighs.

    ``members`` R x 9 are the regions' memberships, ``votes`` each kind's own vote,
    ``conflict`` their largest distance in standard deviations; ``hinted`` is None
    without hints.
    """

    scene: Scene
    character: Character
    log_likelihoods: LogLikelihoods
    count: Count
    members: NDArray[np.float32]
    votes: Mapping[str, Vote]
    support: Support
    coloured: Coloured | None
    conflict: float
    hinted: Hinted | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Hinted:
    """What a person knows of spots: the hints' votes.

    ``contradicted``: of each, whether what it says is hardly possible by all else.
    """

    votes: tuple[HintVote, ...]
    contradicted: tuple[bool, ...]

    @property
    def doubted(self) -> bool:
        """Whether any is contradicted.

        Returns
        -------
        bool
            A single one is enough to ask a person.
        """
        return any(self.contradicted)


def analyse(scene: Scene, character: Character) -> Analysis:
    """Ask the evidence, count the votes, and note the facts that follow.

    Parameters
    ----------
    scene : Scene
        R regions and how each class explains them.
    character : Character
        What kind of picture it is.

    Returns
    -------
    Analysis
        Without hints.
    """
    likelihoods = log_likelihoods(scene)
    return analyse_under(scene, character, likelihoods, count(likelihoods))


def analyse_under(
    scene: Scene, character: Character, likelihoods: LogLikelihoods, counted: Count
) -> Analysis:
    """The facts that follow from a count.

    Parameters
    ----------
    scene : Scene
        R regions and how each class explains them.
    character : Character
        What kind of picture it is.
    likelihoods : LogLikelihoods
        Those of the scene.
    counted : Count
        The cast under which regions are taken for things.

    Returns
    -------
    Analysis
        Without hints.
    """
    held = members(scene, counted)
    by_kind = votes(scene, held, likelihoods)
    return Analysis(
        scene=scene,
        character=character,
        log_likelihoods=likelihoods,
        count=counted,
        members=held,
        votes=by_kind,
        support=support(scene.regions, held),
        coloured=coloured(scene.regions, held, counted),
        conflict=conflict(by_kind),
    )


def gap(parts: Sequence[Part]) -> tuple[float, float]:
    """The distance of those two parts whose casts lie farthest apart.

    Parameters
    ----------
    parts : sequence of Part
        Any number of them.

    Returns
    -------
    distance : float
        In a*b* at L* 60; 0 for fewer than two parts.
    deviations : float
        The same in standard deviations of the two casts' difference.
    """
    pairs = list(itertools.combinations(parts, 2))
    if not pairs:
        return 0.0, 0.0
    distances, deviations = gaps(pairs)
    return float(distances.max()), float(deviations.max())


def gaps(pairs: Sequence[tuple[Part, Part]]) -> tuple[Floats, Floats]:
    """The distances of the casts of pairs of parts.

    Parameters
    ----------
    pairs : sequence of (Part, Part)
        n of them, one at least.

    Returns
    -------
    distances : (n,) ndarray
        In a*b* at L* 60.
    deviations : (n,) ndarray
        The same in standard deviations of the two casts' difference.
    """
    means = np.array([part.mean for pair in pairs for part in pair])
    covariances = np.array([part.covariance for pair in pairs for part in pair])
    off = means[::2] - means[1::2]
    deviations = in_deviations(off, covariances[::2] + covariances[1::2])
    return np.hypot(off[:, 0], off[:, 1]), deviations


def support(regions: Regions, held: NDArray[np.float32]) -> Support:
    """What the probable neutrals of each tone range read.

    Parameters
    ----------
    regions : Regions
        R regions.
    held : (R, 9) ndarray of float32
        Their memberships, 0..1.

    Returns
    -------
    Support
        By tone range.
    """
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
    """How much of a part would be probable neutrals under a cast.

    Parameters
    ----------
    analysis : Analysis
        Of the scene with R regions.
    cast : (2,) ndarray
        a*, b* at L* 60; the nearest node of the grid is taken.
    part : (R,) ndarray of bool
        Which regions make up the part.

    Returns
    -------
    float
        Share of the frame, 0..1.
    """
    nearest = np.array([np.argmin(((grid().casts - cast) ** 2).sum(axis=1))])
    scene = analysis.scene
    densities, chromaticity = scene.models.densities, scene.regions.chromaticity
    held = memberships(densities, chromaticity, scene.context, nearest, np.ones(1))
    neutral = held[:, columns(NEUTRALS)].sum(axis=1)
    return float((neutral * scene.regions.area)[part].sum())


def coloured(regions: Regions, held: NDArray[np.float32], counted: Count) -> Coloured | None:
    """The largest share of strongly coloured regions of one hue that no class explains.

    Parameters
    ----------
    regions : Regions
        R regions.
    held : (R, 9) ndarray of float32
        Their memberships, 0..1.
    counted : Count
        Colours are strong beside its cast.

    Returns
    -------
    Coloured or None
        None where it is less than :data:`autocast.judgement.limits.OBJECT_SHARE`.
    """
    lightness = regions.lab[:, 0]
    off = regions.lab[:, 1:] - requote(counted.mean, lightness[:, None])
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
