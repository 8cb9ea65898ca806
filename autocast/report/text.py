"""A judgement as terminal text.

Colour is only ever an addition: every line says the same without it. Nothing
that a file name or a label holds reaches the terminal as a control sequence.
"""

from __future__ import annotations

import json
import re
import shlex
import textwrap
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

from rich.cells import cell_len, set_cell_size

from autocast.colour import QUOTED_AT, at_60
from autocast.judgement import (
    REMARKS,
    VERDICT_WORDS,
    Evidence,
    Judgement,
    Reading,
    Spot,
    ToneCast,
    Verdict,
    describe,
    hue_name,
    strength_word,
)
from autocast.judgement.sentences import (
    BY_TONE,
    DECIDES,
    DROVE,
    Question,
    leaning,
    letter,
    question,
    reasons,
)
from autocast.judgement.things import (
    CLASSES,
    CONTENT,
    DOUBTED,
    HINT,
    HINTED,
    HINTS,
    JOINT,
    OBJECT,
    OTHER_LIGHT,
    TREES,
)

OUTCOME_WORDS: Mapping[str, str] = {
    **dict[str, str](VERDICT_WORDS.items()),
    "failed": "could not be judged",
}
"""What came of a picture: its verdict, or none."""

GLUE = "\u00a0"
"""The no-break space."""

NARROWEST = 40
"""Columns below which no layout is tried; a narrower terminal wraps by itself."""

MARKS: dict[Verdict, str] = {"clear": " ", "cast": "!", "ask": "?"}
"""One sign per verdict, so that a column of verdicts can be read at a glance."""

# ECMA-48 "select graphic rendition": bold, faint, bold red, bold green, bold yellow.
_RESET = "\x1b[0m"
_BOLD = "\x1b[1m"
_FAINT = "\x1b[2m"
_VERDICT_STYLES: dict[Verdict, str] = {
    "cast": "\x1b[1;31m",
    "clear": "\x1b[1;32m",
    "ask": "\x1b[1;33m",
}

# Zero-width joiners belong to names in several scripts; the other format
# characters (bidirectional overrides among them) can disguise a name.
_KEPT_FORMATS = {"\u200c", "\u200d"}


def printable(text: str) -> str:
    r"""``text`` with nothing in it that a terminal would obey or UTF-8 cannot carry.

    Control, format and separator characters become ``\xNN`` or ``\uNNNN``; so
    do bytes of a file name that are not UTF-8 (Python's surrogate escapes),
    which come out as the byte they stand for.
    """
    # All that Python calls printable stays as it is; most texts are that altogether.
    return text if text.isprintable() else "".join(map(_escaped, text))


