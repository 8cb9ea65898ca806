"""How classes and kinds of evidence are told apart: by name, pattern and marker; colour helps."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

INK = "#1a1a1a"
SOFT = "#565656"
FAINT = "#9a9a9a"


class Look(NamedTuple):
    """Colour (8-bit sRGB), pattern, marker and line of one class or kind of evidence."""

    colour: tuple[int, int, int]
    pattern: str
    marker: str
    line: str | tuple[int, tuple[int, ...]]

    @property
    def fraction(self) -> tuple[float, float, float]:
        """The colour as matplotlib takes it."""
        red, green, blue = self.colour
        return red / 255, green / 255, blue / 255

    @property
    def darker(self) -> tuple[float, float, float]:
        """The colour for thin lines."""
        red, green, blue = self.fraction
        return red * 0.6, green * 0.6, blue * 0.6


# Colours: Okabe & Ito, "Color Universal Design" (2008, from memory, not verified), which
# colour-blind people tell apart; white stands for what should be neutral.
LOOKS = {
    "neutrals": Look((250, 250, 250), "dots", "o", "-"),
    "sky": Look((86, 180, 233), "level", "s", "--"),
    "vegetation": Look((0, 158, 115), "rising", "^", "-."),
    "skin": Look((213, 94, 0), "crossed", "D", ":"),
    "statistics": Look((204, 121, 167), "plain", "P", (0, (6, 2, 1, 2, 1, 2))),
}
OTHER = Look((150, 150, 150), "plain", "h", "-")


def look_of(kind: str) -> Look:
    """The look of a kind of evidence; one for all that are not known here."""
    return LOOKS.get(kind, OTHER)


def pattern(name: str, shape: tuple[int, ...]) -> NDArray[np.bool_]:
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
