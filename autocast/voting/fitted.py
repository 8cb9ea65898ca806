"""Features -> the cast, how sure it is, and the probability of an evident one.

Three fitted stages. Trees predict the cast of the whole and of each tone range from
all features (first). A gate weighs their casts and those of all other voices
(:mod:`autocast.voting.voices`): the weighted mean is the estimate, of which more trees
predict the standard deviation. A last stage predicts from the estimate, with hints or
without, and from the features how likely a careful look calls the cast evident.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.modelstore.models import TARGETS, Estimator
from autocast.voting.features import dictionary
from autocast.voting.voices import gate_inputs, voices_of

Floats = NDArray[np.floating[Any]]
Columns = NDArray[np.intp]

ANCHORS = (
    "statistics.least_chroma",
    "statistics.grey_pixels",
    "statistics.grey_edge_1",
    "joint",
)
"""Casts whose median anchors the rest, so that a laid cast shifts all features alike."""


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Where what stands in a list of features, by their records.

    ``casts`` (C, 2) are the columns of the a* and the b* of each cast or colour,
    ``anchors`` (A, 2) those of :data:`ANCHORS`; ``first`` are the columns that the
    first stage is given, the two anchors that follow the features among them.
    """

    casts: Columns
    anchors: Columns
    first: Columns

    @classmethod
    def of(cls, names: tuple[str, ...]) -> Layout:
        """The layout of a list of features.

        Parameters
        ----------
        names : tuple of str
            The features in order; a name without a record is a plain number.

        Returns
        -------
        Layout
            Columns of that list.
        """
        return _layout(names)


@lru_cache(maxsize=8)
def _layout(names: tuple[str, ...]) -> Layout:
    column = {name: k for k, name in enumerate(names)}
    known = [dictionary().get(name) for name in names]
    casts = [each.cast for each in known if each is not None and each.axis == "a"]
    plain = [k for k, each in enumerate(known) if each is None or each.first]
    return Layout(
        casts=_pairs(column, casts),
        anchors=_pairs(column, ANCHORS),
        first=np.array([*plain, len(names), len(names) + 1], dtype=np.intp),
    )


def _pairs(column: Mapping[str, int], casts: Sequence[str]) -> Columns:
    """Columns (n, 2) of casts' a* and b*; a cast of which either is missing has none."""
    both = [(f"{cast}.a", f"{cast}.b") for cast in casts]
    found = [(column[a], column[b]) for a, b in both if a in column and b in column]
    return np.array(found, dtype=np.intp).reshape(-1, 2)


def anchored(names: tuple[str, ...], features: Floats) -> tuple[Floats, Floats]:
    """Features relative to each picture's anchor.

    Parameters
    ----------
    names : tuple of str
        The F features in order.
    features : (n, F) ndarray
        Their values; NaN where nothing could be read.

    Returns
    -------
    anchor : (n, 2) ndarray
        Median a*, b* at L* 60 of :data:`ANCHORS`; 0 where none could be read.
    relative : (n, F + 2) ndarray
        The features, casts and colours less the anchor; then the anchor.
    """
    layout = Layout.of(names)
    with np.errstate(all="ignore"):
        anchor = np.stack([_median(features[:, axis]) for axis in layout.anchors.T], axis=1)
    relative = features.copy()
    for axis in (0, 1):
        relative[:, layout.casts[:, axis]] -= anchor[:, axis, None]
    return anchor, np.concatenate([relative, anchor], axis=1)


def _median(values: Floats) -> Floats:
    """Median over the values that could be read; 0 where none could."""
    ordered = np.sort(values, axis=1)
    read = (~np.isnan(values)).sum(axis=1)
    rows = np.arange(len(values))
    low, high = np.maximum(read - 1, 0) // 2, read // 2
    middle = (ordered[rows, low] + ordered[rows, np.minimum(high, values.shape[1] - 1)]) / 2
    return np.where(read > 0, middle, 0.0)


