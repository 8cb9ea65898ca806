"""Judgements of a drawn street of published reflectances whose light is known.

What a perfect neutral of L* 60 reads under each CIE light, as a camera balanced
to CIE D65 sees it, is computed by colour-science (CIE 1931 2 degree observer, no
adaptation). The chart took part in the making of the class densities; the CIE
test colour samples of leaf and skin did not.

Every one of these casts, illuminant A's included, lies on the grid of casts and
inside sRGB's triangle: none may be answered with "off the grid".
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import autocast
from autocast.colour import linear_to_lab
from tests import scenes

LIGHTS = ("A", "D50", "D75", "FL2", "FL11")

WITHIN_DEGREES = 30.0
"""Allowed error of direction (project target, no source)."""
WITHIN_SIZE = 0.6
"""Allowed relative error of size: the estimate leans to none (project target, no source)."""


@cache
def judged(light: str) -> autocast.Judgement:
    linear = scenes.scene(scenes.STREET, 20, light=light)
    return autocast.judge(scenes.developed(scenes.exposed(linear), 20))


@pytest.mark.parametrize("light", LIGHTS)
def test_a_drawn_neutral_is_the_computed_one(light: str) -> None:
    """The painter's own check: a plain grey patch reads as a perfect neutral would."""
    card = (scenes.Layer(scenes.Reflectance("neutral 5 (.70 D)"), scenes.EVERYWHERE),)
    linear = scenes.scene(card, 1, (80, 120), light=light)
    lab = linear_to_lab(linear.mean(axis=(0, 1)))
    expected = np.array(scenes.neutral_under(light)) * (lab[0] + 16) / 76
    assert np.hypot(*(lab[1:] - expected)) < 1.5


@pytest.mark.parametrize("light", LIGHTS)
def test_direction_and_size_of_a_known_light(light: str) -> None:
    expected = np.array(scenes.neutral_under(light))
    judgement = judged(light)
    found = np.array([judgement.cast.a, judgement.cast.b])
    size = float(np.hypot(*expected))
    apart = float(np.degrees(np.arccos(found @ expected / (np.hypot(*found) * size))))
    said = f"expected {expected.round(1)}, found {found.round(1)}"
    assert apart <= WITHIN_DEGREES, said
    assert abs(judgement.cast.size / size - 1) <= WITHIN_SIZE, said
    assert "off_grid" not in judgement.remarks


@pytest.mark.parametrize("light", ["A", "D50", "FL2", "FL11"])
def test_a_strongly_tinted_scene_is_not_passed(light: str) -> None:
    assert np.hypot(*scenes.neutral_under(light)) > 10
    assert judged(light).verdict != "clear"


def test_under_d65_no_cast_is_claimed() -> None:
    assert judged("D65").verdict != "cast"


@pytest.mark.parametrize(("warmer", "colder"), [("A", "D50"), ("D50", "D65"), ("D65", "D75")])
def test_lights_keep_their_order(warmer: str, colder: str) -> None:
    """Along the CIE daylight locus and beyond it to A, a warmer light reads more yellow."""
    assert judged(warmer).cast.b > judged(colder).cast.b
