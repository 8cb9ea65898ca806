"""Judgement -> the casts by tone that a move takes away, with what a person knows heard in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.correction.moving import APART_BY_CHANCE, shrunk, tone_weights

Floats = NDArray[np.float64]


def heard_in(
    casts: Floats, deviation: Floats, said: Sequence[tuple[float, Floats, Floats]]
) -> tuple[Floats, Floats]:
    """Casts by tone (3, 2) of standard deviations (3,), and both after hints.

    ``said`` holds, for each hint, the L* of its spot, the cast (2,) it reads
    and that cast's covariance (2, 2), at L* 60. The estimate and each hint are
    taken as normal, and combined as by Kalman (1960): an error of the estimate
    is mostly common to all tones, and in a smaller part each tone's own.
    """
    mean = shrunk(casts, deviation)
    own = (2 * APART_BY_CHANCE * deviation) ** 2
    covariance = np.outer(deviation, deviation) + np.diag(own)
    for lightness, cast, spread in said:
        at = tone_weights(np.array([lightness]))[0]
        noise = float(np.trace(spread)) / 2
        gain = covariance @ at / (at @ covariance @ at + noise)
        mean = mean + gain[:, None] * (cast - at @ mean)[None, :]
        covariance = covariance - np.outer(gain, at @ covariance)
    return mean, np.sqrt(np.diag(covariance))


def said_by(witnesses: Sequence[Any]) -> list[tuple[float, Floats, Floats]]:
    """What :func:`heard_in` wants of the hints that a case heard."""
    return [(w.reads.lightness, *w.reading) for w in witnesses]
