"""Judgements of a rendered scene whose light is known.

The scene and its sources are described in :mod:`tests.published.scenes`. What a
perfect neutral of L* 60 reads under each CIE light, as a camera balanced to CIE
D65 sees it, is computed here with colour-science (CIE 1931 2 degree observer, no
adaptation). The chart and earthlib took part in the making of the class
densities; the CIE test colour samples of leaf and skin did not.

Every one of these casts, illuminant A's included, lies on the grid of casts and
inside sRGB's triangle: none may be answered with "off the grid".
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import autocast
from tests.published import scenes

LIGHTS = ("A", "D50", "D75", "FL2", "FL11")

WITHIN_DEGREES = 30.0
"""Allowed error of direction (project target, no source)."""
WITHIN_SIZE = 0.4
"""Allowed relative error of size (project target, no source)."""


@cache
def judged(name: str) -> autocast.Judgement:
    return autocast.judge(scenes.scene(name))


def test_the_rendered_neutral_is_the_computed_one() -> None:
    """The renderer's own check: the chart's neutral 5 patch reads as a perfect neutral would."""
    import colour

    for name in LIGHTS:
        codes = scenes.scene(name)
        patch = codes[302:312, 410:422].reshape(-1, 3) / 255
        linear = colour.models.eotf_sRGB(patch).mean(axis=0)
        space = colour.RGB_COLOURSPACES["sRGB"]
        xyz = colour.RGB_to_XYZ(linear, space, apply_cctf_decoding=False)
        lab = np.asarray(colour.XYZ_to_Lab(xyz, scenes.D65))
        expected = scenes.neutral_under(name, float(lab[0]))
        assert np.hypot(*(lab[1:] - expected)) < 1.5, name


@pytest.mark.parametrize("name", LIGHTS)
def test_direction_and_size_of_a_known_light(name: str) -> None:
    expected = scenes.neutral_under(name)
    judgement = judged(name)
    found = np.array([judgement.cast.a, judgement.cast.b])
    size = float(np.hypot(*expected))
    apart = float(np.degrees(np.arccos(found @ expected / (np.hypot(*found) * size))))
    said = f"{name}: expected {expected.round(1)}, found {found.round(1)}"
    assert apart <= WITHIN_DEGREES, said
    assert abs(judgement.cast.size / size - 1) <= WITHIN_SIZE, said
    assert "off_grid" not in judgement.remarks


@pytest.mark.parametrize("name", ["A", "D50", "FL2", "FL11"])
def test_a_strongly_tinted_scene_is_not_passed(name: str) -> None:
    assert np.hypot(*scenes.neutral_under(name)) > 10
    assert judged(name).verdict != "clear"


def test_under_d65_no_cast_is_claimed() -> None:
    assert judged("D65").verdict != "cast"


@pytest.mark.parametrize(("warmer", "colder"), [("A", "D50"), ("D50", "D65"), ("D65", "D75")])
def test_lights_keep_their_order(warmer: str, colder: str) -> None:
    """Along the CIE daylight locus and beyond it to A, a warmer light reads more yellow."""
    assert judged(warmer).cast.b > judged(colder).cast.b
