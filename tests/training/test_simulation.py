"""Known casts simulated on pictures, and their truth."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from autocast.colour import linear_to_lab, srgb_to_linear
from autocast.training.simulation import lay_cast


def _ramp() -> NDArray[np.uint8]:
    grey = np.linspace(10, 245, 240).astype(np.uint8)
    return np.broadcast_to(grey[None, :, None], (120, 240, 3)).copy()


@pytest.mark.parametrize("kind", ["gain", "encoded", "offset", "power"])
def test_a_simulated_cast_reads_on_a_grey_ramp_what_its_truth_says(kind: str) -> None:
    copy = lay_cast(_ramp(), np.random.default_rng(3), kind, 12.0, math.radians(200))
    with Image.open(io.BytesIO(copy.data)) as image:
        lab = linear_to_lab(srgb_to_linear(np.asarray(image) / 255.0)).reshape(-1, 3)
    near = np.abs(lab[:, 0] - 60) < 3
    # Saturation and JPEG stand between: greys off neutral move by some 10 %.
    assert np.hypot(*(lab[near, 1:].mean(axis=0) - copy.whole)) < 2.5
    assert 9 < math.hypot(*copy.whole) < 15


def test_a_gain_has_the_size_and_hue_asked_for() -> None:
    copy = lay_cast(_ramp(), np.random.default_rng(1), "gain", 12.0, math.radians(130))
    expected = (12 * math.cos(math.radians(130)), 12 * math.sin(math.radians(130)))
    assert copy.whole == pytest.approx(expected, abs=0.2)


def test_a_crossed_cast_changes_sides_and_an_uncast_copy_has_none() -> None:
    crossed = lay_cast(_ramp(), np.random.default_rng(1), "crossed", 12.0, 0.0)
    assert crossed.tones[0][0] * crossed.tones[2][0] < 0
    none = lay_cast(_ramp(), np.random.default_rng(1), "none", 12.0, 0.0)
    assert none.whole == pytest.approx((0, 0), abs=1e-9)
    assert none.part == pytest.approx(0, abs=1e-9)


def test_the_same_seed_lays_the_same_bytes() -> None:
    one, two = (
        lay_cast(_ramp(), np.random.default_rng(5), "part", 12.0, 1.0).data for _ in range(2)
    )
    assert one == two
