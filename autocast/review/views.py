"""What the pages say: plain values, every one safe to print; the templates escape them."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from autocast.archive.decisions import (
    REASONS,
    Agreement,
    Decided,
    agreement,
    companions,
    decided,
)
from autocast.archive.folders import common_root, folders
from autocast.archive.learnt import needed
from autocast.archive.ledger import judgement_of
from autocast.archive.queues import DRAWN, QUEUES, Queue, following, tally
from autocast.archive.rows import Row, folder_of
from autocast.colour import at_60
from autocast.judgement import (
    DECISION_WORDS,
    HINTS,
    REMARKS,
    SLIGHT_FROM,
    TONE_RANGES,
    Judgement,
    Reading,
    Verdict,
)
from autocast.judgement.probability import at_base_rate
from autocast.judgement.sentences import letter, question
from autocast.judgement.things import BY_NAME, CLASSES, OTHER_LIGHT
from autocast.report.listing import HUES
from autocast.report.pages.cards import Card, Shown, card, swatch
from autocast.report.pages.overview import below
from autocast.report.text import (
    GLUE,
    cast_briefly,
    cast_figures,
    chance,
    counted,
    percent,
    printable,
    reading,
    typeset,
)
from autocast.review.asked import address, folder_key
from autocast.review.pictures import Map, Second, hindrance, stamp

if TYPE_CHECKING:
    from autocast.archive.ledger import Ledger
    from autocast.measuring import Measured

AHEAD = 3
"""Pictures that a page knows to come (project convention, as are the next two)."""
MOST_FOLDERS = 500
"""Folders to choose from."""
MOST_SMALL = 12
"""Members of a series that are shown small."""

REASON_KEYS = {reason: reason[0].upper() for reason in REASONS}
"""The reasons to choose from, each with the key that chooses it: its first letter."""

_BLIND = ("monochrome", "toned", "no_known_colour", "dark", "not_photograph")
"""Remarks by which there is no cast to take away, or nothing to tell it from."""

QUEUE_TITLES = {
    "asks": "For a person",
    "casts": "Likely casts",
    "audit": "Passed, random sample",
    "sample": "All pictures, random sample",
    "disagreements": "Different decisions",
    "all": "Every picture",
}


@dataclass(frozen=True, slots=True)
class Patch:
    """What a place reads beside what it should read, in figures and as two colours.

    ``should`` is empty where nothing is known of it, and so is ``should_fill``.
    """

    reads: str
    reads_fill: str
    should: str
    should_fill: str


@dataclass(frozen=True, slots=True)
class Place:
    """A place worth a look, told by a letter on the picture; ``x``, ``y`` in per cent of it."""

    letter: str
    x: str
    y: str
    what: str
    why: str
    patch: Patch


@dataclass(frozen=True, slots=True)
class Tone:
    """The cast of one tone range, and what a grey of its lightness becomes."""

    name: str
    brief: str
    figures: str
    grey: str
    reads: str


@dataclass(frozen=True, slots=True)
class Small:
    """A member of a series."""

    number: int
    stamp: str
    name: str


@dataclass(frozen=True, slots=True)
class Look:
    """One picture, and all that is said beside it. ``hindered`` says why it cannot be decided."""

    number: int
    stamp: str
    width: int
    height: int
    card: Card
    hindered: str
    why: str
    question: str
    unproposed: str
    brief: str
    tones: tuple[Tone, ...]
    places: tuple[Place, ...]
    standing: tuple[str, ...]
    series: tuple[Small, ...]
    sharing: int
    folder_count: int
    series_key: str
    folder_key: str
    coming: tuple[int, ...]
    query: str
    met_in: str


def look(ledger: Ledger, row: Row, queue: Queue) -> Look:
    """A picture as it is met in a queue."""
    judgement = judgement_of(row)
    others = companions(ledger, row, queue.person)
    said = decided(ledger, row)
    mine = queue.name != "disagreements"
    return Look(
        number=row.id,
        stamp=stamp(row),
        width=row.width or 1,
        height=row.height or 1,
        card=card(row, Shown(), printable(os.fsdecode(row.folder)), rate=ledger.rate_of_casts()),
        hindered=printable(hindrance(row)),
        why=_why(row, judgement, queue),
        question=_question(row, judgement, queue),
        unproposed=_unproposed(row.verdict, row.remarks, row.size_of_cast or 0.0),
        brief="" if row.a is None or row.b is None else cast_briefly(row.a, row.b),
        tones=() if judgement is None else tuple(_tones(judgement)),
        places=() if judgement is None else tuple(_places(judgement)),
        # What others decided is told where it differs; before, it would only sway.
        standing=tuple(
            _decision_words(each, queue.person)
            for each in said
            if each.person == queue.person or not mine
        ),
        series=tuple(_small(each) for each in others.series[:MOST_SMALL]),
        sharing=len(others.series),
        folder_count=len({*others.folder, row.id}),
        series_key="" if row.series is None else str(row.series.series),
        folder_key=folder_key(row.folder),
        coming=tuple(following(ledger, queue, row.id, AHEAD)),
        query=address(queue),
        met_in=_met_in(queue),
    )


def _met_in(queue: Queue) -> str:
    """The queue a decision is kept with: what was narrowed is no random sample any more."""
    narrowed = (queue.folder, queue.hue, queue.remark) != (None, None, None)
    return "all" if narrowed and queue.name in DRAWN else queue.name


def _small(row: Row) -> Small:
    return Small(row.id, stamp(row), _name(row))


def _name(row: Row) -> str:
    return printable(os.fsdecode(row.path.rpartition(b"/")[2]))


def _why(row: Row, judgement: Judgement | None, queue: Queue) -> str:
    """One sentence: why this picture is shown."""
    if judgement is None:
        return ""
    if queue.name == "disagreements":
        return "People decided differently on it."
    if queue.name == "audit":
        return "It was passed, and drawn at random to see what slips through."
    if row.verdict != row.judged_verdict:
        return (
            f"By this archive's own thresholds: {card(row, Shown(), '').verdict_words}. "
            f"As it was judged: {judgement.verdict_words}."
        )
    first = _unbroken(judgement.sentences[0]) if judgement.sentences else ""
    if queue.name == "sample":
        return f"Drawn at random. {first}"
    return first or judgement.verdict_words[:1].upper() + judgement.verdict_words[1:] + "."


def _unbroken(sentence: str) -> str:
    """A sentence of a judgement, no figure of which is torn from its name."""
    return re.sub(r"([Lab]\*) ", rf"\1{GLUE}", typeset(printable(sentence)))


def _question(row: Row, judgement: Judgement | None, queue: Queue) -> str:
    """One sentence: what there is to decide."""
    if queue.name == "disagreements":
        return "Decide again by what you see, or leave it as it is."
    if row.verdict == "clear":
        return "Did a cast slip through?"
    decides = None if judgement is None else question(judgement)
    if decides is not None and row.verdict == "ask":
        return decides.text
    return "Should this cast go, or does the colour belong to the scene?"


def _unproposed(verdict: Verdict | None, remarks: Sequence[str], size: float) -> str:
    """Why no correction is proposed; empty where one is."""
    if verdict == "clear":
        return "No correction: no evident cast is seen."
    blind = [code for code in remarks if code in _BLIND]
    if blind:
        return f"No correction. {REMARKS[blind[0]].sentence}"
    if size < SLIGHT_FROM:
        return "No correction: the cast is negligible."
    return ""


def _tones(judgement: Judgement) -> Iterator[Tone]:
    for name, tone in judgement.tones.items():
        yield Tone(
            name=name,
            brief=cast_briefly(*map(float, at_60((tone.lightness, tone.a, tone.b)))),
            figures=typeset(cast_figures(tone.a, tone.b)),
            grey=swatch(0.0, 0.0, tone.lightness),
            reads=swatch(tone.a, tone.b, tone.lightness),
        )


def _places(judgement: Judgement) -> Iterator[Place]:
    for number, spot in enumerate(judgement.look_at):
        yield Place(
            letter=letter(number),
            x=f"{100 * spot.x:.2f}%",
            y=f"{100 * spot.y:.2f}%",
            what=printable(spot.what),
            why=printable(spot.why),
            patch=_patch(spot.reads, _target(spot.kind, spot.reads.lightness)),
        )


def _target(kind: str, lightness: float) -> Reading | None:
    thing = BY_NAME.get(kind)
    return None if thing is None or thing.target is None else thing.target.at(lightness)


def _patch(reads: Reading, should: Reading | None) -> Patch:
    return Patch(
        reads=typeset(reading(reads)),
        reads_fill=swatch(reads.a, reads.b, reads.lightness),
        should="" if should is None else typeset(reading(should)),
        should_fill="" if should is None else swatch(should.a, should.b, should.lightness),
    )


def _decision_words(said: Decided, person: str) -> str:
    """``You: cast, a* +1.0 b* −8.0, 12 June 2026 (too blue)``."""
    who = "You" if said.person == person else printable(said.person)
    parts = [DECISION_WORDS[said.decision]]
    if said.cast is not None:
        parts.append(typeset(cast_figures(*said.cast)))
    if said.reason:
        parts.append(printable(said.reason))
    at = datetime.fromisoformat(said.at).astimezone()
    parts.append(f"{at.day} {at:%B %Y, %H:%M}")
    if said.other_content:
        parts.append("before the file changed")
    note = f" ({printable(said.note)})" if said.note else ""
    return f"{who}: {', '.join(parts)}{note}"


@dataclass(frozen=True, slots=True)
class Line:
    """One queue on the first page; ``needed`` is how many more a random one asks for, if it does.

    A queue that is narrowed is no random sample, and asks for nothing.
    """

    title: str
    words: str
    pictures: int
    decided: int
    left: int
    needed: int | None
    query: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing to narrow the queues by."""

    key: str
    words: str
    chosen: bool


