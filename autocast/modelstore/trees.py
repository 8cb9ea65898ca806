"""Boosted regression trees, read from plain arrays.

The trees are grown by scikit-learn in :mod:`autocast.training`; here they are
only walked, so that judging a picture needs no scikit-learn. All trees of all
models are walked at once, a level at a time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FIELDS = (
    "feature",
    "threshold",
    "missing_left",
    "left",
    "right",
    "value",
    "root",
    "first",
    "start",
)
"""Arrays of one forest, as it is stored."""


@dataclass(frozen=True, slots=True, eq=False)
class Forest:
    """M models: nodes of all trees in one list, trees of one model side by side.

    Of each node, ``feature`` is the column that it splits, -1 at a leaf; values up to
    ``threshold`` go to the node ``left``, others to ``right``, NaN left where
    ``missing_left``; ``value`` is a leaf's. ``root`` T holds each tree's first node,
    ``first`` M each model's first tree, ``start`` M the first term of its sum.
    """

    feature: NDArray[np.integer[Any]]
    threshold: NDArray[np.floating[Any]]
    missing_left: NDArray[np.bool_]
    left: NDArray[np.integer[Any]]
    right: NDArray[np.integer[Any]]
    value: NDArray[np.floating[Any]]
    root: NDArray[np.integer[Any]]
    first: NDArray[np.integer[Any]]
    start: NDArray[np.floating[Any]]

    def __call__(self, features: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
        """Every model's sum over its trees.

        Parameters
        ----------
        features : (n, F) ndarray
            Values of the features; NaN goes where it went in fitting.

        Returns
        -------
        (n, M) ndarray
            What each model predicts, in the unit that it was fitted to.

        Examples
        --------
        One tree of two leaves: -1 up to a half, +2 above it and for NaN, on top of 10.

        >>> forest = Forest(
        ...     feature=np.array([0, -1, -1]),
        ...     threshold=np.array([0.5, 0.0, 0.0]),
        ...     missing_left=np.array([False, False, False]),
        ...     left=np.array([1, 1, 2]),
        ...     right=np.array([2, 1, 2]),
        ...     value=np.array([0.0, -1.0, 2.0]),
        ...     root=np.array([0]),
        ...     first=np.array([0]),
        ...     start=np.array([10.0]),
        ... )
        >>> forest(np.array([[0.2], [0.9], [np.nan]])).ravel()
        array([ 9., 12., 12.])
        """
        rows = np.arange(len(features))[:, None]
        at = np.repeat(self.root[None], len(features), axis=0)
        missing = np.isnan(features)
        while True:
            feature = self.feature[at]
            inner = feature >= 0
            if not inner.any():
                sums = np.add.reduceat(self.value[at].astype(np.float64), self.first, axis=1)
                return np.asarray(self.start + sums)
            leftward = np.where(
                missing[rows, feature],
                self.missing_left[at],
                features[rows, feature] <= self.threshold[at],
            )
            at = np.where(inner, np.where(leftward, self.left[at], self.right[at]), at)


def unpack(arrays: Mapping[str, NDArray[Any]], name: str) -> Forest:
    """One forest out of a file's arrays.

    Parameters
    ----------
    arrays : mapping of str to ndarray
        The arrays of :data:`FIELDS`, stored as ``name/field``.
    name : str
        Which forest.

    Returns
    -------
    Forest
        The M models of that name.

    Raises
    ------
    KeyError
        An array is missing.
    """
    return Forest(**{field: arrays[f"{name}/{field}"] for field in FIELDS})
