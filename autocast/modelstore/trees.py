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

    ``feature`` is -1 at a leaf; ``root`` T holds each tree's first node,
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

    def __call__(self, figures: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
        """Every model's sum (n, M) for figures (n, F); NaN goes where it went in fitting."""
        rows = np.arange(len(figures))[:, None]
        at = np.repeat(self.root[None], len(figures), axis=0)
        missing = np.isnan(figures)
        while True:
            feature = self.feature[at]
            inner = feature >= 0
            if not inner.any():
                sums = np.add.reduceat(self.value[at].astype(np.float64), self.first, axis=1)
                return np.asarray(self.start + sums)
            leftward = np.where(
                missing[rows, feature],
                self.missing_left[at],
                figures[rows, feature] <= self.threshold[at],
            )
            at = np.where(inner, np.where(leftward, self.left[at], self.right[at]), at)


def unpack(arrays: Mapping[str, NDArray[Any]], name: str) -> Forest:
    """The forest ``name`` out of a file's arrays, stored as ``name/field``."""
    return Forest(**{field: arrays[f"{name}/{field}"] for field in FIELDS})
