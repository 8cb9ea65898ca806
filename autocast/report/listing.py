"""A ledger as terminal text: counts, the archive's rate, and what to see first."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from autocast.archive.decisions import Decided
from autocast.archive.folders import common_root
from autocast.archive.learnt import Sorted
from autocast.archive.ledger import judgement_of
from autocast.archive.rate import Rate
from autocast.archive.rows import Counts, InSeries, Row
from autocast.judgement import DECISION_WORDS, hue_name
from autocast.report.text import (
    GLUE,
    NARROWEST,
    OUTCOME_WORDS,
    cast_briefly,
    chance,
    counted,
    percent,
    printable,
    question_words,
    rates_words,
    shorten,
    wrap,
)

HUES = tuple(
    hue_name(math.cos(math.radians(angle)), math.sin(math.radians(angle)))
    for angle in range(0, 360, 30)
)
"""Every hue a cast can be described by."""

_HEAD = "  chance  cast                    picture"
_HEAD_BOTH = "  alone archive  cast                    picture"
_SERIES_HEAD = "   pictures   sure  cast                    example"


def counts_text(counts: Counts, width: int = 80) -> str:
    """How many pictures got which verdict, and what else was noted."""
    parts = [
        f"{getattr(counts, outcome):,}{GLUE}{OUTCOME_WORDS[outcome]}"
        for outcome in ("cast", "ask", "clear", "failed")
        if getattr(counts, outcome)
    ]
    total = counted(counts.pictures, "picture")
    text = f"{total}: {', '.join(parts)}." if parts else f"{total}."
    if counts.gone:
        text += f" No longer there, though judged: {counts.gone:,}."
    if counts.closed_folders:
        text += f" {counted(counts.closed_folders, 'folder')} could not be read."
    return "\n".join(wrap(text, max(width, NARROWEST)))


def rate_text(rate: Rate, width: int = 80, *, supposed: float | None = None) -> str:
    """The archive's own rate, in one sentence; beside what is ``supposed``, if something is."""
    if supposed is None:
        text = (
            f"Going by the chances of all pictures, about {percent(rate.rate)} of them have an "
            f"evident cast: some {round(rate.rate * rate.pictures):,} of {rate.pictures:,}, give "
            f"or take {max(round(rate.error * rate.pictures), 1):,} (one standard error)."
        )
    else:
        text = (
            f"By the base rate that verdicts go by, {percent(supposed)} of the pictures have an "
            "evident cast, and chances are for that; the pictures' scores alone would say about "
            f"{percent(rate.rate)}."
        )
    return "\n".join(wrap(text, max(width, NARROWEST)))


def chances_text(
    rate: float | None, among_all: float, width: int = 80, *, both: bool, supposed: bool = False
) -> str:
    """Which chances a list gives, and how to see the other."""
    text = rates_words(rate, among_all, supposed=supposed)
    if rate is not None and not both:
        text += " --both shows that, too."
    return "\n".join(wrap(text, max(width, NARROWEST)))


def own_text(own: Mapping[str, Any], width: int = 80) -> str:
    """What verdicts go by, where a person adopted or assumed something."""
    levels = (
        f"no evident cast up to {percent(own['clear_below'])}, "
        f"likely cast above {percent(own['cast_above'])}"
    )
    if "assumed" in own:
        risks = own["assumed"]["risks"]
        text = (
            f"Verdicts go by a base rate of {percent(own['assumed']['base_rate'])} and risks of "
            f"{', '.join(f'{percent(risk)} ({name})' for name, risk in risks.items())}"
            f"{', strictly' if own['assumed']['strict'] else ''}: {levels}."
        )
    else:
        text = (
            f"Verdicts go by this archive's own thresholds ({levels}), which "
            f"{printable(own['person'])} adopted on {own['at'][:10]} from "
            f"{counted(own['decided'], 'decision')}."
        )
    return "\n".join(wrap(text, max(width, NARROWEST)))


def settings_text(settings: Sequence[Sorted]) -> str:
    """What a few settings would pass, call and ask about, a line each."""
    lines = [f"{'clear':>8} {'cast':>8} {'person':>8}  with"]
    for each in settings:
        total = max(each.clear + each.cast + each.ask, 1)
        shares = (percent(n / total).replace(GLUE, " ") for n in (each.clear, each.cast, each.ask))
        lines.append(" ".join(f"{share:>8}" for share in shares) + f"  {each.words}")
    return "\n".join(lines)


