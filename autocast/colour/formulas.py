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
    """Decode sRGB values to linear light.

    Parameters
    ----------
    encoded : array_like
        sRGB-encoded values, 0..1; odd-symmetric below 0.

    Returns
    -------
    ndarray
        Linear light of the same shape, white = 1.

    References
    ----------
    IEC 61966-2-1:1999.
    """
    v = np.asarray(encoded, dtype=np.float64)
    size = np.abs(v)
    linear = np.asarray(size + 0.055)
    linear /= 1.055
    linear **= 2.4
    np.divide(size, 12.92, out=linear, where=size <= 0.04045)
    return np.copysign(linear, v)


def linear_to_srgb(linear: ArrayLike) -> Array:
    """Encode linear light as sRGB values.

    Parameters
    ----------
    linear : array_like
        Linear light, white = 1; odd-symmetric below 0.

    Returns
    -------
    ndarray
        sRGB-encoded values of the same shape, 0..1 for light of 0..1.

    References
    ----------
    IEC 61966-2-1:1999.
    """
    v = np.asarray(linear, dtype=np.float64)
    size = np.abs(v)
    encoded = np.asarray(size ** (1 / 2.4))
    encoded *= 1.055
    encoded -= 0.055
    np.multiply(size, 12.92, out=encoded, where=size <= 0.0031308)
    return np.copysign(encoded, v)


def linear_to_lab(linear: ArrayLike) -> Array:
    """Convert linear sRGB to CIELAB D65.

    Parameters
    ----------
    linear : (..., 3) array_like
        Linear sRGB, white = 1; may lie outside 0..1.

    Returns
    -------
    (..., 3) ndarray
        L* (0..100 for light of 0..1), a* and b*. Equal channels give a* = b* = 0 to 1e-9.

    References
    ----------
    CIE 15:2018.

    Examples
    --------
    A grey card of 18 % lies half way to white and has no colour (0.0 is added to drop
    the sign of a zero).

    >>> linear_to_lab([0.18, 0.18, 0.18]).round(2) + 0.0
    array([49.5,  0. ,  0. ])
    """
    planes = np.moveaxis(np.asarray(linear, dtype=np.float64), -1, 0)
    return np.moveaxis(planes_to_lab(planes), 0, -1)


def planes_to_lab(linear: Array) -> Array:
    """As :func:`linear_to_lab`, of channels that lie one after the other, which is quicker.

    Parameters
    ----------
    linear : (3, ...) ndarray
        Linear sRGB, white = 1; may lie outside 0..1.

    Returns
    -------
    (3, ...) ndarray
        L* (0..100 for light of 0..1), a* and b*.

    References
    ----------
    CIE 15:2018.
    """
    relative = _RGB_TO_RELATIVE @ linear.reshape(3, -1)
    f = np.cbrt(relative)
    # Few pixels are dark: they alone take the straight line.
    dark = np.nonzero(relative <= _EPSILON)
    f[dark] = (_KAPPA * relative[dark] + 16) / 116
    lab = np.empty_like(f)
    np.subtract(116 * f[1], 16, out=lab[0])
    np.multiply(500, f[0] - f[1], out=lab[1])
    np.multiply(200, f[1] - f[2], out=lab[2])
    return lab.reshape(linear.shape)


def lab_to_linear(lab: ArrayLike) -> Array:
    """Convert CIELAB D65 to linear sRGB.

    Parameters
    ----------
    lab : (..., 3) array_like
        L*, a* and b*.

    Returns
    -------
    (..., 3) ndarray
        Linear sRGB, white = 1, unclipped: outside 0..1 where sRGB does not hold the colour.

    References
    ----------
    CIE 15:2018.
    """
    values = np.asarray(lab, dtype=np.float64)
    fy = (values[..., 0] + 16) / 116
    f = np.stack([fy + values[..., 1] / 500, fy, fy - values[..., 2] / 200], axis=-1)
    cubed = f**3
    relative = np.where(cubed > _EPSILON, cubed, (116 * f - 16) / _KAPPA)
    return np.asarray((relative * WHITE_XYZ) @ XYZ_TO_RGB.T, dtype=np.float64)


def lightness_to_luminance(lightness: ArrayLike) -> Array:
    """Luminance of a CIE L*.

    Parameters
    ----------
    lightness : array_like
        L*; above 100 it is brighter than white.

    Returns
    -------
    ndarray
        Luminance Y of the same shape, white = 1.

    References
    ----------
    CIE 15:2018.
    """
    value = np.asarray(lightness, dtype=np.float64)
    return np.where(value > 8, ((value + 16) / 116) ** 3, value / _KAPPA)


