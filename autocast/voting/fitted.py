"""Figures -> the probability that a careful look would call a cast evident.

The joint count in :mod:`autocast.voting.posterior` says which cast; how far it and each
kind of evidence can be trusted, in which company, is fitted. A first stage of
trees tells the cast laid on a picture from its figures, and how sure it is; a
last stage tells from that and the figures how likely a look calls it evident.
The cast that is quoted stays the count's: it moves smoothly with the picture,
which a sum of steps does not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.errors import ModelError
from autocast.modelstore.files import load_arrays, models_folder
from autocast.modelstore.trees import Forest, unpack

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
"""What the first stage tells: a* and b* of each, then the spread of each a* and b*."""


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


def second_stage(
    names: tuple[str, ...], figures: Floats, casts: Floats, deviation: Floats
) -> Floats:
    """Figures for the probability.

    The first stage's casts (n, 4, 2), the whole's deviation (of n, 4, 2), what
    follows from them, and the figures (n, F) as they are told, with the size of each colour.
    """
    size, spread = np.hypot(casts[:, :, 0], casts[:, :, 1]), deviation[:, 0]
    apart = np.hypot(*np.moveaxis(casts[:, 1:] - casts[:, :1], -1, 0))
    colours = [k for k, name in enumerate(names) if name.endswith(".a")]
    return np.concatenate(
        [
            casts.reshape(len(casts), -1),
            size,
            apart,
            spread,
            size[:, :1] / np.hypot(spread[:, :1], spread[:, 1:]),
            size.max(axis=1, keepdims=True),
            figures,
            # b* of a colour stands next to its a*.
            np.hypot(figures[:, colours], figures[:, [k + 1 for k in colours]]),
        ],
        axis=1,
    )


def tones_apart(casts: Floats) -> Floats:
    """How far apart (n,) two of the tone ranges' casts (n, 3, 2) lie at most."""
    pairs = casts[:, :, None] - casts[:, None]
    return np.asarray(np.hypot(pairs[..., 0], pairs[..., 1]).max(axis=(1, 2)))


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """What the fitted models say of n lists of figures.

    Casts (n, 4, 2) of :data:`TARGETS` by the first stage, their standard
    deviations (n, 4, 2), the probabilities (n,), ``uneven`` (n,), the log-odds that
    a part of the frame has a cast of its own, and ``together`` (4, 4), how far
    the targets' errors go together (a correlation, the same for every picture).
    """

    casts: Floats
    deviation: Floats
    probability: Floats
    uneven: Floats
    together: Floats


def weigh(told: Sequence[Mapping[str, float]]) -> Weighed:
    """Weigh n lists of figures (:func:`autocast.voting.features.features`)."""
    names, first_stage, last_stage, parts = _models()
    # A kind of evidence that the models were not fitted with weighs nothing.
    figures = np.array([[each.get(name, np.nan) for name in names] for each in told])
    anchor, relative = anchored(names, figures)
    said = first_stage(relative)
    casts, spread = np.moveaxis(said.reshape(len(told), 2, len(TARGETS), 2), 1, 0)
    casts, deviation = casts + anchor[:, None], np.exp(spread)
    told_last = second_stage(names, figures, casts, deviation)
    logit, uneven = last_stage(told_last).mean(axis=1), parts(told_last)[:, 0]
    arrays = load_arrays(FILE)
    slope, offset = arrays["calibration"]
    probability = 1 / (1 + np.exp(-(slope * logit + offset)))
    return Weighed(casts, deviation, probability, uneven, arrays["together"])


@cache
def _models() -> tuple[tuple[str, ...], Forest, Forest, Forest]:
    arrays = load_arrays(FILE)
    names = tuple(str(name) for name in arrays["figures"])
    needed = {"together", "first/start", "last/start", "uneven/start"}
    if not needed <= set(arrays) or len(arrays["first/start"]) != 4 * len(TARGETS):
        raise ModelError(
            f"{FILE} in {models_folder()} was fitted for another version of autocast. "
            "Train again, or install autocast again."
        )
    return names, unpack(arrays, "first"), unpack(arrays, "last"), unpack(arrays, "uneven")
