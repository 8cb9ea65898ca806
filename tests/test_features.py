"""Figures told of a picture: nothing is lost, and left and right are told alike."""

from __future__ import annotations

import math

from autocast.features import mirrored_alike

TOLD = {
    "statistics.brightest.mean.a": 1.0,
    "statistics.brightest.mean.b": 2.0,
    "together.left.a": 3.0,
    "together.left.b": 4.0,
    "together.right.a": -1.0,
    "together.right.b": 0.0,
    "scene.fine": 0.1,
}


def test_only_sides_of_the_frame_are_told_by_their_distance_from_neutral() -> None:
    assert mirrored_alike(TOLD) == {
        "statistics.brightest.mean.a": 1.0,
        "statistics.brightest.mean.b": 2.0,
        "together.farther.a": 3.0,
        "together.farther.b": 4.0,
        "together.nearer.a": -1.0,
        "together.nearer.b": 0.0,
        "scene.fine": 0.1,
    }


def test_a_mirrored_picture_tells_the_same() -> None:
    swapped = {
        name.replace("left", "x").replace(".right.", ".left.").replace("x", "right"): figure
        for name, figure in TOLD.items()
    }
    assert mirrored_alike(dict(sorted(swapped.items()))) == mirrored_alike(TOLD)


def test_a_side_that_cannot_be_read_is_the_nearer_one() -> None:
    blind = TOLD | {"together.left.a": math.nan, "together.left.b": math.nan}
    told = mirrored_alike(blind)
    assert (told["together.farther.a"], told["together.farther.b"]) == (-1.0, 0.0)
    assert math.isnan(told["together.nearer.a"])
