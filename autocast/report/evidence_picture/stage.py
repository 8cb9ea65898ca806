"""Pictures on neutral grey, with marks, and with ticks along the edges of the first.

A likely cast stands beside its proposed correction; a picture that a person should look at
beside the places that decide it, magnified; a clear one alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.judgement.sentences import letter, question
from autocast.report.evidence_picture import marks
from autocast.report.evidence_picture.looks import AROUND, ON_IT
from autocast.report.evidence_picture.pictures import Bytes, cut_out, framed, resized
from autocast.report.evidence_picture.places import place, place_height
from autocast.report.evidence_picture.sheet import MARGIN, WIDTH, Line, Sheet

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from autocast.judgement import Judgement, Place
    from autocast.judging import Examination

    Pixels = NDArray[np.floating[Any]]

MOST_MAGNIFIED = 3
"""Places shown magnified (project convention)."""
ENLARGED = 8
"""A picture is enlarged at most so many times (project convention)."""
_LEFT, _TOP, _FOOT = 64, 34, 40
"""Pixels around the pictures: ticks at the left and below, what they are above."""
_BETWEEN = 36
_WIDE = WIDTH - _LEFT - MARGIN
_TALL, _TALL_ALONE, _LOW = 560, 640, 280
"""Most height of a picture: beside another, alone, above another."""
_STACKED_FROM = 1.25
"""How much larger pictures must become to stand one above the other."""
_CAPTION = 19
"""Pixels from the words above a picture to it."""
_TOLD = 440
"""Pixels for magnified places and their words at the right of a picture."""
_CROP, _CROP_GAP = 138, 22
"""Side of a magnified place, at most, and what is between two."""
_TIE = 30
"""Pixels between a magnified place and its words, which a line joins."""
_ROOM = (36, 16)
"""Pixels that the word of a tick takes along the lower and the left edge."""
_APART = 4
"""Least pixels between ticks."""

Way = Literal["alone", "beside", "stacked"]


class Marked(NamedTuple):
    """A place and what it is called; ``x``, ``y`` are fractions of the upright picture."""

    called: str
    x: float
    y: float


class Shown(NamedTuple):
    """A picture at the size at which it is shown: its words, its part of the whole, its marks."""

    words: str
    codes: Bytes
    frame: Place
    marked: Sequence[Marked] = ()


class Close(NamedTuple):
    """The places of a judgement that are magnified, by their numbers, and from which pixels."""

    judgement: Judgement
    numbers: tuple[int, ...]
    pixels: Pixels


@dataclass(frozen=True)
class Stage:
    """One picture, two of one size, or one with places of it magnified."""

    way: Way
    first: Shown
    second: Shown | None = None
    close: Close | None = None

    @property
    def height(self) -> int:
        """Pixels that the stage takes."""
        return _TOP + self._inner() + _FOOT

    @property
    def _size(self) -> tuple[int, int]:
        rows, columns = self.first.codes.shape[:2]
        return columns, rows

    def _inner(self) -> int:
        rows, tall = self._size[1], self._told()
        if self.way == "alone":
            return rows
        if self.way == "beside":
            return max(rows, sum(tall) + _CROP_GAP * max(0, len(tall) - 1))
        return rows + _FOOT + (max(tall) if tall else _CAPTION + rows)

    def _told(self) -> list[int]:
        """Pixels that each magnified place takes from above."""
        if self.close is None:
            return []
        wide = self._words_width(self.close)
        return [max(_CROP, place_height(self.close.judgement, k, wide)) for k in self.close.numbers]

    def _words_width(self, close: Close) -> int:
        """Pixels for the words of a magnified place."""
        whole = _WIDE // len(close.numbers) - _CROP_GAP if self.way == "stacked" else _TOLD
        return whole - _CROP - _TIE

    def draw(self, page: Sheet, top: int) -> None:
        """Draw the pictures, the upper edge of the stage at ``top``."""
        page.block(AROUND, top, self.height)
        columns, rows = self._size
        taken, y = columns, top + _TOP
        if self.way == "beside":
            taken += _BETWEEN + (columns if self.close is None else _TOLD)
            y += (self._inner() - rows) // 2
        x = _LEFT + (_WIDE - taken) // 2
        _show(page, self.first, x, y)
        ticks(page, self.first.frame, (x, y), (columns, rows))
        if self.second is not None and self.way == "beside":
            _show(page, self.second, x + columns + _BETWEEN, y)
        elif self.second is not None:
            _show(page, self.second, x, y + rows + _FOOT + _CAPTION)
        if self.close is not None and self.way == "beside":
            self._magnify(page, self.close, x + columns + _BETWEEN, top + _TOP)
        elif self.close is not None:
            self._magnify(page, self.close, _LEFT, y + rows + _FOOT)

    def _magnify(self, page: Sheet, close: Close, x: int, y: int) -> None:
        """The places, each tied by a line to what is said of it."""
        wide = self._words_width(close)
        for number, tall in zip(close.numbers, self._told(), strict=True):
            spot, text = close.judgement.look_at[number], x + _CROP + _TIE
            at = _within(self.first.frame, spot.x, spot.y)
            crop, (across, down) = cut_out(close.pixels, at, _CROP)
            marks.on_picture(page.picture(crop, x, y), letter(number), across - 0.5, down - 0.5)
            page.stroke((x + crop.shape[1] + 3, y + 8), (text - 5, y + 8), ON_IT)
            place(page, close.judgement, number, (text, y), wide)
            if self.way == "stacked":
                x = text + wide + _CROP_GAP
            else:
                y += tall + _CROP_GAP


def stage(examination: Examination, photograph: Pixels | None) -> Stage:
    """Lay the pictures out; arguments as for :func:`autocast.report.evidence_picture.draw`."""
    judgement, frame = examination.judgement, examination.picture.frame
    pixels: Pixels = examination.picture.encoded
    if photograph is not None:
        pixels = framed(photograph, frame)
    numbers = _order(judgement)
    close = Close(judgement, numbers, pixels) if numbers else None
    two = judgement.verdict == "cast"
    if two or close:
        way, size = laid(pixels.shape, told=close is not None)
    else:
        way, size = "alone", _scaled(pixels.shape, _WIDE, _TALL_ALONE)
    shown = resized(pixels, size)
    marked = [Marked(letter(k), spot.x, spot.y) for k, spot in enumerate(judgement.look_at)]
    first = Shown("as it is", shown, frame, marked)
    if not two:
        return Stage(way, first, close=close)
    return Stage(way, first, Shown("proposed correction", _corrected(examination, shown), frame))


def laid(shape: tuple[int, ...], *, told: bool = False) -> tuple[Way, tuple[int, int]]:
    """How two pictures of one shape (rows, columns, ...) stand, and the columns and rows of each.

    ``told``: in place of the second stand magnified places.
    """
    beside = _WIDE - _BETWEEN - _TOLD if told else (_WIDE - _BETWEEN) // 2
    one, other = _scaled(shape, beside, _TALL), _scaled(shape, _WIDE, _LOW)
    return ("stacked", other) if other[0] > _STACKED_FROM * one[0] else ("beside", one)


def _scaled(shape: tuple[int, ...], wide: int, tall: int) -> tuple[int, int]:
    rows, columns = shape[:2]
    scale = min(wide / columns, tall / rows, ENLARGED)
    return max(1, round(columns * scale)), max(1, round(rows * scale))


def _order(judgement: Judgement) -> tuple[int, ...]:
    """The places that are magnified where a person is asked: first the one that decides."""
    if judgement.verdict != "ask":
        return ()
    asked = question(judgement)
    first = [] if asked is None or asked.spot is None else [asked.spot]
    rest = [number for number in range(len(judgement.look_at)) if number not in first]
    return tuple((first + rest)[:MOST_MAGNIFIED])


def _corrected(examination: Examination, shown: Bytes) -> Bytes:
    from autocast.correction import curves, plan
    from autocast.picture import srgb_space

    applied = curves(plan(examination), srgb_space())
    out = np.clip(applied(shown.reshape(-1, 3) / 255.0), 0, 1)
    return np.rint(255 * out).astype(np.uint8).reshape(shown.shape)


def _within(frame: Place, x: float, y: float) -> tuple[float, float]:
    """A place of the upright picture as fractions of the part that is shown."""
    return (x - frame.x) / frame.width, (y - frame.y) / frame.height


def _show(page: Sheet, shown: Shown, x: int, y: int) -> None:
    """A picture, what it is above it, and its marks."""
    page.lines([Line(shown.words, 9, ink=ON_IT)], x, y - _CAPTION)
    axes = page.picture(shown.codes, x, y)
    rows, columns = shown.codes.shape[:2]
    marked: list[Marked] = []
    for called, *at in shown.marked:
        across, down = _within(shown.frame, *at)
        new = Marked(called, across * columns, down * rows)
        for k, near in enumerate(marked):
            # Two marks in one place would hide each other's letter.
            if math.hypot(near.x - new.x, near.y - new.y) < marks.HALF_SIZE:
                marked[k] = near._replace(called=f"{near.called}, {called}")
                break
        else:
            marked.append(new)
    for each in marked:
        # The middle of the first pixel stands at 0.
        marks.on_picture(axes, each.called, each.x - 0.5, each.y - 0.5)


def ticks(page: Sheet, frame: Place, at: tuple[int, int], size: tuple[int, int]) -> None:
    """Ticks every tenth of the whole upright picture, below and at the left of the part shown.

    Named in per cent, as a hint takes them; fewer where there is no room.
    """
    (left, top), (columns, rows) = at, size
    for along, words in _along(columns, frame.x, frame.width, _ROOM[0]):
        x, y = left + along, top + rows + 3
        page.stroke((x, y), (x, y + (7 if words else 4)), ON_IT)
        page.word(words, (x, y + 9), ("center", "top"), ON_IT)
    for along, words in _along(rows, frame.y, frame.height, _ROOM[1]):
        x, y = left - 4, top + along
        page.stroke((x, y), (x - (7 if words else 4), y), ON_IT)
        page.word(words, (x - 10, y), ("right", "center_baseline"), ON_IT)


def _along(length: int, start: float, share: float, room: int) -> Iterator[tuple[int, str]]:
    """Where ticks stand along an edge that shows a ``share`` from ``start`` on, and their words.

    Each word takes ``room`` pixels.
    """
    tenth = length / share / 10
    every = 1 if tenth >= _APART else 5
    named = next((each for each in (2, 5, 10) if each * tenth >= room), None)
    for k in range(0, 11, every):
        at = round((k / 10 - start) / share * length)
        if 0 <= at <= length:
            yield at, "" if named is None or k % named else f"{10 * k}%"
