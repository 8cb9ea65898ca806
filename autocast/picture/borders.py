"""Plain borders, mounts and captions around a picture, found on a reduced copy.

A border is recognised by three things at once: its outermost lines are one colour to
within the noise of JPEG; it ends at a straight, sharp edge; and it has a partner
(the opposite side, or two other sides, in the same colour), is exactly one colour,
or bears a caption. A clear sky or the edge of a night fades, has grain, and ends unevenly.
Every figure here is a project convention.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.judgement import Place

_NOISE = 10.0
"""8-bit codes by which a border may stray from its colour."""
_RINGING = 24.0
"""8-bit codes by which it may stray next to its inner edge, where JPEG rings."""
_RINGING_LINES = 8
"""How far that ringing reaches: one JPEG block."""
_EXACT = 1.0
"""8-bit codes by which a border without a partner may stray."""
_EVEN = 0.95
"""Share of a line that lies within the noise in a plain line of border."""
_WRITTEN = 0.3
"""The same in a line that bears a caption, around letters and what JPEG leaves beside them."""
_UNLIKE = 0.5
"""Share of a line that must lie beyond the ringing where the picture begins."""
_BLEND = 0.1
"""Share of border colour from which the first line of the picture is left out as well."""
_DEEPEST = 0.4
"""Deepest border on one side, as a share of the height or width."""
_LEAST_LEFT = 0.2
"""Least share of height and width that must be left."""
_NESTED = 4
"""How many borders within each other are looked for."""
_LEAST_SIDE = 16
"""Pixels of the shorter side below which no border is looked for."""


class _Strip(NamedTuple):
    """A plain strip along one side."""

    depth: int
    colour: NDArray[np.float32]
    exact: bool
    written: bool
    sharp: bool = False


def find_content(values: NDArray[Any], unit: float) -> Place | None:
    """The part of a picture inside all borders.

    Parameters
    ----------
    values : (H, W, C) ndarray
        Encoded values, upright.
    unit : float
        What one 8-bit code is in them.

    Returns
    -------
    Place or None
        Fractions of width and height, 0..1; None where there is no border.
    """
    height, width = values.shape[:2]
    top, bottom, left, right = 0, height, 0, width
    for _ in range(_NESTED):
        cut = _one_border(values[top:bottom, left:right], unit)
        top, bottom = top + cut[0], bottom - cut[1]
        left, right = left + cut[2], right - cut[3]
        if bottom - top < _LEAST_LEFT * height or right - left < _LEAST_LEFT * width:
            return None  # more likely a picture of little on a plain ground
        if not any(cut):
            break
    if (top, bottom, left, right) == (0, height, 0, width):
        return None
    return Place(left / width, top / height, (right - left) / width, (bottom - top) / height)


def _one_border(values: NDArray[Any], unit: float) -> tuple[int, int, int, int]:
    """Lines to cut at top, bottom, left and right."""
    if min(values.shape[:2]) < _LEAST_SIDE:
        return 0, 0, 0, 0
    turned = values.swapaxes(0, 1)
    sides = (values, values[::-1], turned, turned[::-1])
    plain = [_strip(lines, unit) for lines in sides]
    depths = [0 if strip is None else strip.depth for strip in plain]
    strips = []
    for index, (lines, strip) in enumerate(zip(sides, plain, strict=True)):
        # An edge is looked for between the strips at its ends.
        first, last = (depths[2], depths[3]) if index < 2 else (depths[0], depths[1])
        span = lines[:, first : lines.shape[1] - last]
        strips.append(None if strip is None else _edged(span, strip, unit))

    def depth(index: int) -> int:
        strip = strips[index]
        if strip is None:
            return 0
        kin = [
            other is not None
            and other.sharp
            and float(np.abs(other.colour - strip.colour).max()) <= _NOISE * unit
            for other in strips
        ]
        kin[index] = False
        # Two partners vouch for an edge that is not sharp, where the picture is itself
        # as dark or as light as its border.
        alone = strip.exact or strip.written
        accepted = sum(kin) >= 2 or (strip.sharp and (kin[index ^ 1] or alone))
        return strip.depth if accepted else 0

    return depth(0), depth(1), depth(2), depth(3)


def _strip(lines: NDArray[Any], unit: float) -> _Strip | None:
    """The plain strip that begins at line 0 of (lines, along, C); None for none."""
    colour = np.median(lines[0], axis=0).astype(np.float32)
    if (_stray(lines[:2], colour, unit) <= _NOISE).mean() < _EVEN:
        return None
    reach = int(_DEEPEST * len(lines)) + _RINGING_LINES + 2
    stray = _stray(lines[:reach], colour, unit)
    reach = len(stray)
    even = (stray <= _NOISE).mean(axis=1)
    # On it goes while lines are plain, or bear a caption that plain lines follow.
    stop = int(np.argmax(even < _WRITTEN)) if (even < _WRITTEN).any() else reach
    depth = int(np.flatnonzero(even[:stop] >= _EVEN)[-1]) + 1
    if depth > _DEEPEST * len(lines):
        return None
    exact = bool((stray[: max(2, depth - 1)] <= _EXACT).mean() >= _EVEN)
    return _Strip(depth, colour, exact, bool((even[:depth] < _EVEN).any()))


def _edged(span: NDArray[Any], strip: _Strip, unit: float) -> _Strip:
    """The strip brought to its edge, where that is sharp."""
    reach = span[strip.depth : strip.depth + _RINGING_LINES + 1]
    unlike = (_stray(reach, strip.colour, unit) > _RINGING).mean(axis=1)
    for ahead in np.flatnonzero(unlike[:-1] >= _UNLIKE)[:1]:
        line = strip.depth + int(ahead)
        blended = _blended(span[line : line + 2].astype(np.float32), strip.colour)
        return strip._replace(depth=line + blended, sharp=True)
    return strip


def _stray(lines: NDArray[Any], colour: NDArray[np.float32], unit: float) -> NDArray[np.float32]:
    """How far each pixel strays from a colour, the worst channel, in 8-bit codes."""
    return np.asarray(np.abs(lines - colour).max(axis=-1) / np.float32(unit), dtype=np.float32)


def _blended(pair: NDArray[np.float32], colour: NDArray[np.float32]) -> int:
    """1 where the first line of a pair is border and picture mixed, as reducing leaves it."""
    towards = colour - pair[1]
    share = float(((pair[0] - pair[1]) * towards).sum() / max(float((towards**2).sum()), 1e-9))
    return int(share > _BLEND)


_GROUND_LEAST = 0.15
"""Least share of the frame that counts as a ground around something cut out."""
_GROUND_SIDES = (3, 0.6)
"""On how many sides of the frame it must lie, and along how much of each."""
_SOLID = 5
"""Pixels that what is cut out must be wide: lines of a drawing are not."""
_SOLID_SHARE = 0.5
"""Share of what is left that must be so."""
_LIT = 20
"""8-bit code above which a ground is one: black is flat in photographs, too."""


def find_ground(codes: NDArray[np.integer[Any]]) -> NDArray[np.bool_] | None:
    """The plain ground that something solid was cut out on.

    Of exactly one colour, as no camera gives it, it lies around the thing and reaches
    most sides of the frame.

    Parameters
    ----------
    codes : (H, W, 3) ndarray
        8-bit codes of the upright picture, small.

    Returns
    -------
    (H, W) ndarray of bool or None
        What is ground, with the line next to it, in which both mix; None where there is none.
    """
    sides = (codes[0], codes[-1], codes[:, 0], codes[:, -1])
    colour = np.median(np.concatenate(sides), axis=0)
    if min(codes.shape[:2]) < _LEAST_SIDE or colour.max() <= _LIT:
        return None
    edges = ((np.abs(side - colour) <= _EXACT).all(axis=1) for side in sides)
    if sum(edge.mean() >= _GROUND_SIDES[1] for edge in edges) < _GROUND_SIDES[0]:
        return None
    plain = (np.abs(codes - colour) <= _EXACT).all(axis=2)
    if plain.mean() < _GROUND_LEAST:
        return None
    ground = np.zeros_like(plain)
    ground[[0, -1]], ground[:, [0, -1]] = plain[[0, -1]], plain[:, [0, -1]]
    while True:
        grown = _widened(ground) & plain
        if (grown == ground).all():
            break
        ground = grown
    left = ~_widened(ground)
    solid = left
    for _ in range(_SOLID // 2):
        solid = ~_widened(~solid)
    if ground.mean() < _GROUND_LEAST or solid.sum() < max(_SOLID_SHARE * left.sum(), 1):
        return None
    return ~left


def _widened(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """A mask (H, W) with the pixels that touch it at a side."""
    out = mask.copy()
    out[1:] |= mask[:-1]
    out[:-1] |= mask[1:]
    out[:, 1:] |= mask[:, :-1]
    out[:, :-1] |= mask[:, 1:]
    return out