def log_chromaticity(linear: ArrayLike) -> Array:
    """Log-chromaticity of linear sRGB.

    Parameters
    ----------
    linear : (..., 3) array_like
        Linear sRGB, white = 1; each channel is held at :data:`DARKEST_LINEAR` or above.

    Returns
    -------
    (..., 2) ndarray
        ln R/G and ln B/G; 0 for greys.
    """
    logs = np.log(np.maximum(np.asarray(linear, dtype=np.float64), DARKEST_LINEAR))
    return np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)


def cast_to_shift(cast: ArrayLike, lightness: float = QUOTED_AT) -> Array:
    """The log-chromaticity shift that lays a cast on a neutral.

    Parameters
    ----------
    cast : (..., 2) array_like
        a*, b* that the neutral shall read.
    lightness : float, optional
        L* of the neutral.

    Returns
    -------
    (..., 2) ndarray
        Shifts of ln R/G and ln B/G. NaN where no positive light lays the cast: its
        colour lies outside sRGB's triangle.

    Examples
    --------
    A warm cast raises red and lowers blue, and is got back from its shift.

    >>> shift = cast_to_shift([4.0, 10.0])
    >>> shift.round(3)
    array([ 0.251, -0.232])
    >>> shift_to_cast(shift).round(6)
    array([ 4., 10.])
    """
    ab = np.asarray(cast, dtype=np.float64)
    lab = np.concatenate([np.full((*ab.shape[:-1], 1), lightness), ab], axis=-1)
    rgb = lab_to_linear(lab)
    good = np.asarray((rgb > 0).all(axis=-1))
    logs = np.log(np.where(good[..., None], rgb, np.nan))
    return np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)


def shift_to_cast(shift: ArrayLike, lightness: float = QUOTED_AT) -> Array:
    """The cast that a neutral reads under a shift of light.

    Parameters
    ----------
    shift : (..., 2) array_like
        Shifts of ln R/G and ln B/G.
    lightness : float, optional
        L* of the neutral, which the shift leaves as it is.

    Returns
    -------
    (..., 2) ndarray
        a*, b* at that L*.

    Examples
    --------
    The same light reads the weaker the darker the neutral; see :func:`requote`.

    >>> shift_to_cast(cast_to_shift([4.0, 10.0]), 22.0).round(6)
    array([2., 5.])
    """
    s = np.asarray(shift, dtype=np.float64)
    gains = np.stack([np.exp(s[..., 0]), np.ones(s.shape[:-1]), np.exp(s[..., 1])], axis=-1)
    luminance = gains @ RGB_TO_XYZ[1]
    lab = linear_to_lab(gains / luminance[..., None] * lightness_to_luminance(lightness))
    return lab[..., 1:]


def cast_to_gains(cast: ArrayLike) -> Array:
    """Gains of linear light that lay a cast and keep the luminance of a neutral.

    Parameters
    ----------
    cast : (2,) array_like
        a*, b* at L* 60.

    Returns
    -------
    (3,) ndarray
        Factors of linear R, G and B, above 0; their luminance is 1.

    Raises
    ------
    ValueError
        No positive light lays the cast.
    """
    shift = cast_to_shift(cast)
    if not np.isfinite(shift).all():
        raise ValueError("no positive light lays this cast")
    gains = np.array([np.exp(shift[0]), 1.0, np.exp(shift[1])])
    return gains / float(gains @ RGB_TO_XYZ[1])


def requote(cast: ArrayLike, at: ArrayLike, quoted: ArrayLike = QUOTED_AT) -> Array:
    """Quote a cast of linear light at another L*.

    Under one gain per channel C*/(L* + 16) is the same at every L* above 8, which
    follows from the formulas of CIELAB.

    Parameters
    ----------
    cast : array_like
        a*, b*, or a distance in them, at L* ``quoted``.
    at : array_like
        L* to quote it at; broadcast against ``cast``.
    quoted : array_like, optional
        L* that it is quoted at; broadcast against ``cast``.

    Returns
    -------
    ndarray
        The same at L* ``at``.

    References
    ----------
    CIE 15:2018.

    Examples
    --------
    >>> requote([4.0, 10.0], at=22.0)
    array([2., 5.])
    """
    to, from_ = np.asarray(at, dtype=np.float64), np.asarray(quoted, dtype=np.float64)
    return np.asarray(cast, dtype=np.float64) * ((to + 16) / (from_ + 16))


def at_60(lab: ArrayLike) -> Array:
    """Quote colours at L* 60.

    Parameters
    ----------
    lab : (..., 3) array_like
        CIELAB D65; L* below 0 counts as 0.

    Returns
    -------
    (..., 2) ndarray
        a*, b* at L* 60.
    """
    values = np.asarray(lab, dtype=np.float64)
    return requote(values[..., 1:], QUOTED_AT, np.maximum(values[..., :1], 0))
