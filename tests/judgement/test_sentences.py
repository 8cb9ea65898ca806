"""A judgement in plain sentences, from its figures alone."""

from __future__ import annotations

from dataclasses import replace

import pytest

from autocast.advisor.advice import _content_evidence, _Drove
from autocast.judgement import REMARKS, Cast, Evidence, Hint, Judgement, Reading, Stance, ToneCast
from autocast.judgement.sentences import Question, compose, question, reasons
from autocast.judgement.things import CONTENT
from autocast.report.text import hints_words, judgement_text, next_words
from tests import samples

PLAIN = replace(samples.LIKELY, remarks=(), tones={})


def cast(a: float, b: float) -> Cast:
    return Cast(a, b, ((1.0, 0.0), (0.0, 1.0)), 1.0)


def starting(judgement: Judgement, start: str) -> list[str]:
    return [s for s in compose(judgement) if s.startswith(start)]


def evidence(judgement: Judgement, **kinds: Stance) -> Judgement:
    """The same with the stances of some kinds changed, all others silent."""
    return replace(
        judgement,
        evidence=tuple(replace(e, stance=kinds.get(e.kind, "silent")) for e in judgement.evidence),
    )


# --- form -------------------------------------------------------------------------


@pytest.mark.parametrize("judgement", samples.ALL, ids=lambda j: j.name)
def test_sentences_are_sentences(judgement: Judgement) -> None:
    sentences = compose(judgement)
    assert sentences
    for sentence in sentences:
        assert sentence == sentence.strip()
        assert sentence[0].isupper()
        assert sentence[-1] in ".?"
        assert "\n" not in sentence
        assert "  " not in sentence
        assert ".." not in sentence
        assert "None" not in sentence


@pytest.mark.parametrize("judgement", samples.ALL, ids=lambda j: j.name)
def test_the_verdict_comes_first_and_nothing_is_remembered(judgement: Judgement) -> None:
    words = {"clear": "No evident cast", "cast": "Likely cast", "ask": "A person should look"}
    assert compose(judgement)[0].startswith(words[judgement.verdict])
    assert compose(replace(judgement, sentences=("old",))) == compose(judgement)


# --- verdict ---------------------------------------------------------------------------


def test_a_cast_is_told_with_its_words_and_figures() -> None:
    (first,) = starting(PLAIN, "Likely cast")
    assert "evident, colder, towards blue" in first
    assert "a* -1, b* -8 at L* 60" in first


@pytest.mark.parametrize(
    ("a", "b", "figures"),
    [
        (0.4, -0.4, "a* 0, b* 0"),
        (-0.2, 1.6, "a* 0, b* +2"),
        (2.6, -11.7, "a* +3, b* -12"),
    ],
)
def test_figures_carry_a_sign_and_no_negative_zero(a: float, b: float, figures: str) -> None:
    first = compose(replace(PLAIN, verdict="clear", cast=cast(a, b)))[0]
    assert figures in first
    assert "-0" not in first


def test_a_black_and_white_is_clear_because_it_is_one() -> None:
    judgement = replace(samples.CLEAR, remarks=("monochrome",), tones=samples.LIKELY.tones)
    assert "black and white" in compose(judgement)[0]
    assert starting(judgement, "By tone") == []


@pytest.mark.parametrize("code", [c for c, text in REMARKS.items() if text.asks])
def test_a_reason_to_ask_is_given(code: str) -> None:
    first = compose(replace(samples.ASK, remarks=(code,)))[0]
    assert REMARKS[code].sentence[1:] in first
    assert first.startswith("A person should look")


def test_all_reasons_to_ask_are_given_in_order_and_no_others() -> None:
    first = compose(replace(samples.ASK, remarks=("conflict", "split", "border")))[0]
    assert (
        0 < first.index(REMARKS["conflict"].sentence[1:]) < first.index(REMARKS["split"].sentence)
    )
    assert REMARKS["border"].sentence not in first


def test_an_unsure_judgement_says_so_when_no_remark_asks() -> None:
    first = compose(replace(samples.ASK, remarks=()))[0]
    assert first.startswith("A person should look")
    assert "a* +6, b* -2" in first


