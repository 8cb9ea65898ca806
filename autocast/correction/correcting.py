"""The order of a correction: estimate, move, copy, proof."""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Callable, Sequence
from dataclasses import KW_ONLY, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import QUOTED_AT, requote
from autocast.correction.check import Proof, prove
from autocast.correction.recoding import Recoding
from autocast.correction.tone_curves import Curves, Move, curves, shrunk, side_effects, smooth
from autocast.errors import OutputError
from autocast.judgement import REMARKS, SLIGHT_FROM, TONE_RANGES, Hint, Judgement
from autocast.judgement.given import number
from autocast.judgement.things import HINT
from autocast.judging import Examination, examine
from autocast.modelstore import Models
from autocast.picture import (
    MEMORY,
    Ahead,
    Picture,
    Source,
    check_copy,
    check_memory,
    copy_picture,
    decoding_ahead,
    own_space,
    srgb_space,
)


@dataclass(frozen=True, slots=True)
class Advice:
    """The move as numbers.

    ``casts`` by tone are (a*, b*) at the tone's own L*, ``spreads`` their standard
    deviations; ``points`` are, for each of R, G and B, (input, output) pairs 0..1 in
    the file's own encoded RGB; ``curves_alone`` is the mean and the 99th percentile of
    the change of L* where the curves are used without putting lightness back; ``space``
    names the RGB; ``towards_grey`` is the share of pixels that lose some colour
    because they would have left the range.
    """

    casts: dict[str, tuple[float, float]]
    spreads: dict[str, float]
    strength: float
    space: str
    points: dict[str, tuple[tuple[float, float], ...]]
    curves_alone: tuple[float, float]
    towards_grey: float


@dataclass(frozen=True, slots=True)
class Correction:
    """What came of a wish to correct: ``written`` is the copy's path, None where none was made.

    ``why`` is the sentence that says so. ``advice`` and ``proof`` are None
    where there is no move, or no copy.
    """

    judgement: Judgement
    written: str | None
    why: str
    advice: Advice | None
    proof: Proof | None

    def to_dict(self) -> dict[str, Any]:
        """Plain containers, ready for JSON.

        Returns
        -------
        dict
            With the version of its schema.
        """
        return {
            "schema": 3,
            "judgement": self.judgement.to_dict(),
            "written": self.written,
            "why": self.why,
            "advice": None if self.advice is None else dataclasses.asdict(self.advice),
            "proof": None
            if self.proof is None
            else {
                "passed": self.proof.passed,
                "failed": self.proof.failed,
                "sentence": self.proof.sentence,
                "nearer": self.proof.nearer,
                "readings": [
                    {
                        **{
                            f.name: getattr(r, f.name)
                            for f in dataclasses.fields(r)
                            if f.name not in ("before", "after")
                        },
                        "before": r.before._asdict(),
                        "after": r.after._asdict(),
                    }
                    for r in self.proof.readings
                ],
                "after": self.proof.after.to_dict(),
            },
        }

    def to_json(self) -> str:
        """One JSON document, in ASCII.

        Returns
        -------
        str
            :meth:`to_dict` as JSON.
        """
        return json.dumps(self.to_dict(), allow_nan=False)


TELL = (
    "Say what you know of a spot (a neutral thing is worth most), "
    "or have it corrected by the best guess (--best-guess)."
)


def plan(examination: Examination, strength: float = 1.0) -> Move:
    """The move that a judgement advises.

    Parameters
    ----------
    examination : Examination
        Its casts by tone are taken, hints included.
    strength : float, optional
        Share of the cast that is taken away, above 0 and up to 1.

    Returns
    -------
    Move
        Casts drawn towards each other as far as they may differ by chance, and
        bent no more than leaves smooth curves.
    """
    estimate = examination.weighed.estimate
    casts = np.array(estimate.casts[1:], dtype=np.float64)
    deviation = np.array([estimate.deviation(k) for k in range(1, len(estimate.casts))])
    return smooth(shrunk(casts, deviation), deviation, strength)


