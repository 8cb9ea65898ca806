"""The evidence picture: one examination as one picture (PNG, sRGB, 1200 px wide).

Top: which picture, the verdict and why. Then the photograph with the points
worth a look, and the same in grey with what was recognised; what each kind of
evidence votes for on the a*b* plane, beside the key; the cast by tone, and what
drove the judgement. Every class and every vote has a name and a pattern or a
marker of its own; colour only helps.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from autocast.picture.writing import srgb_file, write_whole
from autocast.report.evidence_picture import panels, wording
from autocast.report.evidence_picture.looks import SOFT
from autocast.report.evidence_picture.pictures import framed, recognised, resized, spots
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

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from autocast.judging import Examination

    Pixels = NDArray[np.floating[Any]]

__all__ = ["WIDTH", "draw", "figure"]

_TALLEST = 600
"""A photograph is shown at most this high, in pixels."""


def draw(examination: Examination, to: Path | BinaryIO, photograph: Pixels | None = None) -> None:
    """Write the evidence picture of one examination as a PNG, to a path or an open binary file.

    ``photograph`` (H, W, 3) is the whole upright picture, sRGB-encoded 0..1, to
    be shown in place of the small working pixels. A file at a path appears
    whole or not at all; one that is there is replaced. Raises OutputError when
    matplotlib is missing or the file cannot be written.
    """
    png = png_of(figure(examination, photograph))
    if isinstance(to, Path):
        write_whole(to, png)
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

    rows, columns = examination.labels.shape
    scale = min(HALF / columns, _TALLEST / rows)
    size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
    head = wrapped(list(wording.head(judgement)), WIDTH - 2 * MARGIN)
    key = wrapped([*wording.votes_key(judgement)], HALF)
    look = wrapped([*wording.look_here(judgement)], HALF)
    caution = wrapped([Line(wording.CAUTION, 8.5, ink=SOFT)], WIDTH - 2 * MARGIN)

    pictures_top = MARGIN + height_of(head) + GAP
    plane_top = pictures_top + size[1] + 30 + GAP
    side = [*key, *look]
    panels_top = plane_top + max(HALF, height_of(side)) + GAP
    below = panels.height(judgement)
    foot = panels_top + below + (GAP if below else 0)
    height = math.ceil(foot + height_of(caution) + MARGIN)
    drawn.set_size_inches(WIDTH / DPI, height / DPI)

    page = Sheet(drawn, canvas, height)
    page.lines(head, MARGIN, MARGIN)
    _pictures(page, examination, photograph, size, pictures_top)
    plane(page, judgement, plane_top)
    page.lines(side, RIGHT, plane_top)
    panels.tones(page, judgement, panels_top)
    panels.drivers(page, judgement, panels_top)
    page.rule(foot - 10)
    page.lines(caution, MARGIN, foot)
    return drawn


def _pictures(
    page: Sheet,
    examination: Examination,
    photograph: Pixels | None,
    size: tuple[int, int],
    top: float,
) -> None:
    pixels: Pixels = examination.picture.encoded
    if photograph is not None:
        pixels = framed(photograph, examination.picture.frame)
    shown = resized(pixels, size)
    page.lines([Line("The photograph", 9, ink=SOFT)], MARGIN, top + size[1] + 6)
    spots(page.picture(shown, MARGIN, top), examination, size)
    page.lines([Line("What was recognised", 9, ink=SOFT)], RIGHT, top + size[1] + 6)
    patterned, anchors = recognised(examination, shown, size)
    page.labelled(page.picture(patterned, RIGHT, top), anchors)
