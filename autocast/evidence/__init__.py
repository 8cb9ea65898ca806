"""What each kind of evidence says about the cast: one file for each, named as its row.

Here lies what all kinds share: what a kind hands on, and how a class of known
colour votes. :func:`kinds` finds the kinds by the table of things
(:mod:`autocast.judgement.things`); a model file that does not know one gives it
no weight.
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

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
        """The cast that the vote gives by itself.

        Returns
        -------
        mean : (2,) ndarray
            a*, b* at L* 60.
        covariance : (2, 2) ndarray
            In squares of those.
        """
        return mean_and_covariance(posterior(self.log_likelihood))


@dataclass(frozen=True, slots=True)
class Finding:
    """Where a kind was found under the estimated cast, what it reads and should read.

    ``share`` of the frame, 0..1; ``reads`` and ``expected`` are None where it was
    not found or has no target; ``where`` are its largest regions.
    """

    share: float
    reads: Reading | None
    expected: Reading | None
    where: tuple[Place, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PictureWide:
    """What a picture-wide kind says of the whole and of P parts.

    ``likelihoods`` (1 + P) x N are log-likelihoods, the whole first; ``single`` are
    its estimates of the whole, (a*, b*) at L* 60 by name.
    """

    likelihoods: Floats
    single: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Feature:
    """One number about a picture that the fitted trees are given, and what it is.

    ``kind`` is the kind of evidence that it comes from, or ``joint``, ``scene`` or
    ``content``. ``cast`` names the cast or colour that it is the a* or the b* of
    (``axis``); both are empty for a plain number. ``first``: the first stage of
    trees is given it as well as the last.
    """

    name: str
    kind: str
    meaning: str
    unit: str
    source: str = ""
    cast: str = ""
    axis: Literal["", "a", "b"] = ""
    first: bool = True


AB_UNIT = "a*, b* at L* 60"
"""The unit of every cast and colour among the features."""
Colour = Sequence[float] | Floats
"""An (a*, b*)."""


def cast_features(cast: str, kind: str, meaning: str, source: str = "") -> tuple[Feature, Feature]:
    """The a* and b* of a cast or colour, as two features.

    Parameters
    ----------
    cast : str
        Its name, to which ``.a`` and ``.b`` are added.
    kind : str
        The kind of evidence that it comes from.
    meaning : str
        What it is, in words.
    source : str, optional
        Who published it.

    Returns
    -------
    tuple of two Feature
        In a*, b* at L* 60.
    """
    return (
        Feature(f"{cast}.a", kind, f"{meaning}, a*", AB_UNIT, source, cast, "a"),
        Feature(f"{cast}.b", kind, f"{meaning}, b*", AB_UNIT, source, cast, "b"),
    )


def cast_values(cast: str, ab: Colour | None) -> Iterator[tuple[str, float]]:
    """The values of the two features of :func:`cast_features`.

    Parameters
    ----------
    cast : str
        Its name.
    ab : (2,) sequence of float, or None
        a*, b* at L* 60; None where nothing could be read.

    Yields
    ------
    tuple of str and float
        Name and value of the a*, then of the b*; NaN for None.
    """
    a, b = (float("nan"), float("nan")) if ab is None else (float(ab[0]), float(ab[1]))
    yield f"{cast}.a", a
    yield f"{cast}.b", b


def by_distance(left: Colour | None, right: Colour | None) -> tuple[Colour | None, Colour | None]:
    """Two sides' colours, the farther from neutral first: a mirrored picture gives the same.

    Parameters
    ----------
    left, right : (2,) sequence of float, or None
        a*, b* of each side; None, which could not be read, counts as nearest.

    Returns
    -------
    farther : (2,) sequence of float, or None
        The one of larger C*; the left one where they are equal.
    nearer : (2,) sequence of float, or None
        The other.
    """

    def reach(ab: Colour | None) -> float:  # numpydoc ignore=GL08
        return -1.0 if ab is None else math.hypot(ab[0], ab[1])

    return (left, right) if reach(left) >= reach(right) else (right, left)


@dataclass(frozen=True, slots=True)
class FeatureSet:
    """A picture-wide kind's own features: what they are, and their values for a picture.

    ``values`` is given the scene and the kind's :class:`PictureWide` of it.
    """

    features: Callable[[], tuple[Feature, ...]]
    values: Callable[[Scene, PictureWide], Iterator[tuple[str, float]]]


@dataclass(frozen=True, slots=True)
class KindOfEvidence:
    """A kind: its name, its words, how it votes and how it finds its places.

    A class of known colour votes by ``vote``, given memberships R x 9 under
    the estimated casts. A picture-wide kind votes by ``picture_wide``, before
    anything is known of them, for the whole and for P x R parts, and may give the
    trees features of its own. Each kind has one of the two.
    """

    kind: str
    label: str
    find: Callable[[Scene, NDArray[np.float32]], Finding]
    vote: Callable[[Scene, NDArray[np.float32]], Vote] | None = None
    picture_wide: Callable[[Scene, NDArray[np.bool_]], PictureWide] | None = None
    own: FeatureSet | None = None


MOST_PLACES = 6
"""Places named for one kind of evidence (project convention)."""
FAINTEST_MEMBER = 0.02
"""Membership below which a region has no say in a class (project convention)."""
MEMBER_FROM = 0.4
"""Membership from which a region is named as a place of a class (project convention)."""


def class_vote(scene: Scene, kind: str, members: NDArray[np.float32]) -> Vote:
    """The vote of one class: how well its own regions fit it under each cast.

    This is the class's share of the expected log-likelihood, the Q function of the
    EM algorithm.

    Parameters
    ----------
    scene : Scene
        R regions and how each class explains them.
    kind : str
        The class, a key of :data:`autocast.judgement.things.CLASSES`.
    members : (R, 9) ndarray of float32
        Memberships in :data:`autocast.judgement.things.KINDS`, 0..1.

    Returns
    -------
    Vote
        In nats; flat where no region belongs to the class.

    References
    ----------
    Dempster, Laird & Rubin, J. R. Stat. Soc. B 39, 1977.
    """
    belongs = members[:, columns(kind)].sum(axis=1)
    some = belongs > FAINTEST_MEMBER
    likelihood = np.maximum(scene.explained[kind][some], np.finfo(np.float32).tiny)
    weight = (scene.weight * belongs)[some]
    return Vote(kind, (weight.astype(np.float32) @ np.log(likelihood)).astype(np.float64))


def columns(kind: str) -> list[int]:
    """Where the kinds of thing that make up a class stand among all kinds.

    Parameters
    ----------
    kind : str
        The class, a key of :data:`autocast.judgement.things.CLASSES`.

    Returns
    -------
    list of int
        Indices in :data:`autocast.judgement.things.KINDS`.
    """
    return [KINDS.index(k) for k in CLASSES[kind]]


def class_finding(scene: Scene, kind: str, members: NDArray[np.float32]) -> Finding:
    """Share, mean reading and places of a class.

    Parameters
    ----------
    scene : Scene
        R regions.
    kind : str
        The class, a key of :data:`autocast.judgement.things.CLASSES`.
    members : (R, 9) ndarray of float32
        Memberships in :data:`autocast.judgement.things.KINDS`, 0..1.

    Returns
    -------
    Finding
        Read over regions of membership :data:`MEMBER_FROM` or more; at most
        :data:`MOST_PLACES` places, the largest first.
    """
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
    """The evidence of one class of known colour, by its row in the table of things.

    Parameters
    ----------
    kind : str
        The class, a key of :data:`autocast.judgement.things.CLASSES`.

    Returns
    -------
    KindOfEvidence
        Votes by :func:`class_vote`, is found by :func:`class_finding`.
    """
    return KindOfEvidence(
        kind=kind,
        label=BY_NAME[kind].plural,
        vote=lambda scene, members: class_vote(scene, kind, members),
        find=lambda scene, members: class_finding(scene, kind, members),
    )


def place(scene: Scene, region: int) -> Place:
    """The box of a region on the whole upright picture.

    Parameters
    ----------
    scene : Scene
        The picture and its regions.
    region : int
        Number of the region.

    Returns
    -------
    Place
        Fractions of width and height, 0..1, borders that were cut away counted in.
    """
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
    """Every kind of evidence.

    Returns
    -------
    tuple of KindOfEvidence
        ``EVIDENCE`` of the file of each name, in the order of the table of things.
    """
    return tuple(importlib.import_module(f"{__name__}.{name}").EVIDENCE for name in BY_NAME)
