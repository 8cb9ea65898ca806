"""Votes -> one cast and its spread, over the whole picture, by tone and by area.

The classes of known colour are not independent (a region is one thing or
another), so they vote jointly: the likelihood of a region is the sum over all
classes and ``else``. The picture-wide statistics are added with the weight the
model file gives them, under a prior that most pictures have little cast. A part of
the picture starts from the whole's cast, widened.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour.grid import gaussian, grid, mean_and_covariance, normal, peaks, posterior
from autocast.evidence import PictureWide, Vote, kinds
from autocast.judgement import TONE_RANGES
from autocast.judgement.things import CLASSES
from autocast.segmentation.likelihoods import Scene, likely_casts, memberships
from autocast.segmentation.regions import Regions, tone_masks

Floats = NDArray[np.floating[Any]]

HALVES = ("left", "right", "top", "bottom")
QUARTERS = ("top_left", "top_right", "bottom_left", "bottom_right")
COLUMNS = tuple(f"column_{k}" for k in range(4))
ROWS = tuple(f"row_{k}" for k in range(3))
AREAS = (*HALVES, *QUARTERS, *COLUMNS, *ROWS)
"""Areas of the frame; casts of quarters, columns and rows are compared."""
NEAR = (*TONE_RANGES, *HALVES)
"""Parts that start close to the whole's cast; the others start far."""
FREE_TONES = tuple(f"free_{name}" for name in TONE_RANGES)
"""The tone ranges once more, starting far: what they read without the whole to hold them."""
PARTS = (*TONE_RANGES, *FREE_TONES, *AREAS)
STARTS_NEAR = np.isin(PARTS, NEAR)


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """The cast of one part: mean (2,), covariance (2, 2) at L* 60, and its share of the frame."""

    mean: Floats
    covariance: Floats
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Count:
    """The cast that is counted. ``posterior`` N over the grid; ``modes`` as (a*, b*, share).

    ``parts`` holds tone ranges and areas of the frame; ``information`` is how
    much narrower the posterior is than the prior, in nats.
    """

    mean: Floats
    covariance: Floats
    posterior: Floats
    modes: Sequence[tuple[float, float, float]]
    parts: Mapping[str, Part]
    information: float


@dataclass(frozen=True, slots=True, eq=False)
class LogLikelihoods:
    """What is known before the count; every array of likelihoods is (1 + P) x N, the whole first.

    ``joint`` holds the classes' joint log-likelihood, by the class left out
    (None: none is); ``picture_wide`` that of each picture-wide kind. ``shares`` P are
    the parts' shares of the frame, ``settings`` the fitted weights of the count.
    """

    joint: Mapping[str | None, Floats]
    picture_wide: Mapping[str, PictureWide]
    shares: Floats
    settings: Mapping[str, Any]


def area_masks(regions: Regions) -> dict[str, NDArray[np.bool_]]:
    """Which regions lie in each area of the frame.

    Parameters
    ----------
    regions : Regions
        R regions, which lie where their middle does.

    Returns
    -------
    dict of str to (R,) ndarray of bool
        By the names of :data:`AREAS`.
    """
    left, top = regions.across < 0.5, regions.height < 0.5
    halves = dict(zip(HALVES, (left, ~left, top, ~top), strict=True))
    quarters = {
        f"{row}_{column}": halves[row] & halves[column]
        for row in ("top", "bottom")
        for column in ("left", "right")
    }
    strips = {
        name: (along * len(names)).astype(np.intp) == k
        for names, along in ((COLUMNS, regions.across), (ROWS, regions.height))
        for k, name in enumerate(names)
    }
    return halves | quarters | strips


def part_masks(scene: Scene) -> NDArray[np.bool_]:
    """Which regions lie in each part: the tone ranges twice, then the areas of the frame.

    Parameters
    ----------
    scene : Scene
        R regions.

    Returns
    -------
    (P, R) ndarray of bool
        In the order of :data:`PARTS`; areas without what is darker or lighter than
        the tone ranges.
    """
    lightness = scene.regions.lab[:, 0]
    tones = list(tone_masks(lightness).values())
    # Nothing darker or lighter than the tone ranges says much of an area's light.
    readable = np.logical_or.reduce(tones)
    areas = area_masks(scene.regions)
    return np.array([*tones, *tones, *(areas[name] & readable for name in AREAS)])


