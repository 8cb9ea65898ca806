"""What a caller gives, of whatever type: as a number, or not at all."""

from __future__ import annotations

import math
from numbers import Real


def number(value: object) -> float:
    """A real number as a float, infinite where it is too large for one; NaN for anything else."""
    if not isinstance(value, Real):
        return math.nan
    try:
        return float(value)
    except OverflowError:
        return math.inf


def is_number(value: object) -> bool:
    """Whether it is a finite real number."""
    return math.isfinite(number(value))
