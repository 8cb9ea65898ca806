"""Lights and observers: how spectra become linear sRGB, balanced to the light of a scene.

* Lights: CIE illuminants, daylights and blackbodies (CIE 15:2018), as
  colour-science carries and computes them.
* Observers: the CIE 1931 2 degree observer, and the two cameras whose measured
  sensitivities colour-science carries (Darrodi, Finlayson, Goodman & Mackiewicz,
  J. Opt. Soc. Am. A 32, 2015). A camera's balanced responses go to linear sRGB by
  the 3 x 3 matrix that fits the 24-patch chart under CIE D65 best in least
  squares while white stays white (Finlayson & Drew, J. Electronic Imaging 6,
  1997, from memory, not verified). The observer is balanced by the Bradford
  transform (as in ICC.1:2022, annex E, from memory, not verified).

Balancing is one gain per channel of the responses, so every grey that is lit by
the light of the scene is grey exactly, whoever sees it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast import colour as formulas
from autocast.rendering import spectra

Array = NDArray[np.float64]

NANOMETRES: Array = np.arange(380.0, 781.0, 5.0)
"""Lights and observers are summed in steps of 5 nm (CIE 15:2018)."""

OBSERVER = "CIE 1931"
EYES = (OBSERVER, "Nikon 5100 (NPL)", "Sigma SDMerill (NPL)")
"""The observer, and the cameras by the names that colour-science gives them."""

NAMED: Mapping[str, tuple[str, ...]] = {
    "outdoor": ("D50", "D55", "D65", "D75"),
    "indoor": (
        *("A", "FL2", "FL7", "FL11"),
        *("LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-BH1", "LED-V1", "LED-V2"),
    ),
}
"""CIE illuminants by where they are met (project convention)."""

DAYLIGHT_KELVIN = (4300.0, 9000.0)
"""Sun with sky, from low sun to a dull day; CIE daylight starts at 4000 K."""
LAMP_KELVIN = (2400.0, 4000.0)
SKYLIGHT_KELVIN = (7500.0, 15000.0)
"""Blue sky with more or less haze (common practice, no source)."""
SKY_IN_SHADOW = (0.4, 0.9)
"""Share of the sky in the light of open shadow (common practice, no source)."""
RANDOM_SHARE = 0.5
"""Share of lights of random temperature, the others being CIE illuminants."""

_DAYLIGHT_MIRED: Array = np.arange(40.0, 250.5, 5.0)


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """A light's name and its spectral power (81,) on NANOMETRES, luminance 1."""

    name: str
    power: Array


@dataclass(frozen=True, slots=True, eq=False)
class Eye:
    """Sensitivities (81, 3), and the matrix (3, 3) from balanced responses to linear sRGB."""

    name: str
    sensitivity: Array
    matrix: Array


@dataclass(frozen=True, slots=True, eq=False)
class Lighting:
    """Who sees, under which light, and the skylight that reaches the shadows."""

    eye: Eye
    light: Light
    skylight: Light
    fill: float

    def seen(self, reflectance: Array) -> Array:
        """How surfaces look in full light.

        Parameters
        ----------
        reflectance : ndarray, (n, 39)
            On :data:`autocast.rendering.spectra.WAVELENGTHS`, 0..1.

        Returns
        -------
        ndarray, (n, 3)
            Linear sRGB; a perfect white is 1, 1, 1.
        """
        return self.glow(_fine(reflectance) * self.light.power)

    def shaded(self, reflectance: Array) -> Array:
        """How surfaces look in shadow, where the skylight alone arrives, ``fill`` as strong.

        Parameters
        ----------
        reflectance : ndarray, (n, 39)
            As for :meth:`seen`.

        Returns
        -------
        ndarray, (n, 3)
            Linear sRGB; a perfect white in full light is 1, 1, 1.
        """
        return self.glow(_fine(reflectance) * self.skylight.power) * self.fill

    def glow(self, power: Array) -> Array:
        """What shines by itself.

        Parameters
        ----------
        power : ndarray, (n, 81)
            Radiances on :data:`NANOMETRES`, luminance 1 as a perfect white in full light.

        Returns
        -------
        ndarray, (n, 3)
            Linear sRGB; a perfect white in full light is 1, 1, 1.
        """
        white = self.light.power @ self.eye.sensitivity
        return np.asarray(power @ self.eye.sensitivity / white @ self.eye.matrix.T)


def named_light(name: str) -> Light:
    """A CIE illuminant.

    Parameters
    ----------
    name : str
        As colour-science names it.

    Returns
    -------
    Light
        Of luminance 1.

    Raises
    ------
    KeyError
        No illuminant is called so.
    """
    import colour

    return _light(name, _on_grid(colour.SDS_ILLUMINANTS[name]))


def daylight(kelvin: float) -> Light:
    """CIE daylight.

    Parameters
    ----------
    kelvin : float
        Correlated colour temperature; taken to lie within 4000 to 25000 K.

    Returns
    -------
    Light
        Of luminance 1, interpolated between tabulated ones by mired.

    References
    ----------
    CIE 15:2018.
    """
    mired = np.clip(1e6 / kelvin, _DAYLIGHT_MIRED[0], _DAYLIGHT_MIRED[-1])
    place = float((mired - _DAYLIGHT_MIRED[0]) / 5)
    low = min(int(place), len(_DAYLIGHT_MIRED) - 2)
    part = place - low
    power = (1 - part) * _daylights()[low] + part * _daylights()[low + 1]
    return _light(f"daylight {kelvin:.0f} K", power)


