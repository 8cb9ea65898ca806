"""The check: the copy is judged again, and known colours are read in both pictures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from autocast.colour import at_60
from autocast.correction.tone_curves import KNOTS, Move
from autocast.judgement import SLIGHT_FROM, Judgement, Reading, Spot
from autocast.judgement.sentences import letter
from autocast.judgement.things import BY_NAME, HINT, HINTED, NEUTRALS
from autocast.judging import Examination, nearer
from autocast.picture import Picture, reading_at

Outcome = Literal["better", "right", "worse", "spoiled", "same", "own"]

OUTCOMES: dict[Outcome, str] = {
    "better": "closer",
    "right": "still right",
    "worse": "worse",
    "spoiled": "WENT WRONG",
    "same": "as before",
    "own": "own colour",
}
"""How a reading fared, as it is printed."""

SAME_PLACE = 0.02
"""Distance, as a share of the frame, below which two spots are one (project convention)."""
EVEN = 0.5
"""Probability below which a copy is likelier to be further from the truth."""
NOTICED = 1.5
"""Change of a*b* from which a reading counts as changed (project convention)."""


def lettered(number: int) -> str:
    """What a place of a list is called by.

    Parameters
    ----------
    number : int
        Its number, from 1.

    Returns
    -------
    str
        ``A`` to ``Z``, then ``AA``, ``AB`` and on.

    Examples
    --------
    >>> lettered(1), lettered(26), lettered(27), lettered(703)
    ('A', 'Z', 'AA', 'AAA')
    """
    before, last = divmod(number - 1, 26)
    return (lettered(before) if before else "") + letter(last)


@dataclass(frozen=True, slots=True)
class ProvenReading:
    """One known colour before and after; ``x``, ``y`` are fractions of the upright picture."""

    number: int
    what: str
    x: float
    y: float
    before: Reading
    after: Reading
    should: str
    outcome: Outcome

    @property
    def letter(self) -> str:
        """By which it is called on screens and in pictures.

        Returns
        -------
        str
            ``A`` for the first.
        """
        return lettered(self.number)


@dataclass(frozen=True, slots=True)
class Proof:
    """What became of the picture: ``passed`` only if nothing that was right went wrong.

    ``failed`` where something did, or where the copy is likelier to be further from the
    truth; what is neither is better, and not certain. ``nearer`` is the probability, 0..1,
    that the copy is nearer to the truth.
    """

    passed: bool
    failed: bool
    sentence: str
    nearer: float
    readings: tuple[ProvenReading, ...]
    after: Judgement


def prove(before: Examination, after: Examination, move: Move) -> Proof:
    """Compare a picture and its corrected copy, each judged with the same hints.

    Parameters
    ----------
    before : Examination
        Of the original.
    after : Examination
        Of the copy.
    move : Move
        What was taken away.

    Returns
    -------
    Proof
        Passed only where the copy is surely nearer, its cast is read as smaller and not
        called likely, and nothing went wrong.
    """
    readings = tuple(_readings(before.judgement, (before.picture, after.picture)))
    spoiled = [r for r in readings if r.outcome == "spoiled"]
    probability, passes_from = nearer(before, after, move.cast_at(np.array(KNOTS)))
    passed, sentence = _outcome(
        (before.judgement, after.judgement), probability, passes_from, spoiled
    )
    failed = bool(spoiled) or probability < EVEN
    return Proof(passed, failed, sentence, round(probability, 4), readings, after.judgement)


def _outcome(
    judged: tuple[Judgement, Judgement],
    probability: float,
    passes_from: float,
    spoiled: Sequence[ProvenReading],
) -> tuple[bool, str]:
    before, after = judged
    sizes = f"the cast went from C* {before.cast.size:.1f} to {after.cast.size:.1f}"
    sure = (
        f"{100 * min(max(probability, 0.01), 0.99):.0f} % sure that the copy is nearer to the truth"
    )
    if spoiled:
        names = ", ".join(f"{r.letter} ({r.what})" for r in spoiled)
        return False, f"Check failed: what was right before went wrong: {names}; {sizes}."
    if probability < EVEN:
        return False, f"Check failed: only {sure}; {sizes}."
    if probability < passes_from:
        return False, (f"Better, but not certain: {sure}; {sizes}. Look at the readings.")
    if after.cast.size >= before.cast.size:  # what seems a cast may be the things' own colour
        return False, f"Not certain: {sure}, yet judged again {sizes}. Look at the readings."
    if after.verdict == "cast":
        return False, f"Better, but a cast is still likely: {sure}; {sizes}."
    passed = f"Check passed: {sure}; {sizes}."
    if after.verdict == "ask":
        passed += " Nearer is not yet right: a person should look at the copy, too."
    return True, passed


def _readings(before: Judgement, pictures: tuple[Picture, Picture]) -> Iterator[ProvenReading]:
    spots: list[Spot] = []
    for spot in (*_hinted(before), *before.look_at):
        if all(math.hypot(spot.x - s.x, spot.y - s.y) > SAME_PLACE for s in spots):
            spots.append(spot)
    read = [
        (spot, one, other)
        for spot in spots
        for one, other in [tuple(reading_at(picture, spot.x, spot.y) for picture in pictures)]
    ]
    read.sort(key=lambda r: -r[1].lightness)
    for number, (spot, one, other) in enumerate(read, start=1):
        should = BY_NAME[spot.kind].should if spot.kind in BY_NAME else "its own colour"
        outcome = fared(spot.kind, one, other)
        yield ProvenReading(number, spot.what, spot.x, spot.y, one, other, should, outcome)


def _hinted(before: Judgement) -> Iterator[Spot]:
    """The spots that hints name, each with what it was hinted to be."""
    named = [hint for hint in before.hints if hint.what in HINTED]
    entries = [each for each in before.evidence if each.kind == HINT]
    for hint, each in zip(named, entries, strict=True):
        if each.reads is None:
            continue
        box = each.where[0]
        yield Spot(
            box.x + box.width / 2,
            box.y + box.height / 2,
            each.reads,
            HINTED[hint.what].name,
            f"{hint.what}, as you said",
            "",
        )


def off_by(kind: str, value: Reading) -> float:
    """How far a reading lies from what its kind may read.

    Parameters
    ----------
    kind : str
        A row of :mod:`autocast.judgement.things`, or ``object``.
    value : Reading
        CIELAB D65.

    Returns
    -------
    float
        Distance to the kind's tolerance in a*b* at L* 60; 0 within it, and for
        kinds that have none.
    """
    tolerance = BY_NAME[kind].tolerance if kind in BY_NAME else None
    return 0.0 if tolerance is None else tolerance.off(*at_60(value))


def fared(kind: str, before: Reading, after: Reading) -> Outcome:
    """How a reading of a kind fared between two pictures.

    Parameters
    ----------
    kind : str
        A row of :mod:`autocast.judgement.things`, or ``object``.
    before, after : Reading
        CIELAB D65 in each picture.

    Returns
    -------
    str
        A key of :data:`OUTCOMES`.
    """
    if kind not in BY_NAME:
        return "own"
    one, other = off_by(kind, before), off_by(kind, after)
    right = SLIGHT_FROM if kind == NEUTRALS else NOTICED
    if one <= right:
        return "spoiled" if other > right and other > one + NOTICED else "right"
    if other < one - NOTICED or other <= right:
        return "better"
    return "worse" if other > one + NOTICED else "same"
