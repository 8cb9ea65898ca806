"""The pair: a photograph and its corrected copy with the readings marked (PNG, sRGB)."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from autocast.correction.check import OUTCOMES
from autocast.picture.writing import whole
from autocast.report.evidence_picture import places, png_of
from autocast.report.evidence_picture.looks import SOFT
from autocast.report.evidence_picture.pictures import resized
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
    from matplotlib.figure import Figure

    from autocast.correction.check import Proof, ProvenReading
    from autocast.picture import Picture

_NAME = 34
"""Pixels above the pictures."""


def draw_pair(before: Picture, after: Picture, proof: Proof, to: Path, *, force: bool) -> None:
    """Write the pair, whole or not at all. Raises OutputError."""
    png = png_of(figure(before, after, proof))
    with whole(to, force=force) as beside:
        beside.write_bytes(png)


def figure(before: Picture, after: Picture, proof: Proof) -> Figure:
    """The pair as a matplotlib figure on an Agg canvas.

    Raises OutputError when matplotlib is missing.
    """
    drawn, canvas = new_figure("the pair")
    way, size = laid(before.encoded.shape)
    marked = [Marked(r.letter, r.x, r.y) for r in proof.readings]
    one, other = (
        Shown(words, resized(picture.encoded, size), picture.frame, marked)
        for words, picture in (("as it came", before), ("corrected copy", after))
    )
    stage = Stage(way, one, other)
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