def proposed(judgement: Judgement) -> Move:
    """The move that a judgement advises, by what it says of tones alone.

    Parameters
    ----------
    judgement : Judgement
        A tone that it leaves out has the cast of the whole.

    Returns
    -------
    Move
        That of :func:`plan`, but for the rounding of figures in a judgement.
    """
    casts, spreads = [], []
    for name, (_, _, at) in TONE_RANGES.items():
        tone = judgement.tones.get(name)
        if tone is None:
            casts.append((judgement.cast.a, judgement.cast.b))
            spreads.append(judgement.cast.spread)
        else:
            casts.append(tuple(requote((tone.a, tone.b), QUOTED_AT, at)))
            spreads.append(float(requote(tone.spread, QUOTED_AT, at)))
    deviation = np.array(spreads)
    return smooth(shrunk(np.array(casts, dtype=np.float64), deviation), deviation, 1.0)


def corrected(picture: Picture, move: Move) -> NDArray[np.float32]:
    """The working pixels of a picture after a move.

    Parameters
    ----------
    picture : Picture
        Its working pixels, taken as sRGB.
    move : Move
        What to take away.

    Returns
    -------
    (H, W, 3) ndarray of float32
        sRGB-encoded, 0..1.
    """
    flat = picture.encoded.reshape(-1, 3)
    return curves(move, srgb_space())(flat).astype(np.float32).reshape(picture.encoded.shape)


def refusal(judgement: Judgement, move: Move, *, best_guess: bool) -> str:
    """Why no copy is written.

    Parameters
    ----------
    judgement : Judgement
        Of the original.
    move : Move
        What would be taken away.
    best_guess : bool
        Correct by the best guess where a person should look.

    Returns
    -------
    str
        Sentences; empty where a copy is written.
    """
    if judgement.verdict == "clear":
        return "No evident cast is seen, so nothing was written."
    if best_guess:
        return ""
    doubted = "hint_doubted" in judgement.remarks
    hinted = any(each.kind == HINT for each in judgement.evidence)
    if judgement.verdict == "ask" and (doubted or not hinted):
        reasons = [REMARKS[code].sentence for code in judgement.remarks if REMARKS[code].asks]
        return " ".join(
            [
                "Nothing was written: a person should look first.",
                *reasons,
                TELL,
            ]
        )
    if move.size * move.strength < SLIGHT_FROM:
        return (
            "Nothing was written: going by what you said, the cast that is left is negligible."
            if hinted
            else "Nothing was written: the cast is negligible."
        )
    return ""


