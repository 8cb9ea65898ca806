"""The class densities: facts of the trade (common practice, no source), and the file itself.

What others published is held in tests/published/test_densities.py. "X is more
likely than Y" compares densities over log-chromaticity alone.
"""

from __future__ import annotations

import numpy as np
import pytest

from autocast import colour as formulas
from autocast.judgement import things
from autocast.rendering import densities as render, spectra
from tests.densities import FILE, KINDS, Lab, log_density, most_likely

# Facts of the trade (common practice, no source) ----------------------------------------------


def test_sky_leans_to_green_and_seldom_to_magenta() -> None:
    at_minus_two = log_density("sky", (60.0, -2.0, -25.0))
    assert most_likely((60.0, -2.0, -25.0)) == "sky"
    assert log_density("sky", (60.0, 8.0, -25.0)) < at_minus_two - 3
    assert log_density("sky", (60.0, 8.0, -25.0)) < log_density("else", (60.0, 8.0, -25.0))
    for a in (5.0, 10.0):
        assert log_density("sky", (60.0, -a, -25.0)) > log_density("sky", (60.0, a, -25.0)) + 1


@pytest.mark.parametrize("a", [-5.0, -2.0, 0.0, 2.0])
@pytest.mark.parametrize("b", [-20.0, -27.0, -35.0])
def test_usual_skies_are_sky_before_anything_else(a: float, b: float) -> None:
    assert most_likely((65.0, a, b)) == "sky"


@pytest.mark.parametrize("b", [5.0, 15.0])
def test_sky_is_never_yellow(b: float) -> None:
    assert log_density("sky", (65.0, 0.0, b)) < log_density("else", (65.0, 0.0, b)) - 2


def test_grey_surfaces_may_be_warm_but_hardly_green_or_blue() -> None:
    warm = log_density("pavement", (57.0, 1.0, 5.0))
    assert log_density("pavement", (57.0, -6.0, 5.0)) < warm - 3
    # A camera may draw pavement grey, so blue is less far out than green.
    assert log_density("pavement", (57.0, 0.0, -6.0)) < warm - 2.5
    assert log_density("pavement", (57.0, 2.0, 10.0)) > warm - 2
    assert log_density("pavement", (57.0, -3.0, 3.0)) < log_density("pavement", (57.0, 3.0, 3.0))


def test_clouds_may_be_slightly_blue_but_not_green_or_magenta() -> None:
    blue = log_density("cloud", (80.0, 0.0, -6.0))
    for a in (-6.0, 6.0):
        assert log_density("cloud", (80.0, a, 0.0)) < blue - 2


def test_foliage_has_a_negative_and_b_larger() -> None:
    leaf = log_density("vegetation", (45.0, -10.0, 22.0))
    assert log_density("vegetation", (45.0, -20.0, 2.0)) < leaf - 3
    assert log_density("vegetation", (45.0, -10.0, -10.0)) < leaf - 5


@pytest.mark.parametrize("lab", [(51.0, 7.0, 20.0), (62.0, 3.0, 12.0)])
def test_dry_leaves_are_vegetation_about_as_much_as_an_unknown_object(lab: Lab) -> None:
    assert log_density("vegetation", lab) > log_density("else", lab) - 1


def test_skin_lies_between_red_and_yellow() -> None:
    for degrees in (0, 110, 200, 270, 330):
        hue = np.radians(degrees)
        lab = (60.0, 22 * float(np.cos(hue)), 22 * float(np.sin(hue)))
        assert log_density("skin", lab) < log_density("else", lab) - 2


def test_no_complexion_is_less_skin_than_another() -> None:
    # Groups by individual typology angle, of the archive's own spectra.
    rgb = render.linear_srgb(spectra.skin().reflectance)
    group = render.typology_group(rgb)
    lab = formulas.linear_to_lab(rgb)
    means = []
    for number in range(len(render.TYPOLOGY_CUTS) + 1):
        chosen = lab[group == number]
        step = max(1, len(chosen) // 150)
        margins = [log_density("skin", x) - log_density("else", x) for x in chosen[::step]]
        means.append(np.mean(margins))
        assert np.mean(np.array(margins) > 0) > 0.9
    assert min(means) > 1


# The file itself ------------------------------------------------------------------------------


def test_shape_and_order_are_as_promised() -> None:
    assert tuple(KINDS) == things.KINDS
    assert FILE["log_density"].shape == (9, 121, 121)
    assert FILE["log_density"].dtype == np.float32
    assert FILE["lightness"].shape == (9, 20)
    assert FILE["origin"].tolist() == [-3.0, -3.0]
    assert float(FILE["step"]) == 0.05


def test_each_density_integrates_to_one_and_never_vanishes() -> None:
    area = float(FILE["step"]) ** 2
    mass = np.exp(FILE["log_density"].astype(np.float64)).sum(axis=(1, 2)) * area
    assert mass == pytest.approx(np.ones(9), abs=1e-5)
    least = np.log(render.FLOOR / (121 * 121 * area))
    assert FILE["log_density"].min() >= least - 1e-4
    assert FILE["lightness"].min() >= np.log(render.LEAST_LIGHTNESS) - 1e-6
