"""What each kind of evidence says about the cast: one file for each, named as its row.

Here lies what all kinds share: what a kind hands on, and how a class of known
colour votes. :func:`kinds` finds the kinds by the table of things
(:mod:`autocast.judgement.things`); a model file that does not know one gives it
no weight.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from autocast.colour.grid import mean_and_covariance, posterior
from autocast.judgement import Place, Reading
from autocast.judgement.things import BY_NAME, CLASSES, KINDS
from autocast.segmentation.likelihoods import Scene

Floats = NDArray[np.floating]


@dataclass(frozen=True, slots=True, eq=False)
class Vote:
    """One kind's log-likelihood (N,) over the grid of casts, up to a constant.

    Flat where the kind found nothing to speak of.
    """

    kind: str
    log_likelihood: Floats

    @property
    def reading(self) -> tuple[Floats, Floats]:
        """Mean cast (2,) and covariance (2, 2) of the vote by itself."""
        return mean_and_covariance(posterior(self.log_likelihood))


@dataclass(frozen=True, slots=True)
class Finding:
    """Where a kind was found under the estimated cast, what it reads and should read."""

    share: float
    reads: Reading | None
    expected: Reading | None
    where: tuple[Place, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Outright:
    """What a picture-wide kind says: (1 + P) x N log-likelihoods, and its single estimates."""

    likelihoods: Floats
    single: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class KindOfEvidence:
    """A kind: its name, its words, how it votes and how it tells what it found.

    A class of known colour votes by ``testify``, given memberships R x 9 under
    the estimated casts. A picture-wide kind votes ``outright``, before anything
    is known of them, for the whole and for P x R parts. Each kind has one of the two.
    """

    kind: str
    label: str
    find: Callable[[Scene, NDArray[np.float32]], Finding]
    testify: Callable[[Scene, NDArray[np.float32]], Vote] | None = None
    outright: Callable[[Scene, NDArray[np.bool_]], Outright] | None = None


MOST_PLACES = 6
"""Places named for one kind of evidence (project convention)."""
FAINTEST_MEMBER = 0.02
"""Membership below which a region has no say in a class (project convention)."""
MEMBER_FROM = 0.4
"""Membership from which a region is named as a place of a class (project convention)."""


def class_vote(scene: Scene, kind: str, members: NDArray[np.float32]) -> Vote:
    """The vote of one class: how well its own regions fit it under each cast.

    This is the class's share of the expected log-likelihood (the Q function of
    Dempster, Laird & Rubin, J. R. Stat. Soc. B 39, 1977).
    """
    belongs = members[:, columns(kind)].sum(axis=1)
    some = belongs > FAINTEST_MEMBER
    likelihood = np.maximum(scene.explained[kind][some], np.finfo(np.float32).tiny)
    weight = (scene.weight * belongs)[some]
    return Vote(kind, (weight.astype(np.float32) @ np.log(likelihood)).astype(np.float64))


def columns(kind: str) -> list[int]:
    """Where the kinds of thing that make up a class stand in :data:`KINDS`."""
    return [KINDS.index(k) for k in CLASSES[kind]]


def class_finding(scene: Scene, kind: str, members: NDArray[np.float32]) -> Finding:
    """Share, mean reading and places of a class, given memberships R x 9."""
    belongs = members[:, columns(kind)].sum(axis=1).astype(np.float64)
    regions = scene.regions
    area = belongs * regions.area
    share = float(area.sum())
    certain = belongs >= MEMBER_FROM
    if not certain.any():
        return Finding(share, None, None, ())
    lab = (area[certain] @ regions.lab[certain]) / area[certain].sum()
    order = [int(r) for r in np.argsort(-area) if certain[r]][:MOST_PLACES]
    reads = Reading(*(float(v) for v in lab))
    target = BY_NAME[kind].target
    expected = None if target is None else target.at(reads.lightness)
    return Finding(share, reads, expected, tuple(place(scene, r) for r in order))


def class_evidence(kind: str) -> KindOfEvidence:
    """The evidence of one class of known colour, as its row in the table of things tells it."""
    return KindOfEvidence(
        kind=kind,
        label=BY_NAME[kind].plural,
        testify=lambda scene, members: class_vote(scene, kind, members),
        find=lambda scene, members: class_finding(scene, kind, members),
    )


def place(scene: Scene, region: int) -> Place:
    """The box of a region on the whole upright picture."""
    frame = scene.picture.frame
    x, y, width, height = (float(v) for v in scene.regions.box[region])
    return Place(
        frame.x + x * frame.width,
        frame.y + y * frame.height,
        width * frame.width,
        height * frame.height,
    )


@cache
def kinds() -> tuple[KindOfEvidence, ...]:
    """Every kind, in the order of the table of things: ``EVIDENCE`` of the file of each name."""
    return tuple(importlib.import_module(f"{__name__}.{name}").EVIDENCE for name in BY_NAME)
