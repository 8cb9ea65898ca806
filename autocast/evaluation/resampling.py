"""Figures with their 95 % intervals, by a bootstrap over whole groups.

Pictures of one group are alike, so groups are drawn, not pictures (Efron &
Tibshirani, *An Introduction to the Bootstrap*, 1993, percentile intervals; from
memory, not verified). A draw is kept as a weight for every row, and a figure is
worked out for all draws at once. Figures that share draws can be compared in
pairs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Figure = Callable[[Floats], Floats]
"""From weights (R, n) to R values; NaN where a draw cannot say."""

RESAMPLES = 1000
"""Draws behind each interval (project convention)."""
FEWEST_GROUPS = 10
"""Groups below which no interval is given (project convention)."""
FEWEST_DRAWS = 0.9
"""Share of draws that must yield a figure for an interval (project convention)."""


class Draws:
    """Draws of the groups (n,) that some rows belong to."""

    def __init__(self, group: NDArray[np.str_], seed: int) -> None:
        names, inverse = np.unique(group, return_inverse=True)
        self.rows = len(group)
        self.groups = len(names)
        self.weights = np.zeros((0, len(group)), dtype=np.float32)
        if self.groups >= FEWEST_GROUPS:
            rng = np.random.default_rng(seed)
            even = np.full(self.groups, 1 / self.groups)
            times = rng.multinomial(self.groups, even, size=RESAMPLES)
            self.weights = times[:, inverse].astype(np.float32)

    def cell(self, figure: Figure) -> dict[str, Any]:
        """``value``, its ``interval`` (or None), and ``n``."""
        value = float(figure(np.ones((1, self.rows), dtype=np.float32))[0])
        return {"n": self.rows, "value": value, "interval": self._interval(figure)}

    def _interval(self, figure: Figure) -> list[float] | None:
        if not len(self.weights):
            return None
        values = figure(self.weights)
        values = values[np.isfinite(values)]
        if len(values) < FEWEST_DRAWS * len(self.weights):
            return None
        return [float(v) for v in np.quantile(values, [0.025, 0.975])]


def auc(truth: NDArray[np.bool_], score: Floats) -> Figure:
    """Area under the ROC curve, ties counting half; NaN where one side is empty.

    scikit-learn's takes one weighting at a time; a test holds this to it.
    """
    order = np.argsort(score, kind="stable")
    _, starts = np.unique(score[order], return_index=True)
    yes = truth[order]

    def figure(weights: Floats) -> Floats:
        ordered = weights[:, order].astype(np.float64)
        above = np.add.reduceat(ordered * yes, starts, axis=1)
        below = np.add.reduceat(ordered * ~yes, starts, axis=1)
        won = (above * (np.cumsum(below, axis=1) - below / 2)).sum(axis=1)
        pairs = above.sum(axis=1) * below.sum(axis=1)
        return np.asarray(_ratio(won, pairs))

    return figure


def mean(values: Floats, among: NDArray[np.bool_] | None = None) -> Figure:
    """The mean of ``values``, of the rows ``among`` where given."""
    kept = np.ones(len(values)) if among is None else among.astype(np.float64)

    def figure(weights: Floats) -> Floats:
        return _ratio(weights @ (kept * values), weights @ kept)

    return figure


def median(values: Floats) -> Figure:
    """The median: the least value that half of the weight does not exceed."""
    order = np.argsort(values, kind="stable")
    ordered = values[order]

    def figure(weights: Floats) -> Floats:
        filled = np.cumsum(weights[:, order], axis=1, dtype=np.float64)
        at = (filled < filled[:, -1:] / 2).sum(axis=1)
        return np.asarray(ordered[np.minimum(at, len(ordered) - 1)], dtype=np.float64)

    return figure


def difference(one: Figure, other: Figure) -> Figure:
    """One figure less another, on the same draws."""
    return lambda weights: one(weights) - other(weights)


def _ratio(part: Floats, whole: Floats) -> Floats:
    return np.asarray(np.divide(part, whole, out=np.full(len(whole), np.nan), where=whole > 0))
