"""Pixels -> regions: a hundred-odd patches of one colour each, with their context.

The frame is laid out in plain cells, and every cell is parted in two along the
direction in which its colours differ most, so that a branch and the sky behind
it do not average to a colour that neither has. This costs a tenth of what
superpixels cost and serves the votes as well.

What a region *is* cannot be known before the light is: memberships are
asked under a hypothesised cast, in :mod:`autocast.voting.posterior`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from autocast.colour import DARKEST_LINEAR, RGB_TO_XYZ, linear_to_lab
from autocast.judgement import TONE_RANGES
from autocast.picture import Picture

Floats = NDArray[np.float64]
Number = TypeVar("Number", np.uint8, np.float32, np.float64)

CELLS_ALONG = 11
"""Cells along the long side (project convention; about 24 px of 256 each)."""
PART_FROM = 0.035
"""Spread of encoded values along a cell's main colour direction from which it is parted."""
SMALLEST_PART = 0.12
"""A part smaller than this share of its cell stays with the rest."""
CLIPPED_FROM = 0.985
"""Encoded value from which a channel counts as clipped (251 of 255)."""
BURIED_BELOW = 0.02
"""Encoded value below which a channel says nothing about chromaticity (5 of 255)."""


@dataclass(frozen=True, slots=True, eq=False)
class Regions:
    """R regions of one picture; every array after ``where`` has R rows.

    ``labels`` H x W holds each pixel's region, -1 where nothing can be read
    (transparent, clipped, buried in black); ``where`` are the numbers of all others,
    counted row by row. ``chromaticity`` R x 2 is (ln R/G, ln B/G); ``lab`` R x 3 is
    CIELAB D65; ``area`` is the share of the frame's pixels (sums to the readable
    share); ``height`` is 0 at the top and 1 at the bottom, ``across`` 0 at the left;
    ``fine`` and ``coarse`` are the mean absolute differences of encoded luminance at
    1 and at 4 pixels (0..1); ``box`` R x 4 is x, y, width, height as fractions of
    the frame.
    """

    labels: NDArray[np.int32]
    where: NDArray[np.intp]
    chromaticity: Floats
    lab: Floats
    area: Floats
    height: Floats
    across: Floats
    fine: Floats
    coarse: Floats
    box: Floats

    def __len__(self) -> int:
        return len(self.area)


def tone_masks(lightness: NDArray[np.floating[Any]]) -> dict[str, NDArray[np.bool_]]:
    """Which lightnesses lie in each tone range.

    Parameters
    ----------
    lightness : (n,) ndarray
        L*.

    Returns
    -------
    dict of str to (n,) ndarray of bool
        By the names of :data:`autocast.judgement.TONE_RANGES`; a range holds its
        lowest L* and not its highest.
    """
    return {
        name: (lightness >= low) & (lightness < high)
        for name, (low, high, _) in TONE_RANGES.items()
    }