def listing(  # noqa: PLR0913 -- what a list may show
    pages: Iterable[Sequence[Row]],
    counts: Counts,
    width: int | None = 80,
    *,
    each: bool = False,
    both: bool = False,
    decisions: Mapping[str, tuple[Decided, ...]] = MappingProxyType({}),
) -> Iterator[str]:
    """Lines for pages of rows in their order, under a heading for each kind.

    The chance is that in this archive; with ``both`` the one for the picture alone
    stands before it. What asks has its question below it, where the rows bring their
    judgements; what people decided, by content, stands in its place. Without a
    ``width`` nothing is shortened. A series with one fault is one line: how many of
    its pictures share the fault, and how sure that is; unless ``each`` picture gets
    its own.
    """
    width = None if width is None else max(width, NARROWEST)
    inside = last = ""
    for number, page in enumerate(pages):
        if number == 0:
            inside = os.fsdecode(common_root(row.folder for row in page))
            if width is None:
                inside = ""  # where nothing is shortened, paths are whole
            elif inside:
                yield from wrap(f"In {printable(inside)}", width, 3)
        for row in page:
            led = None if each else _led(row)
            kind = "series" if led else row.verdict or "failed"
            if kind != last:
                yield ""
                yield _heading(kind, counts)
                if kind != "failed":
                    yield _SERIES_HEAD if kind == "series" else _HEAD_BOTH if both else _HEAD
                last = kind
            if led:
                yield _series(row, led, inside, width)
            else:
                said = decisions.get(row.hash or "", ())
                yield _line(row, inside, width, said, both=both)


def _led(row: Row) -> InSeries | None:
    """The series with one fault that a picture stands for."""
    series = row.series
    return series if series is not None and series.finding and series.leads else None


def _heading(kind: str, counts: Counts) -> str:
    if kind == "series":
        return "SERIES WITH ONE FAULT"
    return f"{OUTCOME_WORDS[kind].upper()} ({getattr(counts, kind):,})"


def _series(row: Row, series: InSeries, inside: str, width: int | None) -> str:
    many = f"{series.sharing:,} of {series.count:,}"
    cast = cast_briefly(series.shared_a, series.shared_b)
    line = f"{many:>11} {_chance(series.probability):>6}  {cast:<22}  "
    return line + _fitted(printable(_below(row.name, inside)), width, len(line))


def _line(
    row: Row, inside: str, width: int | None, said: tuple[Decided, ...], *, both: bool
) -> str:
    if row.failure is not None:
        text = printable(row.failure)
        lines = [text] if width is None else wrap(text, width - 3, 2)
        return "\n".join(f"   {line}" for line in lines)
    name = printable(_below(row.name, inside))
    if row.series is not None and row.series.odd:
        name = f"{name} (differs from its series)"
    chances = f"{_chance(row.archive_probability):>8}"
    if both:
        chances = f"{_chance(row.probability):>7} {chances[1:]}"
    line = f"{chances}  {cast_briefly(row.a or 0.0, row.b or 0.0):<22}  "
    out = line + _fitted(name, width, len(line))
    if said:
        return f"{out}\n{' ' * 10}{_fitted(decided_text(said), width, 10)}"
    asked = _asked(row)
    return f"{out}\n{' ' * 10}{_fitted(asked, width, 10)}" if asked else out


def decided_text(said: Sequence[Decided]) -> str:
    """What people decided, and who: ``decided: fine, by Ada; cast, by Ben``; empty for nothing."""
    words = "; ".join(f"{DECISION_WORDS[each.decision]}, by {each.person}" for each in said)
    return printable(f"decided: {words}") if said else ""


def _asked(row: Row) -> str:
    """What decides a picture that asks, by this archive's verdict."""
    found = judgement_of(row) if row.verdict == "ask" else None
    if found is None:
        return ""
    judgement = replace(found, verdict="ask")
    return question_words(judgement).replace(GLUE, " ")


def _fitted(text: str, width: int | None, taken: int) -> str:
    """A text in what a line has left; whole where lines have no end."""
    return text if width is None else shorten(text, max(12, width - taken))


def _chance(probability: float | None) -> str:
    return chance(probability or 0.0).replace(GLUE, " ")


def row_fields(row: Row) -> str:
    """One line for other programs, between tabs.

    Verdict (``failed`` where there is none), chance in this archive, a*, b*, spread, path, and
    the question that decides it or why it failed.
    """
    said = printable(row.failure or _asked(row))
    figures = (
        "" if v is None else str(v) for v in (row.archive_probability, row.a, row.b, row.spread)
    )
    return "\t".join((row.verdict or "failed", *figures, printable(row.name), said))


def _below(name: str, inside: str) -> str:
    return name[len(inside) :].lstrip("/\\") if inside and name.startswith(inside) else name
