"""Figures told of a picture: nothing is lost, and left and right are told alike."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autocast.judging import prepare
from autocast.voting.features import RANKS, extract, mirrored_alike
from tests.photographs import pixels

TOLD = {
    "statistics.brightest.mean.a": 1.0,
    "statistics.brightest.mean.b": 2.0,
    "joint.left.a": 3.0,
    "joint.left.b": 4.0,
    "joint.right.a": -1.0,
    "joint.right.b": 0.0,
    "scene.fine": 0.1,
}


def test_only_sides_of_the_frame_are_told_by_their_distance_from_neutral() -> None:
    assert mirrored_alike(TOLD) == {
        "statistics.brightest.mean.a": 1.0,
        "statistics.brightest.mean.b": 2.0,
        "joint.farther.a": 3.0,
        "joint.farther.b": 4.0,
        "joint.nearer.a": -1.0,
        "joint.nearer.b": 0.0,
        "scene.fine": 0.1,
    }


def test_a_mirrored_picture_tells_the_same() -> None:
    swapped = {
        name.replace("left", "x").replace(".right.", ".left.").replace("x", "right"): figure
        for name, figure in TOLD.items()
    }
    assert mirrored_alike(dict(sorted(swapped.items()))) == mirrored_alike(TOLD)


def test_a_side_that_cannot_be_read_is_the_nearer_one() -> None:
    blind = TOLD | {"joint.left.a": math.nan, "joint.left.b": math.nan}
    told = mirrored_alike(blind)
    assert (told["joint.farther.a"], told["joint.farther.b"]) == (-1.0, 0.0)
    assert math.isnan(told["joint.nearer.a"])


@pytest.mark.parametrize("power", [0.8, 1.3])
def test_a_curve_moves_ranks_as_it_moves_greys(power: float) -> None:
    plain = pixels("coffee")
    # Ranks are of the working pixels; area-averaging comes first and bends them a little.
    curved = plain.copy()
    curved[..., 0] = np.rint(255 * (plain[..., 0] / 255) ** power)
    before, after = (extract(prepare(picture)) for picture in (plain, curved))
    level = np.quantile(plain[..., 1] / 255, RANKS)
    for share, green in zip(RANKS[3:-3], level[3:-3], strict=True):
        name = f"statistics.rank_{share:g}"
        red = before[f"{name}.red"] + green
        assert after[f"{name}.blue"] == pytest.approx(before[f"{name}.blue"], abs=1e-3)
        assert after[f"{name}.red"] + green == pytest.approx(red**power, abs=0.03)
