"""Kinds of cast that differ by tone, told apart by the casts of the tone ranges.

The signatures that five kinds of cast leave on a grey ramp follow from the sRGB
and CIELAB formulas (IEC 61966-2-1:1999, CIE 15:2018). They are recomputed here
with colour-science, from grey of each L* to the cast grey; nothing of
autocast.colour takes part. The kinds themselves are common practice, no source.

The pictures hold textured greys of every lightness and, on a quarter of their
area, colours of the 24-patch chart (after November 2014, as carried by
colour-science), so that they are not taken for toned black-and-whites.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import colour
import numpy as np
import pytest

import autocast
from tests.published.scenes import D65, Array, Codes, texture

STEPS = np.array([15.0, 25.0, 50.0, 75.0, 90.0])
TONES = ("shadows", "midtones", "highlights")

_ALONG = np.array([1.0, 0.0, -1.0])
"""Red up, blue down."""


def _linear(encoded: Array) -> Array:
    return np.asarray(colour.models.eotf_sRGB(np.clip(encoded, 0, 1)), dtype=np.float64)


def _encoded(linear: Array) -> Array:
    return np.asarray(colour.models.eotf_inverse_sRGB(np.clip(linear, 0, 1)), dtype=np.float64)


KINDS: dict[str, Callable[[Array, float], Array]] = {
    "gain in linear light": lambda v, by: _encoded(_linear(v) * (1 + 0.1 * by * _ALONG)),
    "gain on encoded values": lambda v, by: v * (1 + 0.05 * by * _ALONG),
    "offset": lambda v, by: v + 4 / 255 * by * _ALONG,
    "power": lambda v, by: np.clip(v, 1e-9, 1) ** (1 - 0.05 * by * _ALONG),
    "crossed": lambda v, by: v + 6 / 255 * by * _ALONG * (2 * v - 1),
}
"""What each kind does to sRGB values in 0..1; strength 1 is the strength of the table below."""


def _lab(encoded: Array) -> Array:
    xyz = colour.RGB_to_XYZ(
        _linear(encoded), colour.RGB_COLOURSPACES["sRGB"], apply_cctf_decoding=False
    )
    # The white that the rounded matrix of IEC 61966-2-1 itself gives, so that grey is grey.
    white = colour.XYZ_to_xy(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ.sum(axis=1))
    return np.asarray(colour.XYZ_to_Lab(xyz, white), dtype=np.float64)


def _grey(lightness: Array) -> Array:
    luminance = np.asarray(colour.colorimetry.luminance_CIE1976(lightness)) / 100
    return np.repeat(_encoded(luminance)[..., None], 3, axis=-1)


def signature(kind: str, lightness: Array, strength: float = 1.0) -> Array:
    """(n, 2): a* and b* at each L* over (L* + 16), which one light would leave constant."""
    lab = _lab(KINDS[kind](_grey(lightness), strength))
    return lab[:, 1:] / (lab[:, :1] + 16)


@cache
def greys() -> Array:
    """Encoded (240, 360, 3): bands of textured grey from L* 12 to 93, and 18 chart colours."""
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.chromatic_adaptation(
        np.array([colour.xyY_to_XYZ(chart.data[name]) for name in list(chart.data)[:18]]),
        colour.xy_to_XYZ(chart.illuminant),
        colour.xy_to_XYZ(D65),
        method="Von Kries",
        transform="Bradford",
    )
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    coloured = np.clip(colour.XYZ_to_RGB(xyz, srgb, apply_cctf_encoding=False), 0.002, 1)
    ramp = _linear(_grey(np.linspace(12, 93, 360)))
    linear = np.concatenate(
        [
            np.broadcast_to(ramp, (70, 360, 3)),
            np.broadcast_to(ramp[::-1], (60, 360, 3)),
            # Wide steps, so that a light grey also stands beside a dark one.
            np.broadcast_to(ramp[::40][[4, 0, 7, 2, 8, 1, 6, 3, 5]].repeat(40, 0), (50, 360, 3)),
            coloured.reshape(2, 9, 3).repeat(30, axis=0).repeat(40, axis=1),
        ]
    )
    shade = np.exp(0.06 * texture(240, 360, 3))[..., None]
    return _encoded(np.clip(linear * shade, 0, 1))


def tinted(kind: str, strength: float) -> Codes:
    return np.rint(np.clip(KINDS[kind](greys(), strength), 0, 1) * 255).astype(np.uint8)


@cache
def judged(kind: str, strength: float) -> autocast.Judgement:
    return autocast.judge(tinted(kind, strength))


def found(kind: str, strength: float) -> dict[str, Array]:
    """By tone range: the cast (a*, b*) over (L* + 16)."""
    tones = judged(kind, strength).tones
    return {t: np.array([tones[t].a, tones[t].b]) / (tones[t].lightness + 16) for t in TONES}


def ratio(kind: str, strength: float) -> float:
    """Shadows' C*/(L* + 16) over that of the highlights."""
    tones = found(kind, strength)
    return float(np.hypot(*tones["shadows"]) / np.hypot(*tones["highlights"]))


