"""What a page says of one picture: plain values, every one safe to print.

Names are data. All text goes through :func:`autocast.report.text.printable`, so
that it holds no control or direction characters and nothing that UTF-8 cannot
carry; the templates escape it for the place it stands in.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from urllib.parse import quote_from_bytes

import numpy as np

from autocast import colour as formulas
from autocast.archive.decisions import Decided
from autocast.archive.ledger import judgement_of
from autocast.archive.regions import read
from autocast.archive.rows import InSeries, Row, is_address
from autocast.judgement import REMARKS, SLIGHT_FROM, Judgement, describe
from autocast.judgement.sentences import DECIDES, Question, letter, question, reasons
from autocast.judgement.things import Mark, mark_of
from autocast.report.evidence_picture.plane import ellipse
from autocast.report.listing import decided_text
from autocast.report.pages.maps import Map, drawn
from autocast.report.text import (
    OUTCOME_WORDS,
    cast_figures,
    chance,
    chances_words,
    no_votes,
    percent,
    points,
    position,
    printable,
    readings,
    side,
    spot_words,
    tone_words,
    typeset,
)


@dataclass(frozen=True, slots=True)
class Shown:
    """Small copies of a picture, as addresses relative to the report; None where there is none."""

    before: str | None = None
    after: str | None = None
    width: int = 0
    height: int = 0


@dataclass(frozen=True, slots=True)
class Vote:
    """One kind of evidence in words; ``a``, ``b``, ``spread`` place it on the plane."""

    mark: Mark
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
class Place:
    """A place worth a look, told by a letter on the small copy; ``x``, ``y`` in per cent of it.

    ``asked``: it is the one that the card's question is about.
    """

    letter: str
    x: float
    y: float
    where: str
    what: str
    asked: bool


@dataclass(frozen=True, slots=True)
class Details:
    """The evidence behind one judgement."""

    sentences: tuple[str, ...]
    votes: tuple[Vote, ...]
    missing: str
    tones: tuple[tuple[str, str, str, str, str, str], ...]
    places: tuple[Place, ...]
    at: tuple[float, float]
    ellipse: tuple[float, float, float]
    reach: float
    map: Map | None


PLANE_MARGIN = 1.16
"""What is left around the marks of a plane, where its words stand (project convention)."""


@dataclass(frozen=True, slots=True)
class Card:
    """One picture on the contact sheet."""

    name: str
    folder: str
    link: str | None
    shown: Shown
    verdict: str
    verdict_words: str
    reason: str
    question: str = ""
    chance: str = ""
    chances: str = ""
    words: str = ""
    figures: str = ""
    size: str = ""
    grey: str = ""
    reads: str = ""
    remarks: tuple[str, ...] = ()
    series: str = ""
    facts: str = ""
    decided: str = ""
    details: Details | None = None


def card(  # noqa: PLR0913 -- what a card says that its row does not
    row: Row,
    shown: Shown,
    folder: str,
    told: Container[str] = (),
    said: Sequence[Decided] = (),
    *,
    rate: float | None = None,
    judgement: Judgement | None = None,
) -> Card:
    """The card of a row; ``document`` is read where the row brings it, and nobody has.

    ``folder`` is the folder's name as it is to be shown; ``told`` are remarks that
    the page gives once for all its cards, ``said`` the decisions that stand on it,
    ``rate`` the archive's share of casts, ``judgement`` that of the document.
    """
    name = printable(os.fsdecode(row.path.rpartition(b"/")[2]))
    link = address(row.path)
    if row.verdict is None or row.a is None or row.b is None:
        failure, words = printable(row.failure or ""), OUTCOME_WORDS["failed"]
        return Card(name, folder, link, shown, "failed", words, failure)
    judgement = judgement or judgement_of(row)
    why = reasons(row.verdict, row.remarks, (row.a, row.b))
    asked = None if judgement is None else _asked(row, judgement)
    return Card(
        name=name,
        folder=folder,
        link=link,
        shown=shown,
        verdict=row.verdict,
        verdict_words=OUTCOME_WORDS[row.verdict],
        reason=typeset(" ".join(why.values())),
        question="" if asked is None else typeset(printable(asked.text)),
        chance=_chance(row.archive_probability),
        chances=_chances(row, rate),
        words=describe(row.a, row.b),
        figures=typeset(cast_figures(row.a, row.b, row.spread or 0.0)),
        size=f"{math.hypot(row.a, row.b):.1f}",
        grey=swatch(0.0, 0.0),
        reads=swatch(row.a, row.b),
        remarks=tuple(
            REMARKS[r].sentence
            for r in row.remarks
            if not REMARKS[r].asks and r not in why and r not in told
        ),
        series=series_words(row.series),
        facts=_facts(row),
        decided=decided_text(said),
        details=None if judgement is None else _details(judgement, asked, row),
    )


def address(path: bytes) -> str | None:
    """A link to a local file, every byte that could end it escaped; None for a remote address."""
    if is_address(path):
        return None
    return "file://" + quote_from_bytes(os.path.abspath(path))  # noqa: PTH100 -- bytes


@lru_cache(maxsize=1 << 12)  # the greys come again and again
def swatch(a: float, b: float, lightness: float = formulas.QUOTED_AT) -> str:
    """A CIELAB colour as ``#rrggbb``."""
    return swatches([(lightness, a, b)])[0]