def blackbody(kelvin: float) -> Light:
    """A blackbody, by Planck's law.

    Parameters
    ----------
    kelvin : float
        Its temperature.

    Returns
    -------
    Light
        Of luminance 1.
    """
    import colour

    power = colour.colorimetry.planck_law(NANOMETRES * 1e-9, kelvin)
    return _light(f"blackbody {kelvin:.0f} K", np.asarray(power, dtype=np.float64).ravel())


def any_light(rng: np.random.Generator, where: str) -> Light:
    """A light as it is met somewhere: a CIE illuminant, or one of random warmth.

    Parameters
    ----------
    rng : numpy.random.Generator
        The source of chance.
    where : str
        ``outdoor`` or ``indoor``.

    Returns
    -------
    Light
        Of luminance 1.
    """
    if rng.random() >= RANDOM_SHARE:
        return named_light(str(rng.choice(NAMED[where])))
    # Even in mired, which is nearly even to the eye.
    if where == "outdoor" or rng.random() < 0.3:
        return daylight(_kelvin(rng, DAYLIGHT_KELVIN))
    return blackbody(_kelvin(rng, LAMP_KELVIN))


def any_skylight(rng: np.random.Generator, light: Light) -> Light:
    """What reaches open shadow: a blue sky, and the light returned by what stands about.

    Parameters
    ----------
    rng : numpy.random.Generator
        The source of chance.
    light : Light
        The light of the scene.

    Returns
    -------
    Light
        Of luminance 1.
    """
    share = rng.uniform(*SKY_IN_SHADOW)
    sky = daylight(_kelvin(rng, SKYLIGHT_KELVIN)).power
    return _light("skylight", share * sky + (1 - share) * light.power)


def luminance(power: Array) -> Array:
    """Relative luminance of spectral power.

    Parameters
    ----------
    power : ndarray, (..., 81)
        On :data:`NANOMETRES`.

    Returns
    -------
    ndarray, (...)
        Equal energy of 1 gives 1.
    """
    bar = _observer()[:, 1]
    return np.asarray(power @ bar / bar.sum())


@cache
def eye(name: str) -> Eye:
    """The observer or a camera.

    Parameters
    ----------
    name : str
        One of :data:`EYES`.

    Returns
    -------
    Eye
        Its sensitivities and its matrix.

    Raises
    ------
    KeyError
        No observer and no camera is called so.
    """
    if name == OBSERVER:
        import colour

        bradford = np.asarray(colour.adaptation.CAT_BRADFORD, dtype=np.float64)
        white = bradford @ formulas.WHITE_XYZ
        matrix = formulas.XYZ_TO_RGB @ np.linalg.inv(bradford) @ np.diag(white)
        return Eye(name, _observer() @ bradford.T, matrix)
    sensitivity = _camera(name)
    patches = spectra.chart().reflectance
    target = _under_d65(eye(OBSERVER), patches)
    raw = _under_d65(Eye(name, sensitivity, np.eye(3)), patches)
    # Each row of the matrix sums to 1: its last entry is what the first two leave.
    free, *_ = np.linalg.lstsq(raw[:, :2] - raw[:, 2:], target - raw[:, 2:], rcond=None)
    return Eye(name, sensitivity, np.vstack([free, 1 - free.sum(axis=0)]).T)


def _under_d65(who: Eye, reflectance: Array) -> Array:
    light = named_light("D65")
    return Lighting(who, light, light, 1.0).seen(reflectance)


def _light(name: str, power: Array) -> Light:
    return Light(name, power / float(luminance(power)))


def _kelvin(rng: np.random.Generator, limits: tuple[float, float]) -> float:
    return float(1e6 / rng.uniform(1e6 / limits[1], 1e6 / limits[0]))


def _on_grid(distribution: Any) -> Array:
    """A spectral distribution on NANOMETRES, linear between and nothing beyond its ends."""
    values = np.asarray(distribution.values, dtype=np.float64)
    columns = values.reshape(len(values), -1).T
    rows = [
        np.interp(NANOMETRES, distribution.wavelengths, c, left=0.0, right=0.0) for c in columns
    ]
    return np.array(rows).T.squeeze()


@cache
def _daylights() -> Array:
    """Power of CIE daylight (43, 81) at _DAYLIGHT_MIRED, luminance 1."""
    import colour

    rows = []
    for kelvin in 1e6 / _DAYLIGHT_MIRED:
        xy = colour.temperature.CCT_to_xy_CIE_D(kelvin)
        power = _on_grid(colour.sd_CIE_illuminant_D_series(xy))
        rows.append(power / luminance(power))
    return np.array(rows)


@cache
def _observer() -> Array:
    import colour

    return _on_grid(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])


@cache
def _camera(name: str) -> Array:
    import colour

    return _on_grid(colour.MSDS_CAMERA_SENSITIVITIES[name])


@cache
def _finer() -> Array:
    """The matrix (39, 81) that interpolates reflectances linearly onto NANOMETRES."""
    unit = np.eye(len(spectra.WAVELENGTHS))
    return np.array([np.interp(NANOMETRES, spectra.WAVELENGTHS, row) for row in unit])


def _fine(reflectance: Array) -> Array:
    return np.asarray(reflectance @ _finer())