def weighted(voices: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """The weighted mean of voices, and how far they scatter about it.

    Parameters
    ----------
    voices : (n, V, 2) ndarray
        a*, b* at L* 60; NaN for the silent.
    weights : (n, 4, V) ndarray
        Of sum 1 over the voices; 0 for the silent.

    Returns
    -------
    casts : (n, 4, 2) ndarray
        a*, b* at L* 60.
    scatter : (n, 4) ndarray
        Weighted root mean square distance from them, in the same unit.
    """
    said = np.nan_to_num(voices)
    casts = weights @ said
    square = weights @ (said**2).sum(axis=-1)[..., None]
    return casts, np.sqrt(np.maximum(square[..., 0] - (casts**2).sum(axis=-1), 0))


def spread_inputs(relative: Floats, anchor: Floats, casts: Floats, scatter: Floats) -> Floats:
    """What the trees that predict the estimate's deviations are given.

    Parameters
    ----------
    relative : (n, R) ndarray
        Features relative to the anchor.
    anchor : (n, 2) ndarray
        As of :func:`anchored`.
    casts, scatter : (n, 4, 2) and (n, 4) ndarray
        As of :func:`weighted`.

    Returns
    -------
    (n, R + 12) ndarray
        The features, the casts relative to the anchor, and the scatter.
    """
    off = (casts - anchor[:, None]).reshape(len(casts), -1)
    return np.concatenate([relative, off, scatter], axis=1)


class Given(NamedTuple):
    """n estimates as the last stage is given them.

    ``casts`` and ``deviation`` (n, 4, 2) are a*, b* at L* 60 of
    :data:`autocast.modelstore.models.TARGETS` and their standard deviations, above 0.
    ``moved`` (n,) is how far hints moved the whole's cast, ``gained`` (n,) the logarithm of
    how much surer they made it: both 0 without hints, and for one that says nothing.
    """

    casts: Floats
    deviation: Floats
    moved: Floats
    gained: Floats

    @classmethod
    def plain(cls, casts: Floats, deviation: Floats) -> Given:
        """Estimates without hints.

        Parameters
        ----------
        casts, deviation : (n, 4, 2) ndarray
            As above.

        Returns
        -------
        Given
            Not moved, and nothing gained.
        """
        return cls(casts, deviation, np.zeros(len(casts)), np.zeros(len(casts)))


def second_stage(names: tuple[str, ...], features: Floats, given: Given) -> Floats:
    """The inputs of the last stage.

    Parameters
    ----------
    names : tuple of str
        The F features in order.
    features : (n, F) ndarray
        Their values; NaN where nothing could be read.
    given : Given
        The estimates.

    Returns
    -------
    (n, 21 + F + C) ndarray
        The 8 values of the casts, their 4 sizes, the 3 tone ranges' distances from the
        whole, the whole's 2 deviations, its size over the length of those, the largest size,
        what hints moved and gained, the features, and C* of each of their C colours.
    """
    casts, spread = given.casts, given.deviation[:, 0]
    size = np.hypot(casts[:, :, 0], casts[:, :, 1])
    apart = np.hypot(*np.moveaxis(casts[:, 1:] - casts[:, :1], -1, 0))
    a, b = Layout.of(names).casts.T
    return np.concatenate(
        [
            casts.reshape(len(casts), -1),
            size,
            apart,
            spread,
            size[:, :1] / np.hypot(spread[:, :1], spread[:, 1:]),
            size.max(axis=1, keepdims=True),
            given.moved[:, None],
            given.gained[:, None],
            features,
            np.hypot(features[:, a], features[:, b]),
        ],
        axis=1,
    )


def tones_apart(casts: Floats) -> Floats:
    """How far apart the casts of two tone ranges lie at most.

    Parameters
    ----------
    casts : (n, 3, 2) ndarray
        a*, b* of shadows, midtones and highlights, all at one L*.

    Returns
    -------
    (n,) ndarray
        Distances in the same unit.
    """
    pairs = casts[:, :, None] - casts[:, None]
    return np.asarray(np.hypot(pairs[..., 0], pairs[..., 1]).max(axis=(1, 2)))


@dataclass(frozen=True, slots=True, eq=False)
class Estimates:
    """What is estimated of n lists of features, without hints.

    ``features`` (n, F) are those that the estimator knows, ``voices`` (n, V, 2) what each
    voice says and ``weights`` (n, 4, V) how much it counts for each of
    :data:`autocast.modelstore.models.TARGETS`. ``casts`` (n, 4, 2) are their weighted
    means, a*, b* at L* 60, ``deviation`` (n, 4, 2) the standard deviations, and
    ``correlation`` (4, 4), the same for every picture, that of the targets' errors.
    """

    features: Floats
    voices: Floats
    weights: Floats
    casts: Floats
    deviation: Floats
    correlation: Floats


def estimate(found: Sequence[Mapping[str, float]], estimator: Estimator) -> Estimates:
    """The estimates that follow from lists of features.

    Parameters
    ----------
    found : sequence of mapping of str to float
        n of them, by :func:`autocast.voting.features.extract`; a missing feature is NaN.
    estimator : Estimator
        Its own list of features says which are looked up.

    Returns
    -------
    Estimates
        A row for each list.
    """
    names = estimator.features
    # A kind of evidence that the models were not fitted with weighs nothing; numpy makes
    # NaN of what a picture lacks.
    features = np.array([[*map(each.get, names)] for each in found], dtype=np.float64)
    anchor, relative = anchored(names, features)
    trees = estimator.first(relative).reshape(-1, len(TARGETS), 2) + anchor[:, None]
    voices = voices_of(names, features, trees)
    weights = estimator.gate(*gate_inputs(names, features, anchor, voices))
    casts, scatter = weighted(voices, weights)
    spread = estimator.spread(spread_inputs(relative, anchor, casts, scatter))
    return Estimates(
        features,
        voices,
        weights,
        casts,
        np.exp(spread).reshape(casts.shape),
        estimator.correlation,
    )


def assess(features: Floats, given: Given, estimator: Estimator) -> tuple[Floats, Floats]:
    """What the last stage makes of estimates.

    Parameters
    ----------
    features : (n, F) ndarray
        Those that the estimator knows.
    given : Given
        The estimates, hints included.
    estimator : Estimator
        Fitted to them.

    Returns
    -------
    probability : (n,) ndarray
        That a careful look calls the cast evident, 0..1.
    uneven : (n,) ndarray
        Log-odds that a part of the frame has a cast of its own.
    """
    last = second_stage(estimator.features, features, given)
    logit, uneven = estimator.last(last).mean(axis=1), estimator.uneven(last)[:, 0]
    return probability_of(logit, estimator.calibration), uneven


def probability_of(logit: Floats, calibration: tuple[float, float]) -> Floats:
    """Probabilities of logits, calibrated by a slope and an offset.

    Parameters
    ----------
    logit : (n,) ndarray
        Log-odds of the last stage.
    calibration : (float, float)
        Slope and offset of the log-odds.

    Returns
    -------
    (n,) ndarray
        0..1.

    References
    ----------
    Platt, in Advances in Large Margin Classifiers, MIT Press, 1999 (from memory, not verified).
    """
    slope, offset = calibration
    return np.asarray(1 / (1 + np.exp(-(slope * logit + offset))))
