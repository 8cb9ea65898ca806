"""How the marks of the table of things are drawn by matplotlib; colour only helps."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from autocast.judgement.things import Mark, Pattern, Shape

INK = "#1a1a1a"
SOFT = "#565656"
AROUND = "#757575"
"""What surrounds the pictures, L* 49: near the middle grey on which colour is looked at, and white
on it has a contrast of 4.5 to 1 (the least for text in WCAG 2.2, from memory)."""
ON_IT = "white"
"""Words and ticks on it."""

MARKERS: Mapping[Shape, str] = {
    "circle": "o",
    "square": "s",
    "triangle": "^",
    "diamond": "D",
    "plus": "P",
    "hexagon": "h",
}
"""matplotlib's name of each shape."""
_DASH = 0.6
"""Widths of a line that a length of 1 in a dash is drawn as (project convention)."""


def fraction(mark: Mark, shade: float = 1.0) -> tuple[float, float, float]:
    """The colour as matplotlib takes it; a ``shade`` below 1 is darker, for thin lines."""
    red, green, blue = mark.colour
    return red / 255 * shade, green / 255 * shade, blue / 255 * shade


def line(mark: Mark) -> str | tuple[float, tuple[float, ...]]:
    """The line as matplotlib takes it."""
    return (0.0, tuple(_DASH * length for length in mark.dash)) if mark.dash else "-"


def pattern(name: Pattern, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Where the ink of a pattern falls, in pixels."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    if name == "dots":
        return np.asarray((x % 10 - 5) ** 2 + ((y + 5 * (x // 10 % 2)) % 10 - 5) ** 2 < 4)
    if name == "level":
        return np.asarray(y % 9 < 2)
    if name == "rising":
        return np.asarray((x + y) % 10 < 2)
    if name == "crossed":
        return np.asarray(((x + y) % 14 < 2) | ((x - y) % 14 < 2))
    return np.zeros(shape, dtype=bool)
