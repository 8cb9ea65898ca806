"""Verdict thresholds by risk control, on pictures set aside for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Risks:
    """The shares of error that are allowed (targets of the project's own)."""

    evident_among_clear: float
    clear_among_evident: float
    none_among_cast: float


RISKS = Risks(evident_among_clear=0.05, clear_among_evident=0.15, none_among_cast=0.10)


@dataclass(frozen=True, slots=True)
class Thresholds:
    """``clear`` at or below the one probability, ``cast`` at or above the other."""

    clear_below: float
    cast_above: float

    def verdict(self, probability: Floats) -> NDArray[np.str_]:
        """Verdicts (n,) by probability alone."""
        return np.where(
            probability <= self.clear_below,
            "clear",
            np.where(probability >= self.cast_above, "cast", "ask"),
        )


def choose(probability: Floats, consensus: NDArray[np.str_], risks: Risks) -> Thresholds:
    """The widest ``clear`` and ``cast`` whose errors stay within the risks on these pictures."""
    evident, none = consensus == "evident", consensus == "none"
    candidates = np.unique(probability)
    clear_below = 0.0
    for level in candidates:
        clear = probability <= level
        if (
            evident[clear].mean() <= risks.evident_among_clear
            and clear[evident].mean() <= risks.clear_among_evident
        ):
            clear_below = float(level)
    cast_above = 1.0
    for level in candidates[::-1]:
        cast = probability >= level
        if none[cast].mean() <= risks.none_among_cast:
            cast_above = float(level)
    return Thresholds(clear_below, max(cast_above, clear_below + 1e-6))
