"""The evidence picture: one examination as one picture (PNG, sRGB, 1200 px wide).

Top: the photograph with the places worth a look, beside its proposed correction
or, where a person should look, those places magnified; then the verdict, why, what
decides it and what to do next. Then what drove it, the cast by tone and the places;
last what was recognised, and what each kind of evidence votes for on the a*b* plane
with its key. Every class and every vote has a name and a pattern or a marker of its
own; colour only helps.
"""

from __future__ import annotations

import math
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from autocast.picture.writing import srgb_file, write_whole
from autocast.report.evidence_picture import panels, places, wording
from autocast.report.evidence_picture.looks import SOFT
from autocast.report.evidence_picture.pictures import framed, recognised, resized
from autocast.report.evidence_picture.plane import plane
from autocast.report.evidence_picture.sheet import (
    DPI,
    GAP,
    HALF,
    MARGIN,
    RIGHT,
    WIDTH,
    Line,
    Sheet,
    height_of,
    new_figure,
    wrapped,
)
from autocast.report.evidence_picture.stage import stage

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from autocast.judgement import Judgement
    from autocast.judging import Examination

    Pixels = NDArray[np.floating[Any]]

__all__ = ["WIDTH", "draw", "figure"]

_TALLEST = 600
"""What was recognised is shown at most this high, in pixels."""
_NAME = 34
"""Pixels above the pictures."""
_CAPTION = 40
"""Pixels below what was recognised."""


def draw(
    examination: Examination,
    to: Path | BinaryIO,
    photograph: Pixels | None = None,
    *,
    force: bool = True,
) -> None:
    """Write the evidence picture of one examination as a PNG, to a path or an open binary file.

    ``photograph`` (H, W, 3) is the whole upright picture, sRGB-encoded 0..1, to
    be shown in place of the small working pixels. A file at a path appears
    whole or not at all; one that is there is replaced, without ``force`` kept. Raises
    OutputError when matplotlib is missing or the file cannot be written.
    """
    png = png_of(figure(examination, photograph))
    if isinstance(to, Path):
        write_whole(to, png, force=force)
    else:
        to.write(png)


def png_of(drawn: Figure) -> bytes:
    """A figure on an Agg canvas as a PNG, tagged sRGB."""
    canvas: Any = drawn.canvas
    canvas.draw()
    return srgb_file(np.asarray(canvas.buffer_rgba())[..., :3], "PNG", dpi=(DPI, DPI))


def figure(examination: Examination, photograph: Pixels | None = None) -> Figure:
    """The evidence picture as a matplotlib figure on an Agg canvas; arguments as for :func:`draw`.

    Raises OutputError when matplotlib is missing.
    """
    drawn, canvas = new_figure("the evidence picture")
    judgement = examination.judgement
    full = WIDTH - 2 * MARGIN
    pictures = stage(examination, photograph)
    head = wrapped(list(wording.head(judgement)), full)
    close = () if pictures.close is None else pictures.close.numbers
    told = [places.entry(judgement, k) for k in range(len(judgement.look_at)) if k not in close]
    recognised_size = _size(examination)
    left, right = _key(judgement, recognised_size[1])
    caution = wrapped([Line(wording.CAUTION, 8.5, ink=SOFT)], full)

    heights = {
        "head": height_of(head),
        "drivers": panels.drivers_height(judgement),
        "tones": panels.tones_height(judgement),
        "places": places.rows(told),
        "map": max(recognised_size[1] + _CAPTION + height_of(left), HALF + GAP + height_of(right)),
        "caution": height_of(caution),
    }
    tops, y = {}, float(_NAME + pictures.height + GAP)
    for part, height in heights.items():
        tops[part] = y
        y += height + (GAP if height else 0)
    height = math.ceil(y - GAP + MARGIN)
    drawn.set_size_inches(WIDTH / DPI, height / DPI)

    page = Sheet(drawn, canvas, height)
    page.lines(wrapped([wording.name(judgement)], full), MARGIN, 9)
    pictures.draw(page, _NAME)
    page.lines(head, MARGIN, tops["head"])
    panels.drivers(page, judgement, tops["drivers"])
    panels.tones(page, judgement, tops["tones"])
    places.listed(page, "Places worth a look", told, tops["places"])
    _map(page, examination, photograph, recognised_size, tops["map"])
    page.lines(left, MARGIN, tops["map"] + recognised_size[1] + _CAPTION)
    plane(page, judgement, tops["map"])
    page.lines(right, RIGHT, tops["map"] + HALF + GAP)
    page.rule(tops["caution"] - 10)
    page.lines(caution, MARGIN, tops["caution"])
    return drawn


def _size(examination: Examination) -> tuple[int, int]:
    """Columns and rows that what was recognised is shown at."""
    rows, columns = examination.labels.shape
    scale = min(HALF / columns, _TALLEST / rows)
    return max(1, round(columns * scale)), max(1, round(rows * scale))


def _key(judgement: Judgement, rows: int) -> tuple[list[Line], list[Line]]:
    """The key of the plane, parted so that both halves of the sheet end at like heights."""
    blocks = [wrapped(block, HALF) for block in wording.votes_key(judgement)]
    parted = [
        ([*chain.from_iterable(blocks[:k])], [*chain.from_iterable(blocks[k:])])
        for k in range(1, len(blocks) + 1)
    ]
    return min(
        parted,
        key=lambda both: max(rows + _CAPTION + height_of(both[0]), HALF + GAP + height_of(both[1])),
    )


def _map(
    page: Sheet,
    examination: Examination,
    photograph: Pixels | None,
    size: tuple[int, int],
    top: float,
) -> None:
    pixels: Pixels = examination.picture.encoded
    if photograph is not None:
        pixels = framed(photograph, examination.picture.frame)
    patterned, anchors = recognised(examination, resized(pixels, size), size)
    page.lines([Line("what was recognised", 9, ink=SOFT)], MARGIN, top + size[1] + 6)
    page.labelled(page.picture(patterned, MARGIN, top), anchors)
