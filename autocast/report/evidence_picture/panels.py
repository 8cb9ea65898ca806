"""The panels below the words: what drove the judgement, and the cast by tone."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from autocast.colour import QUOTED_AT, requote
from autocast.judgement import EVIDENT_FROM, SLIGHT_FROM, TONE_RANGES, Judgement, Reading, ToneCast
from autocast.judgement.things import mark_of
from autocast.report.evidence_picture.looks import INK, SOFT
from autocast.report.evidence_picture.places import BOTH, compared, patches
from autocast.report.evidence_picture.plane import paled
from autocast.report.evidence_picture.sheet import (
    MARGIN,
    WIDTH,
    Line,
    Sheet,
    height_of,
    title,
    wrapped,
)
from autocast.report.text import percent, points, short_name, shorten, tone_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from autocast.judgement import Evidence

MOST_DRIVERS = 6
"""Kinds of evidence for which the row has room (project convention)."""
AS_MUCH = 10
"""Points of chance that count as much as one of a*b* in the order of the row (likewise)."""
_ROW = 58
_HEAD = 50
_PATCHES, _FOOT = 92, 20
"""Pixels that the patches of a tone take with their figures, and that its bars take."""
_COLUMN = (WIDTH - 2 * MARGIN) // 4
_WORDS = BOTH + 12
"""From the left edge of a tone to its words."""
_BAR = 126
_BETWEEN = 12


def tones_height(judgement: Judgement) -> int:
    """Pixels that the cast by tone takes; 0 where it is not known."""
    return math.ceil(_HEAD + _words_height(judgement) + _FOOT) if judgement.tones else 0


def tones(page: Sheet, judgement: Judgement, top: float) -> None:
    """The whole and each tone range: patches, words, and a* and b* with the spread."""
    if not judgement.tones:
        return
    below = Line(
        "what a grey reads and should read; bars: a* and b* with one standard deviation; words, "
        f"dots (slight, C* {SLIGHT_FROM:g}) and dashes (evident, {EVIDENT_FROM:g}) go by L* "
        f"{QUOTED_AT:g}",
        ink=SOFT,
    )
    page.lines([title("The cast by tone"), below], MARGIN, top)
    shown = _shown(judgement)
    bars = _words_height(judgement)
    reach = max(10.0, *(abs(v) + min(t.spread, 12) for t in shown.values() for v in (t.a, t.b)))
    for column, (name, tone) in enumerate(shown.items()):
        x, y = MARGIN + column * _COLUMN, top + _HEAD
        reads = Reading(tone.lightness, tone.a, tone.b)
        patches(page, (x, y), compared(reads, Reading(tone.lightness, 0.0, 0.0)))
        page.lines(_words(name, tone), x + _WORDS, y - 4)
        for k, value in enumerate((tone.a, tone.b)):
            at = x + k * (_BAR + _BETWEEN)
            page.lines([Line(("a*", "b*")[k], 8, ink=SOFT)], at, y + bars)
            _tone_axis(page.axes(at + 20, y + bars, _BAR - 20, 14), k, reach, value, tone)


def _shown(judgement: Judgement) -> dict[str, ToneCast]:
    """The whole as one more tone, and the tone ranges."""
    cast = judgement.cast
    whole = ToneCast(cast.a, cast.b, cast.spread, 1.0, QUOTED_AT)
    return {"whole": whole, **judgement.tones}


def _words(name: str, tone: ToneCast) -> list[Line]:
    """What stands beside the patches of a tone."""
    low, high, _ = TONE_RANGES.get(name, (0.0, 0.0, 0.0))
    facts = f"L* {low:.0f}–{high:.0f}, {percent(tone.share)}" if high else f"at L* {QUOTED_AT:g}"
    words = [
        Line(name, 9.5, "bold"),
        Line(facts, 8.5, ink=SOFT),
        Line(tone_words(tone), 8.5),
        Line(f"a* and b* ±{tone.spread:.1f}", 8.5),
    ]
    return wrapped(words, _COLUMN - _WORDS - 18)


def _words_height(judgement: Judgement) -> float:
    """Pixels from the patches' top to the bars, which stand below the words of every tone."""
    words = (height_of(_words(*each)) for each in _shown(judgement).items())
    return max(_PATCHES, *words)


def _tone_axis(axes: Axes, column: int, reach: float, value: float, tone: ToneCast) -> None:
    axes.imshow(
        _gradient(column, reach), extent=(-reach, reach, 0, 1), aspect="auto", origin="lower"
    )
    axes.set(xlim=(-reach, reach), ylim=(0, 1), yticks=[], xticks=[])
    for spine in axes.spines.values():
        spine.set_color("#bbbbbb")
    axes.axvline(0, color=INK, lw=1)
    for size, dash in ((SLIGHT_FROM, (1, 2)), (EVIDENT_FROM, (4, 2))):
        # Strength is defined at L* 60; the bar shows what this tone reads.
        edge = float(requote(size, tone.lightness))
        for side in (-edge, edge):
            axes.axvline(side, color=SOFT, lw=0.8, ls=(0, dash))
    axes.plot([value - tone.spread, value + tone.spread], [0.5, 0.5], color=INK, lw=1.6)
    axes.plot([value], [0.5], "o", ms=5.5, mfc="white", mec=INK, mew=1.3)


def _gradient(column: int, reach: float) -> NDArray[np.float64]:
    lab = np.zeros((1, 80, 3))
    lab[..., 0] = 85.0
    lab[..., 1 + column] = np.linspace(-reach, reach, 80)
    return paled(lab)


def drivers_height(judgement: Judgement) -> int:
    """Pixels that the row on what drove it takes; 0 where nothing did."""
    return _ROW if drove(judgement) else 0


def drivers(page: Sheet, judgement: Judgement, top: float) -> None:
    """How cast and chance change when each kind is left out and the picture judged again."""
    rows = drove(judgement)
    if not rows:
        return
    said = (
        "What drove it: left out and judged again, the cast moves by so much, and the chance "
        "changes by so many points"
    )
    page.lines([Line(said, ink=SOFT)], MARGIN, top)
    wide = (WIDTH - 2 * MARGIN) / max(4, len(rows))
    for k, evidence in enumerate(rows):
        x = MARGIN + k * wide
        page.sign(mark_of(evidence.kind), x + 9, top + 31)
        lines = [
            Line(shorten(short_name(evidence.kind), 18), 9.5, "bold"),
            Line(f"cast {evidence.drove:.1f}, chance {points(evidence).partition(' ')[0]}", 8.5),
        ]
        page.lines(lines, x + 26, top + 22)


def drove(judgement: Judgement) -> list[Evidence]:
    """What changed most when it was left out: the cast, or the chance."""
    asked = [
        (round(e.drove, 1), abs(round(100 * (e.drove_probability or 0.0))), e)
        for e in judgement.evidence
        if e.drove is not None
    ]
    changed = [(max(cast, chance / AS_MUCH), e) for cast, chance, e in asked if cast or chance]
    return [e for _, e in sorted(changed, key=lambda each: -each[0])][:MOST_DRIVERS]
