"""A judgement as terminal text: it fits, says what matters first, and hides no control codes."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given, settings, strategies as st
from rich.cells import cell_len

from autocast.advisor.advice import _content_evidence, _Drove
from autocast.judgement import REMARKS, VERDICT_WORDS, Hint, Judgement, ToneCast
from autocast.judgement.sentences import compose
from autocast.judgement.things import CONTENT
from autocast.report.text import (
    NARROWEST,
    count_text,
    judgement_block,
    judgement_fields,
    judgement_line,
    judgement_text,
    next_words,
    percent,
    position,
    printable,
    shorten,
    wrap,
)
from tests import samples

ANSI = re.compile(r"\x1b\[[0-9;]*m")
NAMES = (
    "a.jpg",
    "a_very_long_name_" * 20 + ".jpg",
    "港の朝焼けと船" * 12 + "_写真.jpg",
    "🏳️‍🌈 family 👨‍👩‍👧‍👦 at the pier.jpg",
    "e\u0301te\u0301 " * 30,
    "",
)


def everything(judgement: Judgement, width: int, *, colour: bool = False) -> str:
    return "\n".join(
        (
            judgement_text(judgement, width, colour=colour),
            judgement_text(judgement, width, colour=colour, details=True),
            judgement_block(judgement, width, colour=colour),
            judgement_line(judgement, width, colour=colour),
        )
    )


@pytest.mark.parametrize("width", [40, 57, 72, 80, 120])
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("judgement", samples.ALL, ids=lambda j: j.verdict)
def test_no_line_is_wider_than_asked(judgement: Judgement, name: str, width: int) -> None:
    text = everything(replace(judgement, name=name, profile=name, sentences=(name,)), width)
    assert max(map(cell_len, text.splitlines())) <= width


@settings(max_examples=100, deadline=None)
@given(st.text(st.characters(codec=None), max_size=120), st.integers(10, 130))
def test_any_name_fits_and_carries_nothing_a_terminal_obeys(name: str, width: int) -> None:
    text = everything(replace(samples.LIKELY, name=name), width)
    assert max(map(cell_len, text.splitlines())) <= max(width, NARROWEST)
    assert not {unicodedata.category(c) for c in text.replace("\n", "")} & {"Cc", "Cs", "Zl", "Zp"}
    text.encode("utf-8")


@pytest.mark.parametrize("judgement", samples.ALL, ids=lambda j: j.name)
def test_colour_is_an_addition(judgement: Judgement) -> None:
    plain, coloured = (everything(judgement, 80, colour=c) for c in (False, True))
    assert "\x1b" not in plain
    assert "\x1b[" in coloured
    assert ANSI.sub("", coloured) == plain


@pytest.mark.parametrize("judgement", samples.ALL, ids=lambda j: j.name)
def test_name_verdict_and_chance_come_first(judgement: Judgement) -> None:
    first, second, third, *_ = judgement_text(judgement).splitlines()
    assert first.startswith(judgement.name)
    assert judgement.verdict_words.upper() in second
    assert percent(judgement.probability).replace("\xa0", " ") in third


def test_the_cast_is_given_in_words_and_figures() -> None:
    text = judgement_text(samples.LIKELY)
    assert "LIKELY CAST: evident, colder, towards blue" in text
    assert "a* -1.2 b* -8.4 ±2.3" in text
    assert "38 % of the probability" in " ".join(judgement_text(samples.ASK).split())


def test_the_evidence_is_given_in_full() -> None:
    text = judgement_text(samples.LIKELY, details=True)
    for words in (
        "neutrals: pavement and cloud, 34 % of the picture, weight 0.55",
        "reads L* 61 a* -1.0 b* -7.9, should read L* 61 a* +0.2 b* +1.4",
        "implies a* -1.2 b* -9.2 ±2.0",
        "cast moves 3.1, chance -22 points",
        "\nToo little for a vote\n  skin\n",
        "  highlights L*80  18 %  -1.4 -11.6  3.2  evident, colder, towards blue",
    ):
        assert words in text
    other = text.index("Speaks for no cast")
    assert text.index("Speaks for a cast") < text.index("sky: clear sky") < other
    assert other < text.index("vegetation: trees")
    assert "Speaks for no cast\n  neutrals" in judgement_text(samples.CLEAR, details=True)


def test_a_coloured_thing_is_shown_without_a_vote() -> None:
    thing = replace(
        samples.LIKELY.evidence[0], kind="object", label="boat", expected=None, weight=0.0
    )
    text = judgement_text(replace(samples.LIKELY, evidence=(thing,)), details=True)
    assert "boat, 34 % of the picture, weight 0.00\n    reads L* 61" in text
    assert "should read" not in text
    assert "implies" not in text


def test_what_the_picture_shows_is_given_by_what_it_changes() -> None:
    judgement = replace(
        samples.CLEAR, evidence=(*_content_evidence(_Drove({}, {CONTENT: -0.21}), "clear"),)
    )
    text = judgement_text(judgement, details=True)
    assert "Speaks for no cast\n  what the picture seems to show; left out: chance" in text
    assert "+21" in text
    assert "Too little for a vote" not in text


def test_a_tone_is_worded_as_it_would_be_at_the_lightness_the_words_are_defined_for() -> None:
    # The same light reads C* 5 at L* 25 and (60 + 16) / (25 + 16) as much at L* 60, where 6 and
    # more is called evident (C*/(L* + 16) is constant by the CIELAB formulas, CIE 15:2018).
    shadows = replace(samples.LIKELY.tones["shadows"], a=0.0, b=-5.0)
    text = judgement_text(replace(samples.LIKELY, tones={"shadows": shadows}), details=True)
    (line,) = (row for row in text.splitlines() if row.startswith("  shadows"))
    assert "-5.0" in line
    assert line.endswith("evident, colder, towards blue")


def test_where_to_look_is_given_as_places_that_a_hint_takes_and_readings() -> None:
    text = " ".join(judgement_text(samples.LIKELY).split())
    spot, size = samples.LIKELY.look_at[0], (samples.LIKELY.width, samples.LIKELY.height)
    x, y = int(spot.x * size[0]), int(spot.y * size[1])
    assert f"A {x},{y} (63%,41%): white door frame, L* 78 a* -1.0 b* -10.2" in text
    assert "(the lightest neutral)" in text
    assert position(1.0, 1.0, 60, 40) == "59,39\xa0(100%,100%)"  # the last pixel, not beyond it


def test_every_remark_is_given_once() -> None:
    judgement = replace(samples.ASK, remarks=tuple(REMARKS))
    judgement = replace(judgement, sentences=compose(judgement))
    text = " ".join(judgement_text(judgement, details=True).split())
    # What always leaves the picture to a person stands above the notes.
    above, below = text.split(" Note ")
    for remark in REMARKS.values():
        words = remark.sentence[1:]
        assert above.count(words) + below.count(words) == 1
        assert remark.asks or words in below


@pytest.mark.parametrize("judgement", samples.ALL, ids=lambda j: j.name)
def test_the_first_screen_is_short_and_says_the_verdict_once(judgement: Judgement) -> None:
    screen = judgement_text(judgement)
    assert len(screen.splitlines()) <= 15
    assert "weight" not in screen
    assert "Cast by tone" not in screen
    assert len(re.findall(r"^  [A-Z]  \d+,\d+", screen, re.MULTILINE)) <= 2
    assert screen.upper().count(judgement.verdict_words.upper()) == 1
    assert len(judgement_block(judgement).splitlines()) == 3


def test_it_says_what_to_do_next_as_a_command_that_can_be_pasted() -> None:
    likely = judgement_text(replace(samples.LIKELY, name="low tide.jpg"))
    assert likely.endswith("Next: autocast correct 'low tide.jpg' --to OUT")
    (grey,) = (s for s in samples.LIKELY.look_at[:1])
    asks = replace(
        samples.ASK,
        remarks=("conflict",),
        look_at=(replace(grey, kind="neutrals"),),
        name="a b.jpg",
    )
    text = judgement_text(asks, 200)
    x, y = int(grey.x * asks.width), int(grey.y * asks.height)
    assert "What decides it: Is the spot at A neutral (grey, white or black)?" in text
    assert text.endswith(f"If so: autocast judge 'a b.jpg' --neutral {x},{y}")
    assert "PICTURE --neutral" in judgement_text(replace(asks, name="a\x1bb"), 200)
    assert "Next" not in judgement_text(samples.CLEAR)


def test_nothing_is_shortened_where_lines_have_no_end() -> None:
    name = "a_very_long_name_" * 20
    assert judgement_line(replace(samples.LIKELY, name=name), None).endswith(name)
    fields = judgement_fields(replace(samples.LIKELY, name=f"{name}\tx")).split("\t")
    assert fields == ["cast", "0.87", "-1.2", "-8.4", "2.26", name + r"\x09x"]


def test_lines_of_many_pictures_stand_in_columns() -> None:
    lines = [judgement_line(j) for j in samples.ALL]
    assert len({line.index(j.name) for line, j in zip(lines, samples.ALL, strict=True)}) == 1
    assert [line[0] for line in lines] == ["!", " ", "?", "?"]
    assert all(j.verdict_words in line for line, j in zip(lines, samples.ALL, strict=True))


def test_the_closing_line_counts() -> None:
    verdicts = [j.verdict for j in samples.ALL]
    text = " ".join(count_text(verdicts, 2).split())
    assert text == (
        "6 pictures: 1 no evident cast, 1 likely cast, 2 a person should look, "
        "2 could not be judged."
    )
    assert count_text(["clear"]) == f"1 picture: 1 {VERDICT_WORDS['clear']}."
    assert all(len(line) <= 60 for line in count_text(verdicts, 2, 60).splitlines())


@pytest.mark.parametrize(
    ("share", "words"),
    [(0, "0 %"), (0.004, "<1 %"), (0.3, "30 %"), (0.996, ">99 %"), (1, "100 %")],
)
def test_a_share_is_never_rounded_to_certainty(share: float, words: str) -> None:
    assert percent(share).replace("\xa0", " ") == words


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain – nämlich 写真.jpg", "plain – nämlich 写真.jpg"),
        ("red\x1b[31m.jpg", r"red\x1b[31m.jpg"),
        ("two\nlines\x7f\x9b", r"two\x0alines\x7f\x9b"),
        ("gpj\u202ecod", r"gpj\u202ecod"),
        ("\udcff\ud800", r"\xff\ud800"),
        ("tag\U000e0041", r"tag\U000e0041"),
    ],
)
def test_what_a_terminal_would_obey_is_spelt_out(text: str, shown: str) -> None:
    assert printable(text) == shown


def test_a_name_is_cut_in_the_middle() -> None:
    assert shorten("IMG_20260401_harbour_at_dawn_0231.jpg", 20) == "IMG_202…awn_0231.jpg"
    assert shorten("short.jpg", 20) == "short.jpg"


def test_wrapping_keeps_glued_words_together_and_cuts_only_words_wider_than_a_line() -> None:
    assert wrap("about 30\xa0% of it", 8) == ["about", "30 % of", "it"]
    assert wrap("ab cdefghijkl", 5, hang=2) == ["ab cd", "  efg", "  hij", "  kl"]
    assert wrap("  ", 5) == []


@given(st.text(st.sampled_from("a -_\u00a0\u5199\u771f\u0301"), max_size=60), st.integers(4, 20))
def test_no_wrapped_line_fills_more_columns_than_asked(text: str, width: int) -> None:
    lines = wrap(text, width, hang=2)
    assert max(map(cell_len, lines), default=0) <= width
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_the_next_command_keeps_what_was_told() -> None:
    told = replace(
        samples.LIKELY,
        name="a.jpg",
        hints=(Hint("neutral", 12.0, 30.5), Hint("other_light", 5, 6, 7)),
    )
    assert next_words(told) == (
        "Next: autocast correct a.jpg --neutral 12,30.5 --other-light 5,6,7 --to OUT"
    )


def test_a_clear_picture_says_which_tones_lean_by_themselves() -> None:
    shadows = ToneCast(-0.5, -6.0, 2.0, 0.3, 25)
    judgement = replace(samples.CLEAR, tones={**samples.CLEAR.tones, "shadows": shadows})
    judgement = replace(judgement, sentences=compose(judgement))
    text = " ".join(judgement_text(judgement).split())
    assert "By tone: the shadows lean towards blue" in text
    assert "By tone" not in judgement_text(samples.CLEAR)


def test_what_rests_on_all_kinds_is_no_missing_vote() -> None:
    sky = replace(samples.LIKELY.evidence[1], stance="silent", weight=0.2)
    trees = replace(sky, kind="trees", label="all readings together, as fitted", weight=0.76)
    told = replace(sky, kind="other_light", label="cast estimated from it alone", weight=0.0)
    evidence = (sky, trees, told)
    text = judgement_text(replace(samples.LIKELY, evidence=evidence), details=True)
    heads = ("Made of all kinds together", "No clear vote", "Left out of the estimate")
    lines = text.splitlines()
    for head, said in zip(heads, ("all readings", "sky", "cast estimated"), strict=True):
        assert lines[lines.index(head) + 1].strip().startswith(said)
