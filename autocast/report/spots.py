"""Measured spots, and what came of a correction, as terminal text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from autocast.correction.check import OUTCOMES, lettered
from autocast.report.text import (
    GLUE,
    NARROWEST,
    beside,
    cast_figures,
    position,
    printable,
    shorten,
    signed,
    with_hints,
    wrap,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from autocast.correction import Advice, Correction, Proof
    from autocast.judgement import Judgement
    from autocast.measuring import Measured, Measures

CAUTION = (
    "Caution: a corrected copy is an opinion. Pictures kept as evidence, or for medical, "
    "scientific or identity use, are not to be altered on autocast's word."
)


def measures_text(measures: Measures, width: int = 80) -> str:
    """A table of the spots, within ``width`` columns. No newline at the end."""
    width = max(width, NARROWEST)
    return "\n".join(_measures(measures, width))


def _measures(measures: Measures, width: int) -> Iterator[str]:
    facts = f"{measures.width} x {measures.height}, {measures.colours}"
    yield "".join(beside(measures.name, facts, width))
    if not measures.spots:
        yield from wrap("No spot to propose: nothing in this picture can be read.", width)
        return
    proposed = "Proposed spots" if measures.proposed else "Spots"
    first = measures.spots[0]
    scale = "0 to 1" if first.top == 1 else f"0 to {first.top:.0f}"
    yield from wrap(
        f"{proposed} from light to dark: discs of {first.radius:g} pixels' radius. The file's own "
        f"values, {scale}; CIELAB with white point {measures.white_point}; ± is the spread of "
        "a* and b* within the disc, clip the share of it that is clipped or black.",
        width,
    )
    names = {1: ("grey",), 3: ("R", "G", "B"), 4: ("C", "M", "Y", "K")}[len(first.values)]
    yield _row(("", "x,y", "±", "clip"), names, ("L*", "a*", "b*"))
    for spot in measures.spots:
        digits = 3 if spot.top == 1 else 0
        spread = f"{(spot.spread[1] + spot.spread[2]) / 2:.1f}"
        lost = f"{max(spot.clipped, spot.buried):.0%}"
        yield _row(
            (lettered(spot.number), f"{int(spot.x)},{int(spot.y)}", spread, lost),
            tuple(f"{v:.{digits}f}" for v in spot.values),
            (f"{spot.reads.lightness:.1f}", signed(spot.reads.a), signed(spot.reads.b)),
        )
        share = position(spot.x / measures.width, spot.y / measures.height, 100, 100)
        for line in wrap(f"{share.partition(GLUE)[2]} {_meaning(spot)}", width - 4, 2):
            yield "    " + line


def _row(ends: tuple[str, str, str, str], values: tuple[str, ...], lab: tuple[str, ...]) -> str:
    called, place, spread, clip = ends
    own = "".join(f"{v:>7}" for v in values)
    read = "".join(f"{v:>7}" for v in lab)
    return f"{called:>3} {place:<11}{own} {read}{spread:>6}{clip:>6}"


def _meaning(spot: Measured) -> str:
    return printable(spot.what) + (f": should read {spot.should}" if spot.should else "")


def correction_text(correction: Correction, width: int = 80) -> str:
    """What was found, moved and proven, within ``width`` columns. No newline at the end."""
    width = max(width, NARROWEST)
    return "\n".join(_correction(correction, width))


def _correction(correction: Correction, width: int) -> Iterator[str]:
    judgement = correction.judgement
    yield shorten(printable(judgement.name), width)
    yield from wrap(f"Judged: {_judged(judgement)}", width, 2)
    if correction.advice is not None:
        yield from _advice(correction.advice, width)
    if correction.proof is not None:
        yield from _proof(correction.proof, width)
    yield from wrap(printable(correction.why), width)
    if correction.written is not None:
        yield from wrap(f"Written: {printable(correction.written)}", width, 2)
    if correction.proof is not None and correction.proof.failed:
        yield from wrap(_instead(judgement, correction.proof), width, 2)
    if correction.advice is not None:
        yield from wrap(CAUTION, width, 2)


def _instead(judgement: Judgement, proof: Proof) -> str:
    """What to do with a copy that failed its check."""
    wrong = next((r for r in proof.readings if r.outcome == "spoiled"), None)
    if wrong is None:
        return "Keep the original, or say what you know of a spot: a neutral is worth most."
    at = position(wrong.x, wrong.y, judgement.width, judgement.height).partition(GLUE)[0]
    return (
        f"Do not use the copy as it is. If {wrong.letter} is something else, leave it out: "
        f"autocast correct {with_hints(judgement)} --own-colour {at} --to OUT"
    )


def _advice(advice: Advice, width: int) -> Iterator[str]:
    share = "" if advice.strength == 1 else f" ({advice.strength:.0%} of it)"
    yield f"Cast taken away{share}"
    for name, (a, b) in advice.casts.items():
        yield f"  {name:<10} {cast_figures(a, b, advice.spreads[name])}".replace(GLUE, " ")
    yield from wrap(
        f"The correction by hand: one curve per channel in the file's own RGB "
        f"({printable(advice.space)}), 0 to 255",
        width,
    )
    inputs = [x for x, _ in advice.points["red"]]
    yield "  in    " + "".join(f"{255 * x:6.0f}" for x in inputs)
    for name, points in advice.points.items():
        yield f"  {name:<6}" + "".join(f"{255 * y:6.0f}" for _, y in points)
    mean, most = advice.curves_alone
    yield from wrap(
        f"Curves alone change L* by {mean:.1f} on average and by {most:.1f} or less in 99 % of "
        "the picture; the copy has its lightness put back.",
        width - 2,
    )
    if advice.towards_grey >= 0.001:
        yield from wrap(
            f"{advice.towards_grey:.1%} of the picture lost some colour so as not to clip.",
            width - 2,
        )


def _proof(proof: Proof, width: int) -> Iterator[str]:
    if proof.readings:
        yield "Known colours, from light to dark (L* a* b*, white point D65)"
        yield (f"    {'x,y':<11}{'before':<18}{'after':<18}{'should read':<16}").rstrip()
    for r in proof.readings:
        place, _, share = position(r.x, r.y, proof.after.width, proof.after.height).partition(GLUE)
        yield f"{r.letter:>3} {place:<11}{_lab(r.before)} {_lab(r.after)} {r.should}"
        for line in wrap(f"{share} {printable(r.what)}: {OUTCOMES[r.outcome]}", width - 4, 2):
            yield "    " + line
    yield from wrap(f"Judged again: {_judged(proof.after)}", width, 2)


def _judged(judgement: Judgement) -> str:
    cast = judgement.cast
    figures = cast_figures(cast.a, cast.b, cast.spread)
    return f"{judgement.verdict_words}; {cast.words}, {figures} at L*{GLUE}60."


def _lab(value: tuple[float, float, float]) -> str:
    return f"{value[0]:5.1f} {signed(value[1]):>5} {signed(value[2]):>5}"
