"""Kinds of cast that differ by tone, laid on sRGB-encoded values by colour-science.

The kinds are common practice, no source. Nothing of autocast takes part.
"""

from __future__ import annotations

from collections.abc import Callable

import colour
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

ALONG = np.array([1.0, 0.0, -1.0])
"""Red up, blue down."""


def linear(encoded: ArrayLike) -> Floats:
    return np.asarray(colour.models.eotf_sRGB(np.clip(encoded, 0, 1)), dtype=np.float64)


def encoded(light: ArrayLike) -> Floats:
    return np.asarray(colour.models.eotf_inverse_sRGB(np.clip(light, 0, 1)), dtype=np.float64)


def grey(lightness: ArrayLike) -> Floats:
    """Encoded greys (..., 3) of each L*."""
    luminance = np.asarray(colour.colorimetry.luminance_CIE1976(lightness)) / 100
    return np.repeat(encoded(luminance)[..., None], 3, axis=-1)


KINDS: dict[str, Callable[[Floats, float], Floats]] = {
    "gain in linear light": lambda v, by: encoded(linear(v) * (1 + 0.1 * by * ALONG)),
    "gain on encoded values": lambda v, by: v * (1 + 0.05 * by * ALONG),
    "offset": lambda v, by: v + 4 / 255 * by * ALONG,
    "power": lambda v, by: np.clip(v, 1e-9, 1) ** (1 - 0.05 * by * ALONG),
    "crossed": lambda v, by: v + 6 / 255 * by * ALONG * (2 * v - 1),
}
"""What each kind does to values in 0..1; what strength 1 leaves on greys is published
(tests/published/test_colour.py)."""