def lines(ledger: Ledger, narrowed: Queue) -> Iterator[Line]:
    """Every queue, narrowed alike, with what is left of it."""
    asked_for = needed(ledger)
    for name in QUEUES:
        queue = Queue(name, narrowed.person, narrowed.folder, narrowed.hue, narrowed.remark)
        counted = tally(ledger, queue)
        yield Line(
            QUEUE_TITLES[name],
            QUEUES[name],
            counted.pictures,
            counted.decided,
            counted.left,
            asked_for.get(_met_in(queue)),
            address(queue),
        )


def choices(ledger: Ledger, narrowed: Queue) -> dict[str, list[Choice]]:
    """What the queues can be narrowed by."""
    root, met = _offered(ledger)
    return {
        "folder": [
            Choice(folder_key(each), below(each, root), each == narrowed.folder) for each in met
        ],
        "hue": [Choice(each, each, each == narrowed.hue) for each in HUES],
        "remark": [
            Choice(key, remark.sentence, key == narrowed.remark) for key, remark in REMARKS.items()
        ],
    }


def _offered(ledger: Ledger) -> tuple[bytes, list[bytes]]:
    """The folder above all, and those below it; not the deepest where there are too many."""
    met = folders(ledger)
    root = common_root(met)
    found = {root} if root else set(met)
    for folder in met:
        above = folder
        while root and len(above) > len(root):
            found.add(above)
            above = folder_of(above)
    depth = max((each.count(b"/") for each in found), default=0)
    while len(found) > MOST_FOLDERS and depth:
        found = {each for each in found if each.count(b"/") < depth}
        depth -= 1
    return root, sorted(found)


