"""The pair: a photograph and its corrected copy with the readings marked (PNG, sRGB)."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autocast.correction.check import OUTCOMES
from autocast.picture.writing import whole
from autocast.report.evidence_picture import places, png_of
from autocast.report.evidence_picture.looks import SOFT
from autocast.report.evidence_picture.pictures import framed, resized
from autocast.report.evidence_picture.sheet import (
    DPI,
    GAP,
    MARGIN,
    WIDTH,
    Line,
    Sheet,
    height_of,
    new_figure,
    wrapped,
)
from autocast.report.evidence_picture.stage import Marked, Shown, Stage, laid
from autocast.report.spots import CAUTION
from autocast.report.text import position, printable, shorten

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from autocast.correction.check import Proof, ProvenReading
    from autocast.picture import Picture

    Pixels = NDArray[np.floating[Any]]

_NAME = 34
"""Pixels above the pictures."""


def draw_pair(  # noqa: PLR0913 -- both pictures, what is said of them, and where it goes
    before: Picture,
    after: Picture,
    proof: Proof,
    to: Path,
    *,
    force: bool,
    photographs: tuple[Pixels, Pixels] | None = None,
) -> None:
    """Write the pair, whole or not at all; arguments as for :func:`figure`. Raises OutputError."""
    png = png_of(figure(before, after, proof, photographs))
    with whole(to, force=force) as beside:
        beside.write_bytes(png)


def figure(
    before: Picture,
    after: Picture,
    proof: Proof,
    photographs: tuple[Pixels, Pixels] | None = None,
) -> Figure:
    """The pair as a matplotlib figure on an Agg canvas.

    ``photographs`` are both whole upright pictures (H, W, 3), sRGB-encoded 0..1, to
    be shown in place of the small working pixels. Raises OutputError when matplotlib
    is missing.
    """
    drawn, canvas = new_figure("the pair")
    pixels: tuple[Pixels, Pixels] = (before.encoded, after.encoded)
    if photographs is not None:
        one, other = photographs
        pixels = (framed(one, before.frame), framed(other, after.frame))
    way, size = laid(pixels[0].shape)
    marked = [Marked(r.letter, r.x, r.y) for r in proof.readings]
    stage = Stage(
        way,
        Shown("as it came", resized(pixels[0], size), before.frame, marked),
        Shown("corrected copy", resized(pixels[1], size), after.frame, marked),
    )
    full = WIDTH - 2 * MARGIN
    name = Line(shorten(printable(before.name), 90), 10, ink=SOFT)
    found = wrapped([Line(printable(proof.sentence), 11, "bold")], full)
    told = [_entry(reading, proof) for reading in proof.readings]
    caution = wrapped([Line(CAUTION, 8.5, ink=SOFT)], full)

    words_top = _NAME + stage.height + GAP
    told_top = words_top + height_of(found) + GAP
    foot = told_top + places.rows(told) + (GAP if told else 0)
    height = math.ceil(foot + height_of(caution) + MARGIN)
    drawn.set_size_inches(WIDTH / DPI, height / DPI)

    page = Sheet(drawn, canvas, height)
    page.lines(wrapped([name], full), MARGIN, 9)
    stage.draw(page, _NAME)
    page.lines(found, MARGIN, words_top)
    places.listed(page, "Known colours, from light to dark", told, told_top)
    page.rule(foot - 10)
    page.lines(caution, MARGIN, foot)
    return drawn


def _entry(reading: ProvenReading, proof: Proof) -> places.Entry:
    at = position(reading.x, reading.y, proof.after.width, proof.after.height)
    said = OUTCOMES[reading.outcome]
    if reading.outcome != "own":
        said = f"should read {reading.should}: {said}"
    return places.Entry(
        reading.letter,
        [("before", reading.before), ("after", reading.after)],
        [
            Line(printable(reading.what), 9.5, "bold"),
            Line(at),
            Line(said, 8.5, ink=SOFT),
        ],
    )
