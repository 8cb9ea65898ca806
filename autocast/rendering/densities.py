"""Class densities over log-chromaticity and lightness, made from published spectra.

Spectra are seen by the CIE 1931 2 degree observer under CIE D65, turned into
linear sRGB, broadened by what stands between a surface and a finished
photograph, and counted on a lattice. Run::

    python -m autocast.rendering.densities --to models

The same spectra give the same bytes. The numbers in NUISANCES and the
functions below are common practice, no source, unless a source is named; the
model card repeats them.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Collection, Mapping
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast import colour as formulas
from autocast.judgement.things import KINDS
from autocast.modelstore.files import register
from autocast.modelstore.models import DENSITIES
from autocast.modelstore.storing import write_arrays
from autocast.rendering import spectra
from autocast.rendering.spectra import Spectra

Array = NDArray[np.float64]
Random = np.random.Generator

ORIGIN = -3.0
STEP = 0.05
NODES = 121
LIGHTNESS_BINS = 20

SAMPLES = 400_000
"""Draws per kind; the noise this leaves in a density is below 1 % where it peaks."""
SEED = 20250117
FLOOR = 1e-4
"""Share of each kind's mass spread evenly over the lattice, so that no logarithm is infinite."""
LEAST_LIGHTNESS = 0.05
"""Least density over L*, relative to uniform: lightness alone never rules a kind out."""


class Nuisance(NamedTuple):
    """What broadens a kind between its spectra and a finished photograph.

    ``mired`` and ``mired_spread``: light left after a camera's balancing, along
    the CIE daylight locus, in mired away from D65 (warmer is positive).
    ``veil``: greatest share of haze or gloss of the light's own colour, drawn
    evenly from 0. ``saturation`` and ``saturation_spread``: a camera's rendering
    multiplies log-chromaticity by a lognormal factor with this median.
    ``blur``: standard deviation of the smoothing of the lattice, in u and v.
    ``exposure`` and ``exposure_spread``: mean and standard deviation of ln
    luminance added by exposure and shading.
    """

    mired: float
    mired_spread: float
    veil: float
    saturation: float
    saturation_spread: float
    blur: float
    exposure: float
    exposure_spread: float


# All common practice, no source.
NUISANCES: Mapping[str, Nuisance] = {
    "pavement": Nuisance(0, 12, 0.70, 1.15, 0.20, 0.05, 0.3, 0.5),
    "metal": Nuisance(0, 12, 0.30, 1.15, 0.20, 0.05, 0.0, 0.5),
    "white": Nuisance(3, 10, 0.10, 1.15, 0.20, 0.04, 0.0, 0.0),
    "cloud": Nuisance(0, 8, 0.00, 1.15, 0.20, 0.04, 0.0, 0.0),
    "dark": Nuisance(0, 18, 0.00, 1.15, 0.20, 0.06, 0.0, 0.0),
    "sky": Nuisance(0, 8, 0.00, 1.25, 0.40, 0.05, 0.0, 0.0),
    "vegetation": Nuisance(3, 14, 0.40, 1.10, 0.25, 0.05, 0.2, 0.5),
    "skin": Nuisance(3, 12, 0.20, 1.15, 0.20, 0.05, 0.1, 0.5),
    "else": Nuisance(3, 12, 0.30, 1.15, 0.20, 0.12, 0.1, 0.6),
}

# Kinds of spectra (earthlib's third level) that a class is made of, and their shares.
PAVEMENT_SHARES: Mapping[tuple[str, ...], float] = {
    ("road", "parking_lot", "asphalt"): 0.45,
    ("sidewalk", "bridge", "driveway", "concrete_tile"): 0.45,
    ("gravel",): 0.10,
}
_GREEN = ("canopy",)
_DRY = ("litter", "npv")

DRY_VEGETATION = 0.15
"""Share of vegetation that is dry altogether."""
DRY_AMID_GREEN = 0.2
"""Greatest share, drawn evenly from 0, of dry matter that a green draw is mixed with."""

