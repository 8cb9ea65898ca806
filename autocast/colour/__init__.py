"""Colour formulas, casts as shifts of light, and the grid of casts that votes are taken over.

The lowest room: numbers in, numbers out, every formula with its source. It
knows nothing of pictures.
"""

from autocast.colour.formulas import (
    D65_WHITE,
    DARKEST_LINEAR,
    QUOTED_AT,
    RGB_TO_XYZ,
    SRGB_PRIMARIES,
    WHITE_XYZ,
    XYZ_TO_RGB,
    Array,
    at_60,
    cast_to_gains,
    cast_to_shift,
    lab_to_linear,
    lightness_to_luminance,
    linear_to_lab,
    linear_to_srgb,
    log_chromaticity,
    requote,
    shift_to_cast,
    srgb_to_linear,
)

__all__ = [
    "D65_WHITE",
    "DARKEST_LINEAR",
    "QUOTED_AT",
    "RGB_TO_XYZ",
    "SRGB_PRIMARIES",
    "WHITE_XYZ",
    "XYZ_TO_RGB",
    "Array",
    "at_60",
    "cast_to_gains",
    "cast_to_shift",
    "lab_to_linear",
    "lightness_to_luminance",
    "linear_to_lab",
    "linear_to_srgb",
    "log_chromaticity",
    "requote",
    "shift_to_cast",
    "srgb_to_linear",
]
