"""Boosted regression trees, read from plain arrays.

The trees are grown by scikit-learn in :mod:`autocast.training`; here they are
only walked, so that judging a picture needs no scikit-learn.

No tree is walked node by node. All questions of all trees are asked at once, in
the order in which they lie in memory; each that sends a row to the right strikes
the leaves below its left side out, and the first leaf that is left is the row's:
the QuickScorer of Lucchese et al. (SIGIR 2015), laid out for whole arrays.
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
class Questions:
    """What T trees ask, at most K questions each, and their leaves from left to right.

    A row with a value above ``threshold`` (K, T), or one that is missing, cannot reach
    those of a tree's leaves whose bits are set in ``struck`` (K, T). ``column`` (K, T) is
    where the value stands, each feature twice in turn: what is missing lies below all else
    in the second. Trees of fewer questions end in some that change nothing. ``value`` are
    the leaves' of all trees, of which ``first`` T is each tree's first.
    """

    column: NDArray[np.intp]
    threshold: NDArray[np.floating[Any]]
    struck: NDArray[np.unsignedinteger[Any]]
    value: NDArray[np.float64]
    first: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Forest:
    """M models: nodes of all trees in one list, trees of one model side by side.

    Of each node, ``feature`` is the column that it splits, -1 at a leaf; values up to
    ``threshold`` go to the node ``left``, others to ``right``, NaN left where
    ``missing_left``; ``value`` is a leaf's. ``root`` T holds each tree's first node,
    ``first`` M each model's first tree, ``start`` M the first term of its sum. Trees
    follow each other, and in each a node is followed by all below its left side, then
    by all below its right; none has more than 64 leaves.
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

    def __post_init__(self) -> None:
        inner = np.flatnonzero(self.feature >= 0)
        if not np.array_equal(self.left[inner], inner + 1):
            raise ValueError("a node of a tree is not followed by its left side")

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
        asked = self._questions
        out = np.empty((len(features), len(self.root)), dtype=asked.struck.dtype)
        for known, bits in zip(features, out, strict=True):
            twice = np.stack([known, np.where(np.isnan(known), -np.inf, known)], axis=1).ravel()
            above = ~(twice.take(asked.column) <= asked.threshold)
            np.bitwise_or.reduce(asked.struck * above, axis=0, out=bits)
        # The first leaf that is left: as many bits lie below the lowest one that is not set.
        reached = asked.first + np.bitwise_count(out & ~(out + 1))
        sums = np.add.reduceat(asked.value.take(reached), self.first, axis=1)
        return np.asarray(self.start + sums)

    @property
    def _questions(self) -> Questions:
        # No cached_property: until Python 3.12 it holds a lock, for ever in a process that is
        # forked meanwhile.
        kept = vars(self)
        if "asked" not in kept:
            kept["asked"] = self._laid_out()
        asked: Questions = kept["asked"]
        return asked

    def _laid_out(self) -> Questions:
        leaf = self.feature < 0
        inner = np.flatnonzero(~leaf)
        # Leaves, and questions, that come before each node.
        leaves: NDArray[np.intp] = np.cumsum(leaf) - leaf
        asked = np.arange(len(leaf)) - leaves
        each = np.diff(asked[self.root], append=len(inner))
        tree = np.arange(len(self.root)).repeat(each)
        root = self.root[tree]
        # Those of a node's left side come between it and its right side.
        low: NDArray[np.uint64] = (leaves[inner] - leaves[root]).astype(np.uint64)
        count: NDArray[np.uint64] = (leaves[self.right[inner]] - leaves[inner]).astype(np.uint64)
        below = ((1 << count) - 1) << low
        most = int(np.diff(leaves[self.root], append=leaf.sum()).max())
        bits = np.min_scalar_type((1 << most) - 1)
        place = asked[inner] - asked[root]
        shape = (int(place.max(initial=-1)) + 1, len(self.root))
        column, threshold = np.zeros(shape, dtype=np.intp), np.full(shape, np.inf)
        struck = np.zeros(shape, dtype=bits)
        column[place, tree] = 2 * self.feature[inner].astype(np.intp) + self.missing_left[inner]
        threshold[place, tree] = self.threshold[inner]
        struck[place, tree] = below
        value = self.value[leaf].astype(np.float64)
        return Questions(column, threshold, struck, value, leaves[self.root])


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
