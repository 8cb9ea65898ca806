"""The curve that verdicts are chosen from, and the risks of verdicts given."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.advisor.risk import CONSENSUS, Curve
from autocast.judgement import binomial

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

LEVELS = 400
"""Probabilities at which the curve is kept, at most (project convention)."""
DIGITS = 4
"""Decimals kept of them (project convention)."""


def curve(
    probability: Floats,
    consensus: NDArray[np.str_],
    eligible: Bools,
    monochrome: Bools | None = None,
) -> Curve:
    """The curve of judged pictures, which holds the thresholds of any risks.

    Parameters
    ----------
    probability : ndarray, (n,)
        Of an evident cast, 0..1.
    consensus : ndarray of str, (n,)
        Of :data:`autocast.advisor.risk.CONSENSUS`.
    eligible : ndarray of bool, (n, 2)
        Which may be called ``clear`` and which ``cast``.
    monochrome : ndarray of bool, (n,), optional
        Which are called clear, where they may be, whatever their probability
        (:meth:`autocast.advisor.risk.Thresholds.verdict`): they count at the lowest level.

    Returns
    -------
    Curve
        At :data:`LEVELS` probabilities at most.
    """
    if monochrome is not None and not monochrome.all():
        probability = np.where(monochrome, probability[~monochrome].min(), probability)
    known = np.unique(np.ceil(probability * 10**DIGITS) / 10**DIGITS)
    picked = np.linspace(0, len(known) - 1, min(LEVELS, len(known))).round().astype(np.intp)
    levels = known[np.unique(picked)]
    below = probability[None, :] <= levels[:, None]
    each = np.stack([consensus == name for name in CONSENSUS], axis=1)
    clear, cast = (below @ (each & may[:, None]).astype(np.int64) for may in eligible.T)
    return Curve(levels, clear, cast, each.sum(axis=0))


def upper_bound(wrong: Bools, weight: Floats, error_weight: float) -> float:
    """One-sided 95 % bound of a share of errors, among pictures that count by a weight.

    It is taken of the pictures as they are, and moved to the weights as a share is.

    Parameters
    ----------
    wrong : ndarray of bool, (n,)
        Which are errors.
    weight : ndarray, (n,)
        How much each counts; of the right ones the mean is used.
    error_weight : float
        How much each error counts.

    Returns
    -------
    float
        0..1; 1 where all are errors.

    References
    ----------
    Clopper & Pearson, Biometrika 26, 1934.
    """
    count, errors = len(wrong), int(wrong.sum())
    if errors == count:
        return 1.0
    bound = binomial.upper_bound(errors, count)
    right = float(weight[~wrong].mean())
    moved = bound * error_weight
    return moved / (moved + (1 - bound) * right)
