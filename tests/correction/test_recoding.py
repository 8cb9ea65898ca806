"""Moves on codes by tables, against the formulas of the curves."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from autocast.colour import RGB_TO_XYZ
from autocast.correction.recoding import Recoding, recoded
from autocast.correction.tone_curves import Curves, curves, smooth
from autocast.picture import RgbSpace, srgb_space

CASTS = (
    [(-2.0, -18.0)] * 3,
    [(12.0, 12.0)] * 3,
    [(-14.0, 4.0), (0.0, 0.0), (10.0, -20.0)],
)
ENDS = np.array([0.0, 1e-5, 1e-3, 0.01, 0.5, 0.89, 0.9, 0.901, 0.95, 0.999, 1.0])


def gamma_space(exponent: float) -> RgbSpace:
    """Channels that share a plain exponent, with primaries a little wider than those of sRGB."""
    matrix = np.array([[1.2, -0.2, 0.0], [-0.04, 1.04, 0.0], [-0.02, -0.08, 1.1]])
    curve = np.linspace(0.0, 1.0, 4097) ** exponent + np.linspace(0.0, 1e-9, 4097)
    return RgbSpace(np.stack([curve / curve[-1]] * 3), matrix, "wide")


SPACES = {"sRGB": srgb_space(), "wide, 2.2": gamma_space(2.2), "wide, 1.8": gamma_space(1.8)}


def move(casts: list[tuple[float, float]], space: RgbSpace) -> Curves:
    return curves(smooth(np.array(casts), np.ones(3), 1.0), space)


def codes(dtype: type[np.unsignedinteger[Any]]) -> NDArray[Any]:
    """Many greys with some colour, any colour, and every combination of ends."""
    rng = np.random.default_rng(4)
    near_grey = rng.random((20_000, 1)) + rng.normal(0, 0.05, (20_000, 3))
    ends = np.stack(np.meshgrid(ENDS, ENDS, ENDS), axis=-1).reshape(-1, 3)
    values = np.clip(np.concatenate([near_grey, rng.random((20_000, 3)), ends]), 0, 1)
    made: NDArray[Any] = np.rint(values * np.iinfo(dtype).max).astype(dtype)
    return made


def test_the_spaces_are_those_of_white() -> None:
    for space in SPACES.values():
        assert space.matrix.sum(axis=1) == pytest.approx(1)
        assert (RGB_TO_XYZ[1] @ space.matrix > 0).all()


@pytest.mark.parametrize("space", SPACES)
@pytest.mark.parametrize("casts", CASTS)
def test_tables_make_what_the_curves_make(casts: list[tuple[float, float]], space: str) -> None:
    applied = move(casts, SPACES[space])
    recoding = Recoding(applied)
    for dtype, most in ((np.uint8, 0.51), (np.uint16, 1.0)):
        given = codes(dtype)
        top = np.iinfo(dtype).max
        out = recoding(given)
        assert out.dtype == given.dtype
        off = np.abs(out - applied(given / top) * top)
        assert off.max() <= most
        assert (out != given).any()
        assert (recoded(applied, given) == out).all()


def test_floats_take_the_formula_itself() -> None:
    applied = move(CASTS[0], srgb_space())
    values = np.random.default_rng(5).random((40_000, 3)).astype(np.float32)
    out = Recoding(applied)(values)
    assert out.dtype == np.float32
    assert out == pytest.approx(applied(values), abs=1e-7)


@pytest.mark.parametrize("beside", [1, 2])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_what_stands_beside_colours_is_kept(dtype: type[np.generic], beside: int) -> None:
    recoding = Recoding(move(CASTS[2], srgb_space()))
    if dtype is np.float32:
        colour = codes(np.uint8) / np.float32(255)
    else:
        colour = codes(np.uint8 if dtype is np.uint8 else np.uint16)
    rng = np.random.default_rng(6)
    more = (rng.random((len(colour), beside)) * colour.max()).astype(dtype)
    out = recoding(np.concatenate([colour, more], axis=1))
    assert out.dtype == dtype
    assert (out[:, :3] == recoding(colour)).all()
    assert (out[:, 3:] == more).all()
    assert (out[:, :3] != colour).any()


def test_threads_that_come_at_once_find_the_same_tables() -> None:
    recoding = Recoding(move(CASTS[1], srgb_space()))
    given = codes(np.uint8)
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(recoding, [given] * 4))
    assert all((out == found[0]).all() for out in found)
