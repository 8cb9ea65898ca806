"""A plain street scene rendered from published reflectances under CIE lights.

Sources:

* observer CIE 1931 2 degree, illuminants CIE A, D50, D65, D75, FL2 and FL11, the
  24-patch chart and CIE test colour samples 13 to 15: as carried by colour-science;
* pavement, canopy, metal and gravel: earthlib.

The camera is balanced to CIE D65 and stays so: XYZ go to linear sRGB without any
adaptation, so that every other light lies over the picture as a cast. Layout,
shading and texture are made up.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import colour
import numpy as np
from numpy.typing import NDArray

from autocast.rendering import spectra

Array = NDArray[np.float64]
Codes = NDArray[np.uint8]

D65 = np.array([0.3127, 0.3290])

_WAVELENGTHS = np.arange(380.0, 781.0, 5.0)

# Name, spectra by (set, name or kind, rank by luminance 0..1), and shading (mean, spread of ln).
_MATERIALS: dict[str, tuple[Sequence[tuple[str, str, float]], float, float]] = {
    "sky": ([("chart", "blue sky", 0)], 0.4, 0.04),
    "cloud": ([("chart", "white 9.5 (.05 D)", 0), ("chart", "neutral 8 (.23 D)", 0)], -0.1, 0.10),
    "wall": ([("chart", "neutral 6.5 (.44 D)", 0), ("chart", "neutral 5 (.70 D)", 0)], 0.1, 0.12),
    "concrete": ([("earth", "sidewalk", 0.4), ("earth", "sidewalk", 0.6)], 0.0, 0.15),
    "road": ([("earth", "road", 0.3), ("earth", "parking_lot", 0.5)], 0.0, 0.20),
    "tree": ([("earth", "canopy", 0.4), ("cie", "TCS14", 0)], -0.1, 0.45),
    "hedge": ([("chart", "foliage", 0), ("earth", "canopy", 0.8)], 0.0, 0.35),
    "face": ([("cie", "TCS13", 0), ("cie", "TCS15", 0)], 0.0, 0.12),
    "hand": ([("chart", "dark skin", 0), ("chart", "light skin", 0)], 0.0, 0.12),
    "metal": ([("earth", "metal", 0.5), ("chart", "neutral 6.5 (.44 D)", 0)], 0.0, 0.15),
    "window": ([("chart", "neutral 3.5 (1.05 D)", 0), ("chart", "black 2 (1.5 D)", 0)], 0.0, 0.2),
}

# Material, top, bottom, left, right as fractions; later ones stand in front.
_BOXES = (
    ("sky", 0.0, 0.40, 0.0, 1.0),
    ("cloud", 0.04, 0.24, 0.12, 0.62),
    ("wall", 0.22, 0.70, 0.0, 0.38),
    ("window", 0.32, 0.52, 0.05, 0.14),
    ("window", 0.32, 0.52, 0.22, 0.31),
    ("concrete", 0.36, 0.68, 0.38, 0.72),
    ("tree", 0.12, 0.68, 0.72, 1.0),
    ("hedge", 0.58, 0.70, 0.0, 0.30),
    ("road", 0.68, 1.0, 0.0, 1.0),
    ("concrete", 0.68, 0.78, 0.0, 1.0),
    ("metal", 0.50, 0.74, 0.42, 0.52),
    ("hand", 0.62, 0.72, 0.55, 0.60),
    ("face", 0.42, 0.62, 0.55, 0.66),
)
_CHART_BOX = (0.80, 0.98, 0.70, 0.98)


def light(name: str) -> Array:
    """Spectral power of a CIE illuminant, on the wavelengths of this module."""
    sd = colour.SDS_ILLUMINANTS[name]
    return np.asarray(np.interp(_WAVELENGTHS, sd.wavelengths, sd.values))


def neutral_under(name: str, lightness: float = 60.0) -> Array:
    """(a*, b*) under a CIE illuminant of a perfect neutral of ``lightness``, CIELAB D65."""
    luminance = float(colour.colorimetry.luminance_CIE1976(lightness)) / 100
    xyz = colour.XYZ_to_Lab(_seen(np.ones((1, len(_WAVELENGTHS))), name)[0] * luminance, D65)
    return np.asarray(xyz, dtype=np.float64)[1:]


@cache
def scene(name: str, width: int = 480, height: int = 320) -> Codes:
    """The scene under a CIE illuminant, sRGB, (height, width, 3) uint8.

    Exposed so that one pixel in two hundred reaches 0.95 of full scale in its
    largest channel; what lies outside sRGB is clipped.
    """
    noise = _noise(height, width)
    xyz = np.zeros((height, width, 3))
    for i, (material, *box) in enumerate(_BOXES):
        rows, columns = _slices(box, height, width)
        listed, mean, spread = _MATERIALS[material]
        seen = _seen(np.array([_reflectance(*which) for which in listed]), name)
        mix = np.clip(0.5 + 0.3 * np.roll(noise, 37 * i + 11)[rows, columns], 0, 1)[..., None]
        shade = np.exp(mean + spread * np.roll(noise, 91 * i)[rows, columns])[..., None]
        xyz[rows, columns] = (seen[0] * mix + seen[-1] * (1 - mix)) * shade
    rows, columns = _slices(_CHART_BOX, height, width)
    patches = _seen(np.array([_reflectance("chart", patch, 0) for patch in _chart_names()]), name)
    tall, wide = xyz[rows, columns].shape[:2]
    y, x = np.arange(tall) * 4 // tall, np.arange(wide) * 6 // wide
    grain = np.exp(0.02 * noise[rows, columns])[..., None]
    xyz[rows, columns] = patches.reshape(4, 6, 3)[y[:, None], x[None, :]] * grain
    linear = xyz @ np.linalg.inv(_srgb_matrix()).T
    linear *= 0.95 / np.quantile(linear.max(axis=-1), 0.995)
    encoded = np.asarray(colour.models.eotf_inverse_sRGB(np.clip(linear, 0, 1)))
    return np.asarray(np.rint(encoded * 255), dtype=np.uint8)


def texture(height: int, width: int, seed: int) -> Array:
    """Noise with mean 0 and deviation 1 in which every octave is equally strong."""
    random = np.random.default_rng(seed)
    total = np.zeros((height, width))
    cell = 1
    while cell <= min(height, width) // 4:
        coarse = random.standard_normal((-(-height // cell), -(-width // cell)))
        total += np.repeat(np.repeat(coarse, cell, axis=0), cell, axis=1)[:height, :width]
        cell *= 2
    return np.asarray((total - total.mean()) / total.std())


@cache
def _noise(height: int, width: int) -> Array:
    return texture(height, width, 20)


def _slices(box: Sequence[float], height: int, width: int) -> tuple[slice, slice]:
    top, bottom, left, right = box
    return (
        slice(round(top * height), round(bottom * height)),
        slice(round(left * width), round(right * width)),
    )


def _srgb_matrix() -> Array:
    space = colour.RGB_COLOURSPACES["sRGB"].copy()
    space.use_derived_matrix_RGB_to_XYZ = True
    return np.asarray(space.matrix_RGB_to_XYZ, dtype=np.float64)


def _seen(reflectance: Array, name: str) -> Array:
    """XYZ (n, 3) of reflectances (n, wavelengths); a perfect white has Y = 1."""
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    bars = np.stack(
        [np.interp(_WAVELENGTHS, cmfs.wavelengths, cmfs.values[:, i]) for i in range(3)], axis=1
    )
    prediction = bars * light(name)[:, None]
    return np.asarray(reflectance @ prediction / prediction[:, 1].sum())


@cache
def _sets() -> dict[str, spectra.Spectra]:
    return {"earth": spectra.earth(), "chart": spectra.chart(), "cie": spectra.cie_samples()}


def _chart_names() -> list[str]:
    return [str(kind) for kind in _sets()["chart"].kind]


@cache
def _reflectance(source: str, kind: str, rank: float) -> Array:
    """The spectrum of a kind that stands at ``rank`` (0..1) when ordered by lightness."""
    chosen = _sets()[source].of(kind).reflectance
    order = np.argsort(chosen.mean(axis=1))
    one = chosen[order[round(rank * (len(order) - 1))]]
    return np.asarray(np.interp(_WAVELENGTHS, spectra.WAVELENGTHS, one))