def planes(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """The channels of a picture one after the other, in which numpy is far quicker.

    Parameters
    ----------
    values : (H, W, 3) ndarray of float32
        Of every pixel.

    Returns
    -------
    (3, H * W) ndarray of float32
        The same, row by row.
    """
    return np.ascontiguousarray(np.moveaxis(values, -1, 0)).reshape(3, -1)


def seen(picture: Picture, values: NDArray[Number]) -> NDArray[Number]:
    """The opaque pixels out of planes.

    Parameters
    ----------
    picture : Picture
        Whose pixels they are.
    values : (3, H * W) ndarray
        As of :func:`planes`.

    Returns
    -------
    (3, n) ndarray
        Row by row; the same array where all are opaque.
    """
    opaque = picture.opaque.ravel()
    return values if opaque.all() else values[:, opaque]


def readable(picture: Picture) -> NDArray[np.bool_]:
    """Pixels whose chromaticity can be read: opaque, not clipped, not buried in black.

    Parameters
    ----------
    picture : Picture
        Its working pixels.

    Returns
    -------
    (H, W) ndarray of bool
        True where every channel lies between :data:`BURIED_BELOW` and :data:`CLIPPED_FROM`.
    """
    red, green, blue = planes(picture.encoded)
    most = np.maximum(np.maximum(red, green), blue)
    least = np.minimum(np.minimum(red, green), blue)
    good = (most < CLIPPED_FROM) & (least > BURIED_BELOW)
    return np.asarray(good.reshape(picture.opaque.shape) & picture.opaque)


def segment(picture: Picture) -> Regions:
    """Lay the picture out in regions.

    Parameters
    ----------
    picture : Picture
        Its working pixels.

    Returns
    -------
    Regions
        At most two regions a cell; none for a picture with nothing readable.
    """
    good = readable(picture)
    where = np.flatnonzero(good)
    encoded = planes(picture.encoded).reshape(3, *good.shape)
    parts = _parted(encoded, good).take(where)
    used = np.bincount(parts) > 0
    number = np.cumsum(used, dtype=np.int32) - np.int32(1)
    luminance = np.tensordot(RGB_TO_XYZ[1].astype(np.float32), encoded, 1)
    return _measured(picture, luminance, where, number.take(parts), int(used.sum()))


def _cells(length: int, side: float) -> NDArray[np.bool_]:
    """Which cell each row or column lies in, (cells, length); mirrored, it is its own mirror."""
    count = max(1, round(length / side))
    cell = ((np.arange(length) + 0.5) / length * count).astype(np.intp)
    return np.asarray(np.arange(count)[:, None] == cell)


def _parted(encoded: NDArray[np.float32], good: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Part every cell in two along its main colour direction, where it has one.

    A number (H, W) for each pixel: twice its cell's, one more in the lighter part.
    """
    side = max(good.shape) / CELLS_ALONG
    down, across = (_cells(length, side) for length in good.shape)
    sum_down, sum_across = down.astype(np.float64), across.T.astype(np.float64)
    cells = down.argmax(axis=0)[:, None] * len(across) + across.argmax(axis=0)

    def total(values: Floats) -> Floats:  # numpydoc ignore=GL08
        # As products, since adding one pixel after the other to its cell takes far longer.
        return np.asarray((sum_down @ values @ sum_across).ravel())

    count = np.maximum(total(good.astype(np.float64)), 1)
    values = encoded * good.astype(np.float64)
    mean = np.stack([total(each) / count for each in values], axis=1)
    spread = np.empty((len(count), 3, 3))
    for i in range(3):
        for j in range(i, 3):
            square = total(values[i] * values[j]) / count
            spread[:, i, j] = spread[:, j, i] = square - mean[:, i] * mean[:, j]
    size, direction = np.linalg.eigh(spread)
    main = direction[:, :, 2]
    # The sign of an eigenvector is arbitrary: point it to the light.
    main = main * np.where(main.sum(axis=1) < 0, -1.0, 1.0)[:, None]
    along = sum(each * way.take(cells) for each, way in zip(values, main.T, strict=True))
    part = good & (along > (mean * main).sum(axis=1).take(cells))
    upper = total(part.astype(np.float64)) / count
    whole = (np.sqrt(np.maximum(size[:, 2], 0)) < PART_FROM) | (
        np.minimum(upper, 1 - upper) < SMALLEST_PART
    )
    return np.asarray(2 * cells + (part & ~whole.take(cells)))


def _measured(
    picture: Picture,
    luminance: NDArray[np.float32],
    where: NDArray[np.intp],
    labels: NDArray[np.int32],
    count: int,
) -> Regions:
    """The regions' traits. ``labels`` are those of the readable pixels, ``where``."""
    shape = picture.opaque.shape
    size = np.bincount(labels, minlength=count)

    def mean(values: NDArray[np.float32]) -> Floats:
        return np.asarray(np.bincount(labels, values.take(where), count) / size)

    linear = np.stack([mean(channel) for channel in planes(picture.pixels)], axis=1)
    logs = np.log(np.maximum(linear, DARKEST_LINEAR))
    y, x = (along.take(where) for along in np.indices(shape, dtype=np.int32))
    height, top, bottom = _extents(labels, y, count, shape[0])
    across, left, right = _extents(labels, x, count, shape[1])
    frame = np.full(shape, -1, dtype=np.int32)
    frame.ravel()[where] = labels
    return Regions(
        labels=frame,
        where=where,
        chromaticity=np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=1),
        lab=linear_to_lab(linear),
        area=size / frame.size,
        height=height,
        across=across,
        fine=mean(_differences(luminance, 1)),
        coarse=mean(_differences(luminance, 4)),
        box=np.stack([left, top, right - left, bottom - top], axis=1),
    )


def _extents(
    labels: NDArray[np.int32], along: NDArray[np.int32], count: int, length: int
) -> tuple[Floats, Floats, Floats]:
    """Middle, beginning and end of every region along one side, as fractions of it."""
    pixels = np.bincount(labels * length + along, minlength=count * length).reshape(count, length)
    there = pixels > 0
    first, last = there.argmax(axis=1), length - there[:, ::-1].argmax(axis=1)
    middle = pixels @ (np.arange(length) + 0.5) / pixels.sum(axis=1)
    return middle / length, first / length, last / length


def _differences(values: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    """Mean absolute difference to the neighbours ``step`` pixels away, edges repeated."""
    padded = np.pad(values, step, mode="edge")
    down = np.abs(padded[step:, step:-step] - padded[:-step, step:-step])
    across = np.abs(padded[step:-step, step:] - padded[step:-step, :-step])
    # Each difference counts for both of its pixels.
    total = down[:-step] + down[step:] + across[:, :-step] + across[:, step:]
    return np.asarray(total / 4)
