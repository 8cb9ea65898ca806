"""A judgement in plain sentences, from its figures alone."""

from __future__ import annotations

import math
import string
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from autocast.colour import QUOTED_AT, at_60
from autocast.judgement import (
    EVIDENT_FROM,
    REMARKS,
    SLIGHT_FROM,
    Evidence,
    Judgement,
    Leaning,
    Spot,
    Verdict,
    describe,
    hue_name,
)
from autocast.judgement.things import DOUBTED, HINT, NEUTRALS, OBJECT, OTHER_LIGHT

TONE_SHARE = 0.06
"""Share of the frame from which a tone range is named (project convention)."""
TONES_APART = 4.0
"""Distance from the whole's cast (a*b* at L* 60) from which a tone range is named (likewise)."""
DROVE_FROM = 1.0
"""Move of the estimate, in a*b*, from which an evidence counts as having driven it (likewise)."""
MOST_DRIVERS = 2
"""How many of them are named (likewise)."""
LEANS: Mapping[Leaning, str] = MappingProxyType(
    {"clear": "It leans towards no evident cast.", "cast": "It leans towards a cast."}
)
"""Which way a picture leans that is left to a person."""
BY_TONE = "By tone: "
"""How the sentence begins that names tone ranges with a cast of their own."""
DECIDES = "What decides it: "
"""How the sentence that asks begins."""
DROVE = "What drove it: "
"""How the sentence on the strongest evidence begins."""
_HIDES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "hint_doubted": ("conflict", "split", "no_known_colour", "mixed_light", "off_grid"),
        "conflict": ("no_known_colour",),
    }
)
"""Reasons that others follow from, or contradict when they are read beside them."""
TOLD_WITHIN = 0.02
"""Distance to a hint, as a share of the long side, within which a spot is not asked about again
(project convention)."""
UNSURE = "unsure"
"""The reason to ask where no remark gives one."""


@dataclass(frozen=True, slots=True)
class Question:
    """What decides a picture that is left to a person.

    ``spot`` is the place of ``look_at`` that it is about, by its number from 0, and ``hint``
    what to say of it where the answer is yes, a key of :data:`autocast.judgement.HINTS`; both
    None where only the eye can tell.
    """

    text: str
    spot: int | None = None
    hint: str | None = None


# Where no spot can answer, each remark asks something of its own.
_ASKED: Mapping[str, str] = MappingProxyType(
    {
        "hint_doubted": "Is the spot really what you said? If not, judge again without it.",
        "cmyk_without_profile": "Which profile belongs to it? Embed it and judge again.",
        "not_photograph": "Is it a photograph? Drawings and graphics cannot be judged.",
        "toned": "Is the tone meant?",
        "dark": "Can anything of known colour be made out in it?",
        "off_grid": "Is the colour of the light meant?",
    }
)
_BY_EYE = "Does anything in it have a colour that you know?"


def letter(number: int) -> str:
    """The letter of a place of ``look_at``, by its number from 0."""
    return string.ascii_uppercase[number]


def question(judgement: Judgement) -> Question | None:
    """What decides a picture that is left to a person; None for another verdict.

    Parameters
    ----------
    judgement : Judgement
        Its remarks and the places worth a look are read.

    Returns
    -------
    Question or None
        One sentence that can be answered by looking.
    """
    if judgement.verdict != "ask":
        return None
    for remark, text in _ASKED.items():
        if remark in judgement.remarks:
            return Question(text)
    places = [each for each in enumerate(judgement.look_at) if not _told(judgement, each[1])]
    neutrals = [(number, spot) for number, spot in places if spot.kind == NEUTRALS]
    objects = [number for number, spot in places if spot.kind == OBJECT]
    uneven = {"mixed_light", "parts_disagree"} & set(judgement.remarks)
    if uneven and any(hint.what == OTHER_LIGHT for hint in judgement.hints):
        # Else spot after spot would be asked about in turn.
        return Question("Does all that is left stand in one light?")
    if uneven and places:
        number, _ = neutrals[-1] if neutrals else places[0]
        where = f"Does the spot at {letter(number)} stand in another light than the rest?"
        return Question(where, number, OTHER_LIGHT)
    if neutrals:
        # Middle tones are read best, and a hint counts most near its own lightness.
        number, _ = min(neutrals, key=lambda each: abs(each[1].reads.lightness - QUOTED_AT))
        asks = f"Is the spot at {letter(number)} neutral (grey, white or black)?"
        return Question(asks, number, "neutral")
    if objects:
        where = letter(objects[0])
        return Question(
            f"Is the object at {where} of that colour itself?", objects[0], "own_colour"
        )
    return Question(_BY_EYE)


def _told(judgement: Judgement, spot: Spot) -> bool:
    """Has a hint spoken of a spot already?"""
    wide, high = judgement.width, judgement.height
    return any(
        math.hypot(spot.x * wide - hint.x, spot.y * high - hint.y)
        <= (hint.radius or TOLD_WITHIN * max(wide, high))
        for hint in judgement.hints
    )


def compose(judgement: Judgement) -> tuple[str, ...]:
    """What a person reads first: verdict, tones, what drove it, what is against it, a question."""
    return tuple(
        sentence
        for sentence in (
            _verdict(judgement),
            _tones(judgement),
            _drivers(judgement),
            _against(judgement),
            _decides(judgement),
        )
        if sentence
    )


