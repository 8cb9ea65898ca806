"""What speaks for and against: what the picture shows, beside the kinds of evidence."""

from __future__ import annotations

from dataclasses import replace

import pytest

from autocast.advisor.advice import CONTENT_NAMED, _content_evidence, advise
from autocast.judgement import Assumptions, Verdict
from autocast.judgement.things import CONTENT
from autocast.judging import prepare
from autocast.modelstore import default_models
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
    (said,) = _content_evidence(adds, verdict)
    assert (said.kind, said.stance, said.drove_probability) == (CONTENT, stance, adds)
    assert said.context
    assert said.explains is None


def test_what_is_shown_is_left_out_where_it_changes_little() -> None:
    assert not list(_content_evidence(0.9 * CONTENT_NAMED, "ask"))


@pytest.mark.parametrize(
    ("setting", "remark"), [("parts_apart", "parts_disagree"), ("tones_apart", "tones_disagree")]
)
def test_what_the_trees_find_uneven_is_named_and_not_clear(setting: str, remark: str) -> None:
    analysis = prepare(scenes.developed(scenes.scene(scenes.WINTER, 3), 3))
    clear = advise(analysis, Assumptions())
    assert (clear.verdict, remark in clear.remarks) == ("clear", False)
    shipped = default_models()
    always = replace(shipped, verdict={**shipped.verdict, setting: -99.0})
    scene = replace(analysis.scene, models=always)
    uneven = advise(replace(analysis, scene=scene), Assumptions())
    assert (uneven.verdict, remark in uneven.remarks) == ("ask", True)
    assert uneven.probability == clear.probability
