"""What an evidence picture says in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from autocast.judgement import Evidence, Judgement
from autocast.judgement.sentences import DECIDES, DROVE
from autocast.judgement.things import mark_of
from autocast.report.evidence_picture.looks import SOFT
from autocast.report.evidence_picture.sheet import Line, title
from autocast.report.text import (
    cast_figures,
    chance_words,
    hints_words,
    name_of,
    next_words,
    no_votes,
    percent,
    printable,
    question_words,
    readings,
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
NOTHING = 0.005
"""Weight below which a vote weighs nothing: it would be printed as 0.00."""


def name(judgement: Judgement) -> Line:
    """Which picture, and what it is."""
    facts = f"{judgement.width} × {judgement.height} pixels, {judgement.profile}"
    return Line(f"{shorten(printable(judgement.name), 80)}: {shorten(facts, 60)}", 10, ink=SOFT)


def head(judgement: Judgement) -> Iterator[Line]:
    """The verdict, how likely, why, what decides it, and what to do next."""
    cast = judgement.cast
    verdict = judgement.verdict_words
    if judgement.verdict == "cast":
        verdict += f": {cast.words}"
    yield Line(verdict[0].upper() + verdict[1:], 20, "bold")
    yield Line(f"{chance_words(judgement)}.", 10, ink=SOFT)
    for said in hints_words(judgement):
        yield Line(typeset(said), 11, before=4)
    for sentence in judgement.sentences:
        # What drove it has a row of its own, and the question names its place.
        if not sentence.startswith((DECIDES, DROVE)):
            yield Line(typeset(sentence), 11, before=4)
    asked = question_words(judgement)
    if asked:
        yield Line(f"{DECIDES}{asked}", 11, "bold", before=4)
    command = next_words(judgement)
    if command:
        yield Line(command, 11, before=4)


def votes_key(judgement: Judgement) -> Iterator[list[Line]]:
    """The key of the plane, a few lines for each vote: marker, name and figures."""
    yield [title("What each kind of evidence votes for")]
    for evidence in judgement.evidence:
        if not votes(evidence) or evidence.explains is None:
            continue
        area = f"{percent(evidence.share)} of the picture, " if evidence.reads else ""
        block = [
            Line(name_of(evidence), 9.5, "bold", 26, mark_of(evidence.kind), before=6),
            Line(
                f"{typeset(cast_figures(*evidence.explains, evidence.spread or None))}; {area}"
                f"weight {evidence.weight:.2f}, {side(evidence, judgement.verdict)}",
                indent=26,
            ),
        ]
        if evidence.reads is not None:
            said = f"reads {'; '.join(readings(evidence))}"
            block.append(Line(said, indent=26, ink=SOFT))
        yield block
    cast = judgement.cast
    said = f"★ combined: {typeset(cast_figures(cast.a, cast.b, cast.spread))}, quoted at L* 60"
    yield [Line(said, 9.5, "bold", before=8)]
    silent = [e for e in judgement.evidence if e.explains is not None and not votes(e)]
    without = ", ".join(printable(e.label) for e in silent)
    for words, which in (
        ("Weigh nothing", without),
        ("Too little for a vote", no_votes(judgement)),
    ):
        if which:
            yield [Line(f"{words}: {which}", before=6, ink=SOFT)]


def votes(evidence: Evidence) -> bool:
    """Whether an evidence is drawn: what weighs nothing is only named."""
    return evidence.explains is not None and evidence.weight >= NOTHING