LARGEST_PAVEMENT_A = 5.0
"""Redder paving (brick, painted walks) is no probable neutral: it belongs to ``else``.
Concrete of the ECOSTRESS library reaches a* 4.9."""

TYPOLOGY_CUTS = (-30.0, 10.0, 28.0, 41.0, 55.0)
"""Individual typology angles, in degrees, between the groups.

Chardon et al. 1991; Del Bino & Bernerd 2013: from memory, not verified; several texts agree.
"""

# CIELAB D65 of galvanised steel, new to oxidised: ECOSTRESS spectral library, values as published.
METAL_LAB = ((62.0, -2.0, 0.1), (58.0, -1.6, -3.4))
METAL_LAB_SPREAD = 1.5

# White paint, paper, marble: a* and b* at L* 90. The chart's white is -0.9, 2.5; white marble
# of the ECOSTRESS library -0.8, 7.9. Centre and spreads: common practice, no source.
WHITE_LAB = (90.0, -0.3, 1.0)
WHITE_A_SPREAD = 0.6
WHITE_B_SPREADS = (1.0, 3.0)

# Share of clouds and snow lit partly by skylight, and how far (mired towards blue).
CLOUD_SKYLIT = 0.35
CLOUD_SKYLIT_MIRED = 20.0
CLOUD_MIRED_LIMITS = (-43.0, 28.0)  # 9000 K and 5500 K under a balance to D65

# Sky: exponents of wavelength in scattered daylight, from hazy to clear (4 is Rayleigh's law),
# share taken from the CIE daylight locus instead, white haze, and how cameras draw blue skies
# towards cyan (median and spread of a lognormal factor on ln R/G, set so that a* lies mostly
# between -5 and +2 and seldom on the magenta side, which is common practice, no source).
SKY_EXPONENTS = (1.0, 4.0)
SKY_FROM_LOCUS = 0.2
SKY_LOCUS_KELVIN = (9000.0, 25000.0)
SKY_HAZE = 0.5
SKY_TO_CYAN = (1.45, 0.30)

# Parts of ``else``: spectra of soils, wood and roofs; saturated samples and paints; and two wide
# bells (centre u, v; spread) for anything at all.
ELSE_EARTH = 0.25
ELSE_SATURATED = 0.20
ELSE_BELLS = ((0.40, 0.10, -0.15, 0.6), (0.15, 0.10, -0.15, 1.2))

_EARTH_KINDS = ("soil", "wood", "wood_shingle", "bark", "sand", "dirt", "comp_shingle", "tile")
_VARIED_KINDS = ("paint", "metal", "other", "char")
_LOCUS_MIRED: Array = np.arange(40.0, 251.0, 1.0)


class Draws(NamedTuple):
    """Log-chromaticities (n, 2) and L* (m,) of one kind, before smoothing."""

    shift: Array
    lightness: Array


@cache
def _weights() -> Array:
    """Tristimulus weights (39, 3) under CIE D65; a perfect reflector is sRGB's white."""
    import colour

    shape = colour.SpectralShape(
        spectra.WAVELENGTHS[0], spectra.WAVELENGTHS[-1], np.diff(spectra.WAVELENGTHS)[0]
    )
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    light = colour.SDS_ILLUMINANTS["D65"].copy().align(shape).values
    weights = np.asarray(observer, dtype=np.float64) * np.asarray(light)[:, None]
    return np.asarray(weights / weights.sum(axis=0) * formulas.WHITE_XYZ, dtype=np.float64)