def _escaped(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    hidden = unicodedata.category(character) in {"Cc", "Cf", "Cs", "Zl", "Zp"}
    if not hidden or character in _KEPT_FORMATS:
        return character
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def shorten(text: str, width: int) -> str:
    """``text`` cut in the middle to at most ``width`` terminal columns; the end is kept."""
    if cell_len(text) <= width:
        return text
    tail = text[-1:]
    # Numbers and endings tell pictures apart, so the tail gets the larger half.
    for character in reversed(text[:-1]):
        if cell_len(character + tail) > width * 3 // 5:
            break
        tail = character + tail
    head = set_cell_size(text, max(0, width - 1 - cell_len(tail)))
    return set_cell_size(f"{head.rstrip()}…{tail}", width).rstrip()


SPOTS_FIRST = 2
"""Places that the first screen shows (project convention)."""
REGION = ",15%"
"""Radius of the region that is proposed as another light, as a hint takes it (likewise)."""


def judgement_text(
    judgement: Judgement, width: int = 80, *, colour: bool = False, details: bool = False
) -> str:
    """What a person needs of one picture, each line within ``width`` columns.

    Verdict, how sure, the one reason, the places that matter and what to do next; ``details``
    adds all places, tone ranges, evidence and notes. ``width`` below 40 counts as 40.
    ``colour`` adds ECMA-48 sequences. No newline at the end.
    """
    page = _Page(max(width, NARROWEST), colour=colour)
    asked = question(judgement)
    _heading(page, judgement)
    for said in hints_words(judgement):
        page.add(said, indent=2, hang=2)
    _reason(page, judgement, asked)
    places = list(enumerate(judgement.look_at))
    if not details:
        first = [] if asked is None or asked.spot is None else [places[asked.spot]]
        places = (first + [each for each in places if each not in first])[:SPOTS_FIRST]
    if places:
        page.title("Look here")
    for number, spot in places:
        at = position(spot.x, spot.y, judgement.width, judgement.height)
        page.add(f"{letter(number)}  {at}: {spot_words(spot, ', ')}", indent=2, hang=3)
    if details:
        _tones(page, judgement)
        _evidence(page, judgement)
        if judgement.remarks:
            page.title("Note (autocast explain NAME says more)")
        above = set(reasons(judgement.verdict, judgement.remarks).values())
        for remark in judgement.remarks:
            sentence = REMARKS[remark].sentence
            said = "see above" if sentence in above else sentence
            page.add(f"{remark}: {said}", indent=2, hang=2)
    further = next_words(judgement)
    if further:
        page.add(further, indent=2, hang=8)
    return "\n".join(page.lines)


def judgement_block(judgement: Judgement, width: int = 80, *, colour: bool = False) -> str:
    """Three lines of one picture among several: its name, what was found, what decides it."""
    page = _Page(max(width, NARROWEST), colour=colour)
    _heading(page, judgement)
    del page.lines[2:]
    cast, asked = judgement.cast, question(judgement)
    said = f"{chance(judgement.probability)} chance, {cast_figures(cast.a, cast.b)}"
    if asked is not None:
        said = f"{chance(judgement.probability)} chance. {question_words(judgement)}"
    page.lines.append("  " + shorten(said.replace(GLUE, " "), page.width - 2))
    return "\n".join(page.lines)


def question_words(judgement: Judgement) -> str:
    """What decides a picture that is left to a person, and where to look; '' for another."""
    asked = question(judgement)
    if asked is None or asked.spot is None:
        return "" if asked is None else asked.text
    spot = judgement.look_at[asked.spot]
    where = position(spot.x, spot.y, judgement.width, judgement.height)
    return f"{asked.text} {letter(asked.spot)}: {where}"


def hints_words(judgement: Judgement) -> Iterator[str]:
    """Each hint as it was taken: what was said, what it reads and should, whether it agrees."""
    voting = iter([e for e in judgement.evidence if e.kind == HINT])
    apart = iter([e for e in judgement.evidence if e.kind == OTHER_LIGHT])
    for hint in judgement.hints:
        share = (100 * hint.x / judgement.width, 100 * hint.y / judgement.height)
        at = f"{hint.x:.0f},{hint.y:.0f}{GLUE}({share[0]:.0f}%,{share[1]:.0f}%)"
        said = f"You said that {at} {HINTS[hint.what].partition(':')[0]}. "
        if hint.what == OTHER_LIGHT:
            region = next(apart, None)
            said += "Its region is left out."
            if region is not None and region.explains is not None:
                alone = cast_figures(*region.explains, region.spread)
                said += f" The cast estimated from it alone, which is no reading, is {alone}."
        elif hint.what not in HINTED:
            said += "The thing is left out."
        else:
            vote = next(voting, None)
            if vote is None or vote.reads is None:
                continue
            said += f"It reads {reading(vote.reads)} (should read {HINTED[hint.what].should}). "
            said += (
                "That is doubted: the rest of the picture contradicts it, though all figures here "
                "take it in."
                if vote.label.endswith(DOUBTED)
                else "Nothing else in the picture contradicts it."
            )
        yield said


def _reason(page: _Page, judgement: Judgement, asked: Question | None) -> None:
    why = _why(judgement)
    if why:
        said = " ".join(why)
        page.add(said if said.startswith((BY_TONE, DROVE)) else f"Why: {said}", indent=2, hang=2)
    if asked is not None:
        page.add(DECIDES + asked.text, indent=2, hang=2)


def _why(judgement: Judgement) -> list[str]:
    """The one reason, without the verdict, which stands above it."""
    cast = judgement.cast
    if judgement.verdict == "ask":
        return [
            *reasons("ask", judgement.remarks, (cast.a, cast.b)).values(),
            *leaning(judgement),
        ]
    first, *rest = (printable(sentence) for sentence in judgement.sentences or ("",))
    drove = [each for each in rest if each.startswith(DROVE)]
    if "monochrome" in judgement.remarks:
        return [first]
    if judgement.verdict == "clear":
        # A range that leans by itself is where the verdict may be wrong.
        return [each for each in rest if each.startswith(BY_TONE)] + drove[:1]
    return drove[:1]


def next_words(judgement: Judgement) -> str:
    """The very command that goes on from here; '' where there is nothing to do."""
    name, asked = with_hints(judgement), question(judgement)
    if judgement.verdict == "cast":
        return f"Next: autocast correct {name} --to OUT"
    if asked is None or asked.spot is None or asked.hint is None:
        return ""
    spot = judgement.look_at[asked.spot]
    at = position(spot.x, spot.y, judgement.width, judgement.height).partition(GLUE)[0]
    if asked.hint == OTHER_LIGHT:
        at += REGION
    return f"If so: autocast judge {name} --{asked.hint.replace('_', '-')} {at}"


def with_hints(judgement: Judgement) -> str:
    """The picture and the hints it was judged with, as a command takes them."""
    said = _quoted(judgement.name)
    for hint in judgement.hints:
        told = ",".join(f"{v:g}" for v in (hint.x, hint.y, hint.radius) if v is not None)
        said += f" --{hint.what.replace('_', '-')} {told}"
    return said


def _quoted(name: str) -> str:
    """A name as a shell takes it; what cannot be shown as it is stays to be typed."""
    return shlex.quote(name) if name and printable(name) == name else "PICTURE"


def judgement_line(judgement: Judgement, width: int | None = 80, *, colour: bool = False) -> str:
    """One line: verdict, probability, cast, name.

    It has at most ``width`` (at least 40) columns; None shortens nothing.
    """
    longest = max(map(len, VERDICT_WORDS.values()))
    verdict = f"{MARKS[judgement.verdict]} {judgement.verdict_words:<{longest}}"
    rest = f" {chance(judgement.probability).replace(GLUE, ' '):>5}"
    if width is None or max(width, NARROWEST) >= NARROWEST + 30:
        rest += f"  {cast_briefly(judgement.cast.a, judgement.cast.b):<21}"
    name = printable(judgement.name)
    if width is not None:
        name = shorten(name, max(width, NARROWEST) - cell_len(verdict + rest) - 2)
    line = f"{rest}  {name}"
    return (_styled(verdict, _VERDICT_STYLES[judgement.verdict]) if colour else verdict) + line


def judgement_fields(judgement: Judgement) -> str:
    """One line for other programs: verdict, probability, a*, b*, spread, name, between tabs."""
    cast = judgement.cast
    figures = (judgement.probability, cast.a, cast.b, cast.spread)
    return "\t".join((judgement.verdict, *map(str, figures), printable(judgement.name)))


def judgement_json(judgement: Judgement) -> str:
    r"""One line of JSON in ASCII alone, which every terminal and every encoding carries.

    A file name that is not valid Unicode is given as :func:`printable` shows
    it; every other character outside ASCII is a ``\uNNNN`` escape of JSON's own.
    """
    document = {**judgement.to_dict(), "name": printable(judgement.name)}
    return json.dumps(document, allow_nan=False).replace("\x7f", "\\u007f")


def count_text(verdicts: Iterable[Verdict], failed: int = 0, width: int = 80) -> str:
    """How many pictures got which verdict, and how many could not be judged."""
    counts = Counter[str](verdicts) + Counter(failed=failed)
    total = counts.total()
    parts = (f"{counts[v]} {words}" for v, words in OUTCOME_WORDS.items() if counts[v])
    text = f"{counted(total, 'picture')}: {', '.join(parts)}."
    return "\n".join(wrap(text, max(width, NARROWEST)))


def counted(count: int, thing: str) -> str:
    """So many of a thing: ``1 picture``, ``2,400 pictures``."""
    return f"{count:,} {thing}{'' if count == 1 else 's'}"


def percent(share: float) -> str:
    """A share (0..1) as whole per cent; only all is 100 % and only nothing is 0 %."""
    if 0 < share < 0.01:
        return f"<1{GLUE}%"
    if 0.99 < share < 1:
        return f">99{GLUE}%"
    return f"{share:.0%}".replace("%", f"{GLUE}%")


def chance(probability: float) -> str:
    """A probability as whole per cent; no judgement is ever certain."""
    return percent(min(max(probability, 0.001), 0.999))


def chance_words(judgement: Judgement) -> str:
    """What the probability is of, in plain words."""
    return (
        f"{chance(judgement.probability)} chance that a careful look calls a cast evident "
        f"(among all pictures {percent(judgement.base_rate)})"
    )


def chances_words(in_archive: float, rate: float, alone: float, among_all: float) -> str:
    """A picture's chance in an archive, and the other that it has alone, each with its reason."""
    return (
        f"Chance of an evident cast: {chance(in_archive)} in this archive ({percent(rate)} of it "
        f"casts), {chance(alone)} for the picture alone ({percent(among_all)} of all pictures), "
        "as autocast judge gives it."
    )


def rates_words(rate: float | None, among_all: float, *, supposed: bool = False) -> str:
    """Which chances are given of an archive's pictures, and why judge gives others.

    Where the rate is ``supposed``, what it is was said with it.
    """
    if rate is None:
        return (
            "Chances are for each picture alone, as autocast judge gives them: "
            f"{percent(among_all)} of all pictures have an evident cast."
        )
    if percent(rate) == percent(among_all):
        if supposed:
            return "autocast judge takes the same."
        return f"Chances are for {percent(rate)} of casts among all, as autocast judge gives them."
    alone = (
        f"autocast judge sees a picture alone, takes {percent(among_all)}, and so gives another "
        "chance."
    )
    return (
        alone
        if supposed
        else f"Chances are those in this archive ({percent(rate)} of it casts). {alone}"
    )


class _Page:
    """Lines that fit a width, styled after they are laid out."""

    def __init__(self, width: int, *, colour: bool) -> None:
        self.width = width
        self.colour = colour
        self.lines: list[str] = []

    def add(self, text: str, *, indent: int = 0, hang: int = 0, style: str = "") -> None:
        """Wrap ``text``; lines after the first are set in by ``hang`` more."""
        for line in wrap(text, self.width - indent, hang):
            self.lines.append(" " * indent + self.styled(line, style))

    def title(self, text: str) -> None:
        """A heading, flush left."""
        self.lines.append(self.styled(text, _BOLD))

    def styled(self, text: str, style: str) -> str:
        """``text`` in ``style`` where colour is wanted."""
        return _styled(text, style) if self.colour and style else text


def _styled(text: str, style: str) -> str:
    return f"{style}{text}{_RESET}"


def wrap(text: str, width: int, hang: int = 0) -> list[str]:
    """Lines of ``text`` of at most ``width`` terminal columns; later ones set in by ``hang``.

    A no-break space holds words together and comes out as a space.
    """
    # textwrap counts characters: whatever fills two columns is given a second one meanwhile.
    counted = "".join(c + "\0" * (cell_len(c) - 1) for c in text)
    # A wide character that is cut from its second one must still fit.
    width -= counted != text
    lines = textwrap.wrap(counted, width, subsequent_indent=" " * hang, break_on_hyphens=False)
    return [line.replace("\0", "").replace(GLUE, " ") for line in lines]


def beside(name: str, facts: str, width: int) -> tuple[str, str, str]:
    """A name, a gap, and facts at the right edge, all shortened to one line."""
    facts = shorten(printable(facts), width // 2)
    name = shorten(printable(name), width - cell_len(facts) - 2)
    return name, " " * (width - cell_len(name) - cell_len(facts)), facts


def _heading(page: _Page, judgement: Judgement) -> None:
    """Name, verdict, and how sure; in at least three lines."""
    facts = f"{judgement.width} x {judgement.height}, {judgement.profile}"
    name, gap, facts = beside(judgement.name, facts, page.width)
    page.lines.append(page.styled(name, _BOLD) + gap + page.styled(facts, _FAINT))
    cast = judgement.cast
    verdict = f"{MARKS[judgement.verdict]} {judgement.verdict_words.upper()}".strip()
    if judgement.verdict == "cast":
        verdict += f": {cast.words}"
    page.add(verdict, style=_VERDICT_STYLES[judgement.verdict])
    page.add(chance_words(judgement), indent=2)
    measured = cast_figures(cast.a, cast.b, cast.spread)
    if judgement.verdict == "cast":
        page.add(f"A mid-grey that should be neutral reads {measured}", indent=2)
        also = "It could also be"
    else:
        guess = "Best guess" if judgement.verdict == "ask" else "Cast"
        page.add(f"{guess}: {cast.words}, {measured}", indent=2, hang=2)
        also = "Or"
    if cast.second is not None:
        second = cast.second
        page.add(
            f"{also}: {describe(second.a, second.b)}, {cast_figures(second.a, second.b)} "
            f"({percent(second.share)} of the probability)",
            indent=2,
            hang=2,
        )


def _tones(page: _Page, judgement: Judgement) -> None:
    if not judgement.tones:
        return
    page.title(f"Cast by tone (words: as at L* {QUOTED_AT:g})")
    page.lines.append("             at    area    a*    b*    ±")
    for tone, cast in judgement.tones.items():
        line = (
            f"  {tone:<10} L*{cast.lightness:2.0f} {percent(cast.share).replace(GLUE, ' '):>5} "
            f"{signed(cast.a):>5} {signed(cast.b):>5} {cast.spread:4.1f}"
        )
        words = f"  {tone_words(cast)}"
        page.lines.append(line + words if len(line + words) <= page.width else line)


TOGETHER, APART = "made of all kinds together", "left out of the estimate"
"""What is said in place of a side: of what rests on every kind, and of another light."""


def side(evidence: Evidence, verdict: Verdict) -> str:
    """The side an evidence takes: that it speaks for a cast or for none, or has no clear vote."""
    if evidence.stance == "silent":
        said = {JOINT: TOGETHER, TREES: TOGETHER, OTHER_LIGHT: APART}
        return said.get(evidence.kind, "no clear vote")
    return f"speaks for {'no' if (evidence.stance == 'for') == (verdict == 'clear') else 'a'} cast"


def name_of(evidence: Evidence) -> str:
    """A known colour's kind and label, said once where they are the same; else the label."""
    kind, label = printable(evidence.kind), printable(evidence.label)
    return label if kind not in CLASSES or label.startswith(kind) else f"{kind}: {label}"


SHORT_NAMES: Mapping[str, str] = {
    "statistics": "overall balance",
    JOINT: "known colours",
    TREES: "all readings",
    CONTENT: "what it shows",
    OBJECT: "coloured object",
    HINT: "what you said",
    OTHER_LIGHT: "another light",
}
"""Kinds of evidence in few words, where their key is no word of the trade."""


def short_name(kind: str) -> str:
    """A kind of evidence in few words, for a label."""
    return SHORT_NAMES.get(kind, printable(kind).replace("_", " "))


def no_votes(judgement: Judgement) -> str:
    """The kinds of which there is too little for a vote, with their shares where seen at all."""
    silent = [e for e in judgement.evidence if e.explains is None and not e.context]
    return ", ".join(
        short_name(e.kind) + (f" ({percent(e.share)})" if e.share >= 0.01 else "") for e in silent
    )


def _evidence(page: _Page, judgement: Judgement) -> None:
    found = sorted(
        (e for e in judgement.evidence if e.explains or e.context), key=lambda e: -e.weight
    )
    groups: dict[str, list[Evidence]] = {}
    for evidence in sorted(found, key=lambda e: ("for", "against", "silent").index(e.stance)):
        groups.setdefault(side(evidence, judgement.verdict), []).append(evidence)
    for taken, chosen in groups.items():
        page.title(taken[0].upper() + taken[1:])
        for evidence in chosen:
            _one_evidence(page, evidence)
    missing = no_votes(judgement)
    if missing:
        page.title("Too little for a vote")
        page.add(missing, indent=2)


def _one_evidence(page: _Page, evidence: Evidence) -> None:
    if evidence.context:
        page.add(f"{printable(evidence.label)}; {_left_out(evidence)}", indent=2, hang=2)
        return
    if evidence.kind == OTHER_LIGHT and evidence.explains is not None:
        implied = cast_figures(*evidence.explains, evidence.spread)
        page.add(f"{name_of(evidence)}: {implied}", indent=2, hang=2)
        return
    area = f", {percent(evidence.share)} of the picture" if evidence.reads else ""
    page.add(f"{name_of(evidence)}{area}, weight {evidence.weight:.2f}", indent=2, hang=2)
    if evidence.reads is not None:
        should = f", should read {reading(evidence.expected)}" if evidence.expected else ""
        page.add(f"reads {reading(evidence.reads)}{should}", indent=4)
    if evidence.explains is not None and evidence.weight > 0:
        # Zero: the mean of several voices, which has no spread of its own.
        implies = cast_figures(*evidence.explains, evidence.spread or None)
        said = (f"implies {implies}", _left_out(evidence))
        page.add("; ".join(part for part in said if part), indent=4)


def _left_out(evidence: Evidence) -> str:
    """What changes where an evidence is left out; nothing where that was not worked out."""
    if evidence.drove is None or evidence.drove_probability is None:
        return ""
    # What the judgement gives is what this evidence adds to the probability.
    chance = f"chance{GLUE}{round(-100 * evidence.drove_probability):+d}{GLUE}points"
    if evidence.context:
        return f"left out: {chance}"
    return f"left out: cast{GLUE}moves{GLUE}{evidence.drove:.1f}, {chance}"


def position(x: float, y: float, width: int, height: int) -> str:
    """A place of a picture as a hint takes it, ``378,164``, and in per cent, ``(63%,41%)``.

    ``x`` and ``y`` are fractions of the upright picture's ``width`` and ``height`` in pixels.
    """
    at = f"{min(int(x * width), width - 1)},{min(int(y * height), height - 1)}"
    return f"{at}{GLUE}({100 * x:.0f}%,{100 * y:.0f}%)"


def spot_words(spot: Spot, between: str = ": ") -> str:
    """What a spot is, what it reads, and why it is worth a look."""
    return f"{printable(spot.what)}{between}{reading(spot.reads)} ({printable(spot.why)})"


def tone_words(tone: ToneCast) -> str:
    """A tone range's cast in words, which are defined at L* 60."""
    return describe(*map(float, at_60((tone.lightness, tone.a, tone.b))))


def readings(evidence: Evidence) -> Iterator[str]:
    """What an evidence reads and should read, for a picture or a page; nothing where no place."""
    if evidence.reads is not None:
        yield typeset(reading(evidence.reads))
        if evidence.expected is not None:
            yield f"should read {typeset(cast_figures(*evidence.expected[1:]))}"


def points(evidence: Evidence) -> str:
    """What the chance changes by where an evidence is left out, for a picture or a page.

    Nothing where that was not worked out.
    """
    if evidence.drove_probability is None:
        return ""
    # What the judgement gives is what this evidence adds to the probability.
    change = round(-100 * evidence.drove_probability)
    return typeset(f"{change:+d} points") if change else "0 points"


def cast_briefly(a: float, b: float) -> str:
    """A cast as ``evident, blue``."""
    strength = strength_word(a, b)
    return strength if strength == "negligible" else f"{strength}, {hue_name(a, b)}"


def reading(value: Reading) -> str:
    """A colour as ``L* 61 a* -1.0 b* -7.9``."""
    return f"L*{GLUE}{value.lightness:.0f} {cast_figures(value.a, value.b)}"


def cast_figures(a: float, b: float, spread: float | None = None) -> str:
    """A cast as ``a* -1.0 b* -7.9``, with its ``±2.0`` where that is given."""
    figures = f"a*{GLUE}{signed(a)} b*{GLUE}{signed(b)}"
    return figures if spread is None else f"{figures} ±{spread:.1f}"


def signed(value: float) -> str:
    """A figure with its sign and one decimal."""
    # Adding zero turns the minus of a rounded "-0.0" into a plus.
    return f"{round(value, 1) + 0.0:+.1f}"


def typeset(text: str) -> str:
    """Figures with a minus sign in place of the hyphen that a terminal shows."""
    return re.sub(r"(?<![\w.])-(?=\d)", "−", text) if "-" in text else text
