"""The panels below the plane: the cast by tone, and what drove the judgement."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from autocast import colour as formulas
from autocast.judgement import SLIGHT_FROM, TONE_RANGES, Judgement
from autocast.judgement.things import mark_of
from autocast.report.evidence_picture.looks import FAINT, INK, SOFT, fraction
from autocast.report.evidence_picture.plane import paled
from autocast.report.evidence_picture.sheet import FAMILY, HALF, MARGIN, RIGHT, Line, Sheet, title
from autocast.report.evidence_picture.wording import votes
from autocast.report.text import (
    cast_figures,
    percent,
    points,
    printable,
    shorten,
    tone_words,
    typeset,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from autocast.judgement import Evidence, ToneCast

_HEAD = 62
"""Pixels above the first row: title, explanation and the names of the columns."""
_TONE_ROW = 74
_DRIVE_ROW = 32
_NAMES = 150
"""Pixels kept for the names of rows."""
_BETWEEN = 14
_FOOT = 20


def height(judgement: Judgement) -> float:
    """Pixels that both panels take side by side; 0 where neither has anything to show."""
    tones = _TONE_ROW * len(judgement.tones)
    drivers = _DRIVE_ROW * len(_drivers(judgement))
    return _HEAD + max(tones, drivers) + _FOOT if tones or drivers else 0.0


def tones(page: Sheet, judgement: Judgement, top: float) -> None:
    """For each tone range a swatch, and its cast along a* and b* with the spread."""
    if not judgement.tones:
        return
    below = Line("each at its own lightness; bars are one standard deviation", ink=SOFT)
    page.lines([title("Cast by tone"), below], MARGIN, top)
    reach = max(
        10.0,
        *(abs(v) + min(t.spread, 12) for t in judgement.tones.values() for v in (t.a, t.b)),
    )
    wide = (HALF - _NAMES - _BETWEEN) / 2
    for row, (name, tone) in enumerate(judgement.tones.items()):
        y = top + _HEAD + row * _TONE_ROW
        _swatch(page, tone, MARGIN, y)
        low, high, _ = TONE_RANGES.get(name, (0.0, 0.0, 0.0))
        page.lines(
            [
                Line(name, 9.5, "bold"),
                Line(f"L* {low:.0f}–{high:.0f}", 8.5, ink=SOFT),
                Line(percent(tone.share), 8.5, ink=SOFT),
            ],
            MARGIN + 56,
            y - 4,
        )
        for column, value in enumerate((tone.a, tone.b)):
            x = MARGIN + _NAMES + column * (wide + _BETWEEN)
            axes = page.axes(x, y, wide, 26)
            _tone_axis(axes, column, reach, value, tone)
            if row == 0:
                page.lines(
                    [
                        Line(
                            "a*, green to magenta-red" if column == 0 else "b*, blue to yellow",
                            8.5,
                            ink=SOFT,
                        )
                    ],
                    x,
                    y - 16,
                )
        words = f"{typeset(cast_figures(tone.a, tone.b, tone.spread))}: {tone_words(tone)}"
        page.lines([Line(words, 8.5)], MARGIN + _NAMES, y + 30)


def _swatch(page: Sheet, tone: ToneCast, x: float, y: float) -> None:
    """Left a neutral of the range's lightness, right what it reads here."""
    lab = np.array([[(tone.lightness, 0.0, 0.0), (tone.lightness, tone.a, tone.b)]])
    seen = np.clip(formulas.linear_to_srgb(formulas.lab_to_linear(lab)), 0, 1)
    axes = page.axes(x, y, 46, 46)
    axes.imshow(seen, interpolation="nearest", aspect="auto")
    axes.set_axis_off()