def log_likelihoods(scene: Scene) -> LogLikelihoods:
    """Ask every kind of evidence.

    Parameters
    ----------
    scene : Scene
        R regions and how each class explains them.

    Returns
    -------
    LogLikelihoods
        In nats, for the whole and P parts under N casts.
    """
    masks = part_masks(scene)
    picture_wide = {
        k.kind: k.picture_wide(scene, masks) for k in kinds() if k.picture_wide is not None
    }
    rows = np.concatenate([np.ones((1, len(scene.weight))), masks]) * scene.weight
    rows = rows.astype(np.float32)
    total = sum(scene.explained.values(), np.zeros((), dtype=np.float32))
    joint: dict[str | None, Floats] = {}
    logs = np.empty_like(total)
    for left_out in (None, *CLASSES):
        np.subtract(total, 0 if left_out is None else scene.explained[left_out], out=logs)
        np.log(np.maximum(logs, np.finfo(np.float32).tiny, out=logs), out=logs)
        joint[left_out] = (rows @ logs).astype(np.float64)
    return LogLikelihoods(
        joint, picture_wide, masks @ scene.regions.area, scene.models.weights["voting"]
    )


def count(votes: LogLikelihoods, without: str | None = None) -> Count:
    """Combine the votes.

    Parameters
    ----------
    votes : LogLikelihoods
        All that is known.
    without : str, optional
        A kind of evidence to leave out.

    Returns
    -------
    Count
        Of the whole and its parts.
    """
    return counts(votes, [without])[0]


def counts(votes: LogLikelihoods, left_out: Sequence[str | None]) -> list[Count]:
    """As :func:`count`, without one kind of evidence after the other.

    Parameters
    ----------
    votes : LogLikelihoods
        All that is known.
    left_out : sequence of str or None
        The kinds to leave out, one at least; None for none.

    Returns
    -------
    list of Count
        One for each.
    """
    logs = np.stack([_logs(votes, kind) for kind in left_out])
    prior = _prior(votes.settings["prior"])
    wholes = posterior(prior + logs[:, 0])
    means, covariances = mean_and_covariance(wholes)
    parts = _parts(votes, logs, means, covariances)
    known = _entropy(posterior(prior))
    return [
        Count(mean, covariance, whole, peaks(whole), own, known - _entropy(whole))
        for mean, covariance, whole, own in zip(means, covariances, wholes, parts, strict=True)
    ]


def recount(votes: LogLikelihoods, casts: Mapping[str | None, tuple[Floats, Floats]]) -> Count:
    """The count where the casts of the whole and of the tone ranges are given.

    The areas of the frame are counted from the whole's.

    Parameters
    ----------
    votes : LogLikelihoods
        All that is known.
    casts : mapping of str or None to ((2,) ndarray, (2, 2) ndarray)
        Mean a*, b* at L* 60 and its covariance, by tone range; None is the whole.

    Returns
    -------
    Count
        Of the whole and its parts.
    """
    mean, covariance = casts[None]
    whole = normal(mean, covariance)
    (parts,) = _parts(votes, _logs(votes, None)[None], mean[None], covariance[None])
    given = {name: Part(*casts[name], parts[name].share) for name in TONE_RANGES}
    information = _entropy(posterior(_prior(votes.settings["prior"]))) - _entropy(whole)
    return Count(mean, covariance, whole, peaks(whole), parts | given, information)


def _logs(votes: LogLikelihoods, without: str | None) -> Floats:
    """(1 + P) x N log-likelihoods of all evidence but the kind ``without``."""
    known = votes.settings["evidence"]
    logs = known["classes"] * votes.joint[without if without in CLASSES else None]
    for kind, wide in votes.picture_wide.items():
        if kind != without and kind in known:
            logs = logs + known[kind] * wide.likelihoods
    return np.asarray(logs)


