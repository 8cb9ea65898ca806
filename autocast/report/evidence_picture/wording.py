"""What a plate says in words."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from autocast.judgement import Evidence, Judgement
from autocast.report.evidence_picture.looks import SOFT, look_of
from autocast.report.evidence_picture.sheet import Line, title
from autocast.report.text import (
    cast_figures,
    chance_words,
    name_of,
    no_votes,
    percent,
    printable,
    reading,
    shorten,
    side,
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
        look = look_of(evidence.kind) if votes(evidence) else None
        yield Line(name_of(evidence), 9.5, "bold", 26, look, before=6)
        spread = f" ±{evidence.spread:.1f}" if evidence.spread else ""
        area = f"{percent(evidence.share)} of the picture, " if evidence.reads else ""
        yield Line(
            f"{typeset(cast_figures(*evidence.explains))}{spread}; {area}"
            f"weight {evidence.weight:.2f}, speaks {side(evidence.stance, judgement.verdict)}",
            indent=26,
        )
        yield from _readings(evidence)
    missing = no_votes(judgement)
    if missing:
        yield Line(f"too little for a vote: {missing}", indent=26, before=6, ink=SOFT)
    cast = judgement.cast
    yield Line(
        f"★ combined: {typeset(cast_figures(cast.a, cast.b))} ±{cast.spread:.1f}, quoted at L* 60",
        9.5,
        "bold",
        before=10,
    )


def _readings(evidence: Evidence) -> Iterator[Line]:
    if evidence.reads is None:
        return
    should = ""
    if evidence.expected is not None:
        should = f"; should read {typeset(cast_figures(*evidence.expected[1:]))}"
    yield Line(f"reads {typeset(reading(evidence.reads))}{should}", indent=26, ink=SOFT)


def look_here(judgement: Judgement) -> Iterator[Line]:
    """The numbered points that are worth a look."""
    if judgement.look_at:
        yield replace(title("Where to look"), before=16)
    for number, spot in enumerate(judgement.look_at, 1):
        yield Line(
            f"{spot.what}: {typeset(reading(spot.reads))} ({spot.why})",
            indent=26,
            number=number,
            before=3,
        )


def votes(evidence: Evidence) -> bool:
    """What weighs nothing is told in the key and not drawn."""
    return evidence.explains is not None and evidence.weight > 0
