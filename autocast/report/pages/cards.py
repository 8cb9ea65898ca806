"""What a page says of one picture: plain values, every one safe to print.

Names are data. All text goes through :func:`autocast.report.text.printable`, so
that it holds no control or direction characters and nothing that UTF-8 cannot
carry; the templates escape it for the place it stands in.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote_from_bytes

import numpy as np

from autocast import colour as formulas
from autocast.archive.rows import InSeries, Row, is_address
from autocast.judgement import REMARKS, VERDICT_WORDS, Evidence, Judgement, Spot, describe
from autocast.report.text import cast_figures, no_votes, percent, printable, reading, side, typeset

FAILED_WORDS = "could not be judged"
MARKERS = ("neutrals", "sky", "vegetation", "skin", "statistics")
"""Kinds of evidence with a marker of their own in the templates."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Small copies of a picture, as addresses relative to the report; None where there is none."""

    before: str | None = None
    after: str | None = None
    width: int = 0
    height: int = 0


@dataclass(frozen=True, slots=True)
class Voice:
    """One kind of evidence in words; ``a``, ``b``, ``spread`` place it on the plane."""

    marker: str
    name: str
    side: str
    says: str
    reads: str
    left_out: str
    a: float
    b: float
    spread: float
    weight: float


@dataclass(frozen=True, slots=True)
class Proof:
    """The evidence behind one judgement."""

    sentences: tuple[str, ...]
    voices: tuple[Voice, ...]
    silent: str
    tones: tuple[tuple[str, str, str, str, str, str], ...]
    spots: tuple[tuple[str, str], ...]
    at: tuple[float, float]
    ellipse: tuple[float, float, float]
    reach: float


@dataclass(frozen=True, slots=True)
class Card:
    """One picture on the contact sheet."""

    number: int
    name: str
    folder: str
    link: str | None
    shown: Shown
    verdict: str
    verdict_words: str
    reason: str
    chance: str = ""
    chance_here: str = ""
    words: str = ""
    figures: str = ""
    a: float = 0.0
    b: float = 0.0
    size: str = ""
    grey: str = ""
    reads: str = ""
    remarks: tuple[str, ...] = ()
    series: str = ""
    facts: str = ""
    proof: Proof | None = None


def card(row: Row, shown: Shown, folder: str) -> Card:
    """The card of a row; ``document`` is read where the row brings it.

    ``folder`` is the folder's name as it is to be shown.
    """
    name = printable(os.fsdecode(row.path.rpartition(b"/")[2]))
    link = address(row.path)
    if row.verdict is None or row.a is None or row.b is None:
        said = printable(row.failure or "")
        return Card(row.id, name, folder, link, shown, "failed", FAILED_WORDS, said)
    judgement = None if row.document is None else Judgement.from_json(row.document)
    sentences = () if judgement is None else judgement.sentences
    asking = [REMARKS[r].sentence for r in row.remarks if REMARKS[r].asks]
    return Card(
        number=row.id,
        name=name,
        folder=folder,
        link=link,
        shown=shown,
        verdict=row.verdict,
        verdict_words=VERDICT_WORDS[row.verdict],
        reason=_reason(row, asking, sentences),
        chance=_chance(row.probability),
        chance_here=_chance(row.archive_probability),
        words=describe(row.a, row.b),
        figures=f"{typeset(cast_figures(row.a, row.b))} ±{row.spread or 0:.1f}",
        a=row.a,
        b=row.b,
        size=f"{math.hypot(row.a, row.b):.1f}",
        grey=swatch(0.0, 0.0),
        reads=swatch(row.a, row.b),
        remarks=tuple(REMARKS[r].sentence for r in row.remarks if not REMARKS[r].asks),
        series=_series(row.series),
        facts=_facts(row),
        proof=None if judgement is None else _proof(judgement),
    )


def address(path: bytes) -> str | None:
    """A link to a local file, every byte that could end it escaped; None for a remote address."""
    if is_address(path):
        return None
    return "file://" + quote_from_bytes(os.path.abspath(path))  # noqa: PTH100 -- bytes


def swatch(a: float, b: float, lightness: float = formulas.QUOTED_AT) -> str:
    """A CIELAB colour as ``#rrggbb``."""
    linear = formulas.lab_to_linear([lightness, a, b])
    codes = np.rint(np.clip(formulas.linear_to_srgb(linear), 0, 1) * 255).astype(int)
    return "#" + "".join(f"{int(code):02x}" for code in codes)


def _chance(probability: float | None) -> str:
    # No judgement is ever certain.
    return "" if probability is None else percent(min(max(probability, 0.001), 0.999))