def swatches(colours: Sequence[tuple[float, float, float]]) -> list[str]:
    """CIELAB colours, L* first, as ``#rrggbb``."""
    linear = formulas.lab_to_linear(np.array(colours).reshape(-1, 3))
    codes = np.rint(np.clip(formulas.linear_to_srgb(linear), 0, 1) * 255).astype(np.uint8)
    return [f"#{code.tobytes().hex()}" for code in codes]


def _asked(row: Row, judgement: Judgement) -> Question | None:
    # An archive's own thresholds may leave more pictures to a person than the judgement did.
    return question(replace(judgement, verdict="ask")) if row.verdict == "ask" else None


def _chance(probability: float | None) -> str:
    return "" if probability is None else chance(probability)


def _chances(row: Row, rate: float | None) -> str:
    if rate is None or row.archive_probability is None:
        return ""
    # Who is judged has both.
    alone, among_all = row.probability or 0.0, row.base_rate or 0.0
    return chances_words(row.archive_probability, rate, alone, among_all)


def series_words(series: InSeries | None) -> str:
    """What its series says of a picture; nothing where that is nothing."""
    if series is None:
        return ""
    figures = typeset(cast_figures(series.shared_a, series.shared_b))
    shared = f"one cast: {describe(series.shared_a, series.shared_b)}, {figures}"
    if series.odd and math.hypot(series.shared_a, series.shared_b) < SLIGHT_FROM:
        return f"Differs from its series of {series.count}, which has no cast to speak of."
    if series.odd:
        return f"Differs from its series of {series.count}, which shares {shared}."
    if series.finding:
        return f"{series.sharing} of the {series.count} pictures of its series share {shared}."
    return ""


def _facts(row: Row) -> str:
    parts = [f"{row.width} × {row.height} pixels"]
    # EXIF parts a date by colons; ISO 8601, which people read more easily, by hyphens.
    taken = re.sub(r"^(\d{4}):(\d\d):(\d\d)", r"\1-\2-\3", row.taken or "")
    parts += [printable(v) for v in (row.camera, taken) if v]
    return ", ".join(parts)


def _details(judgement: Judgement, asked: Question | None, row: Row) -> Details:
    votes = tuple(sorted(_votes(judgement), key=lambda vote: -vote.weight))
    cast = judgement.cast
    (along_a, _), (_, along_b) = cast.covariance
    reach = PLANE_MARGIN * max(
        10.0,
        abs(cast.a) + math.sqrt(max(along_a, 0.0)),
        abs(cast.b) + math.sqrt(max(along_b, 0.0)),
        *(
            abs(value) + (min(vote.spread, 6) if vote.weight >= 0.1 else 1)
            for vote in votes
            if vote.weight > 0
            for value in (vote.a, vote.b)
        ),
    )
    return Details(
        # The question stands on the card already.
        sentences=tuple(
            typeset(printable(s))
            for s in judgement.sentences
            if asked is None or not s.startswith(DECIDES)
        ),
        votes=votes,
        missing=no_votes(judgement),
        tones=tuple(_tones(judgement)),
        places=tuple(
            Place(
                letter=letter(k),
                x=round(100 * s.x, 2),
                y=round(100 * s.y, 2),
                where=position(s.x, s.y, judgement.width, judgement.height),
                what=typeset(spot_words(s)),
                asked=asked is not None and asked.spot == k,
            )
            for k, s in enumerate(judgement.look_at)
        ),
        at=(cast.a, cast.b),
        ellipse=ellipse(cast),
        reach=reach,
        map=None if row.regions is None else drawn(read(row.regions, row.name)),
    )


def _votes(judgement: Judgement) -> Iterator[Vote]:
    for evidence in judgement.evidence:
        if evidence.explains is None:
            continue
        asked = evidence.drove is not None and evidence.weight > 0
        left_out = f"cast {evidence.drove:.1f}, chance {points(evidence)}" if asked else ""
        yield Vote(
            mark=mark_of(evidence.kind),
            name=printable(evidence.label),
            side=side(evidence, judgement.verdict),
            says=typeset(cast_figures(*evidence.explains, evidence.spread or None)),
            reads=", ".join(readings(evidence)),
            left_out=left_out,
            a=evidence.explains[0],
            b=evidence.explains[1],
            spread=evidence.spread,
            weight=evidence.weight,
        )


def _tones(judgement: Judgement) -> Iterator[tuple[str, str, str, str, str, str]]:
    tones = judgement.tones.values()
    reads = swatches([(tone.lightness, tone.a, tone.b) for tone in tones])
    for (name, tone), fill in zip(judgement.tones.items(), reads, strict=True):
        yield (
            name,
            percent(tone.share),
            typeset(cast_figures(tone.a, tone.b, tone.spread)),
            tone_words(tone),
            swatch(0.0, 0.0, tone.lightness),
            fill,
        )
