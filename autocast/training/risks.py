"""The curve that verdicts are chosen from, and the risks of verdicts given."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from autocast.judgement import Risks
from autocast.thresholds import CONSENSUS, Curve, Thresholds

Floats = NDArray[np.floating[Any]]

RISKS = Risks()
LEVELS = 400
"""Probabilities at which the curve is kept, at most (project convention)."""
DIGITS = 4
"""Decimals kept of them (project convention)."""


def curve(probability: Floats, consensus: NDArray[np.str_]) -> Curve:
    """The curve of judged pictures: their probabilities (n,) and consensus (n,)."""
    known = np.unique(np.ceil(probability * 10**DIGITS) / 10**DIGITS)
    picked = np.linspace(0, len(known) - 1, min(LEVELS, len(known))).round().astype(np.intp)
    levels = known[np.unique(picked)]
    below = probability[None, :] <= levels[:, None]
    counts = [(below & (consensus == name)).sum(axis=1) for name in CONSENSUS]
    return Curve(levels, np.stack(counts, axis=1))


def choose(probability: Floats, consensus: NDArray[np.str_], risks: Risks) -> Thresholds:
    """The widest ``clear`` and ``cast`` that keep the risks on these pictures."""
    return curve(probability, consensus).thresholds(risks)


def upper_bound(wrong: Floats, weight: Floats) -> float:
    """One-sided 95 % bound of a weighted share of errors.

    Clopper & Pearson (1934), on the effective number where weights differ
    (Kish 1965; Korn & Graubard 1998). ``wrong`` is 0 or 1.
    """
    total = float(weight.sum())
    if total <= 0:
        return 1.0
    count = total**2 / float((weight**2).sum())
    errors = count * float((wrong * weight).sum()) / total
    if errors >= count - 1e-9:
        return 1.0
    return float(beta.ppf(0.95, errors + 1, count - errors))
