"""Statistics that are read of all parts at once, against the same read one by one."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.ndimage import convolve

from autocast.colour import (
    RGB_TO_XYZ,
    lightness_to_luminance,
    linear_to_lab,
    log_chromaticity,
    shift_to_cast,
)
from autocast.evidence import statistics
from autocast.judging import prepare
from autocast.segmentation.likelihoods import Scene
from autocast.voting.posterior import PARTS, part_masks
from tests.photographs import pixels


@cache
def seen() -> Scene:
    return prepare(pixels("china")).scene


def test_parts_read_as_if_their_regions_were_pixels() -> None:
    regions, masks = seen().regions, part_masks(seen())
    casts = statistics.measure_parts(seen(), masks)
    assert casts.shape == (len(PARTS), len(statistics.PART_ESTIMATORS), 2)
    light = np.exp(np.insert(regions.chromaticity, 1, 0, axis=1)).T
    light *= lightness_to_luminance(regions.lab[:, 0]) / (RGB_TO_XYZ[1] @ light)
    times = np.maximum(1, np.rint(regions.area * 1000)).astype(int)
    for part, found in zip(masks, casts, strict=True):
        repeated = np.repeat(light[:, part], times[part], axis=1)
        lab = linear_to_lab(repeated.T).T
        alone = (
            statistics.grey_world(repeated),
            statistics.shades_of_grey(repeated),
            statistics.least_chroma(repeated, lab),
        )
        assert found == pytest.approx(shift_to_cast(log_chromaticity(alone)), abs=1e-9)


def test_too_few_regions_say_nothing() -> None:
    few = np.zeros((2, len(seen().regions)), dtype=bool)
    few[1, : statistics.FEWEST_REGIONS] = True
    casts = statistics.measure_parts(seen(), few)
    assert np.isnan(casts[0]).all()
    assert np.isfinite(casts[1]).all()


def test_edges_are_those_of_scipy() -> None:
    channel = np.random.default_rng(0).random((20, 30))
    smooth = convolve(channel, np.outer([1, 2, 1], [1, 2, 1]) / 16, mode="nearest")
    gradient, curvature = statistics.edges(channel)
    one, two = np.array([[1, 0, -1]]), np.array([[1, -2, 1]])
    for found, kernel in ((gradient, one), (curvature, two)):
        sides = [convolve(smooth, each, mode="nearest") for each in (kernel, kernel.T)]
        assert found == pytest.approx(sides[0] ** 2 + sides[1] ** 2, abs=1e-12)


def test_cells_are_those_that_a_search_finds() -> None:
    ab = np.random.default_rng(1).normal(0, 12, (2, 500))
    ab[:, :3] = statistics.PLANE[:3]  # on a cut belongs below it
    a, b = (np.searchsorted(statistics.PLANE, each) for each in ab)
    side = len(statistics.PLANE) + 1
    assert statistics._cells_of(ab, statistics.PLANE).tolist() == (a * side + b).tolist()
