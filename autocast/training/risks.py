"""The curve that verdicts are chosen from, and the risks of verdicts given."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from autocast.advisor.risk import CONSENSUS, Curve, Thresholds
from autocast.judgement import Risks

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

LEVELS = 400
"""Probabilities at which the curve is kept, at most (project convention)."""
DIGITS = 4
"""Decimals kept of them (project convention)."""


def curve(probability: Floats, consensus: NDArray[np.str_], eligible: Bools) -> Curve:
    """The curve of judged pictures: their probabilities (n,) and consensus (n,).

    ``open_to`` (n, 2) says which of ``clear`` and ``cast`` each is open to.
    """
    known = np.unique(np.ceil(probability * 10**DIGITS) / 10**DIGITS)
    picked = np.linspace(0, len(known) - 1, min(LEVELS, len(known))).round().astype(np.intp)
    levels = known[np.unique(picked)]
    below = probability[None, :] <= levels[:, None]
    each = np.stack([consensus == name for name in CONSENSUS], axis=1)
    clear, cast = (below @ (each & may[:, None]).astype(np.int64) for may in eligible.T)
    return Curve(levels, clear, cast, each.sum(axis=0))


def choose(
    probability: Floats, consensus: NDArray[np.str_], eligible: Bools, risks: Risks
) -> Thresholds:
    """The widest ``clear`` and ``cast`` that keep the risks on these pictures."""
    return curve(probability, consensus, eligible).thresholds(risks)


def upper_bound(wrong: NDArray[np.bool_], weight: Floats, error_weight: float) -> float:
    """One-sided 95 % bound of a share of errors, among pictures that count by a weight.

    Clopper & Pearson (1934) of the pictures as they are, moved to the weights as
    a share is. Each error weighs ``error_weight``; of the others the mean counts.
    """
    count, errors = len(wrong), int(wrong.sum())
    if errors == count:
        return 1.0
    bound = float(beta.ppf(0.95, errors + 1, count - errors))
    right = float(weight[~wrong].mean())
    moved = bound * error_weight
    return moved / (moved + (1 - bound) * right)