def test_warmth_is_left_to_the_scene() -> None:
    warm = replace(samples.ASK, cast=cast(4, 9), remarks=("believable_warmth",))
    assert "warm" in compose(warm)[0]


# --- tones ----------------------------------------------------------------------------------


def test_tones_that_share_the_cast_are_not_named() -> None:
    # C*/(L* + 16) is the same at every lightness: these are one cast.
    tones = {
        "shadows": ToneCast(-1.2 * 41 / 76, -8.4 * 41 / 76, 1.0, 0.3, 25.0),
        "highlights": ToneCast(-1.2 * 96 / 76, -8.4 * 96 / 76, 1.0, 0.3, 80.0),
    }
    assert starting(replace(PLAIN, tones=tones), "By tone") == []


def test_a_tone_range_that_differs_is_named_with_its_hue_and_figures() -> None:
    tones = {"highlights": ToneCast(0.0, 9.0, 1.0, 0.3, 80.0)}
    (sentence,) = starting(replace(PLAIN, tones=tones), "By tone")
    assert "highlights lean towards yellow" in sentence
    assert "a* 0, b* +9 at L* 80" in sentence


def test_a_tone_range_of_a_small_area_is_not_named() -> None:
    tones = {"highlights": ToneCast(0.0, 9.0, 1.0, 0.02, 80.0)}
    assert starting(replace(PLAIN, tones=tones), "By tone") == []


# --- what drove it, what speaks against -----------------------------------------------------------


def test_what_drove_it_is_ordered_by_how_far() -> None:
    (sentence,) = starting(PLAIN, "What drove it")
    assert sentence.index("pavement and cloud") < sentence.index("trees")
    assert "3.1" in sentence
    # Only the two that drove it most.
    assert "statistics" not in sentence


def test_nothing_drove_it_when_nothing_moves_the_estimate() -> None:
    judgement = replace(PLAIN, evidence=tuple(replace(e, drove=0.2) for e in PLAIN.evidence))
    assert starting(judgement, "What drove it") == []


def test_what_speaks_against_is_named_with_what_it_reads() -> None:
    (sentence,) = starting(evidence(PLAIN, vegetation="against"), "Against it")
    assert "trees" in sentence
    assert "a* -8, b* +9" in sentence
    assert "pavement" not in sentence


def test_statistics_against_it_are_told_by_the_cast_they_point_to() -> None:
    (sentence,) = starting(evidence(PLAIN, statistics="against"), "Against it")
    assert "a* -2, b* -10" in sentence


def test_several_against_it_stand_in_one_sentence() -> None:
    (sentence,) = starting(evidence(PLAIN, vegetation="against", sky="against"), "Against it")
    assert "trees" in sentence
    assert "clear sky" in sentence


def test_nothing_against_it_is_not_mentioned() -> None:
    assert starting(evidence(PLAIN, neutrals="for"), "Against it") == []


@pytest.mark.parametrize(("adds", "without"), [(-0.22, "31 %"), (0.06, "3 %")])
def test_what_the_picture_shows_is_named_by_the_chance_without_it(
    adds: float, without: str
) -> None:
    shown = tuple(_content_evidence(_Drove({}, {CONTENT: adds}), "clear"))
    judgement = replace(samples.CLEAR, probability=0.09, evidence=shown)
    beginnings = ("What drove it", "Against it")  # what adds to the chance speaks against clear
    named, other = beginnings if adds < 0 else beginnings[::-1]
    (said,) = starting(judgement, named)
    assert f"(without, the chance of a cast would be {without})" in said
    assert starting(judgement, other) == []


def test_a_coloured_thing_is_taken_to_be_its_colour() -> None:
    thing = Evidence(
        "object", "strongly coloured object", 0.1, Reading(38.0, 4.0, -42.0), None,
        (6.0, -60.0), 0.0, 0.0, 0.0, 0.0, "against", (),
    )  # fmt: skip
    judgement = replace(samples.CLEAR, evidence=(*samples.CLEAR.evidence, thing))
    (sentence,) = starting(judgement, "Against it")
    assert "blue" in sentence
    assert "a* +4, b* -42" in sentence
    assert "taken to be that colour" in sentence