def linear_srgb(reflectance: Array) -> Array:
    """Linear sRGB of surfaces under CIE D65, as the CIE 1931 2 degree observer sees them.

    Parameters
    ----------
    reflectance : ndarray, (n, 39)
        On :data:`autocast.rendering.spectra.WAVELENGTHS`, 0..1.

    Returns
    -------
    ndarray, (n, 3)
        Unclipped; a perfect reflector is 1, 1, 1.

    References
    ----------
    CIE 15:2018, in steps of 10 nm.
    """
    return np.asarray(reflectance @ _weights() @ formulas.XYZ_TO_RGB.T, dtype=np.float64)


@cache
def _locus() -> Array:
    """Log-chromaticity (211, 2) of CIE daylight (CIE 15:2018) at _LOCUS_MIRED, under D65."""
    import colour

    kelvin = 1e6 / _LOCUS_MIRED
    xy = np.asarray(colour.temperature.CCT_to_xy_CIE_D(kelvin), dtype=np.float64)
    xyz = np.stack([xy[:, 0] / xy[:, 1], np.ones(len(xy)), (1 - xy.sum(1)) / xy[:, 1]], axis=-1)
    logs = formulas.log_chromaticity(xyz @ formulas.XYZ_TO_RGB.T)
    # sRGB's white and the locus at 6504 K differ in the fourth decimal.
    at_white = [np.interp(1e6 / 6504, _LOCUS_MIRED, logs[:, k]) for k in range(2)]
    return logs - np.array(at_white)


def daylight_shift(mired_from_d65: Array) -> Array:
    """Log-chromaticity of daylight under a balance to D65.

    Parameters
    ----------
    mired_from_d65 : ndarray, (...)
        How far from D65; warmer is positive. Clipped to 40 to 250 mired.

    Returns
    -------
    ndarray, (..., 2)
        ln R/G and ln B/G.
    """
    mired = np.clip(mired_from_d65 + 1e6 / 6504, _LOCUS_MIRED[0], _LOCUS_MIRED[-1])
    locus = _locus()
    return np.stack([np.interp(mired, _LOCUS_MIRED, locus[:, k]) for k in range(2)], axis=-1)


def _luminance(rgb: Array) -> Array:
    return np.asarray(rgb @ formulas.RGB_TO_XYZ[1], dtype=np.float64)


def _photographed(rgb: Array, kind: str, random: Random) -> Array:
    """Log-chromaticity (n, 2) of surfaces (n, 3) as finished photographs show them."""
    by = NUISANCES[kind]
    n = len(rgb)
    veil = random.uniform(0, by.veil, (n, 1)) if by.veil else np.zeros((n, 1))
    seen = (1 - veil) * rgb / _luminance(rgb)[:, None] + veil
    light = daylight_shift(random.normal(by.mired, by.mired_spread, n))
    factor = random.lognormal(math.log(by.saturation), by.saturation_spread, (n, 1))
    return (formulas.log_chromaticity(seen) + light) * factor


def _exposed(rgb: Array, kind: str, random: Random) -> Array:
    """L* (n,) of surfaces (n, 3) under varied exposure and shading."""
    by = NUISANCES[kind]
    gain = random.lognormal(by.exposure, by.exposure_spread, len(rgb))
    luminance = np.minimum(_luminance(rgb) * gain, 1)
    grey = np.repeat(luminance[:, None], 3, axis=1)
    return formulas.linear_to_lab(grey)[:, 0]


def _surfaces(rgb: Array, weight: Array, kind: str, n: int, random: Random) -> Draws:
    chosen = rgb[random.choice(len(rgb), n, p=weight / weight.sum())]
    return Draws(_photographed(chosen, kind, random), _exposed(chosen, kind, random))


def _pavement(data: Spectra, random: Random) -> Draws:
    """Asphalt, concrete and stone; within each share every spectrum weighs alike."""
    chosen = data.of(*[kind for group in PAVEMENT_SHARES for kind in group])
    rgb = linear_srgb(chosen.reflectance)
    grey = formulas.linear_to_lab(rgb)[:, 1] <= LARGEST_PAVEMENT_A
    weight = np.zeros(len(chosen))
    for group, share in PAVEMENT_SHARES.items():
        inside = np.isin(chosen.kind, group) & grey
        weight[inside] = share / max(1, int(inside.sum()))
    return _surfaces(rgb, weight, "pavement", SAMPLES, random)