def _parts(
    votes: LogLikelihoods, logs: Floats, means: Floats, covariances: Floats
) -> list[dict[str, Part]]:
    """The parts' casts in each of L counts, starting from the whole's (L, 2) and (L, 2, 2)."""
    settings = votes.settings
    # A corner or strip of the frame may stand in a light of its own, farther from the whole's.
    near, far = (
        gaussian(means, covariances + np.eye(2) * settings[spread] ** 2, settings["part_wild"])
        for spread in ("part_spread", "area_spread")
    )
    start = np.where(STARTS_NEAR[:, None], near[:, None], far[:, None])
    found = mean_and_covariance(posterior(start + logs[:, 1:]))
    shares = votes.shares.tolist()
    return [
        dict(zip(PARTS, map(Part, *each, shares), strict=True)) for each in zip(*found, strict=True)
    ]


def members(scene: Scene, counted: Count) -> NDArray[np.float32]:
    """Memberships of the regions, averaged over the casts that the posterior holds possible.

    Parameters
    ----------
    scene : Scene
        R regions.
    counted : Count
        Its posterior weighs the likeliest casts.

    Returns
    -------
    (R, 9) ndarray of float32
        In the order of :data:`autocast.judgement.things.KINDS`, 0..1; each row sums to 1.
    """
    densities, chromaticity = scene.models.densities, scene.regions.chromaticity
    return memberships(densities, chromaticity, scene.context, *likely_casts(counted.posterior))


def votes(scene: Scene, held: NDArray[np.float32], likelihoods: LogLikelihoods) -> dict[str, Vote]:
    """Every kind's own vote.

    Parameters
    ----------
    scene : Scene
        R regions and how each class explains them.
    held : (R, 9) ndarray of float32
        Their memberships, 0..1.
    likelihoods : LogLikelihoods
        Those of the scene.

    Returns
    -------
    dict of str to Vote
        By kind, in nats.
    """
    out = {}
    for kind in kinds():
        if kind.vote is not None:
            out[kind.kind] = kind.vote(scene, held)
        else:
            weight = likelihoods.settings["evidence"].get(kind.kind, 0.0)
            out[kind.kind] = Vote(
                kind.kind, weight * likelihoods.picture_wide[kind.kind].likelihoods[0]
            )
    return out


def conflict(by_kind: Mapping[str, Vote]) -> float:
    """The largest distance of two votes.

    A vote that says little is wide and conflicts with nothing.

    Parameters
    ----------
    by_kind : mapping of str to Vote
        Each kind's own vote.

    Returns
    -------
    float
        In standard deviations of the two casts' difference, at least 0.
    """
    readings = (vote.reading for vote in by_kind.values())
    pairs = [(a - b, p + q) for (a, p), (b, q) in itertools.combinations(readings, 2)]
    off, spread = (np.array(each) for each in zip(*pairs, strict=True))
    return float(in_deviations(off, spread).max())


def in_deviations(off: Floats, covariance: Floats) -> Floats:
    """Lengths of differences of casts, in standard deviations.

    Parameters
    ----------
    off : (n, 2) ndarray
        Differences in a*, b* at L* 60.
    covariance : (n, 2, 2) ndarray
        Theirs, in squares of those.

    Returns
    -------
    (n,) ndarray
        Mahalanobis lengths, at least 0.
    """
    scaled = np.linalg.solve(covariance, off[..., None])[..., 0]
    return np.asarray(np.sqrt((off * scaled).sum(axis=-1)))


def _prior(settings: Mapping[str, float]) -> Floats:
    """Student's t over casts: most are small, any is possible."""
    distance = (grid().casts ** 2).sum(axis=1) / settings["spread"] ** 2
    freedom = settings["freedom"]
    return np.asarray(-(freedom + 2) / 2 * np.log1p(distance / freedom))


def _entropy(weights: Floats) -> float:
    return float(-(weights * np.log(np.maximum(weights, 1e-300))).sum())