def _tone_axis(axes: Axes, column: int, reach: float, value: float, tone: ToneCast) -> None:
    axes.imshow(
        _gradient(column, reach), extent=(-reach, reach, 0, 1), aspect="auto", origin="lower"
    )
    axes.set(xlim=(-reach, reach), ylim=(0, 1), yticks=[], xticks=[])
    for spine in axes.spines.values():
        spine.set_color("#bbbbbb")
    axes.axvline(0, color=INK, lw=1)
    for edge in (-SLIGHT_FROM, SLIGHT_FROM):
        axes.axvline(edge, color=FAINT, lw=0.7, ls=(0, (2, 2)))
    axes.plot([value - tone.spread, value + tone.spread], [0.5, 0.5], color=INK, lw=2)
    axes.plot([value], [0.5], "o", ms=8, mfc="white", mec=INK, mew=1.6)


def _gradient(column: int, reach: float) -> NDArray[np.float64]:
    lab = np.zeros((1, 80, 3))
    lab[..., 0] = 85.0
    lab[..., 1 + column] = np.linspace(-reach, reach, 80)
    return paled(lab)


def drivers(page: Sheet, judgement: Judgement, top: float) -> None:
    """How far cast and probability move when each kind is left out and the picture judged again."""
    rows = _drivers(judgement)
    if not rows:
        return
    below = Line("measured: each kind is left out and the picture judged again", ink=SOFT)
    page.lines([title("What drove the judgement"), below], RIGHT, top)
    wide = (HALF - _NAMES - _BETWEEN) / 2
    tall = _DRIVE_ROW * len(rows)
    y = top + _HEAD
    moves = [e.drove or 0.0 for e in rows]
    # What the judgement gives is what the evidence adds; left out, as much is lost.
    changes = [-100 * (e.drove_probability or 0.0) for e in rows]
    for row, evidence in enumerate(rows):
        middle = y + (row + 0.5) * _DRIVE_ROW
        page.sign(mark_of(evidence.kind), RIGHT + 9, middle)
        page.lines(
            [Line(shorten(printable(evidence.kind), 14), 9.5, "bold")], RIGHT + 26, middle - 8
        )
    left = page.axes(RIGHT + _NAMES, y, wide, tall)
    right = page.axes(RIGHT + _NAMES + wide + _BETWEEN, y, wide, tall)
    page.lines([Line("the cast moves by (a*b*)", 8.5, ink=SOFT)], RIGHT + _NAMES, y - 16)
    page.lines(
        [Line("the chance changes by", 8.5, ink=SOFT)], RIGHT + _NAMES + wide + _BETWEEN, y - 16
    )
    _bars(left, rows, moves, [f"{v:.1f}" for v in moves], 0.0)
    _bars(right, rows, changes, [points(e) for e in rows], -1.0)


def _bars(
    axes: Axes, rows: list[Evidence], values: list[float], texts: list[str], least: float
) -> None:
    # Room for the figures, which stand beyond the ends of their bars.
    reach = (1.6 - 1.4 * least) * max(1.0, *map(abs, values))
    axes.set(xlim=(least * reach, reach), ylim=(len(rows), 0), yticks=[], xticks=[])
    for spine in axes.spines.values():
        spine.set_visible(False)
    for row, (evidence, value, text) in enumerate(zip(rows, values, texts, strict=True)):
        colour = fraction(mark_of(evidence.kind))
        axes.barh(row + 0.5, value, 0.5, color=colour, edgecolor=INK, lw=0.8)
        axes.annotate(
            text,
            (value, row + 0.5),
            xytext=(4 if value >= 0 else -4, 0),
            textcoords="offset points",
            ha="left" if value >= 0 else "right",
            va="center_baseline",
            fontsize=8.5,
            family=FAMILY,
            color=INK,
        )
    axes.axvline(0, color=INK, lw=1)


def _drivers(judgement: Judgement) -> list[Evidence]:
    """What was left out in turn, by how far the cast moved."""
    asked = [e for e in judgement.evidence if e.drove is not None and (votes(e) or e.context)]
    return sorted(asked, key=lambda e: -(e.drove or 0.0))
