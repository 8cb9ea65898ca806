"""What speaks for and against: what the picture shows, beside the kinds of evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocast.advisor.advice import CONTENT_NAMED, _content_evidence, _Drove, advise
from autocast.judgement import Assumptions, Verdict
from autocast.judgement.limits import LARGEST_TOLD, TONES_APART
from autocast.judgement.things import CONTENT
from autocast.judging import prepare
from autocast.modelstore import default_models
from autocast.training import simulation
from autocast.voting.weighing import Weighed, weigh
from tests import scenes


@pytest.mark.parametrize(
    ("adds", "verdict", "stance"),
    [
        (0.2, "cast", "for"),
        (0.2, "clear", "against"),
        (-0.2, "clear", "for"),
        (-0.2, "ask", "against"),
    ],
)
def test_what_is_shown_speaks_for_or_against_the_verdict(
    adds: float, verdict: Verdict, stance: str
) -> None:
    (said,) = _content_evidence(_Drove({}, {CONTENT: adds}), verdict)
    assert (said.kind, said.stance, said.drove_probability) == (CONTENT, stance, adds)
    assert said.context
    assert said.explains is None


def test_what_is_shown_is_left_out_where_it_changes_little() -> None:
    assert not list(_content_evidence(_Drove({}, {CONTENT: 0.9 * CONTENT_NAMED}), "ask"))


@pytest.fixture(scope="module")
def weighed() -> Weighed:
    return weigh(prepare(scenes.developed(scenes.scene(scenes.WINTER, 3), 3)))


def test_a_part_of_its_own_is_named_and_not_clear(weighed: Weighed) -> None:
    level = default_models().verdict["parts_apart"]
    even, uneven = (
        advise(replace(weighed, probability=0.001, uneven=level + more), Assumptions())
        for more in (-0.1, 0.1)
    )
    assert (even.verdict, "parts_disagree" in even.remarks) == ("clear", False)
    assert (uneven.verdict, "parts_disagree" in uneven.remarks) == ("ask", True)
    assert uneven.probability == even.probability
    assert (even.leans, uneven.leans) == (None, "clear")


def test_tones_that_differ_are_named_and_not_clear(weighed: Weighed) -> None:
    for share, verdict in ((0.98, "clear"), (1.02, "ask")):
        casts = np.zeros((4, 2))
        casts[1, 0], casts[3, 0] = share * TONES_APART / 2, -share * TONES_APART / 2
        apart = replace(weighed.estimate, casts=casts)
        some = replace(weighed, probability=0.001, uneven=-9.0, estimate=apart)
        found = advise(some, Assumptions())
        assert found.verdict == verdict
        assert ("tones_disagree" in found.remarks) == (verdict == "ask")


def test_what_reads_beyond_any_cast_is_left_to_a_person(weighed: Weighed) -> None:
    for size, verdict in ((LARGEST_TOLD - 1, "cast"), (LARGEST_TOLD + 1, "ask")):
        far = replace(weighed.estimate, casts=np.full((4, 2), size / np.sqrt(2)))
        found = advise(replace(weighed, probability=0.99, estimate=far), Assumptions())
        assert (found.verdict, "off_grid" in found.remarks) == (verdict, verdict == "ask")


def test_the_largest_cast_that_is_told_is_the_largest_that_was_fitted() -> None:
    assert simulation.LARGEST == LARGEST_TOLD


def test_a_picture_that_is_asked_about_leans_to_the_nearer_threshold(weighed: Weighed) -> None:
    verdict = default_models().verdict
    low, high = verdict["clear_below"], verdict["cast_above"]
    assert low < high
    for probability, leans in ((low + 0.01, "clear"), (high - 0.01, "cast")):
        some = replace(weighed, probability=probability, uneven=-9.0)
        found = advise(some, Assumptions())
        assert (found.verdict, found.leans) == ("ask", leans)
        assert any("It leans towards" in sentence for sentence in found.sentences)


def test_weights_of_kinds_are_those_of_their_voices(weighed: Weighed) -> None:
    found = advise(weighed, Assumptions())
    assert sum(voice.weight for voice in weighed.voices) == pytest.approx(1)
    mean = np.sum([np.array(v.cast) * v.weight for v in weighed.voices], axis=0)
    assert (found.cast.a, found.cast.b) == pytest.approx(tuple(mean), abs=1e-3)
    for evidence in found.evidence:
        own = [voice.weight for voice in weighed.voices if voice.kind == evidence.kind]
        assert evidence.weight == pytest.approx(sum(own), abs=1e-4)


def test_what_drove_it_is_left_open_where_nobody_asked(weighed: Weighed) -> None:
    unasked = weigh(weighed.analysis, explain=False)
    assert unasked.probability == pytest.approx(weighed.probability)
    np.testing.assert_allclose(unasked.estimate.casts, weighed.estimate.casts)
    one, other = (advise(each, Assumptions()) for each in (weighed, unasked))
    assert (one.verdict, one.cast, one.tones) == (other.verdict, other.cast, other.tones)
    voiced = [e for e in other.evidence if e.weight]
    assert voiced
    assert all(e.drove is None and e.drove_probability is None for e in voiced)
    assert not any("What drove it" in sentence for sentence in other.sentences)
