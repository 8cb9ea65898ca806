"""Colour formulas: sRGB, CIELAB, log-chromaticity and casts as shifts of light.

Conventions, for every function here:

* linear sRGB and XYZ are relative to white = 1; channels lie on the last axis;
* CIELAB is that of CIE 15:2018 with the white point of sRGB (CIE D65, 2 degree
  observer, x 0.3127, y 0.3290);
* a *cast* is quoted as the (a*, b*) that a surface which should be neutral
  reads at L* 60, unless another lightness is named;
* *log-chromaticity* is (ln R/G, ln B/G) of linear sRGB. A change of light that
  acts as one gain per channel is a shift in it (the von Kries model).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# IEC 61966-2-1:1999 (sRGB): primaries and white point, as (x, y).
SRGB_PRIMARIES = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
D65_WHITE = (0.3127, 0.3290)

# CIE 15:2018, the exact rationals of CIELAB.
_EPSILON = 216 / 24389
_KAPPA = 24389 / 27

QUOTED_AT = 60.0
"""L* at which a cast over the whole picture is quoted."""

DARKEST_LINEAR = 1e-4
"""Floor under linear light before a logarithm is taken (half an 8-bit code)."""


def _rgb_to_xyz_matrix() -> Array:
    """Derive the sRGB matrix from the primaries, so that greys are exact."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in SRGB_PRIMARIES]).T
    x, y = D65_WHITE
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    return np.asarray(columns * np.linalg.solve(columns, white), dtype=np.float64)


RGB_TO_XYZ: Array = _rgb_to_xyz_matrix()
XYZ_TO_RGB: Array = np.asarray(np.linalg.inv(RGB_TO_XYZ), dtype=np.float64)
WHITE_XYZ: Array = RGB_TO_XYZ.sum(axis=1)
_RGB_TO_RELATIVE: Array = RGB_TO_XYZ / WHITE_XYZ[:, None]


def srgb_to_linear(encoded: ArrayLike) -> Array:
    """Decode sRGB values (0..1; odd-symmetric below 0) to linear light.

    Source: IEC 61966-2-1:1999.
    """
    v = np.asarray(encoded, dtype=np.float64)
    size = np.abs(v)
    return np.sign(v) * np.where(size <= 0.04045, size / 12.92, ((size + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: ArrayLike) -> Array:
    """Encode linear light as sRGB values, odd-symmetric below 0.

    Source: IEC 61966-2-1:1999.
    """
    v = np.asarray(linear, dtype=np.float64)
    size = np.abs(v)
    return np.sign(v) * np.where(size <= 0.0031308, size * 12.92, 1.055 * size ** (1 / 2.4) - 0.055)


def linear_to_lab(linear: ArrayLike) -> Array:
    """Convert linear sRGB (..., 3) to CIELAB D65 (..., 3).

    Source: CIE 15:2018. Equal channels give a* = b* = 0 exactly to 1e-9.
    """
    relative = np.asarray(linear, dtype=np.float64) @ _RGB_TO_RELATIVE.T
    f = np.where(relative > _EPSILON, np.cbrt(relative), (_KAPPA * relative + 16) / 116)
    return np.stack(
        [
            116 * f[..., 1] - 16,
            500 * (f[..., 0] - f[..., 1]),
            200 * (f[..., 1] - f[..., 2]),
        ],
        axis=-1,
    )


def lab_to_linear(lab: ArrayLike) -> Array:
    """Convert CIELAB D65 (..., 3) to linear sRGB (..., 3), unclipped.

    Source: CIE 15:2018.
    """
    values = np.asarray(lab, dtype=np.float64)
    fy = (values[..., 0] + 16) / 116
    f = np.stack([fy + values[..., 1] / 500, fy, fy - values[..., 2] / 200], axis=-1)
    cubed = f**3
    relative = np.where(cubed > _EPSILON, cubed, (116 * f - 16) / _KAPPA)
    return np.asarray((relative * WHITE_XYZ) @ XYZ_TO_RGB.T, dtype=np.float64)


def lightness_to_luminance(lightness: ArrayLike) -> Array:
    """Luminance Y (white = 1) of a CIE L*. Source: CIE 15:2018."""
    value = np.asarray(lightness, dtype=np.float64)
    return np.where(value > 8, ((value + 16) / 116) ** 3, value / _KAPPA)


def log_chromaticity(linear: ArrayLike) -> Array:
    """(ln R/G, ln B/G) of linear sRGB (..., 3) -> (..., 2), floored in the dark."""
    logs = np.log(np.maximum(np.asarray(linear, dtype=np.float64), DARKEST_LINEAR))
    return np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)


def cast_to_shift(cast: ArrayLike, lightness: float = QUOTED_AT) -> Array:
    """The log-chromaticity shift that lays a cast (..., 2) on a neutral of ``lightness``.

    NaN where no positive light does that (the colour lies outside sRGB's triangle).
    """
    ab = np.asarray(cast, dtype=np.float64)
    lab = np.concatenate([np.full((*ab.shape[:-1], 1), lightness), ab], axis=-1)
    rgb = lab_to_linear(lab)
    good = np.asarray((rgb > 0).all(axis=-1))
    logs = np.log(np.where(good[..., None], rgb, np.nan))
    return np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)


def shift_to_cast(shift: ArrayLike, lightness: float = QUOTED_AT) -> Array:
    """The (a*, b*) that a neutral of ``lightness`` reads under a shift (..., 2)."""
    s = np.asarray(shift, dtype=np.float64)
    gains = np.stack([np.exp(s[..., 0]), np.ones(s.shape[:-1]), np.exp(s[..., 1])], axis=-1)
    luminance = gains @ RGB_TO_XYZ[1]
    lab = linear_to_lab(gains / luminance[..., None] * lightness_to_luminance(lightness))
    return lab[..., 1:]


def cast_to_gains(cast: ArrayLike) -> Array:
    """Linear-light gains (3,) that lay a cast (2,), luminance of a neutral kept.

    Raises ValueError when no positive light lays that cast.
    """
    shift = cast_to_shift(cast)
    if not np.isfinite(shift).all():
        raise ValueError("no positive light lays this cast")
    gains = np.array([np.exp(shift[0]), 1.0, np.exp(shift[1])])
    return gains / float(gains @ RGB_TO_XYZ[1])


def requote(cast: ArrayLike, at: ArrayLike, quoted: ArrayLike = QUOTED_AT) -> Array:
    """Quote a cast of linear light at another L*.

    Under one gain per channel C*/(L* + 16) is the same at every L* above 8,
    which follows from the CIELAB formulas (CIE 15:2018).
    """
    to, from_ = np.asarray(at, dtype=np.float64), np.asarray(quoted, dtype=np.float64)
    return np.asarray(cast, dtype=np.float64) * ((to + 16) / (from_ + 16))


def at_60(lab: ArrayLike) -> Array:
    """(a*, b*) of colours (..., 3), each quoted at L* 60; L* below 0 counts as 0."""
    values = np.asarray(lab, dtype=np.float64)
    return requote(values[..., 1:], QUOTED_AT, np.maximum(values[..., :1], 0))