def agreements(ledger: Ledger) -> list[str]:
    """How far each two people agree, in a sentence each."""
    return [agreement_words(each) for each in agreement(ledger)]


def agreement_words(each: Agreement) -> str:
    """How far two people agree."""
    one, other = (printable(person) for person in each.persons)
    words = (
        f"{one} and {other} both decided {counted(each.both, 'picture')} "
        f"and agree on {percent(each.agreed)}"
    )
    if each.kappa is None or each.low is None or each.high is None:
        return f"{words}; kappa cannot be given where both always say the same."
    return typeset(
        f"{words}; kappa {each.kappa:.2f}, 95 % interval {each.low:.2f} to {each.high:.2f}."
    )


@dataclass(frozen=True, slots=True)
class Told:
    """A hint that was given, as it is listed."""

    words: str
    number: int


@dataclass(frozen=True, slots=True)
class Beside:
    """A judgement in short, for two to stand side by side."""

    title: str
    verdict: str
    chance: str
    brief: str
    figures: str
    grey: str
    reads: str
    tones: dict[str, Tone]


def beside(row: Row, first: Judgement, second: Second, rate: float | None) -> dict[str, object]:
    """The first judgement and the one with what was said, for the page.

    ``rate`` is the archive's share of casts, at which both chances are given.
    """
    said = second.judgement
    after = said.probability
    if rate is not None:
        after = float(at_base_rate(after, said.base_rate, rate))
    judgements = [
        _beside("At first", first, row.archive_probability or first.probability),
        _beside("With what you said", said, after),
    ]
    return {
        "judgements": judgements,
        "unproposed": _unproposed(said.verdict, said.remarks, said.cast.size),
        "tones": [name for name in TONE_RANGES if any(name in j.tones for j in judgements)],
        "hints": [
            Told(f"{hint.x:.0f},{hint.y:.0f} {HINTS[hint.what]}", number)
            for number, hint in enumerate(said.hints)
        ],
        "notes": list(_notes(said)),
    }


