"""A probability moved from one base rate to another."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def at_base_rate(
    probability: ArrayLike, was: ArrayLike, base_rate: ArrayLike
) -> NDArray[np.floating[Any]]:
    """Probabilities moved from one base rate to another.

    Only the mix of pictures is assumed to differ, not how a picture of one kind
    is scored: the odds are multiplied by the odds of the new base rate over those
    of the old.

    Parameters
    ----------
    probability : array_like
        Probabilities that hold at the base rate ``was``, 0..1.
    was : array_like
        Base rate that they hold at, above 0 and below 1.
    base_rate : array_like
        Base rate wanted, above 0 and below 1.

    Returns
    -------
    ndarray
        Probabilities at ``base_rate``, 0..1; the three are broadcast.

    References
    ----------
    Saerens, Latinne & Decaestecker, Neural Computation 14, 2002; Elkan, IJCAI 2001
    (from memory, not verified).

    Examples
    --------
    Among fewer evident casts the same picture is less likely to be one.

    >>> at_base_rate([0.2, 0.5, 0.9], was=0.5, base_rate=0.1).round(3)
    array([0.027, 0.1  , 0.5  ])
    """
    p, old, new = (np.asarray(v, dtype=np.float64) for v in (probability, was, base_rate))
    evident = p * new / old
    other = (1 - p) * (1 - new) / (1 - old)
    return np.asarray(evident / (evident + other))
