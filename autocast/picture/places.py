"""What a place reads: the mean of one small disc, the same wherever it is told."""

from __future__ import annotations

import math

import numpy as np

from autocast.colour import linear_to_lab
from autocast.judgement import Reading
from autocast.picture.opening import Picture

DISC_SHARE = 0.01
"""Radius of the disc as a share of the long side (project convention)."""


def reading_at(picture: Picture, x: float, y: float) -> Reading:
    """What a small disc of the working pixels reads.

    Parameters
    ----------
    picture : Picture
        The working pixels.
    x, y : float
        Its middle, as fractions of the upright picture, 0..1.

    Returns
    -------
    Reading
        CIELAB D65 of the mean light, to two digits; of the nearest pixel where the
        disc holds none.
    """
    rows, columns = picture.opaque.shape
    frame = picture.frame
    across = (x - frame.x) / frame.width * columns - 0.5
    down = (y - frame.y) / frame.height * rows - 0.5
    radius = max(1.0, DISC_SHARE * max(rows, columns))
    top, bottom = _span(down, radius, rows)
    left, right = _span(across, radius, columns)
    off = np.hypot(np.arange(left, right) - across, np.arange(top, bottom)[:, None] - down)
    opaque = picture.opaque[top:bottom, left:right]
    if opaque.any():
        off = np.where(opaque, off, np.inf)
    disc = off <= max(radius, float(off.min()))
    light = picture.pixels[top:bottom, left:right][disc].astype(np.float64).mean(axis=0)
    lab = linear_to_lab(light)
    return Reading(*(round(float(v), 2) for v in lab))


def _span(middle: float, radius: float, end: int) -> tuple[int, int]:
    """First and last-but-one line of a window around a disc, at least one within 0..end."""
    first = min(max(math.floor(middle - radius), 0), end - 1)
    return first, max(min(math.ceil(middle + radius) + 1, end), first + 1)
