"""Figures -> the weighed estimate and the probability, by the fitted models.

The joint count in :mod:`autocast.voting` knows what each class should read, but
not how far it can be trusted in which company. The fitted trees do: they start
from a robust anchor and say how far the cast lies from it, how sure that is,
and how likely a careful look would call it evident.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.modelfiles import load_arrays
from autocast.trees import Trees, unpack

Floats = NDArray[np.floating[Any]]

FILE = "fitted.npz"
ANCHORS = (
    "statistics.least_chroma",
    "statistics.grey_pixels",
    "statistics.grey_edge_1",
    "together",
)
"""Estimates whose median anchors the rest, so that a laid cast shifts all figures alike."""
TARGETS = ("whole", "shadows", "midtones", "highlights")


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """The fitted estimate; casts are a*, b* quoted at L* 60.

    ``casts`` holds the mean for the whole and for each tone range, ``deviation``
    the standard deviations of the whole's a* and b*, ``tone_spread`` those of
    the tone ranges (one figure each, for either axis).
    """

    casts: Mapping[str, Floats]
    deviation: Floats
    tone_spread: Mapping[str, float]
    probability: float


def anchored(names: tuple[str, ...], figures: Floats) -> tuple[Floats, Floats]:
    """Anchors (n, 2), and figures (n, F + 2) told relative to them, the anchors last."""
    column = {name: k for k, name in enumerate(names)}
    with np.errstate(all="ignore"):
        anchor = np.stack(
            [_median(figures[:, [column[f"{a}.{axis}"] for a in ANCHORS]]) for axis in "ab"], axis=1
        )
    relative = figures.copy()
    for k, name in enumerate(names):
        if name.endswith((".a", ".b")):
            relative[:, k] -= anchor[:, 0 if name.endswith(".a") else 1]
    return anchor, np.concatenate([relative, anchor], axis=1)


def _median(values: Floats) -> Floats:
    """Median over the figures that could be read; 0 where none could."""
    ordered = np.sort(values, axis=1)
    heard = (~np.isnan(values)).sum(axis=1)
    rows = np.arange(len(values))
    low, high = np.maximum(heard - 1, 0) // 2, heard // 2
    middle = (ordered[rows, low] + ordered[rows, np.minimum(high, values.shape[1] - 1)]) / 2
    return np.where(heard > 0, middle, 0.0)


def second_stage(relative: Floats, casts: Floats, deviation: Floats) -> Floats:
    """Figures for the probability: the first stage's word (n, 4, 2) and (n, 2), then its figures."""
    size = np.hypot(casts[:, :, 0], casts[:, :, 1])
    apart = np.hypot(*np.moveaxis(casts[:, 1:] - casts[:, :1], -1, 0))
    whole = casts[:, 0]
    return np.concatenate(
        [
            size,
            apart,
            whole,
            whole / np.maximum(size[:, :1], 1e-6),
            deviation,
            size[:, :1] / np.hypot(deviation[:, :1], deviation[:, 1:]),
            casts[:, 1:].reshape(len(casts), -1),
            relative,
        ],
        axis=1,
    )


def weigh(told: Mapping[str, float]) -> Weighed:
    """Weigh one picture's figures (:func:`autocast.features.features`)."""
    names, models = _models()
    # A kind of evidence that the models were not fitted with weighs nothing.
    figures = np.array([[told.get(name, np.nan) for name in names]])
    anchor, relative = anchored(names, figures)
    casts = np.array(
        [[anchor[0, k] + models[f"{t}.{axis}"](relative[0]) for k, axis in enumerate("ab")] for t in TARGETS]
    )
    deviation = np.exp([models[f"spread.{axis}"](relative[0]) for axis in "ab"])
    last = second_stage(relative, casts[None], deviation[None])[0]
    logit = models["evident"](last)
    slope, offset = load_arrays(FILE)["calibration"]
    probability = 1 / (1 + np.exp(-(slope * logit + offset)))
    # A tone range is as unsure as the whole, and more by what it was in fitting.
    spread = load_arrays(FILE)["tone_spread"] * float(np.sqrt((deviation**2).mean()))
    return Weighed(
        dict(zip(TARGETS, casts, strict=True)),
        deviation,
        {name: float(s) for name, s in zip(TARGETS[1:], spread, strict=True)},
        float(probability),
    )


@cache
def _models() -> tuple[tuple[str, ...], dict[str, Trees]]:
    arrays = load_arrays(FILE)
    names = tuple(str(name) for name in arrays["figures"])
    keys = {key.split("/")[0] for key in arrays if "/" in key}
    return names, {key: unpack(arrays, key) for key in sorted(keys)}
