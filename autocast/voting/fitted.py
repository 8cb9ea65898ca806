"""Features -> the fitted cast, how sure it is, and the probability of an evident one.

The joint count in :mod:`autocast.voting.posterior` says which cast; how far it
and each kind of evidence can be trusted, in which company, is fitted. A first
stage of trees tells the cast laid on a picture from its features, and how sure it
is; a last stage tells from that and the features how likely a look calls it
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
    """Where what stands in a list of features, as their records tell it.

    ``casts`` (C, 2) are the columns of the a* and the b* of each cast or colour,
    ``anchors`` (A, 2) those of :data:`ANCHORS`; ``first`` are the columns that the
    first stage is told, the two anchors that follow the features among them.
    """

    casts: Columns
    anchors: Columns
    first: Columns

    @classmethod
    def of(cls, names: tuple[str, ...]) -> Layout:
        """The layout of features named so; a name without a record is a plain number."""
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
    """Anchors (n, 2), and features (n, F + 2) told relative to them, the anchors last."""
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
    """What the last stage is told.

    The first stage's casts (n, 4, 2), the whole's deviation (of n, 4, 2), what
    follows from them, and the features (n, F), with the size of each colour.
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
    """How far apart (n,) two of the tone ranges' casts (n, 3, 2) lie at most."""
    pairs = casts[:, :, None] - casts[:, None]
    return np.asarray(np.hypot(pairs[..., 0], pairs[..., 1]).max(axis=(1, 2)))


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """What the fitted models say of n lists of features.

    Casts (n, 4, 2) of :data:`autocast.modelstore.TARGETS` by the first stage, their
    standard deviations (n, 4, 2), the probabilities (n,), and ``uneven`` (n,), the
    log-odds that a part of the frame has a cast of its own. ``correlation`` (4, 4),
    the same for every picture, is how far the targets' errors go together.
    """

    casts: Floats
    deviation: Floats
    probability: Floats
    uneven: Floats
    correlation: Floats


def predict(found: Sequence[Mapping[str, float]], trees: Trees) -> Prediction:
    """What the trees say of n lists of features (:func:`autocast.voting.features.extract`)."""
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
    """Probabilities of logits (n,), by a slope and an offset."""
    slope, offset = calibration
    return np.asarray(1 / (1 + np.exp(-(slope * logit + offset))))
