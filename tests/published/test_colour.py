"""The formulas of autocast.colour against the values of others.

Sources, with the standing of each value:

* IEC 61966-2-1:1999 (sRGB): constants and the rounded matrix, as carried by
  colour-science (computed) and as commonly printed (from memory, not verified).
* CIE 15:2018 (CIELAB), through colour-science and scikit-image (computed).
* L*a*b* of the sRGB primaries as commonly printed (from memory, not verified).
* CIE daylight locus, CIE 15:2018, through colour-science (computed).

The grey-ramp and daylight tables below are computed in the test with
colour-science alone; autocast.colour is then held against both.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
from numpy.typing import ArrayLike
from skimage import color as skimage_colour

from autocast import colour as ours
from autocast.colour import Array
from tests import casts

SRGB = colour.RGB_COLOURSPACES["sRGB"]
D65 = np.array([0.3127, 0.3290])

_STEPS = np.linspace(0, 1, 17)
GRID = np.stack(np.meshgrid(_STEPS, _STEPS, _STEPS, indexing="ij"), axis=-1).reshape(-1, 3)
"""Encoded sRGB colours, 17 steps along each channel."""


def _chroma(lab: Array) -> Array:
    return np.asarray(np.hypot(lab[..., 1], lab[..., 2]))


def _others_luminance(lightness: ArrayLike) -> Array:
    """Luminance Y (white = 1) by colour-science, which gives it in per cent."""
    percent = colour.colorimetry.luminance_CIE1976(lightness)
    return np.asarray(percent, dtype=np.float64) / 100


def _others_lab(linear: Array) -> Array:
    """CIELAB D65 by colour-science, with the matrix derived from the primaries."""
    space = SRGB.copy()
    space.use_derived_matrix_RGB_to_XYZ = True
    xyz = colour.RGB_to_XYZ(linear, space, apply_cctf_decoding=False)
    return np.asarray(colour.XYZ_to_Lab(xyz, illuminant=D65), dtype=np.float64)


# IEC 61966-2-1:1999 -------------------------------------------------------------------------


def test_constants_of_the_srgb_curve() -> None:
    # Slope 12.92 below 0.0031308 (0.04045 encoded), power 2.4 with offset 0.055 above.
    assert ours.srgb_to_linear(0.04045) == pytest.approx(0.04045 / 12.92, abs=1e-15)
    assert ours.srgb_to_linear(0.5) == pytest.approx(((0.5 + 0.055) / 1.055) ** 2.4, abs=1e-15)
    assert ours.linear_to_srgb(0.0031308) == pytest.approx(0.0031308 * 12.92, abs=1e-15)
    assert ours.linear_to_srgb(0.5) == pytest.approx(1.055 * 0.5 ** (1 / 2.4) - 0.055, abs=1e-15)
    np.testing.assert_array_equal(ours.srgb_to_linear([0.0, 1.0]), [0.0, 1.0])


def test_matrix_rounds_to_the_printed_one() -> None:
    # From memory, not verified; the same numbers as colour-science carries.
    printed = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    np.testing.assert_array_equal(np.round(ours.RGB_TO_XYZ, 4), printed)
    np.testing.assert_array_equal(np.asarray(SRGB.matrix_RGB_to_XYZ), printed)


def test_encode_and_decode_agree_with_colour_science() -> None:
    values = np.linspace(0, 1, 4097)
    decoded = colour.models.eotf_sRGB(values)
    encoded = colour.models.eotf_inverse_sRGB(values)
    np.testing.assert_allclose(ours.srgb_to_linear(values), decoded, rtol=0, atol=1e-12)
    np.testing.assert_allclose(ours.linear_to_srgb(values), encoded, rtol=0, atol=1e-12)


# CIE 15:2018 --------------------------------------------------------------------------------


def test_greys_have_no_colour_to_a_billionth() -> None:
    greys = np.repeat(np.linspace(0, 1, 65536)[:, None], 3, axis=1)
    lab = ours.linear_to_lab(ours.srgb_to_linear(greys))
    assert np.abs(lab[:, 1:]).max() <= 1e-9
    np.testing.assert_allclose(lab[[0, -1], 0], [0, 100], rtol=0, atol=1e-9)
    back = ours.lab_to_linear(lab)
    assert np.ptp(back, axis=1).max() <= 1e-9


def test_lab_agrees_with_colour_science_on_the_derived_matrix() -> None:
    linear = ours.srgb_to_linear(GRID)
    np.testing.assert_allclose(ours.linear_to_lab(linear), _others_lab(linear), rtol=0, atol=1e-9)


def test_lab_agrees_with_colour_science_on_the_printed_matrix() -> None:
    # Four printed decimals move a saturated colour by 0.021 at most, L* by 0.0043.
    xyz = colour.RGB_to_XYZ(GRID, "sRGB", apply_cctf_decoding=True)
    theirs = colour.XYZ_to_Lab(xyz, illuminant=D65)
    difference = np.abs(ours.linear_to_lab(ours.srgb_to_linear(GRID)) - theirs)
    assert difference[:, 0].max() <= 0.01
    assert difference[:, 1:].max() <= 0.025


def test_lab_agrees_with_scikit_image() -> None:
    # scikit-image takes D65 as X 0.95047, Z 1.08883 and a matrix of its own. Given the same
    # colour relative to that white, only the CIELAB formula is left to differ: its printed
    # decimal constants (0.008856, 7.787) against the exact rationals, felt near black alone.
    linear = ours.srgb_to_linear(GRID)
    relative = linear @ ours.RGB_TO_XYZ.T / ours.WHITE_XYZ
    formula = skimage_colour.xyz2lab(
        relative * skimage_colour.xyz_tristimulus_values(illuminant="D65", observer="2")
    )
    np.testing.assert_allclose(ours.linear_to_lab(linear), formula, rtol=0, atol=0.001)
    # Its whole chain, other white and matrix included, stays within 0.015.
    chain = skimage_colour.rgb2lab(GRID)
    np.testing.assert_allclose(ours.linear_to_lab(linear), chain, rtol=0, atol=0.015)


@pytest.mark.parametrize(
    ("name", "rgb", "lab"),
    [
        # As commonly printed for sRGB under D65; from memory, not verified.
        ("red", (1, 0, 0), (53.24, 80.09, 67.20)),
        ("green", (0, 1, 0), (87.73, -86.18, 83.18)),
        ("blue", (0, 0, 1), (32.30, 79.19, -107.86)),
        ("cyan", (0, 1, 1), (91.11, -48.09, -14.13)),
        ("magenta", (1, 0, 1), (60.32, 98.23, -60.82)),
        ("yellow", (1, 1, 0), (97.14, -21.55, 94.48)),
        ("white", (1, 1, 1), (100.0, 0.0, 0.0)),
        ("black", (0, 0, 0), (0.0, 0.0, 0.0)),
    ],
)
def test_printed_values_of_the_srgb_corners(
    name: str, rgb: tuple[int, ...], lab: tuple[float, ...]
) -> None:
    # The printed ones come from rounded matrices and whites: 0.02 beside the two decimals.
    np.testing.assert_allclose(ours.linear_to_lab(rgb), lab, rtol=0, atol=0.025, err_msg=name)


def test_an_eighteen_per_cent_grey_reads_the_printed_lightness() -> None:
    # L* 49.5 for Y = 0.18: follows from CIE 15:2018, and is commonly printed.
    assert ours.linear_to_lab([0.18, 0.18, 0.18])[0] == pytest.approx(49.496, abs=0.001)
    assert ours.lightness_to_luminance(50) == pytest.approx((66 / 116) ** 3, abs=1e-12)


def test_lightness_to_luminance_agrees_with_colour_science() -> None:
    lightness = np.linspace(0, 100, 1001)
    theirs = _others_luminance(lightness)
    np.testing.assert_allclose(ours.lightness_to_luminance(lightness), theirs, rtol=0, atol=1e-9)


# Signatures of kinds of cast on a grey ramp (computed) ---------------------------------------

RAMP = np.array([15.0, 25.0, 50.0, 75.0, 90.0])

SIGNATURES = {
    # kind: b* at L* 15, 25, 50, 75, 90
    "gain in linear light": (1.82, 2.40, 3.87, 5.34, 6.22),
    "gain on encoded values": (1.56, 2.29, 4.08, 5.84, 6.90),
    "offset": (3.33, 3.09, 2.74, 2.52, 2.43),
    "power": (2.91, 3.28, 3.07, 1.87, 0.82),
    "crossed": (-3.44, -2.45, -0.28, 1.69, 2.82),
}


def _grey_ramp(kind: str) -> Array:
    """The ramp in linear light, with one kind of cast on it; colour-science alone."""
    return casts.linear(casts.KINDS[kind](casts.grey(RAMP), 1.0))


@pytest.mark.parametrize("kind", SIGNATURES)
def test_signature_of_a_kind_of_cast(kind: str) -> None:
    # The printed b* were computed elsewhere, with colour-science as well.
    ramp = _grey_ramp(kind)
    theirs = _others_lab(ramp)
    np.testing.assert_allclose(theirs[:, 2], SIGNATURES[kind], rtol=0, atol=0.006)
    np.testing.assert_allclose(ours.linear_to_lab(ramp), theirs, rtol=0, atol=1e-9)


def test_which_kinds_keep_chroma_over_lightness_plus_sixteen() -> None:
    ratios = {}
    for kind in SIGNATURES:
        lab = ours.linear_to_lab(_grey_ramp(kind))
        ratios[kind] = _chroma(lab) / (lab[:, 0] + 16)
    np.testing.assert_allclose(ratios["gain in linear light"], 0.0602, rtol=0, atol=5e-5)
    first_and_last = {kind: (r[0], r[-1]) for kind, r in ratios.items()}
    assert first_and_last["gain on encoded values"] == pytest.approx((0.052, 0.067), abs=6e-4)
    assert first_and_last["offset"] == pytest.approx((0.111, 0.024), abs=6e-4)
    assert first_and_last["power"] == pytest.approx((0.098, 0.008), abs=6e-4)


def test_a_crossed_cast_hides_from_any_single_figure() -> None:
    b = ours.linear_to_lab(_grey_ramp("crossed"))[:, 2]
    assert b[0] < -3
    assert b[-1] > 2.5
    assert abs(b.mean()) < 0.5


# Daylight (computed) -------------------------------------------------------------------------


def _daylight(kelvin: float) -> Array:
    """XYZ (Y = 1) of a CIE daylight, from the locus of CIE 15:2018."""
    xy = colour.temperature.CCT_to_xy_CIE_D(kelvin)
    return np.asarray(colour.xy_to_XYZ(xy), dtype=np.float64)


def _lit_and_balanced(kelvin: float, balance: float, lightness: float) -> Array:
    """Linear sRGB of a neutral under one daylight, balanced to another by a gain per channel."""
    gains = (ours.XYZ_TO_RGB @ _daylight(kelvin)) / (ours.XYZ_TO_RGB @ _daylight(balance))
    level = ours.lightness_to_luminance(lightness) / (gains @ ours.RGB_TO_XYZ[1])
    return np.asarray(gains * level)


def test_daylight_locus() -> None:
    # CIE 15:2018: y = -3.000 x^2 + 2.870 x - 0.275; x 0.3127 gives y 0.3291.
    x, y = colour.temperature.CCT_to_xy_CIE_D(6504.0)
    assert y == pytest.approx(-3.000 * x**2 + 2.870 * x - 0.275, abs=1e-12)
    at_d65 = -3.000 * 0.3127**2 + 2.870 * 0.3127 - 0.275
    assert at_d65 == pytest.approx(0.3291, abs=5e-5)


@pytest.mark.parametrize(
    ("kelvin", "chroma"), [(8000.0, 8), (10000.0, 15), (15000.0, 24), (25000.0, 30)]
)
def test_a_neutral_in_blue_daylight(kelvin: float, chroma: float) -> None:
    white = _daylight(6504.0)
    luminance = _others_luminance(65.0)
    theirs = colour.XYZ_to_Lab(_daylight(kelvin) * luminance, illuminant=colour.XYZ_to_xy(white))
    mine = ours.linear_to_lab(_lit_and_balanced(kelvin, 6504.0, 65.0))
    np.testing.assert_allclose(mine, theirs, rtol=0, atol=0.01)
    assert _chroma(mine) == pytest.approx(chroma, abs=0.5)
    assert 269.5 <= np.degrees(np.arctan2(mine[2], mine[1])) % 360 <= 277.5


@pytest.mark.parametrize(("lightness", "b"), [(50.0, 0.22), (80.0, 0.32)])
def test_one_mired_of_daylight(lightness: float, b: float) -> None:
    warmer = 1e6 / (1e6 / 6504.0 + 1)
    lab = ours.linear_to_lab(_lit_and_balanced(warmer, 6504.0, lightness))
    assert lab[2] == pytest.approx(b, abs=0.006)
    assert abs(lab[1]) < 0.02


def test_snow_in_skylight_under_a_sunlight_balance_is_no_neutral() -> None:
    # 10000 K skylight, 5500 K balance, at a light snow: C* 28, h 274 degrees (computed).
    lab = ours.linear_to_lab(_lit_and_balanced(10000.0, 5500.0, 80.0))
    assert _chroma(lab) > 20
    assert np.degrees(np.arctan2(lab[2], lab[1])) % 360 == pytest.approx(274, abs=2)
