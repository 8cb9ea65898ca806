"""A cast in words: names of hues, strengths, warmer and colder."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, strategies as st

from autocast.judgement import (
    EVIDENT_FROM,
    SLIGHT_FROM,
    STRONG_FROM,
    TEMPERATURES,
    Cast,
    describe,
    hue_name,
    strength_word,
)

HUES = [
    (0, "magenta-red"),
    (30, "red-orange"),
    (60, "orange"),
    (90, "yellow"),
    (120, "yellow-green"),
    (150, "green"),
    (180, "cyan-green"),
    (210, "cyan"),
    (240, "cyan-blue"),
    (270, "blue"),
    (300, "violet"),
    (330, "magenta"),
]


def _at(degrees: float, size: float = 10.0) -> tuple[float, float]:
    angle = math.radians(degrees)
    return size * math.cos(angle), size * math.sin(angle)


@pytest.mark.parametrize(("centre", "name"), HUES)
def test_a_hue_name_reaches_fifteen_degrees_to_either_side(centre: int, name: str) -> None:
    for offset in (-14.9, 0, 14.9):
        assert hue_name(*_at(centre + offset)) == name
    assert hue_name(*_at(centre - 15.1)) != name
    assert hue_name(*_at(centre + 15.1)) != name


@given(st.floats(0, 360), st.floats(0.1, 80))
def test_the_hue_does_not_depend_on_the_size(degrees: float, size: float) -> None:
    # Away from a boundary, where the last bit of a float may decide.
    offset = (degrees + 15) % 30
    if min(offset, 30 - offset) > 1e-6:
        assert hue_name(*_at(degrees, size)) == hue_name(*_at(degrees, 1.0))


@pytest.mark.parametrize(
    ("size", "word"),
    [
        (0.0, "negligible"),
        (math.nextafter(SLIGHT_FROM, 0), "negligible"),
        (SLIGHT_FROM, "slight"),
        (math.nextafter(EVIDENT_FROM, 0), "slight"),
        (EVIDENT_FROM, "evident"),
        (math.nextafter(STRONG_FROM, 0), "evident"),
        (STRONG_FROM, "strong"),
        (100.0, "strong"),
    ],
)
def test_strength_changes_word_exactly_at_its_threshold(size: float, word: str) -> None:
    assert strength_word(size, 0.0) == word
    assert strength_word(0.0, -size) == word


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        (0.0, 0.0, "negligible"),
        (0.0, 2.9, "negligible"),
        (0.0, 4.0, "slight, warmer, towards yellow"),
        (0.0, -4.0, "slight, colder, towards blue"),
        (1.0, -9.0, "evident, colder, towards blue"),
        (-8.0, 1.0, "evident, towards cyan-green"),
        (8.0, -1.0, "evident, towards magenta-red"),
        (12.0, 12.1, "strong, warmer, towards orange"),
        (-12.0, -12.1, "strong, colder, towards cyan-blue"),
        (-12.1, -12.0, "strong, towards cyan"),
        (5.0, 5.01, "evident, warmer, towards orange"),
        (5.0, 4.99, "evident, towards red-orange"),
        (5.0, -4.99, "evident, towards magenta"),
    ],
)
def test_describe(a: float, b: float, words: str) -> None:
    assert describe(a, b) == words


@given(st.floats(-80, 80), st.floats(-80, 80))
@example(5.0, 5.0)
@example(-5.0, -5.0)
def test_warmer_and_colder_are_said_only_along_blue_and_yellow(a: float, b: float) -> None:
    words = describe(a, b)
    if math.hypot(a, b) < SLIGHT_FROM:
        assert words == "negligible"
    else:
        assert ("warmer" in words) == (b > 0 and abs(b) >= abs(a))
        assert ("colder" in words) == (b < 0 and abs(b) >= abs(a))
        assert words.endswith(f"towards {hue_name(a, b)}")


def test_a_cast_says_its_own_words() -> None:
    cast = Cast(a=1.0, b=-9.0, covariance=((4.0, 0.0), (0.0, 4.0)), spread=2.0)
    assert cast.words == describe(1.0, -9.0)
    assert cast.size == pytest.approx(math.hypot(1.0, -9.0))


def test_warm_and_cold_are_the_hues_that_are_described_so() -> None:
    for word, said in (("warm", "warmer"), ("cold", "colder")):
        found = set()
        for degrees in range(360):
            angle = math.radians(degrees + 0.5)
            a, b = 9 * math.cos(angle), 9 * math.sin(angle)
            if said in describe(a, b):
                found.add(hue_name(a, b))
        assert found == set(TEMPERATURES[word])