def _reason(row: Row, asking: Sequence[str], sentences: Sequence[str]) -> str:
    if row.verdict != "ask":
        return ""
    if asking:
        return " ".join(asking)
    if "believable_warmth" in row.remarks:
        return REMARKS["believable_warmth"].sentence
    # Its own sentence says that a cast is neither clear nor to be ruled out.
    said = sentences[0] if sentences else "A cast is neither clear nor to be ruled out."
    said = typeset(printable(said)).removeprefix("A person should look: ")
    return said[:1].upper() + said[1:]


def _series(series: InSeries | None) -> str:
    if series is None:
        return ""
    shared = (
        f"{describe(series.shared_a, series.shared_b)}, "
        f"{typeset(cast_figures(series.shared_a, series.shared_b))}"
    )
    if series.odd:
        return f"Stands apart from its series of {series.count}, which shares {shared}."
    if series.finding:
        return f"{series.sharing} of the {series.count} pictures of its series share {shared}."
    return ""


def _facts(row: Row) -> str:
    parts = [f"{row.width} × {row.height} pixels"]
    # EXIF parts a date by colons; ISO 8601, which people read more easily, by hyphens.
    taken = re.sub(r"^(\d{4}):(\d\d):(\d\d)", r"\1-\2-\3", row.taken)
    parts += [printable(v) for v in (row.camera, taken) if v]
    return ", ".join(parts)


def _proof(judgement: Judgement) -> Proof:
    heard = sorted((e for e in judgement.evidence if e.explains), key=lambda e: -e.weight)
    cast = judgement.cast
    (var_a, cov), (_, var_b) = cast.covariance
    drawn = [(e.explains, e) for e in heard if e.explains and e.weight > 0]
    reach = max(
        10.0,
        abs(cast.a) + 2,
        abs(cast.b) + 2,
        *(abs(v) + (min(e.spread, 6) if e.weight >= 0.1 else 1) for at, e in drawn for v in at),
    )
    return Proof(
        sentences=tuple(typeset(printable(s)) for s in judgement.sentences),
        voices=tuple(_voice(e, judgement) for e in heard),
        silent=no_votes(judgement),
        tones=tuple(_tones(judgement)),
        spots=tuple(_spot(s) for s in judgement.look_at),
        at=(cast.a, cast.b),
        ellipse=_ellipse(var_a, cov, var_b),
        reach=reach,
    )


def _tones(judgement: Judgement) -> list[tuple[str, str, str, str, str, str]]:
    out = []
    for name, tone in judgement.tones.items():
        a, b = (float(v) for v in formulas.requote((tone.a, tone.b), 60.0, tone.lightness))
        out.append(
            (
                name,
                percent(tone.share),
                f"{typeset(cast_figures(tone.a, tone.b))} ±{tone.spread:.1f}",
                describe(a, b),
                swatch(0.0, 0.0, tone.lightness),
                swatch(tone.a, tone.b, tone.lightness),
            )
        )
    return out


def _voice(evidence: Evidence, judgement: Judgement) -> Voice:
    a, b = evidence.explains or (0.0, 0.0)
    spread = f" ±{evidence.spread:.1f}" if evidence.spread else ""
    reads = ""
    if evidence.reads is not None:
        should = ""
        if evidence.expected is not None:
            should = f", should read {typeset(cast_figures(*evidence.expected[1:]))}"
        reads = f"{typeset(reading(evidence.reads))}{should}"
    points = round(-100 * evidence.drove_probability)
    signed = typeset(f"{points:+d}") if points else "0"
    return Voice(
        marker=evidence.kind if evidence.kind in MARKERS else "other",
        name=printable(evidence.label),
        side=side(evidence.stance, judgement.verdict),
        says=f"{typeset(cast_figures(a, b))}{spread}",
        reads=reads,
        left_out=f"cast {evidence.drove:.1f}, chance {signed} points" if evidence.weight else "",
        a=a,
        b=b,
        spread=evidence.spread,
        weight=evidence.weight,
    )


def _spot(spot: Spot) -> tuple[str, str]:
    where = f"{percent(spot.x)} from left, {percent(spot.y)} from top"
    return where, f"{printable(spot.what)}: {typeset(reading(spot.reads))} ({printable(spot.why)})"


def _ellipse(var_a: float, cov: float, var_b: float) -> tuple[float, float, float]:
    """Half axes and the turn in degrees (mathematical sense) of one standard deviation."""
    values, vectors = np.linalg.eigh(np.array([[var_a, cov], [cov, var_b]]))
    first, second = np.sqrt(np.maximum(values, 0))
    turn = math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
    return float(second), float(first), turn
