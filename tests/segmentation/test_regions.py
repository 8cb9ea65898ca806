"""Pixels to regions: what is covered, measured and kept apart."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from autocast.colour import linear_to_lab, log_chromaticity
from autocast.picture import Picture, open_picture
from autocast.segmentation.regions import Regions, readable, segment
from tests import scenes
from tests.scenes import Bytes

SIZES = [(1, 1), (2, 3), (3, 500), (500, 3), (64, 64), (171, 256), (256, 100)]


@functools.cache
def photograph(height: int = 171, width: int = 256) -> Picture:
    picture = scenes.developed(scenes.scene((*scenes.QUAY, scenes.BOAT), 3, (height, width)))
    return open_picture(picture)


def regions_of(picture: Bytes) -> tuple[Picture, Regions]:
    opened = open_picture(picture)
    return opened, segment(opened)


@pytest.mark.parametrize(("height", "width"), SIZES)
def test_labels_cover_what_is_readable_and_nothing_else(height: int, width: int) -> None:
    picture = photograph(height, width)
    regions = segment(picture)
    assert regions.labels.shape == picture.opaque.shape
    assert ((regions.labels >= 0) == readable(picture)).all()
    assert set(np.unique(regions.labels[regions.labels >= 0])) == set(range(len(regions)))


@pytest.mark.parametrize(("height", "width"), SIZES)
def test_every_array_has_one_finite_row_per_region(height: int, width: int) -> None:
    regions = segment(photograph(height, width))
    for name in ("chromaticity", "lab", "area", "height", "across", "fine", "coarse", "box"):
        values = getattr(regions, name)
        assert len(values) == len(regions)
        assert np.isfinite(values).all()


@pytest.mark.parametrize(("height", "width"), SIZES)
def test_areas_sum_to_the_readable_share(height: int, width: int) -> None:
    picture = photograph(height, width)
    regions = segment(picture)
    assert regions.area.sum() == pytest.approx(readable(picture).mean())
    assert (regions.area > 0).all()


def test_a_region_is_measured_in_linear_light() -> None:
    picture = photograph()
    regions = segment(picture)
    for region in range(0, len(regions), 17):
        own = regions.labels == region
        mean = picture.pixels[own].mean(axis=0, dtype=np.float64)
        assert regions.lab[region] == pytest.approx(linear_to_lab(mean), abs=1e-3)
        assert regions.chromaticity[region] == pytest.approx(log_chromaticity(mean), abs=1e-4)
        assert regions.area[region] == pytest.approx(own.mean())


def test_a_box_is_the_extent_of_its_region() -> None:
    regions = segment(photograph())
    height, width = regions.labels.shape
    for region in range(0, len(regions), 13):
        y, x = np.nonzero(regions.labels == region)
        expected = [
            x.min() / width,
            y.min() / height,
            (np.ptp(x) + 1) / width,
            (np.ptp(y) + 1) / height,
        ]
        assert regions.box[region] == pytest.approx(expected)
        assert regions.across[region] == pytest.approx((x.mean() + 0.5) / width)
        assert regions.height[region] == pytest.approx((y.mean() + 0.5) / height)


def test_height_runs_down_and_across_runs_right() -> None:
    regions = segment(photograph())
    assert 0 < regions.height.min() < 0.1
    assert 0.9 < regions.height.max() < 1
    first = regions.labels[0, 0]
    assert regions.height[first] < 0.1
    assert regions.across[first] < 0.1


def sorted_rows(regions: Regions, *, mirrored: bool) -> np.typing.NDArray[np.float64]:
    across = 1 - regions.across if mirrored else regions.across
    rows = np.column_stack(
        [regions.height, across, regions.area, regions.lab, regions.fine, regions.coarse]
    )
    return np.asarray(rows[np.lexsort(np.round(rows, 6).T)])


@pytest.mark.parametrize(("height", "width"), [(171, 256), (150, 201), (97, 64)])
def test_a_mirrored_picture_gives_mirrored_regions(height: int, width: int) -> None:
    codes = scenes.developed(scenes.scene(scenes.YARD, 4, (height, width)))
    _, plain = regions_of(codes)
    _, mirror = regions_of(codes[:, ::-1].copy())
    assert len(plain) == len(mirror)
    assert sorted_rows(mirror, mirrored=True) == pytest.approx(
        sorted_rows(plain, mirrored=False), abs=1e-4
    )


def test_a_branch_is_parted_from_the_sky_behind_it() -> None:
    sky, branch = (0.45, 0.62, 0.86), (0.16, 0.13, 0.10)
    picture = np.empty((170, 255, 3))
    picture[:] = sky
    diagonal = (np.add.outer(np.arange(170), np.arange(255)) % 40) < 9
    picture[diagonal] = branch
    picture += np.random.default_rng(0).normal(0, 0.008, picture.shape)
    opened = open_picture(np.clip(picture, 0, 1))
    regions = segment(opened)
    truth = [linear_to_lab(opened.pixels[where].mean(axis=0)) for where in (diagonal, ~diagonal)]
    near = [np.hypot(*(regions.lab - t)[:, 1:].T) for t in truth]
    pure = np.minimum(*near) < 4
    assert regions.area[pure].sum() > 0.98
    share = regions.area[near[0] < near[1]].sum()
    assert share == pytest.approx(diagonal.mean(), abs=0.02)


def test_an_even_cell_is_not_parted() -> None:
    rng = np.random.default_rng(0)
    picture = np.clip(0.5 + rng.normal(0, 0.01, (176, 256, 3)), 0, 1)
    regions = segment(open_picture(picture))
    assert regions.area == pytest.approx(np.full(len(regions), 1 / len(regions)), rel=0.2)
    assert len(regions) == 11 * 8


def test_unreadable_pixels_belong_to_no_region() -> None:
    codes = scenes.developed(scenes.scene(scenes.QUAY, 3, (128, 200)))
    codes[20:40, 50:90] = 255
    codes[60:80, 50:90] = 0
    alpha = np.full(codes.shape[:2], 255, dtype=np.uint8)
    alpha[90:110, 50:90] = 0
    opened, regions = regions_of(np.dstack([codes, alpha]))
    assert opened.opaque.shape == (128, 200)
    for top in (20, 60, 90):
        assert (regions.labels[top : top + 20, 50:90] == -1).all()
    assert (regions.labels >= 0).mean() > 0.7


@pytest.mark.parametrize("code", [0, 255])
def test_nothing_readable_gives_no_regions(code: int) -> None:
    _, regions = regions_of(np.full((40, 60, 3), code, dtype=np.uint8))
    assert len(regions) == 0
    assert (regions.labels == -1).all()
    assert regions.lab.shape == (0, 3)
    assert regions.box.shape == (0, 4)


def test_texture_is_told_from_plainness() -> None:
    rng = np.random.default_rng(0)
    picture = np.full((128, 256, 3), 0.5)
    picture[:, 128:] += rng.normal(0, 0.08, (128, 128, 1))
    regions = segment(open_picture(np.clip(picture, 0, 1)))
    left, right = regions.across < 0.4, regions.across > 0.6
    assert regions.fine[left].max() < 0.003
    assert regions.fine[right].min() > 0.03


def test_a_patch_of_the_frame_is_as_large_as_its_share() -> None:
    regions = segment(photograph())
    blue = regions.lab[:, 2] < -25
    assert regions.area[blue].sum() == pytest.approx(0.24 * 0.14 * np.pi, rel=0.15)
