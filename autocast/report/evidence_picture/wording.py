"""What an evidence picture says in words."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from autocast.judgement import Evidence, Judgement
from autocast.judgement.things import mark_of
from autocast.report.evidence_picture.looks import SOFT
from autocast.report.evidence_picture.sheet import Line, title
from autocast.report.text import (
    cast_figures,
    chance_words,
    name_of,
    no_votes,
    percent,
    printable,
    readings,
    shorten,
    side,
    spot_words,
    typeset,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

CAUTION = (
    "A verdict describes a picture; it proves nothing. Do not alter pictures kept as evidence, "
    "or for medicine, science or identity, on its word."
)


def head(judgement: Judgement) -> Iterator[Line]:
    """Which picture, the verdict, how likely, and why."""
    cast = judgement.cast
    verdict = judgement.verdict_words
    if judgement.verdict == "cast":
        verdict += f": {cast.words}"
    facts = f"{judgement.width} × {judgement.height} pixels, {judgement.profile}"
    yield Line(shorten(printable(judgement.name), 80), 11, ink=SOFT)
    yield Line(verdict[0].upper() + verdict[1:], 20, "bold")
    yield Line(f"{chance_words(judgement)}. {shorten(facts, 60)}.", 10, ink=SOFT)
    for sentence in judgement.sentences:
        yield Line(typeset(sentence), 11, before=4)


def votes_key(judgement: Judgement) -> Iterator[Line]:
    """The key of the plane: each vote with its marker and figures."""
    yield title("What each kind of evidence votes for")
    for evidence in judgement.evidence:
        if evidence.explains is None:
            continue
        mark = mark_of(evidence.kind) if votes(evidence) else None
        yield Line(name_of(evidence), 9.5, "bold", 26, mark, before=6)
        area = f"{percent(evidence.share)} of the picture, " if evidence.reads else ""
        yield Line(
            f"{typeset(cast_figures(*evidence.explains, evidence.spread or None))}; {area}"
            f"weight {evidence.weight:.2f}, speaks {side(evidence.stance, judgement.verdict)}",
            indent=26,
        )
        if evidence.reads is not None:
            yield Line(f"reads {'; '.join(readings(evidence))}", indent=26, ink=SOFT)
    missing = no_votes(judgement)
    if missing:
        yield Line(f"too little for a vote: {missing}", indent=26, before=6, ink=SOFT)
    cast = judgement.cast
    yield Line(
        f"★ combined: {typeset(cast_figures(cast.a, cast.b, cast.spread))}, quoted at L* 60",
        9.5,
        "bold",
        before=10,
    )


def look_here(judgement: Judgement) -> Iterator[Line]:
    """The numbered points that are worth a look."""
    if judgement.look_at:
        yield replace(title("Where to look"), before=16)
    for number, spot in enumerate(judgement.look_at, 1):
        yield Line(typeset(spot_words(spot)), indent=26, number=number, before=3)


def votes(evidence: Evidence) -> bool:
    """Whether an evidence is drawn: what weighs nothing stands in the key alone."""
    return evidence.explains is not None and evidence.weight > 0
