"""Known casts laid over photographs of others, in linear light.

The photographs are those that scikit-image, scikit-learn and matplotlib carry in
their packages; nothing is downloaded. How much cast each has of its own is not
known, so what is held is the *change* of the estimate: the picture with the cast
against the picture without, both after the same darkening, clipping and
rounding to 8 bits.

The bounds (30 degrees, 40 %, and the share of pairs) are project targets, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

import autocast
from autocast import colour as formulas
from tests.photographs import FILES, pixels

SIZE = 16.0
DIRECTIONS = tuple(range(0, 360, 45))
DARKENED = 0.85
WITHIN_DEGREES = 30.0
WITHIN_SIZE = 0.4


@cache
def linear(name: str) -> NDArray[np.float64]:
    return formulas.srgb_to_linear(pixels(name) / 255)


def under(name: str, cast: NDArray[np.float64]) -> NDArray[np.uint8]:
    """The photograph, darkened, under a cast (a*, b* at L* 60), as 8-bit codes."""
    lit = np.clip(linear(name) * DARKENED * formulas.cast_to_gains(cast), 0, 1)
    return np.rint(formulas.linear_to_srgb(lit) * 255).astype(np.uint8)


def towards(degrees: float) -> NDArray[np.float64]:
    angle = np.radians(degrees)
    return SIZE * np.array([np.cos(angle), np.sin(angle)])


@cache
def judged(name: str, degrees: int | None) -> autocast.Judgement:
    return autocast.judge(under(name, np.zeros(2) if degrees is None else towards(degrees)))


def found(judgement: autocast.Judgement) -> NDArray[np.float64]:
    return np.array([judgement.cast.a, judgement.cast.b])


def apart(one: NDArray[np.float64], degrees: int) -> tuple[float, float]:
    """Degrees off the known direction, and size over the known size."""
    size = float(np.hypot(*one))
    cosine = float(one @ towards(degrees)) / max(size, 1e-9) / SIZE
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1)))), size / SIZE


def plain_change(name: str, degrees: int) -> NDArray[np.float64]:
    """The estimate with the cast less the estimate without."""
    return found(judged(name, degrees)) - found(judged(name, None))


def change_of_light(name: str, degrees: int) -> NDArray[np.float64]:
    """The cast of the light that leads from the one estimate to the other.

    Casts add up as lights, not as (a*, b*): on a picture that reads 40 units of
    its own, even a perfect estimate moves by another vector than the one laid.
    """
    both = (found(judged(name, d)) for d in (degrees, None))
    after, before = (formulas.cast_to_shift(cast) for cast in both)
    return formulas.shift_to_cast(after - before)


def test_the_photographs_are_large_and_colourful() -> None:
    for name in FILES:
        lab = formulas.linear_to_lab(linear(name))
        assert lab.shape[0] * lab.shape[1] > 130_000, name
        assert np.hypot(lab[..., 1], lab[..., 2]).mean() > 4, name


@pytest.mark.slow
@pytest.mark.parametrize(("change", "least"), [(plain_change, 0.80), (change_of_light, 0.80)])
def test_a_known_cast_is_found(
    change: Callable[[str, int], NDArray[np.float64]], least: float
) -> None:
    missed = []
    for name in FILES:
        for degrees in DIRECTIONS:
            off, size = apart(change(name, degrees), degrees)
            if off > WITHIN_DEGREES or abs(size - 1) > WITHIN_SIZE:
                missed.append(f"{name} towards {degrees}: {off:.0f} degrees off, {size:.2f} times")
    pairs = len(FILES) * len(DIRECTIONS)
    share = 1 - len(missed) / pairs
    assert share >= least, f"{share:.3f} of {pairs} pairs found; missed:\n" + "\n".join(missed)


@pytest.mark.parametrize("name", list(FILES))
def test_more_of_its_own_cast_never_clears_a_picture(name: str) -> None:
    before = judged(name, None)
    own = found(before)
    more = own / max(float(np.hypot(*own)), 1e-9) * SIZE
    after = autocast.judge(under(name, more))
    # Neither from "cast" nor from "ask".
    assert before.verdict == "clear" or after.verdict != "clear"


def test_a_cast_of_sixteen_is_passed_on_no_picture_that_is_clear_without() -> None:
    clear = [name for name in FILES if judged(name, None).verdict == "clear"]
    assert clear
    passed = [(n, d) for n in clear for d in DIRECTIONS if judged(n, d).verdict == "clear"]
    assert passed == []
