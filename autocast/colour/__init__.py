"""Colour formulas, casts as shifts of light, and the grid of casts that votes are taken over.

The lowest room: numbers in, numbers out, every formula with its source. It
knows nothing of pictures.
"""

from autocast.colour.formulas import (
    D65_WHITE as D65_WHITE,
    DARKEST_LINEAR as DARKEST_LINEAR,
    QUOTED_AT as QUOTED_AT,
    RGB_TO_XYZ as RGB_TO_XYZ,
    SRGB_PRIMARIES as SRGB_PRIMARIES,
    WHITE_XYZ as WHITE_XYZ,
    XYZ_TO_RGB as XYZ_TO_RGB,
    Array as Array,
    at_60 as at_60,
    cast_to_gains as cast_to_gains,
    cast_to_shift as cast_to_shift,
    lab_to_linear as lab_to_linear,
    lightness_to_luminance as lightness_to_luminance,
    linear_to_lab as linear_to_lab,
    linear_to_srgb as linear_to_srgb,
    log_chromaticity as log_chromaticity,
    planes_to_lab as planes_to_lab,
    requote as requote,
    shift_to_cast as shift_to_cast,
    srgb_to_linear as srgb_to_linear,
)
