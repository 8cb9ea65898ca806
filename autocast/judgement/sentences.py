"""A judgement in plain sentences, from its figures alone."""

from __future__ import annotations

import math
from collections.abc import Sequence

from autocast.colour import requote
from autocast.judgement import (
    REMARKS,
    SLIGHT_FROM,
    Evidence,
    Judgement,
    Verdict,
    describe,
    hue_name,
)
from autocast.judgement.things import OBJECT

TONE_SHARE = 0.06
"""Share of the frame from which a tone range is named (project convention)."""
TONES_APART = 4.0
"""Distance from the whole's cast (a*b* at L* 60) from which a tone range is named (likewise)."""
DROVE_FROM = 1.0
"""Move of the estimate, in a*b*, from which an evidence counts as having driven it (likewise)."""


UNSURE = "unsure"
"""The reason to ask where no remark gives one."""


def compose(judgement: Judgement) -> tuple[str, ...]:
    """What a person reads first: verdict, tones, what drove it, what speaks against."""
    return tuple(
        sentence
        for sentence in (
            _verdict(judgement),
            _tones(judgement),
            _drivers(judgement),
            _against(judgement),
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
    if asking:
        return asking
    figure = "" if cast is None else f" ({_figure(*cast)})"
    if "believable_warmth" in remarks:
        return {"believable_warmth": f"It reads warm{figure}, and the scene may be so."}
    for code in ("tones_disagree", "parts_disagree"):
        if code in remarks:
            return {code: REMARKS[code].sentence}
    return {UNSURE: f"A cast is neither clear nor to be ruled out{figure}."}


def _verdict(judgement: Judgement) -> str:
    cast = judgement.cast
    figure = _figure(cast.a, cast.b)
    if judgement.verdict == "clear":
        if "monochrome" in judgement.remarks:
            return "No cast seen: the picture is black and white."
        return f"No cast seen: a neutral would read about {figure}."
    if judgement.verdict == "cast":
        return f"Likely cast, {describe(cast.a, cast.b)}: a neutral would read about {figure}."
    why = " ".join(reasons(judgement.verdict, judgement.remarks, (cast.a, cast.b)).values())
    return f"A person should look: {why[0].lower()}{why[1:]}"


def _tones(judgement: Judgement) -> str:
    cast = judgement.cast
    apart = []
    for name, tone in judgement.tones.items():
        a, b = (float(v) for v in requote([tone.a, tone.b], 60.0, tone.lightness))
        if (
            tone.share >= TONE_SHARE
            and math.hypot(a - cast.a, b - cast.b) >= TONES_APART
            and math.hypot(tone.a, tone.b) >= SLIGHT_FROM
        ):
            apart.append(
                f"the {name} lean towards {hue_name(a, b)} "
                f"(a* {_signed(tone.a)}, b* {_signed(tone.b)} at L* {tone.lightness:.0f})"
            )
    if not apart or "monochrome" in judgement.remarks:
        return ""
    return "By tone: " + "; ".join(apart) + "."


def _drivers(judgement: Judgement) -> str:
    drove = sorted(
        (e for e in judgement.evidence if e.drove >= DROVE_FROM), key=lambda e: -e.drove
    )[:2]
    context = [e for e in judgement.evidence if e.context]
    parts = [_moved(e) for e in drove] + [_changed(e, judgement.probability) for e in context]
    if not parts:
        return ""
    return "What drove it: " + "; ".join(parts) + "."


def _changed(evidence: Evidence, probability: float) -> str:
    chance = f"{100 * (probability - evidence.drove_probability):.0f}"
    return f"{evidence.label} (without, the chance of a cast would be {chance} %)"


def _moved(evidence: Evidence) -> str:
    return f"{evidence.label} (without, the estimate moves by {evidence.drove:.1f})"


def _against(judgement: Judgement) -> str:
    against = [e for e in judgement.evidence if e.stance == "against" and not e.context]
    if not against:
        return ""
    return "Against it: " + "; ".join(_reading(e) for e in against) + "."


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
            f"a strongly coloured thing ({hue_name(a, b)}) {colour}; it is taken to be that colour"
        )
    return f"{evidence.label}: {colour}"


def _figure(a: float, b: float) -> str:
    return f"a* {_signed(a)}, b* {_signed(b)} at L* 60"


def _signed(value: float) -> str:
    """A figure with its sign and no negative zero."""
    rounded = round(value) + 0
    return f"{rounded:+d}" if rounded else "0"
