"""Colour's formulas by themselves: what undoes what, and casts as shifts of light.

That they are the standards' is held in tests/published/test_colour.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, strategies as st

from autocast import colour as ours

_STEPS = np.linspace(0, 1, 17)
GRID = np.stack(np.meshgrid(_STEPS, _STEPS, _STEPS, indexing="ij"), axis=-1).reshape(-1, 3)
"""Encoded sRGB colours, 17 steps along each channel."""


@given(st.floats(-2, 2))
def test_decoding_undoes_encoding_on_both_sides_of_zero(value: float) -> None:
    assert ours.srgb_to_linear(ours.linear_to_srgb(value)) == pytest.approx(value, abs=1e-7)
    assert ours.linear_to_srgb(-value) == -ours.linear_to_srgb(value)


def test_lab_to_linear_undoes_linear_to_lab() -> None:
    linear = ours.srgb_to_linear(GRID)
    np.testing.assert_allclose(ours.lab_to_linear(ours.linear_to_lab(linear)), linear, atol=1e-9)


@given(
    st.tuples(st.floats(0.7, 1.4), st.floats(0.7, 1.4), st.floats(0.7, 1.4)),
    st.floats(12, 95),
    st.floats(12, 95),
)
def test_chroma_over_lightness_plus_sixteen_is_one_number_for_a_gain_in_linear_light(
    gains: tuple[float, float, float], one: float, other: float
) -> None:
    # Exact while every relative X, Y, Z stays on the cube-root branch (above 216/24389).
    lab = ours.linear_to_lab(np.outer(ours.lightness_to_luminance([one, other]), np.asarray(gains)))
    ratio = np.hypot(lab[:, 1], lab[:, 2]) / (lab[:, 0] + 16)
    assert ratio[0] == pytest.approx(ratio[1], abs=1e-9)


# Casts as shifts of light --------------------------------------------------------------------

_AB = st.floats(-60, 60, allow_nan=False)
_LIGHTNESS = st.floats(20, 95)


@given(_AB, _AB, _LIGHTNESS)
def test_a_shift_undoes_a_cast(a: float, b: float, lightness: float) -> None:
    shift = ours.cast_to_shift([a, b], lightness)
    assume(bool(np.isfinite(shift).all()))
    np.testing.assert_allclose(ours.shift_to_cast(shift, lightness), [a, b], rtol=0, atol=1e-6)


@given(st.floats(-0.8, 0.8), st.floats(-0.8, 0.8), _LIGHTNESS)
def test_a_cast_undoes_a_shift(red: float, blue: float, lightness: float) -> None:
    cast = ours.shift_to_cast([red, blue], lightness)
    np.testing.assert_allclose(ours.cast_to_shift(cast, lightness), [red, blue], rtol=0, atol=1e-8)


@given(st.floats(-15, 15), st.floats(-15, 15))
def test_gains_lay_the_cast_they_were_asked_for(a: float, b: float) -> None:
    grey = np.full(3, ours.lightness_to_luminance(ours.QUOTED_AT))
    lab = ours.linear_to_lab(grey * ours.cast_to_gains([a, b]))
    np.testing.assert_allclose(lab, [ours.QUOTED_AT, a, b], rtol=0, atol=1e-6)


@given(st.floats(-15, 15), st.floats(-15, 15), st.floats(20, 90))
def test_a_requoted_cast_is_what_the_same_light_reads_there(a: float, b: float, at: float) -> None:
    # Gains keep a neutral's luminance, so the lightness stays the one that was asked for.
    grey = np.full(3, ours.lightness_to_luminance(at))
    lab = ours.linear_to_lab(grey * ours.cast_to_gains([a, b]))
    np.testing.assert_allclose(ours.requote([a, b], at), lab[1:], rtol=0, atol=1e-6)
    np.testing.assert_allclose(
        ours.requote(ours.requote([a, b], at), ours.QUOTED_AT, at), [a, b], rtol=0, atol=1e-9
    )


def test_a_cast_that_no_light_lays_is_not_a_number_and_is_refused() -> None:
    assert np.isnan(ours.cast_to_shift([0.0, 150.0])).all()
    with pytest.raises(ValueError, match="no positive light"):
        ours.cast_to_gains([0.0, 150.0])


def test_no_cast_is_no_shift() -> None:
    np.testing.assert_allclose(ours.cast_to_shift([0.0, 0.0]), [0, 0], atol=1e-12)
    np.testing.assert_allclose(ours.shift_to_cast([0.0, 0.0]), [0, 0], atol=1e-12)
    np.testing.assert_allclose(ours.cast_to_gains([0.0, 0.0]), [1, 1, 1], atol=1e-12)


def test_a_change_of_light_is_a_subtraction_in_log_chromaticity() -> None:
    surfaces = ours.srgb_to_linear(GRID[(GRID > 0.1).all(axis=1)])
    cast = [4.0, -12.0]
    lit = ours.log_chromaticity(surfaces * ours.cast_to_gains(cast))
    unlit = lit - ours.cast_to_shift(cast)
    np.testing.assert_allclose(unlit, ours.log_chromaticity(surfaces), rtol=0, atol=1e-9)


def test_log_chromaticity_is_floored_in_the_dark() -> None:
    np.testing.assert_array_equal(ours.log_chromaticity([0.0, 0.0, 0.0]), [0.0, 0.0])
    assert np.isfinite(ours.log_chromaticity([-0.1, 0.5, 0.0])).all()
