"""The pair: a photograph and its corrected copy with the readings marked (PNG, sRGB)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from autocast.correction.check import OUTCOMES
from autocast.picture.writing import whole
from autocast.report.evidence_picture import png_of
from autocast.report.evidence_picture.sheet import DPI, new_figure
from autocast.report.spots import CAUTION
from autocast.report.text import printable, shorten, wrap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from autocast.correction.check import Proof, ProvenReading
    from autocast.picture import Picture

WIDTH = 1200
"""Width in pixels."""
_EDGE = 32
_BETWEEN = 24
_TALL = 640
"""A photograph is shown at most this high, in pixels."""
_LINE = 21
_COLUMNS = 118


def draw_pair(before: Picture, after: Picture, proof: Proof, to: Path, *, force: bool) -> None:
    """Write the pair, whole or not at all. Raises OutputError."""
    png = png_of(_figure(before, after, proof))
    with whole(to, force=force) as beside:
        beside.write_bytes(png)


def _figure(before: Picture, after: Picture, proof: Proof) -> Figure:
    drawn, _ = new_figure("the pair")
    rows, columns = before.opaque.shape
    half = (WIDTH - 2 * _EDGE - _BETWEEN) / 2
    scale = min(half / columns, _TALL / rows)
    wide, tall = columns * scale, rows * scale
    lines = [
        *wrap(printable(proof.sentence), _COLUMNS),
        *map(_row, proof.readings),
        *wrap(CAUTION, _COLUMNS),
    ]
    top = _EDGE + 2 * _LINE
    height = top + tall + _BETWEEN + _LINE * len(lines) + _EDGE
    drawn.set_size_inches(WIDTH / DPI, height / DPI)

    def text(words: str, x: float, y: float, **looks: Any) -> None:  # noqa: ANN401
        drawn.text(x / WIDTH, 1 - y / height, words, va="top", **looks)

    text(shorten(printable(before.name), 90), _EDGE, _EDGE - 6, fontsize=11, weight="bold")
    for picture, words, left in (
        (before, "As it came", _EDGE),
        (after, "Corrected copy", _EDGE + half + _BETWEEN),
    ):
        text(words, left, _EDGE + _LINE, fontsize=9.5)
        axes = drawn.add_axes(
            (left / WIDTH, 1 - (top + tall) / height, wide / WIDTH, tall / height)
        )
        axes.imshow(np.clip(picture.encoded, 0, 1), interpolation="lanczos", aspect="auto")
        axes.set_axis_off()
        _mark(axes, picture, proof)
    for k, line in enumerate(lines):
        text(
            line,
            _EDGE,
            top + tall + _BETWEEN + _LINE * k,
            fontsize=9.5,
            weight="bold" if k == 0 else "normal",
            family="DejaVu Sans Mono" if line[:1] == " " else "DejaVu Sans",
        )
    return drawn


def _row(reading: ProvenReading) -> str:
    (_, a, b), (_, c, d) = reading.before, reading.after
    what = shorten(printable(reading.what), 30)
    return (
        f" {reading.number:>2}  {what:<30} a* {a:+6.1f} b* {b:+6.1f}  ->  "
        f"a* {c:+6.1f} b* {d:+6.1f}   {OUTCOMES[reading.outcome]}"
    )


def _mark(axes: Axes, picture: Picture, proof: Proof) -> None:
    """A ring around each reading, and its number beside it, legible on light and dark."""
    rows, columns = picture.opaque.shape
    frame = picture.frame
    for reading in proof.readings:
        x = (reading.x - frame.x) / frame.width * columns - 0.5
        y = (reading.y - frame.y) / frame.height * rows - 0.5
        for colour, size in (("black", 3.4), ("white", 1.6)):
            axes.plot([x], [y], "o", ms=11, mfc="none", mec=colour, mew=size)
        inward = -1 if x > 0.85 * columns else 1
        axes.annotate(
            str(reading.number),
            (x, y),
            xytext=(9 * inward, 0),
            textcoords="offset points",
            ha="left" if inward > 0 else "right",
            va="center",
            fontsize=9,
            weight="bold",
            color="black",
            bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.85},
        )
