"""The grid of casts that every vote is taken over, and what a posterior on it says.

Nodes lie every 3 units of a* and b* from -60 to +60 (quoted at L* 60), less
those that no positive light can lay on a neutral. A *log-likelihood* on the
grid is an array of N values; a *posterior* is N values that sum to 1.
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour.formulas import cast_to_shift

Floats = NDArray[np.floating[Any]]

REACH = 60.0
"""Farthest |a*| and |b*| on the grid (project convention)."""
STEP = 3.0
"""Distance of neighbouring nodes (project convention, near the smallest cast one would act on)."""


@dataclass(frozen=True, slots=True, eq=False)
class CastGrid:
    """N casts: ``casts`` N x 2 (a*, b* at L* 60) and ``shifts`` N x 2 in log-chromaticity.

    ``powers`` N x 6 are a*, b* and their products a*a*, a*b*, b*a*, b*b*. ``around`` 9 x N
    are the numbers of each node and of those around it, -1 where there is none; ``edge`` N
    says which nodes lie on the rim of the square.
    """

    casts: Floats
    shifts: Floats
    powers: Floats
    around: NDArray[np.intp]
    edge: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.casts)


@functools.cache
def grid() -> CastGrid:
    """The one grid.

    Returns
    -------
    CastGrid
        The N casts that positive light can lay, made once.
    """
    axis = np.arange(-REACH, REACH + STEP / 2, STEP)
    a, b = np.meshgrid(axis, axis, indexing="ij")
    every = np.stack([a.ravel(), b.ravel()], axis=1)
    shifts = cast_to_shift(every)
    reachable = np.isfinite(shifts).all(axis=1)
    number = np.full((len(axis) + 2, len(axis) + 2), -1, dtype=np.intp)
    inside = number[1:-1, 1:-1]
    inside[reachable.reshape(inside.shape)] = np.arange(int(reachable.sum()))
    around = np.stack(
        [
            np.roll(number, (i, j), axis=(0, 1))[1:-1, 1:-1].ravel()[reachable]
            for i, j in sorted(itertools.product((-1, 0, 1), repeat=2), key=any)
        ]
    )
    casts = every[reachable]
    products = (casts[:, :, None] * casts[:, None]).reshape(-1, 4)
    powers = np.concatenate([casts, products], axis=1)
    # Only the square's own rim is "off the grid": what no light reaches cannot be meant.
    edge = (np.abs(casts) > REACH - STEP / 2).any(axis=1)
    return CastGrid(casts, shifts[reachable], powers, around, edge)


def posterior(log_weights: Floats) -> Floats:
    """Normalise log weights to a posterior, or several.

    Parameters
    ----------
    log_weights : (..., N) ndarray
        Log-likelihood plus log-prior of each cast, in nats, up to a constant.

    Returns
    -------
    (..., N) ndarray
        Probabilities, 0..1, of sum 1.
    """
    weights = np.exp(log_weights - log_weights.max(axis=-1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=-1, keepdims=True))


def mean_and_covariance(weights: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of a posterior, or of several.

    Parameters
    ----------
    weights : (..., N) ndarray
        Probabilities of the grid's casts, of sum 1.

    Returns
    -------
    mean : (..., 2) ndarray
        a*, b* at L* 60.
    covariance : (..., 2, 2) ndarray
        In squares of those, the spread within a cell included.
    """
    sums = weights @ grid().powers
    mean = sums[..., :2]
    square = sums[..., 2:].reshape(*mean.shape, 2)
    # The uniform density within a cell adds STEP^2 / 12 to each variance.
    return mean, square - mean[..., None] * mean[..., None, :] + np.eye(2) * STEP**2 / 12


def gaussian(mean: Floats, covariance: Floats, floor: float | Floats) -> Floats:
    """Log-likelihood of every cast, given one that was read.

    The share of wild readings is spread evenly over the grid, so a vote that is far
    from all others fades out and does not drag them.

    Parameters
    ----------
    mean : (..., 2) ndarray
        The cast as read, a*, b* at L* 60, or several.
    covariance : (..., 2, 2) ndarray
        Covariance of the reading, in squares of those.
    floor : float or (..., 1) ndarray
        Share of wild readings, above 0 and below 1.

    Returns
    -------
    (..., N) ndarray
        In nats.
    """
    distance = _distance(mean, covariance)
    height = STEP**2 / (2 * np.pi * np.sqrt(np.linalg.det(covariance)))[..., None]
    return np.asarray(np.log((1 - floor) * height * np.exp(-distance / 2) + floor / len(grid())))


def normal(mean: Floats, covariance: Floats) -> Floats:
    """Posterior of a cast known as a normal distribution.

    Parameters
    ----------
    mean : (2,) ndarray
        a*, b* at L* 60.
    covariance : (2, 2) ndarray
        In squares of those; that of a cell is added, below which the grid shows nothing.

    Returns
    -------
    (N,) ndarray
        Probabilities, 0..1, of sum 1.
    """
    return posterior(-_distance(mean, covariance + np.eye(2) * STEP**2 / 12) / 2)


def _distance(mean: Floats, covariance: Floats) -> Floats:
    """Squared distance (..., N) of every cast from a mean (..., 2), in standard deviations."""
    a, b = (axis - mean[..., k, None] for k, axis in enumerate(grid().casts.T))
    inverse = np.linalg.inv(covariance)
    along_a, both, along_b = (inverse[..., i, j, None] for i, j in ((0, 0), (0, 1), (1, 1)))
    return np.asarray(along_a * a * a + 2 * both * a * b + along_b * b * b)


def peaks(weights: Floats) -> list[tuple[float, float, float]]:
    """Separate modes of a posterior.

    Every node climbs to its highest neighbour until it stands on a peak; the
    mass that climbs to a peak is that peak's share, its place their mean.

    Parameters
    ----------
    weights : (N,) ndarray
        Probabilities of the grid's casts, of sum 1.

    Returns
    -------
    list of (float, float, float)
        a* and b* at L* 60, and share (0..1), the largest share first.
    """
    lattice = grid()
    numbers = np.arange(len(weights))
    highest = np.append(weights, -1.0).take(lattice.around).argmax(axis=0)
    up = lattice.around[highest, numbers]
    # Each step doubles how far every node has climbed.
    for _ in range(len(weights).bit_length()):
        up = up.take(up)
    tops = np.flatnonzero(up == numbers)
    which = np.searchsorted(tops, up)
    share = np.bincount(which, weights, len(tops))
    place = [np.bincount(which, weights * lattice.casts[:, i], len(tops)) for i in (0, 1)]
    order = np.argsort(-share)
    return [
        (float(place[0][k] / share[k]), float(place[1][k] / share[k]), float(share[k]))
        for k in order
        if share[k] > 0
    ]