def test_reasons_do_not_contradict_each_other() -> None:
    every = ("conflict", "split", "no_known_colour", "hint_doubted")
    assert list(reasons("ask", every)) == ["hint_doubted"]
    assert list(reasons("ask", every[:3])) == ["conflict", "split"]
    assert list(reasons("ask", every[1:3])) == ["split", "no_known_colour"]


def test_the_question_does_not_state_a_guess() -> None:
    spot = replace(samples.LIKELY.look_at[0], kind="neutrals", what="probable neutral")
    judgement = replace(samples.ASK, remarks=(), look_at=(spot,))
    asked = question(judgement)
    assert asked is not None
    assert asked.text == "Is the spot at A neutral (grey, white or black)?"


def test_another_light_is_asked_about_once_and_as_a_command_takes_it() -> None:
    grey = replace(samples.LIKELY.look_at[0], kind="neutrals")
    mixed = replace(samples.ASK, remarks=("mixed_light",), look_at=(grey,), name="m.jpg")
    asked = question(mixed)
    assert asked == Question(
        "Does the spot at A stand in another light than the rest?", 0, "other_light"
    )
    x, y = int(grey.x * mixed.width), int(grey.y * mixed.height)
    assert next_words(mixed) == f"If so: autocast judge m.jpg --other-light {x},{y},15%"
    # Once a region was told, no other spot is asked about in its place.
    told = replace(mixed, hints=(Hint("other_light", x, y, 0.15 * mixed.width),))
    assert question(told) == Question("Does all that is left stand in one light?")


def test_a_spot_that_was_told_is_not_asked_about() -> None:
    grey = replace(samples.LIKELY.look_at[0], kind="neutrals")
    further = replace(grey, x=0.1, y=0.9)
    told = replace(
        samples.ASK,
        remarks=(),
        look_at=(grey, further),
        hints=(Hint("skin", grey.x * samples.ASK.width, grey.y * samples.ASK.height),),
    )
    asked = question(told)
    assert asked is not None
    assert (asked.spot, asked.hint) == (1, "neutral")


def hinted(label: str, *remarks: str) -> Judgement:
    """A picture that leans to a cast, with a hint that moved it far."""
    said = Evidence(
        "hint",
        label,
        0.01,
        Reading(40.0, 30.0, 20.0),
        None,
        (40.0, 30.0),
        2.0,
        1.0,
        20.0,
        0.4,
        "against",
        (),
    )
    ask = replace(samples.ASK, remarks=remarks, leans="cast", evidence=(said,))
    return replace(ask, hints=(Hint("neutral", 300.0, 500.0),))


def test_nothing_leans_on_a_hint_that_is_doubted() -> None:
    trusted, doubted = hinted("grey"), hinted("grey, but doubted", "hint_doubted")
    for start in ("What drove it", "Against it", "By tone"):
        assert starting(trusted, start)
        assert not starting(doubted, start)
    assert "It leans" in " ".join(compose(trusted))
    assert "It leans" not in " ".join(compose(doubted))


def test_each_hint_is_confirmed_first() -> None:
    (agrees,), (doubted,) = (
        list(hints_words(hinted(label))) for label in ("grey", "grey, but doubted")
    )
    said = "You said that 300,500 (10%,25%) is neutral. It reads L* 40 a* +30.0 b* +20.0 "
    said += "(should read a* 0, b* 0 to +2). "
    assert agrees.replace("\u00a0", " ") == said + "Nothing else in the picture contradicts it."
    assert doubted.replace("\u00a0", " ").startswith(said + "That is doubted")
    left_out = (Hint("own_colour", 30.0, 50.0), Hint("other_light", 3.0, 5.0, 100.0))
    for what in hints_words(replace(samples.ASK, hints=left_out)):
        assert what.endswith("is left out.")
    screen = judgement_text(hinted("grey"))
    assert screen.index("You said") < screen.index("Why: ")


def test_two_casts_that_explain_the_picture_are_both_named() -> None:
    said = compose(replace(samples.ASK, remarks=("split",)))[0]
    assert "(a* +6, b* -2 at L* 60), the other " in said
    assert "(a* -4, b* +7 at L* 60)." in said