def correct(  # noqa: PLR0913 -- what a caller may want, by name
    source: Source,
    to: str | os.PathLike[str] | None = None,
    *,
    hints: Sequence[Hint] = (),
    strength: float = 1.0,
    best_guess: bool = False,
    force: bool = False,
    models: Models | None = None,
    memory: int = MEMORY,
) -> Correction:
    """Judge a picture, and write a corrected, proven copy to ``to`` where a cast is likely.

    The original is never changed. Nothing is written where no evident cast is
    seen, or where a person should look first: ``Correction.why`` says so.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        A path where a copy is wanted; without ``to`` anything that can be judged.
    to : path, optional
        Where the copy goes, of the same kind as the original. Without it the move
        is given and nothing is written.
    hints : sequence of Hint
        What a person knows of spots.
    strength : float
        Share of the cast that is taken away, above 0 and up to 1.
    best_guess : bool
        Correct by the best guess where a person should look.
    force : bool
        Let a file at ``to`` be replaced.
    models : Models, optional
        Those that autocast came with unless given.
    memory : int
        Bytes that opening the picture, and writing a copy of it, may take beside what the
        process holds already.

    Returns
    -------
    Correction
        The judgement, the move, and the proof where a copy was written.

    Raises
    ------
    PictureError
        The picture cannot be judged, or not be corrected, or takes more memory.
    HintError
        A hint cannot be read.
    OutputError
        The copy cannot be written there, or ``strength`` makes no sense.
    ModelError
        Model files are damaged.
    """
    wish = Wish(
        tuple(hints), strength, best_guess=best_guess, force=force, models=models, memory=memory
    )
    return correct_and_keep(source, to, wish)[0]


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wanted of a correction; see :func:`correct`.

    ``report`` is called with how much of the copy is done, and of how much.
    """

    hints: tuple[Hint, ...] = ()
    strength: float = 1.0
    _: KW_ONLY
    best_guess: bool = False
    force: bool = False
    report: Callable[[int, int], None] = lambda _done, _total: None
    models: Models | None = None
    memory: int = MEMORY


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """What a correction was made with, for files beside the copy."""

    before: Examination
    curves: Curves | None
    after: Examination | None


def correct_and_keep(
    source: Source, to: str | os.PathLike[str] | None, wish: Wish
) -> tuple[Correction, Work]:
    """:func:`correct`, with what it was made with.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`correct`.
    to : path, optional
        Where the copy goes; None for the move alone.
    wish : Wish
        The rest of what :func:`correct` is given.

    Returns
    -------
    correction : Correction
        What :func:`correct` gives.
    work : Work
        Examinations before and after, and the curves.

    Raises
    ------
    PictureError
        The picture cannot be judged, or not be corrected.
    HintError
        A hint cannot be read.
    OutputError
        The copy cannot be written there, or the strength makes no sense.
    ModelError
        Model files are damaged.
    """
    if not 0 < number(wish.strength) <= 1:
        raise OutputError(
            f"A strength of {wish.strength!r:.40} makes no sense; give more than 0, up to 1."
        )
    original = _checked_target(source, to, force=wish.force)
    if original is None or to is None:
        return _corrected(source, wish, None)
    check_memory(original, wish.memory)
    # All of the picture is decoded beside its judging, for which a small one is enough.
    with decoding_ahead(original) as ahead:
        return _corrected(source, wish, (original, Path(to), ahead))


def _corrected(
    source: Source, wish: Wish, copy: tuple[Path, Path, Ahead] | None
) -> tuple[Correction, Work]:
    """``copy`` are the original's path, the copy's, and what is decoded ahead."""
    before = examine(source, wish.hints, models=wish.models, memory=wish.memory)
    judgement = before.judgement
    move = plan(before, wish.strength)
    why = refusal(judgement, move, best_guess=wish.best_guess)
    if why:
        return Correction(judgement, None, why, None, None), Work(before, None, None)
    applied = curves(move, own_space(before.picture))
    advice = _advice(move, applied, before.picture)
    if copy is None:
        why = "This is the proposed correction; no copy was asked for, so nothing was written."
        return Correction(judgement, None, why, advice, None), Work(before, applied, None)
    original, target, ahead = copy
    read: list[Examination] = []
    copy_picture(
        original,
        target,
        Recoding(applied),
        wish.report,
        force=wish.force,
        read_back=lambda made: read.append(
            examine(made, wish.hints, models=wish.models, memory=wish.memory)
        ),
        ahead=ahead,
    )
    after = _named(read[0], target)
    proof = prove(before, after, move)
    done = Correction(judgement, str(target), proof.sentence, advice, proof)
    return done, Work(before, applied, after)


def _named(examination: Examination, target: Path) -> Examination:
    """What was read of a copy under the name that it had while it was written."""
    name = str(target)
    return dataclasses.replace(
        examination,
        picture=dataclasses.replace(examination.picture, name=name),
        judgement=dataclasses.replace(examination.judgement, name=name),
    )


def _checked_target(
    source: Source, to: str | os.PathLike[str] | None, *, force: bool
) -> Path | None:
    if to is None:
        return None
    if not isinstance(source, (str, os.PathLike)):
        raise OutputError("A copy is written of a file alone; give its path.")
    original = Path(source)
    check_copy(original, Path(to), force=force)
    return original


def _advice(move: Move, applied: Curves, picture: Picture) -> Advice:
    own = np.linalg.inv(applied.space.matrix).T
    held = np.clip(picture.pixels[picture.opaque] @ own, 0, 1)
    names = tuple(TONE_RANGES)
    casts = {
        name: tuple(round(float(v), 2) for v in requote(cast, TONE_RANGES[name][2]))
        for name, cast in zip(names, move.casts, strict=True)
    }
    spreads = {
        name: round(float(requote(spread, TONE_RANGES[name][2])), 2)
        for name, spread in zip(names, move.spreads, strict=True)
    }
    mean, most, over = side_effects(applied, held)
    return Advice(
        casts={name: (cast[0], cast[1]) for name, cast in casts.items()},
        spreads=spreads,
        strength=move.strength,
        space=applied.space.label,
        points=dict(zip(("red", "green", "blue"), applied.points(), strict=True)),
        curves_alone=(round(mean, 2), round(most, 2)),
        towards_grey=round(over, 4),
    )