def _notes(judgement: Judgement) -> Iterator[str]:
    """What hints brought up, in sentences."""
    if "hint_doubted" in judgement.remarks:
        yield REMARKS["hint_doubted"].sentence
    for each in judgement.evidence:
        if each.kind == OTHER_LIGHT and each.explains is not None:
            label = printable(each.label)
            yield typeset(f"{label[:1].upper()}{label[1:]}: {cast_figures(*each.explains)}.")


def _beside(title: str, judgement: Judgement, probability: float) -> Beside:
    cast = judgement.cast
    return Beside(
        title=title,
        verdict=judgement.verdict_words,
        chance=chance(probability),
        brief=cast_briefly(cast.a, cast.b),
        figures=typeset(cast_figures(cast.a, cast.b, cast.spread)),
        grey=swatch(0.0, 0.0),
        reads=swatch(cast.a, cast.b),
        tones={tone.name: tone for tone in _tones(judgement)},
    )


@dataclass(frozen=True, slots=True)
class Sign:
    """How a class is drawn on the map of regions: the name of its pattern and its colour."""

    pattern: str
    colour: str
    words: str


SIGNS = tuple(
    Sign(BY_NAME[name].mark.pattern, f"rgb{BY_NAME[name].mark.colour}", BY_NAME[name].plural)
    for name in CLASSES
)
"""The key of the map."""


def named(drawn: Map) -> list[dict[str, object]]:
    """What was recognised and where, in per cent of the picture."""
    return [
        {"words": each.words, "x": f"{100 * each.x:.2f}%", "y": f"{100 * each.y:.2f}%"}
        for each in drawn.named
    ]


REGIONS = (("this spot", 0.01), ("a small region", 0.04), ("a large region", 0.12))
"""How far a hint may reach, as a radius in shares of the long side (project convention)."""


def read(spot: Measured, row: Row) -> dict[str, object]:
    """A place that was read at full resolution, for the page."""
    long = max(row.width or 1, row.height or 1)
    return {
        "reaches": [(words, f"{share * long:.1f}") for words, share in REGIONS],
        "where": f"{spot.x:.0f},{spot.y:.0f}",
        "x": f"{spot.x:.1f}",
        "y": f"{spot.y:.1f}",
        "what": printable(spot.what),
        "patch_of": _patch(spot.reads, spot.expected),
        "spread": f"{(spot.spread[1] + spot.spread[2]) / 2:.1f}",
        "lost": ""
        if max(spot.clipped, spot.buried) < 0.005
        else percent(max(spot.clipped, spot.buried)),
        "says": [(what, re.sub(r":.*", "", words)) for what, words in HINTS.items()],
    }
