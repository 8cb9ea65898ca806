"""Boosted regression trees, read from plain arrays.

The trees are grown by scikit-learn in :mod:`autocast.training`; here they are
only walked, so that judging a picture needs no scikit-learn. All trees of a
model are walked at once, a level at a time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FIELDS = ("feature", "threshold", "missing_left", "left", "right", "value", "root", "start")
"""Arrays of one model. ``feature`` is -1 at a leaf; ``start`` is the sum's first term."""


@dataclass(frozen=True, slots=True, eq=False)
class Trees:
    """One model: nodes of all trees in one list, and the root of each tree."""

    feature: NDArray[np.integer[Any]]
    threshold: NDArray[np.floating[Any]]
    missing_left: NDArray[np.bool_]
    left: NDArray[np.integer[Any]]
    right: NDArray[np.integer[Any]]
    value: NDArray[np.floating[Any]]
    root: NDArray[np.integer[Any]]
    start: NDArray[np.floating[Any]]

    def __call__(self, told: NDArray[np.floating[Any]]) -> float:
        """The model's sum for one picture's figures (F,); NaN goes where it went in fitting."""
        at = self.root
        while True:
            feature = self.feature[at]
            inner = feature >= 0
            if not inner.any():
                return float(self.start[0] + self.value[at].sum())
            figure = told[feature]
            with np.errstate(invalid="ignore"):
                leftward = np.where(
                    np.isnan(figure), self.missing_left[at], figure <= self.threshold[at]
                )
            at = np.where(inner, np.where(leftward, self.left[at], self.right[at]), at)


def unpack(arrays: Mapping[str, NDArray[Any]], name: str) -> Trees:
    """The model ``name`` out of a file's arrays, stored as ``name/field``."""
    return Trees(**{field: arrays[f"{name}/{field}"] for field in FIELDS})
