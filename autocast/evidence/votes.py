"""What every kind of evidence hands on, and how a class of known colour casts its vote."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocast.castgrid import mean_and_covariance, posterior
from autocast.colour import requote
from autocast.evidence.scene import CLASSES, KINDS, Scene
from autocast.judgement import Place, Reading

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


def class_finding(
    scene: Scene, kind: str, target: Callable[[float], Reading], members: NDArray[np.float32]
) -> Finding:
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
    return Finding(share, reads, target(reads.lightness), tuple(place(scene, r) for r in order))


def class_evidence(kind: str, label: str, target: Callable[[float], Reading]) -> KindOfEvidence:
    """The evidence of one class of known colour, which should read ``target`` at an L*."""
    return KindOfEvidence(
        kind=kind,
        label=label,
        testify=lambda scene, members: class_vote(scene, kind, members),
        find=lambda scene, members: class_finding(scene, kind, target, members),
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


def scaled_target(lightness: float, a: float, b: float, at: float) -> Reading:
    """A target given as (a, b) at L* ``at``, carried to another L* along one chromaticity."""
    moved = requote(np.array([a, b]), lightness, at)
    return Reading(lightness, float(moved[0]), float(moved[1]))
