"""The study of complexions."""

from __future__ import annotations

import numpy as np
import pytest

from autocast.evaluation import fairness
from autocast.judgement import Verdict
from autocast.modelstore import default_models
from autocast.rendering.scenes import ITA_GROUPS, STUDIES


@pytest.mark.slow
def test_the_study_of_complexions_judges_every_group() -> None:
    groups = fairness.fairness(1, 3, STUDIES["report"], 1, lambda _: None, default_models())
    assert [(each.group, each.count) for each in groups] == [(group, 1) for group in ITA_GROUPS]
    for each in groups:
        assert each.false_alarms.share <= each.not_clear.share
        assert each.found.share + each.missed.share <= 100
    text = fairness.fairness_text(groups)
    assert all(f"| {group} | 1 |" in text for group in ITA_GROUPS)


def test_the_study_of_complexions_counts_the_verdicts() -> None:
    clear: Verdict = "clear"
    ask: Verdict = "ask"
    cast: Verdict = "cast"
    verdicts = [(clear, cast)] * 6 + [(ask, clear)] * 3 + [(cast, ask)]
    counted = fairness._of_group("tan", verdicts)
    assert counted.false_alarms.share == 10
    assert counted.not_clear.share == 40
    assert counted.found.share == 60
    assert counted.missed.share == 30
    # Wilson's interval of 1 in 10, by its formula.
    z, p, n = 1.959964, 0.1, 10
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    assert counted.false_alarms.low == pytest.approx(100 * (middle - half), abs=1e-3)
    assert counted.false_alarms.high == pytest.approx(100 * (middle + half), abs=1e-3)
