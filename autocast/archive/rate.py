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

from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import ArrayLike

from autocast.archive.ledger import Ledger, now
from autocast.archive.pooling import CastPrior
from autocast.archive.series import refresh_series
from autocast.judgement.probability import at_base_rate
from autocast.modelstore import Models

ASSUMED = 20.0
"""Pictures at the assumed rate that are added to the archive's own (project convention)."""
_NEAR = 1e-9
"""Change of the rate at which it is found (project convention)."""
_STEPS = 10_000
"""Steps after which it is taken as it is (project convention)."""
_EDGE = 1e-6
"""No probability is taken as more certain than this (project convention)."""
_FACTS = ("scored_rate", "scored_rate_error", "scored_rate_pictures")
"""Under which a ledger keeps a Rate, field by field."""


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
    """The rate at which the probabilities, moved to it, average to itself.

    Parameters
    ----------
    probabilities : (n,)
        Of an evident cast, each at its own base rate, within 0..1.
    base_rates : (n,)
        Within 0..1.

    Returns
    -------
    Rate or None
        Rate and standard error, within 0..1; None without pictures.

    References
    ----------
    Saerens, Latinne & Decaestecker, Neural Computation 14, 2002 (from memory).
    """
    p, base = (
        np.clip(np.asarray(values, dtype=np.float64), _EDGE, 1 - _EDGE)
        for values in (probabilities, base_rates)
    )
    if p.size == 0:
        return None
    rate = assumed = float(base.mean())
    for _ in range(_STEPS):
        moved = at_base_rate(p, base, rate)
        before, rate = rate, float((moved.sum() + ASSUMED * assumed) / (p.size + ASSUMED))
        if abs(rate - before) < _NEAR:
            break
    # Observed information of the mixture's log-likelihood, and of the pictures added.
    slope = moved / before - (1 - moved) / (1 - before)
    added = ASSUMED * (assumed / before**2 + (1 - assumed) / (1 - before) ** 2)
    return Rate(rate, float(1 / np.sqrt((slope**2).sum() + added)), int(p.size))


def refresh(ledger: Ledger, models: Models) -> None:
    """Estimate what takes the whole archive, and keep it in the ledger, which orders by it."""
    pairs = np.fromiter(ledger.probabilities(), dtype=np.dtype((np.float64, 2)))
    found = archive_rate(pairs[:, 0], pairs[:, 1])
    values = (None, None, None) if found is None else astuple(found)
    for key, value in zip(_FACTS, values, strict=True):
        ledger.set_fact(key, value)
    ledger.set_fact("archive_rate", values[0])
    refresh_series(ledger, CastPrior.of(models))
    ledger.set_fact("refreshed", now())


def kept_rate(ledger: Ledger) -> Rate | None:
    """The rate by the archive's scores, as it was last kept."""
    rate, error, pictures = (ledger.number(key) for key in _FACTS)
    if rate is None or error is None or pictures is None:
        return None
    return Rate(rate, error, int(pictures))