# The formulas -----------------------------------------------------------------------------

# b* at L* 15/25/50/75/90, and C*/(L*+16) at the ends (computed elsewhere with colour-science).
TABLE = {
    "gain in linear light": ((1.82, 2.40, 3.87, 5.34, 6.22), (0.0602, 0.0602)),
    "gain on encoded values": ((1.56, 2.29, 4.08, 5.84, 6.90), (0.052, 0.067)),
    "offset": ((3.33, 3.09, 2.74, 2.52, 2.43), (0.111, 0.024)),
    "power": ((2.91, 3.28, 3.07, 1.87, 0.82), (0.098, 0.008)),
    "crossed": ((-3.44, -2.45, -0.28, 1.69, 2.82), None),
}


@pytest.mark.parametrize("kind", list(TABLE))
def test_the_signatures_are_the_published_ones(kind: str) -> None:
    b, ends = TABLE[kind]
    lab = _lab(KINDS[kind](_grey(STEPS), 1.0))
    np.testing.assert_allclose(lab[:, 2], b, atol=0.01)
    if ends is not None:
        chroma = np.hypot(lab[:, 1], lab[:, 2]) / (lab[:, 0] + 16)
        np.testing.assert_allclose(chroma[[0, -1]], ends, atol=0.001)


# The judgements ---------------------------------------------------------------------------


def test_greys_without_a_cast_show_none_in_any_tone_range() -> None:
    judgement = judged("offset", 0.0)
    assert judgement.verdict != "cast"
    for tone in TONES:
        assert np.hypot(judgement.tones[tone].a, judgement.tones[tone].b) < 3, tone


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("strength", [2.0, 3.0])
@pytest.mark.parametrize("tone", TONES)
def test_each_tone_range_reads_its_own_cast(kind: str, strength: float, tone: str) -> None:
    """Direction within 30 degrees and a size that leans the right way, where C* is 6 or more.

    A tone range starts from the whole's estimate and shrinks towards it: on casts
    this far apart it may show as little as a third of its own, and no more than
    half as much again. A weaker one may read as anything up to 6 (C* at L* 60;
    project targets, no source).
    """
    at = judged(kind, strength).tones[tone].lightness
    expected = signature(kind, np.array([at]), strength)[0] * 76
    reads = found(kind, strength)[tone] * 76
    said = f"expected {expected.round(1)}, found {reads.round(1)}"
    size, read = float(np.hypot(*expected)), float(np.hypot(*reads))
    if size < 6:
        assert read < 6, said
        return
    assert np.degrees(np.arccos(expected @ reads / (size * read))) <= 30, said
    assert 0.33 <= read / size <= 1.5, said


@pytest.mark.parametrize("strength", [2.0, 3.0])
def test_gain_in_linear_light_is_one_cast_in_all_tones(strength: float) -> None:
    assert 0.75 <= ratio("gain in linear light", strength) <= 1.33
    assert "tones_disagree" not in judged("gain in linear light", strength).remarks


@pytest.mark.parametrize("kind", ["offset", "power"])
@pytest.mark.parametrize("strength", [1.0, 2.0, 3.0])
def test_offset_and_power_weigh_on_the_shadows(kind: str, strength: float) -> None:
    assert ratio(kind, strength) > 1.25
    assert ratio(kind, strength) > 1.5 * ratio("gain in linear light", strength)


@pytest.mark.parametrize("strength", [2.0, 3.0])
def test_power_leaves_the_highlights_more_than_an_offset_does(strength: float) -> None:
    assert ratio("power", strength) > 1.5 * ratio("offset", strength)


@pytest.mark.parametrize("strength", [2.0, 3.0])
def test_gain_on_encoded_values_weighs_on_the_highlights(strength: float) -> None:
    assert ratio("gain on encoded values", strength) < ratio("gain in linear light", strength)


@pytest.mark.parametrize("strength", [1.0, 2.0])
def test_crossed_tones_lean_opposite_ways(strength: float) -> None:
    tones = found("crossed", strength)
    assert tones["shadows"][1] < 0 < tones["highlights"][1]
    assert float(tones["shadows"] @ tones["highlights"]) < 0


def test_crossed_by_twelve_codes_is_not_passed() -> None:
    """Its mean over the picture is about 0: a single global figure would pass it."""
    judgement = judged("crossed", 2.0)
    assert judgement.verdict != "clear"
    shift = _lab(tinted("crossed", 2.0) / 255) - _lab(tinted("crossed", 0.0) / 255)
    assert float(np.hypot(*shift.reshape(-1, 3)[:, 1:].mean(axis=0))) < 2
