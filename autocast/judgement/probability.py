"""A probability moved from one base rate to another."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def at_base_rate(
    probability: ArrayLike, was: ArrayLike, base_rate: ArrayLike
) -> NDArray[np.floating[Any]]:
    """Probabilities (n,) that hold at the base rates ``was``, as they are at ``base_rate``.

    Only the mix of pictures is assumed to differ, not how a picture of one kind
    is scored: the odds are multiplied by the odds of the new base rate over those
    of the old. All lie between 0 and 1.

    References: Saerens, Latinne & Decaestecker, Neural Computation 14, 2002;
    Elkan, IJCAI 2001 (from memory, not verified).
    """
    p, old, new = (np.asarray(v, dtype=np.float64) for v in (probability, was, base_rate))
    evident = p * new / old
    other = (1 - p) * (1 - new) / (1 - old)
    return np.asarray(evident / (evident + other))