def _vegetation(data: Spectra, random: Random) -> Draws:
    """Canopies with some dry matter among the green, and dry vegetation by itself."""
    green, dry = (linear_srgb(data.of(*kinds).reflectance) for kinds in (_GREEN, _DRY))
    withered = dry[random.integers(len(dry), size=SAMPLES)]
    mixed = random.uniform(0, DRY_AMID_GREEN, (SAMPLES, 1))
    mixed[random.uniform(0, 1, SAMPLES) < DRY_VEGETATION] = 1
    rgb = (1 - mixed) * green[random.integers(len(green), size=SAMPLES)] + mixed * withered
    return Draws(_photographed(rgb, "vegetation", random), _exposed(rgb, "vegetation", random))


def typology_angle(rgb: Array) -> Array:
    """Individual typology angle of skin, atan((L* - 50) / b*).

    Parameters
    ----------
    rgb : ndarray, (n, 3)
        Linear sRGB, as of :func:`linear_srgb`.

    Returns
    -------
    ndarray, (n,)
        Degrees; :data:`TYPOLOGY_CUTS` part the groups.

    References
    ----------
    Chardon et al. 1991, from memory, not verified.
    """
    lab = formulas.linear_to_lab(rgb)
    return np.degrees(np.arctan2(lab[:, 0] - 50, lab[:, 2]))


def typology_group(rgb: Array) -> NDArray[np.int64]:
    """The group of skin by its individual typology angle.

    Parameters
    ----------
    rgb : ndarray, (n, 3)
        Linear sRGB.

    Returns
    -------
    ndarray of int, (n,)
        0 (darkest) to 5 (lightest).
    """
    return np.digitize(typology_angle(rgb), TYPOLOGY_CUTS)


def _skin(data: Spectra, random: Random) -> Draws:
    """Measured skin, each typology group carrying the same mass."""
    rgb = linear_srgb(data.of("skin").reflectance)
    group = typology_group(rgb)
    weight = 1 / np.bincount(group, minlength=len(TYPOLOGY_CUTS) + 1)[group]
    return _surfaces(rgb, weight, "skin", SAMPLES, random)


def _metal(_data: Spectra, random: Random) -> Draws:
    new, oxidised = np.array(METAL_LAB)
    share = random.uniform(0, 1, (SAMPLES, 1))
    lab = (1 - share) * new + share * oxidised
    lab[:, 1:] += random.normal(0, METAL_LAB_SPREAD, (SAMPLES, 2))
    rgb = formulas.lab_to_linear(lab)
    return Draws(_photographed(rgb, "metal", random), _exposed(rgb, "metal", random))


def _white(_data: Spectra, random: Random) -> Draws:
    lightness, a, b = WHITE_LAB
    below, above = WHITE_B_SPREADS
    spread = random.normal(0, 1, (SAMPLES, 2))
    lab = np.stack(
        [
            np.full(SAMPLES, lightness),
            a + WHITE_A_SPREAD * spread[:, 0],
            b + np.where(spread[:, 1] < 0, below, above) * spread[:, 1],
        ],
        axis=-1,
    )
    shift = _photographed(formulas.lab_to_linear(lab), "white", random)
    return Draws(shift, _bell(86, 10, 60, 100, random))


def _cloud(_data: Spectra, random: Random) -> Draws:
    by = NUISANCES["cloud"]
    mired = random.normal(by.mired, by.mired_spread, SAMPLES)
    skylit = random.uniform(0, 1, SAMPLES) < CLOUD_SKYLIT
    mired -= skylit * random.exponential(CLOUD_SKYLIT_MIRED, SAMPLES)
    factor = random.lognormal(math.log(by.saturation), by.saturation_spread, (SAMPLES, 1))
    shift = daylight_shift(np.clip(mired, *CLOUD_MIRED_LIMITS)) * factor
    return Draws(shift, _bell(87, 9, 55, 100, random))


