"""Features -> the fitted cast, how sure it is, and the probability of an evident one.

The joint count in :mod:`autocast.voting.posterior` says which cast; how far it
and each kind of evidence can be trusted, in which company, is fitted. A first
stage of trees predicts the cast laid on a picture from its features, and how sure
it is; a last stage predicts from that and the features how likely a look calls it
evident. The cast that is quoted stays the count's: it moves smoothly with the
picture, which a sum of steps does not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.modelstore.models import TARGETS, Trees
from autocast.voting.features import dictionary

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


def second_stage(
    names: tuple[str, ...], features: Floats, casts: Floats, deviation: Floats
) -> Floats:
    """The inputs of the last stage.

    Parameters
    ----------
    names : tuple of str
        The F features in order.
    features : (n, F) ndarray
        Their values; NaN where nothing could be read.
    casts : (n, 4, 2) ndarray
        The first stage's casts of :data:`autocast.modelstore.models.TARGETS`, a*, b* at L* 60.
    deviation : (n, 4, 2) ndarray
        Their standard deviations, above 0; only the whole's are used.

    Returns
    -------
    (n, 19 + F + C) ndarray
        The 8 values of the casts, their 4 sizes, the 3 tone ranges' distances from the
        whole, the whole's 2 deviations, its size over the length of those, the largest size,
        the features, and C* of each of their C colours.
    """
    size, spread = np.hypot(casts[:, :, 0], casts[:, :, 1]), deviation[:, 0]
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
class Prediction:
    """What the fitted models predict of n lists of features.

    Casts (n, 4, 2) of :data:`autocast.modelstore.models.TARGETS` by the first stage (a*, b* at
    L* 60), their standard deviations (n, 4, 2), the probabilities (n,), and ``uneven`` (n,),
    the log-odds that a part of the frame has a cast of its own. ``correlation`` (4, 4), the
    same for every picture, is that of the targets' errors.
    """

    casts: Floats
    deviation: Floats
    probability: Floats
    uneven: Floats
    correlation: Floats


def predict(found: Sequence[Mapping[str, float]], trees: Trees) -> Prediction:
    """What the trees predict of lists of features.

    Parameters
    ----------
    found : sequence of mapping of str to float
        n of them, by :func:`autocast.voting.features.extract`; a missing feature is NaN.
    trees : Trees
        Their own list of features says which are looked up.

    Returns
    -------
    Prediction
        A row for each list.
    """
    names = trees.features
    # A kind of evidence that the models were not fitted with weighs nothing.
    features = np.array([[each.get(name, np.nan) for name in names] for each in found])
    anchor, relative = anchored(names, features)
    outputs = trees.first(relative).reshape(len(features), 2, len(TARGETS), 2)
    casts, spread = np.moveaxis(outputs, 1, 0)
    casts, deviation = casts + anchor[:, None], np.exp(spread)
    last = second_stage(names, features, casts, deviation)
    logit, uneven = trees.last(last).mean(axis=1), trees.uneven(last)[:, 0]
    return Prediction(
        casts, deviation, probability_of(logit, trees.calibration), uneven, trees.correlation
    )


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
