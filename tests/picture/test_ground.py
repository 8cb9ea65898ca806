"""A plain ground that something was cut out on is left out; what no hand made plain is not."""

from __future__ import annotations

import io

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from skimage import data

import autocast
from autocast.picture import open_picture
from autocast.picture.borders import find_ground
from tests import scenes

Codes = NDArray[np.uint8]


def cut_out(picture: Codes, ground: int, *, down: bool = False) -> Codes:
    """An ellipse of a picture on a plain ground, its edge soft; ``down`` lets it end below."""
    height, width = picture.shape[:2]
    y, x = np.mgrid[:height, :width]
    middle = 0.75 * height if down else height / 2
    reach = np.hypot((y - middle) / (0.4 * height), (x - width / 2) / (0.35 * width))
    share = np.clip((1 - reach) * 40, 0, 1)[..., None]
    return np.asarray(picture * share + ground * (1 - share), dtype=np.uint8)


@pytest.mark.parametrize("ground", [255, 240, 128])
@pytest.mark.parametrize("down", [False, True])
def test_what_is_cut_out_is_judged_alone(ground: int, down: bool) -> None:  # noqa: FBT001
    for name in ("astronaut", "chelsea", "coffee"):
        picture = cut_out(getattr(data, name)(), ground, down=down)
        opened = open_picture(picture)
        assert "ground" in opened.remarks
        assert 0.35 < opened.opaque.mean() < 0.5
        assert "not_photograph" not in autocast.judge(picture).remarks


def test_the_ground_has_no_say() -> None:
    """A coloured ground moves the cast no more than a white one does."""
    picture = data.astronaut()
    mask = cut_out(np.full_like(picture, 255), 0)[..., :1] / 255.0
    casts = []
    for colour in ((255, 255, 255), (120, 160, 210)):
        on = (picture * mask + np.array(colour) * (1 - mask)).astype(np.uint8)
        assert "ground" in open_picture(on).remarks
        casts.append(autocast.judge(on).cast)
    assert np.hypot(casts[0].a - casts[1].a, casts[0].b - casts[1].b) < 1.0


@pytest.mark.parametrize("quality", [75, 92])
def test_jpeg_does_not_hide_a_ground(quality: int) -> None:
    file = io.BytesIO()
    Image.fromarray(cut_out(data.astronaut(), 255)).save(file, "JPEG", quality=quality)
    assert "ground" in open_picture(file.getvalue()).remarks


def test_a_night_a_drawing_and_a_studio_keep_their_ground() -> None:
    rng = np.random.default_rng(1)
    night = cut_out(data.astronaut(), 0)
    studio = np.clip(cut_out(data.astronaut(), 235) + rng.normal(0, 2, (512, 512, 3)), 0, 255)
    lines = np.full((300, 400, 3), 255, dtype=np.uint8)
    lines[20:280:12, 30:370] = (200, 40, 40)
    lines[30:270, 40:360:15] = (30, 60, 160)
    for picture in (night, studio.astype(np.uint8), lines, data.coffee()):
        assert "ground" not in open_picture(picture).remarks
    assert "not_photograph" in autocast.judge(lines).remarks
    assert "not_photograph" in autocast.judge(scenes.drawing()).remarks


def test_half_a_frame_is_no_ground() -> None:
    picture = data.astronaut().copy()
    picture[:200] = 255  # a sky that is burnt out reaches one side and parts of two
    assert find_ground(picture.astype(int)) is None
    assert find_ground(np.full((40, 40, 3), 255)) is None  # nothing is left
    beside = data.astronaut().astype(int)
    beside[:, :256] = 128  # a plain half reaches one side and halves of two
    assert find_ground(beside) is None
