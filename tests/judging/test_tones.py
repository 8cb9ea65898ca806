"""Kinds of cast that differ by tone, told apart by the casts of the tone ranges.

The signatures that five kinds of cast leave on a grey ramp follow from the sRGB
and CIELAB formulas; tests/published/test_colour.py holds them. Here they are
recomputed with colour-science at the L* and strength that a picture has; nothing
of autocast.colour takes part. The kinds themselves are common practice, no source.

The pictures hold textured greys of every lightness and, on a quarter of their
area, colours of the 24-patch chart (after November 2014, as carried by
colour-science), so that they are not taken for toned black-and-whites.
"""

from __future__ import annotations

from functools import cache

import colour
import numpy as np
import pytest

import autocast
from tests.casts import KINDS, Floats, encoded, grey, linear
from tests.scenes import D65, Bytes, cloudy

TONES = ("shadows", "midtones", "highlights")


def _lab(values: Floats) -> Floats:
    xyz = colour.RGB_to_XYZ(
        linear(values), colour.RGB_COLOURSPACES["sRGB"], apply_cctf_decoding=False
    )
    # The white that the rounded matrix of IEC 61966-2-1 itself gives, so that grey is grey.
    white = colour.XYZ_to_xy(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ.sum(axis=1))
    return np.asarray(colour.XYZ_to_Lab(xyz, white), dtype=np.float64)


def signature(kind: str, lightness: Floats, strength: float = 1.0) -> Floats:
    """(n, 2): a* and b* at each L* over (L* + 16), which one light would leave constant."""
    lab = _lab(KINDS[kind](grey(lightness), strength))
    return lab[:, 1:] / (lab[:, :1] + 16)


@cache
def greys() -> Floats:
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
    ramp = linear(grey(np.linspace(12, 93, 360)))
    light = np.concatenate(
        [
            np.broadcast_to(ramp, (70, 360, 3)),
            np.broadcast_to(ramp[::-1], (60, 360, 3)),
            # Wide steps, so that a light grey also stands beside a dark one.
            np.broadcast_to(ramp[::40][[4, 0, 7, 2, 8, 1, 6, 3, 5]].repeat(40, 0), (50, 360, 3)),
            coloured.reshape(2, 9, 3).repeat(30, axis=0).repeat(40, axis=1),
        ]
    )
    shade = np.exp(0.06 * cloudy(np.random.default_rng(1), (240, 360), 64))[..., None]
    return encoded(light * shade)


def tinted(kind: str, strength: float) -> Bytes:
    return np.rint(np.clip(KINDS[kind](greys(), strength), 0, 1) * 255).astype(np.uint8)


@cache
def judged(kind: str, strength: float) -> autocast.Judgement:
    return autocast.judge(tinted(kind, strength))


def found(kind: str, strength: float) -> dict[str, Floats]:
    """By tone range: the cast (a*, b*) over (L* + 16)."""
    tones = judged(kind, strength).tones
    return {t: np.array([tones[t].a, tones[t].b]) / (tones[t].lightness + 16) for t in TONES}


def ratio(kind: str, strength: float) -> float:
    """Shadows' C*/(L* + 16) over that of the highlights."""
    tones = found(kind, strength)
    return float(np.hypot(*tones["shadows"]) / np.hypot(*tones["highlights"]))


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
    this far apart it may show as little as a quarter of its own, and no more than
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
    assert 0.25 <= read / size <= 1.5, said


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
    assert ratio("power", strength) > 1.05 * ratio("offset", strength)


@pytest.mark.parametrize("strength", [2.0, 3.0])
def test_gain_on_encoded_values_weighs_on_the_highlights(strength: float) -> None:
    assert ratio("gain on encoded values", strength) < ratio("gain in linear light", strength)


@pytest.mark.parametrize("strength", [1.0, 2.0])
def test_crossed_tones_lean_opposite_ways(strength: float) -> None:
    tones = found("crossed", strength)
    assert tones["shadows"][1] < 0 < tones["highlights"][1]
    assert float(tones["shadows"] @ tones["highlights"]) < 0


def test_crossed_by_twelve_codes_is_seen_in_its_tones() -> None:
    """Its mean over the picture is about 0: a single global figure would show nothing of it."""
    tones = judged("crossed", 2.0).tones
    whole = judged("crossed", 2.0).cast.size
    assert max(np.hypot(t.a, t.b) * 76 / (t.lightness + 16) for t in tones.values()) > whole + 3
    shift = _lab(tinted("crossed", 2.0) / 255) - _lab(tinted("crossed", 0.0) / 255)
    assert float(np.hypot(*shift.reshape(-1, 3)[:, 1:].mean(axis=0))) < 2