def _dark(_data: Spectra, random: Random) -> Draws:
    """Tyres, tar, black cloth, deep shadow: neutral, with wide noise as dark tones have."""
    neutral = np.ones((SAMPLES, 3))
    noise = random.normal(0, 0.07, (SAMPLES, 2))
    shift = _photographed(neutral, "dark", random) + noise
    return Draws(shift, _bell(19, 8, 1, 35, random))


def _sky(_data: Spectra, random: Random) -> Draws:
    exponent = random.uniform(*SKY_EXPONENTS, SAMPLES)
    steps = np.linspace(*SKY_EXPONENTS, 61)
    scattered = (spectra.WAVELENGTHS / 560.0) ** -steps[:, None] @ _weights()
    logs = formulas.log_chromaticity(scattered @ formulas.XYZ_TO_RGB.T)
    shift = np.stack([np.interp(exponent, steps, logs[:, k]) for k in range(2)], axis=-1)
    cold, warm = (1e6 / kelvin - 1e6 / 6504 for kelvin in SKY_LOCUS_KELVIN[::-1])
    on_locus = daylight_shift(random.uniform(cold, warm, SAMPLES))
    from_locus = random.uniform(0, 1, (SAMPLES, 1)) < SKY_FROM_LOCUS
    blue = np.exp(np.insert(np.where(from_locus, on_locus, shift), 1, 0.0, axis=1))
    haze = random.uniform(0, SKY_HAZE, (SAMPLES, 1))
    hazy = (1 - haze) * blue / _luminance(blue)[:, None] + haze
    seen = _photographed(hazy, "sky", random)
    median, spread = SKY_TO_CYAN
    seen[:, 0] *= random.lognormal(math.log(median), spread, SAMPLES)
    return Draws(seen, _bell(68, 14, 35, 95, random))


def _else(data: Spectra, random: Random) -> Draws:
    draws = []
    patches = [k for k in data.kind[data.study == "chart"] if not k.startswith(_CHART_NEUTRALS)]
    samples = sorted(set(data.kind[data.study == "cqs"].tolist()))
    for share, names in (
        (ELSE_EARTH, _EARTH_KINDS),
        (ELSE_SATURATED, (*patches, *samples, *_VARIED_KINDS)),
    ):
        chosen = data.of(*names)
        # Each kind weighs alike, however many of it were measured.
        kinds, which = np.unique(chosen.kind, return_inverse=True)
        weight = 1 / (np.bincount(which)[which] * len(kinds))
        rgb = np.maximum(linear_srgb(chosen.reflectance), formulas.DARKEST_LINEAR)
        draws.append(_surfaces(rgb, weight, "else", round(share * SAMPLES), random))
    for share, u, v, spread in ELSE_BELLS:
        n = round(share * SAMPLES)
        bell = random.normal(0, spread, (n, 2)) + np.array([u, v])
        draws.append(Draws(bell, random.uniform(0, 100, n)))
    return Draws(
        np.concatenate([d.shift for d in draws]), np.concatenate([d.lightness for d in draws])
    )


_CHART_NEUTRALS = ("white", "neutral", "black")


def _bell(centre: float, spread: float, low: float, high: float, random: Random) -> Array:
    """L* (n,) from a bell cut off at both ends."""
    drawn = random.normal(centre, spread, 2 * SAMPLES)
    return drawn[(drawn >= low) & (drawn <= high)]


_MAKERS: Mapping[str, Callable[[Spectra, Random], Draws]] = {
    "pavement": _pavement,
    "metal": _metal,
    "white": _white,
    "cloud": _cloud,
    "dark": _dark,
    "sky": _sky,
    "vegetation": _vegetation,
    "skin": _skin,
    "else": _else,
}


