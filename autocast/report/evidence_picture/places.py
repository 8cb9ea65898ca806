"""The places worth a look: each with its letter, where it lies, what it reads and should read."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from autocast import colour as formulas
from autocast.judgement.sentences import letter
from autocast.judgement.things import BY_NAME, NEUTRALS
from autocast.report.evidence_picture import marks
from autocast.report.evidence_picture.looks import INK, ON_IT, SOFT
from autocast.report.evidence_picture.sheet import (
    HALF,
    MARGIN,
    RIGHT,
    Line,
    Sheet,
    height_of,
    title,
    wrapped,
)
from autocast.report.text import position, printable, signed, typeset

if TYPE_CHECKING:
    from collections.abc import Sequence

    from autocast.judgement import Judgement, Reading

PATCH = (66, 34)
"""Columns and rows of a patch."""
BOTH = 2 * PATCH[0]
_PATCHES = PATCH[1] + 44
"""Pixels that patches and their figures take."""
_EDGE = 150
"""The grey around patches, sRGB."""
_ROW = 92
_HEAD = 30
_MARK = 46
"""Pixels kept for the mark of a place and the line to its words."""


class Entry(NamedTuple):
    """What is told of a place: by which letters, which colours, in which words."""

    called: str
    colours: Sequence[tuple[str, Reading]]
    words: list[Line]


def patches(
    page: Sheet, at: tuple[float, float], colours: Sequence[tuple[str, Reading]], ink: str = INK
) -> None:
    """Colours side by side, each above its words and figures."""
    lab = np.array([[(value.lightness, value.a, value.b) for _, value in colours]])
    seen = np.clip(formulas.linear_to_srgb(formulas.lab_to_linear(lab)), 0, 1)
    codes = np.rint(255 * seen).astype(np.uint8).repeat(PATCH[1], axis=0).repeat(PATCH[0], axis=1)
    # An edge, so that a light patch ends somewhere on white.
    codes[[0, -1]] = codes[:, [0, -1]] = _EDGE
    page.picture(codes, *at)
    for k, (words, value) in enumerate(colours):
        lines = [Line(words, 7.5, ink=ink)]
        lines += [
            Line(typeset(f"{axis} {signed(v)}" if v else f"{axis} 0"), 7.5, ink=ink)
            for axis, v in (("a*", value.a), ("b*", value.b))
        ]
        page.lines(lines, at[0] + k * PATCH[0], at[1] + PATCH[1] + 3)


def compared(
    reads: Reading, should: Reading | None, words: str = "should read"
) -> list[tuple[str, Reading]]:
    """What is read, and what should be where that is known, for :func:`patches`."""
    return [("reads", reads)] + ([] if should is None else [(words, should)])


def place_height(judgement: Judgement, number: int, width: float) -> int:
    """Pixels that a place takes in words, with its patches below them."""
    return math.ceil(height_of(_named(judgement, number, width))) + _PATCHES


def place(
    page: Sheet, judgement: Judgement, number: int, at: tuple[float, float], width: float
) -> None:
    """A place in words, wrapped to a width, with its patches below them, on the surround."""
    words = _named(judgement, number, width)
    page.lines(words, *at)
    colours = entry(judgement, number).colours
    patches(page, (at[0], at[1] + height_of(words) + 3), colours, ON_IT)


def _named(judgement: Judgement, number: int, width: float) -> list[Line]:
    told = entry(judgement, number)
    what, *rest = (replace(line, ink=ON_IT) for line in told.words)
    return wrapped([replace(what, text=f"{told.called}: {what.text}"), *rest], width)


def entry(judgement: Judgement, number: int) -> Entry:
    """A place worth a look, by its number from 0."""
    spot = judgement.look_at[number]
    thing = BY_NAME.get(spot.kind)
    target = None if thing is None else thing.target
    known = None if target is None else target.at(spot.reads.lightness)
    # Only of a neutral is one colour right; of the others it is an example.
    words = "should read" if spot.kind == NEUTRALS else "such as"
    return Entry(
        letter(number),
        compared(spot.reads, known, words),
        [
            Line(printable(spot.what), 9.5, "bold"),
            Line(position(spot.x, spot.y, judgement.width, judgement.height)),
            Line(typeset(printable(spot.why)), 8.5, ink=SOFT),
        ],
    )


def rows(entries: Sequence[Entry]) -> int:
    """Pixels that a list takes; 0 for none."""
    return _HEAD + _ROW * -(-len(entries) // 2) if entries else 0


def listed(page: Sheet, heading: str, entries: Sequence[Entry], top: float) -> None:
    """Places in two columns, each mark tied to its words by a line."""
    if entries:
        page.lines([title(heading)], MARGIN, top)
    for k, each in enumerate(entries):
        x, y = (MARGIN, RIGHT)[k % 2], top + _HEAD + _ROW * (k // 2)
        marks.in_text(page.drawn, each.called, *page.at(x + 12, y + 16))
        page.stroke((x + 26, y + 16), (x + _MARK - 6, y + 16), INK)
        patches(page, (x + _MARK, y), each.colours)
        left = _MARK + BOTH + 14
        page.lines(wrapped(each.words, HALF - left), x + left, y - 2)
