"""How few errors still say what of a share: exact binomial chances, and the bounds they give."""

from __future__ import annotations

import math

import numpy as np

UNSURE = 0.05
"""How often a bound may fall short of the true share: one-sided 95 % (common practice)."""
_HALVINGS = 60
"""Of 0..1, after which a bound is known as closely as a float tells."""


class _Chances:
    """The chances of 0, 1, ... ``errors`` errors among ``count`` pictures, at any share."""

    def __init__(self, errors: int, count: int) -> None:
        self._errors = np.arange(errors + 1)
        self._rest = count - self._errors
        whole = math.lgamma(count + 1)
        self._ways = np.array(
            [whole - math.lgamma(k + 1) - math.lgamma(count - k + 1) for k in range(errors + 1)]
        )

    def at_most(self, share: float) -> float:
        """That there are no more; ``share`` above 0 and below 1."""
        logs = self._errors * math.log(share) + self._rest * math.log1p(-share)
        return min(float(np.exp(self._ways + logs).sum()), 1.0)


def chance(errors: int, count: int, share: float) -> float:
    """The chance of so few errors, or fewer, among pictures of which a share is wrong.

    Parameters
    ----------
    errors : int
        Errors that may be met, 0 to ``count``.
    count : int
        Pictures drawn, at least 0.
    share : float
        Share of errors, above 0 and below 1.

    Returns
    -------
    float
        0..1; the binomial distribution's.

    Examples
    --------
    >>> round(chance(1, 50, 0.01), 3)
    0.911
    """
    return _Chances(errors, count).at_most(share)


def exceeds(errors: int, count: int, risk: float) -> bool:
    """Does the one-sided 95 % upper bound of a share of errors exceed a risk?

    It does unless so few errors had at most a 5 % chance at a share of ``risk``.

    Parameters
    ----------
    errors : int
        Errors that were counted, at least 0.
    count : int
        Pictures among which they were, ``errors`` or more.
    risk : float
        Share of errors allowed, above 0 and below 1.

    Returns
    -------
    bool
        True where the bound lies above ``risk``.

    References
    ----------
    Clopper & Pearson, Biometrika 26, 1934.

    Examples
    --------
    Without a single error it takes 59 pictures to stay within 5 %.

    >>> exceeds(0, 58, 0.05), exceeds(0, 59, 0.05)
    (True, False)
    """
    if errors >= risk * count:
        return True  # so does the share itself
    return chance(errors, count, risk) > UNSURE


def upper_bound(errors: int, count: int, unsure: float = UNSURE) -> float:
    """The share of errors above which so few had too small a chance to be met.

    Parameters
    ----------
    errors : int
        Errors that were counted, at least 0.
    count : int
        Pictures among which they were, ``errors`` or more.
    unsure : float
        How often the bound may fall short, above 0 and below 1; one-sided 95 % unless given.

    Returns
    -------
    float
        0..1; 1 where all are errors, or none was looked at.

    References
    ----------
    Clopper & Pearson, Biometrika 26, 1934.

    Examples
    --------
    >>> round(upper_bound(0, 59), 4)
    0.0495
    """
    if errors == count:
        return 1.0
    chances = _Chances(errors, count)
    low, high = errors / count, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if chances.at_most(middle) > unsure else (low, middle)
    return high