def _smoothing(n: int, spread: float) -> Array:
    """A matrix (n, n) that smooths by a Gaussian of ``spread`` bins and keeps all mass inside."""
    distance = np.arange(n)[:, None] - np.arange(n)
    kernel = np.exp(-0.5 * (distance / spread) ** 2)
    return np.asarray(kernel / kernel.sum(axis=0), dtype=np.float64)


def _log_density(shift: Array, blur: float) -> NDArray[np.float32]:
    """Logarithm (121, 121) of the density per unit area; draws off the lattice are left out."""
    edges = ORIGIN + STEP * (np.arange(NODES + 1) - 0.5)
    counts, _, _ = np.histogram2d(shift[:, 0], shift[:, 1], bins=(edges, edges))
    smooth = _smoothing(NODES, blur / STEP)
    mass = smooth @ (counts / counts.sum()) @ smooth.T
    mass = (1 - FLOOR) * mass + FLOOR / NODES**2
    return np.asarray(np.log(mass / STEP**2), dtype=np.float32)


def _log_lightness(lightness: Array) -> NDArray[np.float32]:
    """Logarithm of the density (20,) over L* relative to uniform, floored."""
    counts, _ = np.histogram(lightness, bins=LIGHTNESS_BINS, range=(0, 100))
    share = _smoothing(LIGHTNESS_BINS, 1.0) @ (counts / counts.sum())
    return np.asarray(np.log(np.maximum(share * LIGHTNESS_BINS, LEAST_LIGHTNESS)), dtype=np.float32)


def build(hold_out: Collection[str] = ()) -> dict[str, NDArray[np.generic]]:
    """The arrays of densities.npz.

    Parameters
    ----------
    hold_out : collection of str
        Studies whose spectra play no part.

    Returns
    -------
    dict of ndarray
        ``kinds`` (9,) text; ``origin`` (2,) and ``step``: node (i, j) of the lattice
        lies at (u, v) = origin + step (i, j), u = ln R/G, v = ln B/G; ``log_density``
        (9, 121, 121) float32, ln of probability per unit area, each kind's
        integrating to 1; ``lightness`` (9, 20) float32, ln of the density over L* in
        bins of 5, relative to uniform.

    Raises
    ------
    ValueError
        A study is unknown, or a kind would be left without spectra.
    """
    data = spectra.everything().without(hold_out)
    densities, lightness = [], []
    for number, kind in enumerate(KINDS):
        # One stream per kind, so that holding out a study leaves the others' draws alone.
        random = np.random.default_rng([SEED, number])
        try:
            draws = _MAKERS[kind](data, random)
        except ValueError as error:
            raise ValueError(f"no spectra are left for {kind}; hold out less") from error
        densities.append(_log_density(draws.shift, NUISANCES[kind].blur))
        lightness.append(_log_lightness(draws.lightness))
    return {
        "kinds": np.array(KINDS),
        "origin": np.array([ORIGIN, ORIGIN]),
        "step": np.array(STEP),
        "log_density": np.stack(densities),
        "lightness": np.stack(lightness),
    }


def write(folder: Path) -> str:
    """Write densities.npz into a folder and register it.

    Parameters
    ----------
    folder : Path
        A folder of model files.

    Returns
    -------
    str
        The new model id.
    """
    write_arrays(folder / DENSITIES, build())
    return register(
        folder,
        DENSITIES,
        made_by="python -m autocast.rendering.densities --to models",
        what="densities of nine kinds of thing over log-chromaticity and lightness, from spectra",
    )


def main() -> None:
    """Render the class densities from the command line."""
    parser = argparse.ArgumentParser(description="Make densities.npz from published spectra.")
    parser.add_argument("--to", type=Path, required=True, help="folder to write into")
    folder = parser.parse_args().to
    print(f"{folder / DENSITIES} written; the model is now {write(folder)}")


if __name__ == "__main__":
    main()