def reasons(
    verdict: Verdict, remarks: Sequence[str], cast: tuple[float, float] | None = None
) -> dict[str, str]:
    """Why a picture is left to a person: sentences by their remark; none for another verdict.

    Where no remark says why, the key is :data:`UNSURE`. ``cast`` (a*, b* at L* 60)
    adds its figures where it is the reason.
    """
    if verdict != "ask":
        return {}
    asking = {code: REMARKS[code].sentence for code in remarks if REMARKS[code].asks}
    for code, hides in _HIDES.items():
        if code in asking:
            asking = {other: said for other, said in asking.items() if other not in hides}
    if asking:
        return asking
    figure = "" if cast is None else f" ({_figure(*cast)})"
    if "few_neutrals" in remarks:
        return {"few_neutrals": REMARKS["few_neutrals"].sentence}
    if "believable_warmth" in remarks:
        return {"believable_warmth": f"It reads warm{figure}, and the scene itself may be warm."}
    for code in ("tones_disagree", "parts_disagree"):
        if code in remarks:
            return {code: REMARKS[code].sentence}
    return {UNSURE: f"Possible cast, not certain{figure}."}


def leaning(judgement: Judgement) -> list[str]:
    """Which way it leans, in a sentence; none where that would rest on a hint that is doubted."""
    if judgement.leans is None or "hint_doubted" in judgement.remarks:
        return []
    return [LEANS[judgement.leans]]


def _verdict(judgement: Judgement) -> str:
    cast = judgement.cast
    figure = _figure(cast.a, cast.b)
    if judgement.verdict == "clear":
        if "monochrome" in judgement.remarks:
            return "No evident cast: the picture is black and white."
        size = describe(cast.a, cast.b)
        return f"No evident cast: a neutral would read about {figure} ({size})."
    if judgement.verdict == "cast":
        return f"Likely cast, {describe(cast.a, cast.b)}: a neutral would read about {figure}."
    because = reasons(judgement.verdict, judgement.remarks, (cast.a, cast.b))
    if cast.second is not None and "split" in because:
        one, other = (
            f"{describe(a, b)} ({_figure(a, b)})"
            for a, b in ((cast.a, cast.b), (cast.second.a, cast.second.b))
        )
        because["split"] += f" One is {one}, the other {other}."
    why = " ".join(because.values())
    return " ".join((f"A person should look: {why[0].lower()}{why[1:]}", *leaning(judgement)))


def _decides(judgement: Judgement) -> str:
    asked = question(judgement)
    return "" if asked is None else DECIDES + asked.text


def _tones(judgement: Judgement) -> str:
    cast = judgement.cast
    apart = []
    for name, tone in judgement.tones.items():
        # One scale for the whole and the tones: C* at L* 60.
        a, b = map(float, at_60((tone.lightness, tone.a, tone.b)))
        size = math.hypot(a, b)
        own = math.hypot(a - cast.a, b - cast.b) >= TONES_APART and size >= SLIGHT_FROM
        # A table that calls a range evident must not stand below a whole that is not, unsaid.
        hidden = size >= EVIDENT_FROM > cast.size
        if tone.share >= TONE_SHARE and (own or hidden):
            apart.append(
                f"the {name} lean towards {hue_name(a, b)} "
                f"(a* {_signed(tone.a)}, b* {_signed(tone.b)} at L* {tone.lightness:.0f})"
            )
    # What a doubted hint made of the tones is nothing to go by.
    if not apart or {"monochrome", "hint_doubted"} & set(judgement.remarks):
        return ""
    return BY_TONE + "; ".join(apart) + "."


def _drivers(judgement: Judgement) -> str:
    heard = [e for e in judgement.evidence if e.kind != HINT] + _hinted(judgement)
    moved = [(e.drove, e) for e in heard if e.drove is not None]
    drove = sorted((each for each in moved if each[0] >= DROVE_FROM), key=lambda each: -each[0])
    context = [e for e in judgement.evidence if e.context and e.stance != "against"]
    parts = [
        f"{e.label} (without, the estimate moves by {by:.1f})" for by, e in drove[:MOST_DRIVERS]
    ]
    parts += [_changed(e, judgement.probability) for e in context]
    if not parts:
        return ""
    return DROVE + "; ".join(parts) + "."


def _hinted(judgement: Judgement) -> list[Evidence]:
    """The hints as one, since they are left out together; none where one of them is doubted."""
    hints = [e for e in judgement.evidence if e.kind == HINT]
    if "hint_doubted" in judgement.remarks:
        return []
    return hints if len(hints) < 2 else [replace(hints[0], label="what you said of spots")]


def _changed(evidence: Evidence, probability: float) -> str:
    chance = f"{100 * (probability - (evidence.drove_probability or 0.0)):.0f}"
    return f"{evidence.label} (without, the chance of a cast would be {chance} %)"


def _against(judgement: Judgement) -> str:
    against = [
        e for e in judgement.evidence if e.stance == "against" and not e.label.endswith(DOUBTED)
    ]
    if not against:
        return ""
    said = (_changed(e, judgement.probability) if e.context else _reading(e) for e in against)
    return "Against it: " + "; ".join(said) + "."


def _reading(evidence: Evidence) -> str:
    if evidence.reads is None:
        if evidence.explains is None:
            return evidence.label
        a, b = evidence.explains
        return f"{evidence.label} point to a* {_signed(a)}, b* {_signed(b)}"
    _, a, b = evidence.reads
    colour = f"reads a* {_signed(a)}, b* {_signed(b)}"
    if evidence.kind == OBJECT:
        return (
            f"a strongly coloured object ({hue_name(a, b)}) {colour}; it is taken to be that colour"
        )
    return f"{evidence.label}: {colour}"


def _figure(a: float, b: float) -> str:
    return f"a* {_signed(a)}, b* {_signed(b)} at L* 60"


def _signed(value: float) -> str:
    """A figure with its sign and no negative zero."""
    rounded = round(value) + 0
    return f"{rounded:+d}" if rounded else "0"
