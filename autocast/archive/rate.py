"""The archive's own share of evident casts, estimated from its scores.

A probability holds for the base rate it was fitted with. In an archive where
casts are rarer or more common, Bayes' rule moves it; the archive's rate is the
one under which the moved probabilities average to itself, found by
expectation-maximisation (Saerens, Latinne & Decaestecker, Neural Computation
14, 2002; from memory). A few pictures at the assumed rate are added, so that a
small archive does not run to nothing or all. It supposes that pictures with a
cast look here as they did in the fit, and those without one as well; where
they do not, the rate is off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocast.archive.ledger import Ledger, now
from autocast.archive.series import settle_series

ASSUMED = 20.0
"""Pictures at the assumed rate that are added to the archive's own (project convention)."""
_NEAR = 1e-9
_STEPS = 10_000
_EDGE = 1e-6
"""No probability is taken as more certain than this."""


@dataclass(frozen=True, slots=True)
class Rate:
    """The share of evident casts, its standard error, and the pictures it was estimated from.

    The error supposes pictures that are independent of each other; an archive
    made of long series is less well known than it says.
    """

    rate: float
    error: float
    pictures: int


def archive_rate(probabilities: ArrayLike, base_rates: ArrayLike) -> Rate | None:
    """The rate by which the probabilities (n,), each at its own base rate, agree with themselves.

    All lie within 0..1. None without pictures.
    """
    p = np.clip(np.asarray(probabilities, dtype=np.float64), _EDGE, 1 - _EDGE)
    base = np.clip(np.asarray(base_rates, dtype=np.float64), _EDGE, 1 - _EDGE)
    if p.size == 0:
        return None
    ratio = p / (1 - p) * (1 - base) / base
    assumed = float(base.mean())
    rate = assumed
    for _ in range(_STEPS):
        moved = rate * ratio / (rate * ratio + 1 - rate)
        new = float((moved.sum() + ASSUMED * assumed) / (p.size + ASSUMED))
        if abs(new - rate) < _NEAR:
            break
        rate = new
    # Observed information of the mixture's log-likelihood, and of the pictures added.
    slope = (ratio - 1) / (rate * ratio + 1 - rate)
    added = ASSUMED * (assumed / rate**2 + (1 - assumed) / (1 - rate) ** 2)
    return Rate(new, float(1 / np.sqrt((slope**2).sum() + added)), int(p.size))


def settle(ledger: Ledger) -> None:
    """Estimate what takes the whole archive, and keep it in the ledger, which orders by it."""
    pairs = _pairs(ledger)
    found = archive_rate(pairs[:, 0], pairs[:, 1])
    ledger.set_fact("archive_rate", None if found is None else found.rate)
    ledger.set_fact("archive_rate_error", None if found is None else found.error)
    ledger.set_fact("archive_rate_pictures", None if found is None else found.pictures)
    settle_series(ledger)
    ledger.set_fact("settled", now())


def kept_rate(ledger: Ledger) -> Rate | None:
    """The rate as it was last kept."""
    rate = ledger.fact("archive_rate")
    if rate is None:
        return None
    return Rate(rate, ledger.fact("archive_rate_error"), ledger.fact("archive_rate_pictures"))


def _pairs(ledger: Ledger) -> NDArray[Any]:
    """Probability and base rate of every judged picture: 16 bytes each."""
    flat = np.fromiter(
        (value for pair in ledger.probabilities() for value in pair), dtype=np.float64
    )
    return flat.reshape(-1, 2)
