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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import DARKEST_LINEAR, RGB_TO_XYZ, linear_to_lab
from autocast.judgement import TONE_RANGES
from autocast.picture import Picture

Floats = NDArray[np.float64]

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
    """R regions of one picture; every array has R rows.

    ``labels`` H x W holds each pixel's region, -1 where nothing can be read
    (transparent, clipped, buried in black). ``chromaticity`` R x 2 is (ln R/G,
    ln B/G); ``lab`` R x 3 is CIELAB D65; ``area`` is the share of the frame's
    pixels (sums to the readable share); ``height`` is 0 at the top and 1 at
    the bottom, ``across`` 0 at the left; ``fine`` and ``coarse`` are the mean
    absolute differences of encoded luminance at 1 and at 4 pixels (0..1);
    ``box`` R x 4 is x, y, width, height as fractions of the frame.
    """

    labels: NDArray[np.int32]
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
    # Channel by channel: numpy is slow to reduce over an axis of three.
    good = picture.opaque.copy()
    for channel in np.moveaxis(picture.encoded, -1, 0):
        good &= (channel < CLIPPED_FROM) & (channel > BURIED_BELOW)
    return good


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
    height, width = picture.opaque.shape
    good = readable(picture)
    cells, count = _cells(height, width)
    labels = _parted(picture.encoded, cells, count, good)
    used = np.unique(labels[labels >= 0])
    renumber = np.full(2 * count + 1, -1, dtype=np.int32)
    renumber[used] = np.arange(len(used), dtype=np.int32)
    labels = renumber[labels]
    return _measured(picture, labels, len(used))


def _cells(height: int, width: int) -> tuple[NDArray[np.intp], int]:
    """A cell number for every pixel, laid out so that a mirrored picture mirrors them."""
    side = max(height, width) / CELLS_ALONG
    rows, columns = max(1, round(height / side)), max(1, round(width / side))
    y = ((np.arange(height) + 0.5) / height * rows).astype(np.intp)
    x = ((np.arange(width) + 0.5) / width * columns).astype(np.intp)
    return y[:, None] * columns + x[None, :], rows * columns


def _parted(
    encoded: NDArray[np.float32],
    cells: NDArray[np.intp],
    count: int,
    good: NDArray[np.bool_],
) -> NDArray[np.int32]:
    """Part every cell in two along its main colour direction, where it has one."""
    where = cells[good]
    values = encoded[good].astype(np.float64)
    total = np.maximum(np.bincount(where, minlength=count), 1)
    mean = np.stack([np.bincount(where, values[:, c], count) for c in range(3)], 1) / total[:, None]
    off = values - mean[where]
    spread = np.empty((count, 3, 3))
    for i in range(3):
        for j in range(i, 3):
            spread[:, i, j] = spread[:, j, i] = np.bincount(where, off[:, i] * off[:, j], count)
    size, direction = np.linalg.eigh(spread / total[:, None, None])
    main = direction[:, :, 2]
    # The sign of an eigenvector is arbitrary: point it to the light.
    main = main * np.where(main.sum(axis=1) < 0, -1.0, 1.0)[:, None]
    part = (np.einsum("pc,pc->p", off, main[where]) > 0).astype(np.int32)
    upper = np.bincount(where, part, count) / total
    whole = (np.sqrt(np.maximum(size[:, 2], 0)) < PART_FROM) | (
        np.minimum(upper, 1 - upper) < SMALLEST_PART
    )
    labels = np.full(good.shape, -1, dtype=np.int32)
    labels[good] = 2 * where + np.where(whole[where], 0, part)
    return labels


def _measured(picture: Picture, labels: NDArray[np.int32], count: int) -> Regions:
    height, width = labels.shape
    good = labels >= 0
    where = labels[good]
    total = np.maximum(np.bincount(where, minlength=count), 1).astype(np.float64)

    def mean(values: NDArray[np.floating]) -> Floats:
        return np.asarray(np.bincount(where, values[good], count) / total)

    linear = np.stack([mean(picture.pixels[..., c]) for c in range(3)], axis=1)
    logs = np.log(np.maximum(linear, DARKEST_LINEAR))
    y, x = (np.broadcast_to(g, labels.shape) for g in np.ogrid[:height, :width])
    luminance = np.asarray(picture.encoded @ RGB_TO_XYZ[1].astype(np.float32))
    left, right, top, bottom = _extents(where, x[good], y[good])
    return Regions(
        labels=labels,
        chromaticity=np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=1),
        lab=linear_to_lab(linear),
        area=np.bincount(where, minlength=count) / labels.size,
        height=(mean(y) + 0.5) / height,
        across=(mean(x) + 0.5) / width,
        fine=mean(_differences(luminance, 1)),
        coarse=mean(_differences(luminance, 4)),
        box=np.stack(
            [
                left / width,
                top / height,
                (right - left + 1) / width,
                (bottom - top + 1) / height,
            ],
            axis=1,
        ),
    )


def _extents(
    where: NDArray[np.int32], x: NDArray[np.intp], y: NDArray[np.intp]
) -> tuple[NDArray[np.intp], ...]:
    """First and last column and row of every region."""
    if not len(where):
        return (np.zeros(0, dtype=np.intp),) * 4
    order = np.argsort(where, kind="stable")
    starts = np.flatnonzero(np.diff(where[order], prepend=-1))
    return tuple(
        extreme.reduceat(position[order], starts)
        for position in (x, y)
        for extreme in (np.minimum, np.maximum)
    )


def _differences(values: NDArray[np.floating], step: int) -> Floats:
    """Mean absolute difference to the neighbours ``step`` pixels away, edges repeated."""
    padded = np.pad(values, step, mode="edge")
    middle = slice(step, -step)
    total = np.zeros(values.shape)
    for dy, dx in ((0, step), (0, -step), (step, 0), (-step, 0)):
        shifted = np.roll(padded, (dy, dx), axis=(0, 1))[middle, middle]
        total += np.abs(shifted - values)
    return np.asarray(total / 4)
