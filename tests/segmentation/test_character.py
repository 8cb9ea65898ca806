"""What kind of picture it is: thresholds met from both sides."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from autocast import judging
from autocast.colour import lab_to_linear, linear_to_srgb
from autocast.judgement.limits import DARK_LIGHTNESS, GRAPHIC_FLAT, MONOCHROME_CHROMA
from autocast.segmentation.character import Character
from tests import scenes
from tests.scenes import Bytes, Floats, Lab

SHAPE = (120, 180)


def of(picture: Bytes | Floats) -> Character:
    return judging.prepare(picture).character


@functools.cache
def photograph() -> Bytes:
    return scenes.developed(scenes.scene(scenes.QUAY, 3))


def even(lab: Lab) -> Floats:
    encoded = linear_to_srgb(lab_to_linear(lab))
    return np.broadcast_to(encoded, (*SHAPE, 3)).copy()


def ramp(a: float, b: float) -> Floats:
    """Lightness 15 to 95 from left to right, a*b* in the middle of it."""
    lightness = np.linspace(15, 95, SHAPE[1])
    strength = 4 * (lightness / 100) * (1 - lightness / 100)
    lab = np.stack([lightness, a * strength, b * strength], axis=-1)
    return np.broadcast_to(np.clip(linear_to_srgb(lab_to_linear(lab)), 0, 1), (*SHAPE, 3)).copy()


def test_a_colour_photograph_is_none_of_these() -> None:
    kind = of(photograph())
    assert (kind.monochrome, kind.toned, kind.graphic, kind.dark) == (False,) * 4
    assert kind.clipped < 0.05


# --- black and white ------------------------------------------------------------


@pytest.mark.parametrize(("chroma", "expected"), [(0.0, True), (0.9, True), (1.1, False)])
def test_monochrome_up_to_its_chroma(chroma: float, expected: bool) -> None:  # noqa: FBT001
    assert of(even((55.0, chroma * MONOCHROME_CHROMA, 0.0))).monochrome is expected


@pytest.mark.parametrize(("share", "expected"), [(0.01, True), (0.03, False)])
def test_a_speck_of_colour_is_forgiven_a_patch_is_not(
    share: float,
    expected: bool,  # noqa: FBT001
) -> None:
    picture = even((55.0, 0.0, 0.0))
    height = round(share * SHAPE[0] * 6)
    picture[40 : 40 + height, 70:100] = (0.7, 0.3, 0.2)
    assert of(picture).monochrome is expected


def test_a_monochrome_picture_is_neither_toned_nor_graphic() -> None:
    kind = of(ramp(0.0, 0.0))
    assert kind.monochrome
    assert not kind.toned
    assert not kind.graphic


# --- toned ----------------------------------------------------------------------


@pytest.mark.parametrize("tone", [(8.0, 20.0), (-6.0, -22.0), (14.0, -4.0)])
def test_a_toned_print(tone: tuple[float, float]) -> None:
    assert of(scenes.toned(photograph(), tone)).toned


def test_a_photograph_under_one_strong_light_is_not_toned() -> None:
    # Things of several colours stay several colours under one light.
    linear = scenes.scene((*scenes.QUAY, scenes.BOAT), 3)
    assert not of(scenes.developed(scenes.under(linear, (14.0, 20.0)))).toned


def test_without_a_range_of_tones_nothing_is_toned() -> None:
    assert not of(even((55.0, 8.0, 20.0))).toned


# --- drawn -------------------------------------------------------------------------


def test_a_drawing() -> None:
    assert of(scenes.drawing()).graphic


@pytest.mark.parametrize(("share", "expected"), [(0.07, True), (-0.07, False)])
def test_graphic_from_its_share_of_flat_pixels(
    share: float,
    expected: bool,  # noqa: FBT001
) -> None:
    # Three flat bands; below, speckle in few colours up to the share wanted.
    picture = np.zeros((200, 200, 3), dtype=np.uint8)
    for k, colour in enumerate(((180, 60, 50), (60, 120, 180), (230, 220, 180))):
        picture[:, k * 70 : (k + 1) * 70] = colour
    rows = round(200 * (GRAPHIC_FLAT + share))
    speckle = np.random.default_rng(0).integers(0, 4, (200 - rows, 200, 1))
    picture[rows:] = picture[rows:] // 2 + (speckle * 20).astype(np.uint8)
    assert of(picture).graphic is expected


@pytest.mark.parametrize("quality", [30, 75, 95])
def test_jpeg_does_not_make_a_photograph_a_drawing(quality: int) -> None:
    import io

    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(photograph()).save(file, "JPEG", quality=quality)
    assert not judging.prepare(file.getvalue()).character.graphic


# --- dark, clipped -----------------------------------------------------------------------


@pytest.mark.parametrize(("factor", "expected"), [(0.9, True), (1.1, False)])
def test_dark_up_to_its_lightness(factor: float, expected: bool) -> None:  # noqa: FBT001
    assert of(even((factor * DARK_LIGHTNESS, 0.0, 0.0))).dark is expected


def test_a_lamp_at_night_is_seen() -> None:
    picture = even((3.0, 0.0, 0.0))
    picture[:20, :30] = 0.9
    assert not of(picture).dark


@pytest.mark.parametrize("share", [0.0, 0.2, 0.6, 1.0])
@pytest.mark.parametrize("value", [0.0, 1.0])
def test_the_clipped_share_is_counted(share: float, value: float) -> None:
    # The rest is not flat: an even border would be left out.
    rng = np.random.default_rng(0)
    picture = rng.uniform(0.3, 0.7, (200, 200, 3))
    picture[60 : 60 + round(share * 100), 50:150] = value
    expected = share * 0.25
    if share == 1.0:
        picture[:] = value
        expected = 1.0
    assert of(picture).clipped == pytest.approx(expected, abs=0.01)


def test_what_is_transparent_is_not_looked_at() -> None:
    picture = np.dstack([photograph(), np.full(photograph().shape[:2], 255, dtype=np.uint8)])
    picture[:, 240:] = (255, 0, 0, 0)
    plain = of(photograph()[:, :240])
    half = of(picture)
    assert half.clipped == pytest.approx(plain.clipped, abs=0.02)
    assert not half.graphic
