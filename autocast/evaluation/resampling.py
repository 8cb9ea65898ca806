"""Figures with their 95 % intervals, by a bootstrap over whole groups.

Pictures of one group are alike, so groups are drawn, not pictures (Efron &
Tibshirani, *An Introduction to the Bootstrap*, 1993, percentile intervals; from
memory, not verified). A draw is kept as a weight for every row, and a statistic is
worked out for all draws at once (scipy's bootstrap draws rows, and scikit-learn's
AUC takes one weighting at a time). Statistics that share draws can be compared in
pairs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]
Statistic = Callable[[Floats], Floats]
"""From weights (R, n) to R values; NaN where a draw allows none."""

RESAMPLES = 1000
"""Draws behind each interval (project convention)."""
FEWEST_GROUPS = 10
"""Groups below which no interval is given (project convention)."""
FEWEST_DRAWS = 0.9
"""Share of draws that must yield a figure for an interval (project convention)."""


class Draws:
    """Draws of the groups (n,) that some rows belong to.

    ``weights`` (R, n) says how often each row is drawn; there are no draws of fewer
    groups than :data:`FEWEST_GROUPS`.

    Parameters
    ----------
    group : ndarray of str, (n,)
        The group of each row.
    seed : int
        The same seed draws the same groups.
    """

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

    def cell(self, statistic: Statistic) -> dict[str, Any]:
        """A statistic of these rows, as a figure.

        Parameters
        ----------
        statistic : callable
            What is reported.

        Returns
        -------
        dict
            ``n``, the number of rows; ``value``; and its 95 % ``interval``, a pair, or
            None where too few groups or draws allow one.
        """
        value = float(statistic(np.ones((1, self.rows), dtype=np.float32))[0])
        return {"n": self.rows, "value": value, "interval": self._interval(statistic)}

    def _interval(self, statistic: Statistic) -> list[float] | None:
        if not len(self.weights):
            return None
        values = statistic(self.weights)
        values = values[np.isfinite(values)]
        if len(values) < FEWEST_DRAWS * len(self.weights):
            return None
        return [float(v) for v in np.quantile(values, [0.025, 0.975])]


def auc(truth: Bools, score: Floats) -> Statistic:
    """Area under the ROC curve, ties counting half.

    Parameters
    ----------
    truth : ndarray of bool, (n,)
        Which rows should score higher.
    score : ndarray, (n,)
        What they score.

    Returns
    -------
    callable
        A statistic, 0..1; NaN where one side is empty.
    """
    order = np.argsort(score, kind="stable")
    _, starts = np.unique(score[order], return_index=True)
    yes = truth[order]

    def _statistic(weights: Floats) -> Floats:
        ordered = weights[:, order].astype(np.float64)
        above = np.add.reduceat(ordered * yes, starts, axis=1)
        below = np.add.reduceat(ordered * ~yes, starts, axis=1)
        won = (above * (np.cumsum(below, axis=1) - below / 2)).sum(axis=1)
        pairs = above.sum(axis=1) * below.sum(axis=1)
        return ratio(won, pairs)

    return _statistic


def mean(values: Floats | Bools, weight: Floats | Bools | None = None) -> Statistic:
    """The mean; of what is true or false, the share.

    Parameters
    ----------
    values : ndarray, (n,)
        Of what.
    weight : ndarray, (n,), optional
        How much each counts, or which do; all alike unless given.

    Returns
    -------
    callable
        A statistic; NaN where nothing counts.
    """
    kept = np.ones(len(values)) if weight is None else weight.astype(np.float64)
    return lambda weights: ratio(weights @ (kept * values), weights @ kept)


def median(values: Floats) -> Statistic:
    """The median: the least value that half of the weight does not exceed.

    Parameters
    ----------
    values : ndarray, (n,)
        Of what.

    Returns
    -------
    callable
        A statistic.
    """
    order = np.argsort(values, kind="stable")
    ordered = values[order]

    def _statistic(weights: Floats) -> Floats:
        filled = np.cumsum(weights[:, order], axis=1, dtype=np.float64)
        at = (filled < filled[:, -1:] / 2).sum(axis=1)
        return np.asarray(ordered[np.minimum(at, len(ordered) - 1)], dtype=np.float64)

    return _statistic


def difference(one: Statistic, other: Statistic) -> Statistic:
    """One statistic less another, on the same draws.

    Parameters
    ----------
    one, other : callable
        Of the same rows.

    Returns
    -------
    callable
        A statistic.
    """
    return lambda weights: one(weights) - other(weights)


def ratio(part: Floats, whole: Floats) -> Floats:
    """A quotient for each draw.

    Parameters
    ----------
    part, whole : ndarray, (R,)
        Of each draw.

    Returns
    -------
    ndarray, (R,)
        NaN where ``whole`` is nothing.
    """
    return np.asarray(np.divide(part, whole, out=np.full(len(whole), np.nan), where=whole > 0))
