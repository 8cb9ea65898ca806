"""Handing pictures to a person: risks, coverage, and whether it was right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import beta

from autocast.evaluation import deferral
from autocast.judgement import Risks
from autocast.training.gather import Table
from autocast.training.risks import upper_bound
from tests.tables import judged_only


def test_risk_against_coverage_of_four_pictures_by_hand() -> None:
    """Surest first, the calls are right, wrong, right, wrong."""
    probability = np.array([0.99, 0.03, 0.9, 0.4])
    truth = np.array([True, True, True, True])
    verdict = np.array(["cast", "clear", "cast", "ask"])
    found = deferral.coverage(judged_only(truth), probability, verdict, 0)
    assert found["aurc"]["value"] == pytest.approx((0 + 1 / 2 + 1 / 3 + 2 / 4) / 4)
    assert found["best"]["value"] == pytest.approx((0 + 0 + 1 / 3 + 2 / 4) / 4)
    assert found["augrc"]["value"] == pytest.approx((0 + 1 + 1 + 2) / 16)
    at = {row["coverage"]: row["risk"]["value"] for row in found["at"]}
    assert at[0.5] == pytest.approx(1 / 2)
    assert at[1.0] == pytest.approx(1 / 2)
    assert found["decided"]["coverage"]["value"] == pytest.approx(3 / 4)
    assert found["decided"]["risk"]["value"] == pytest.approx(1 / 3)


def _mixed() -> tuple[Table, NDArray[np.str_]]:
    """40 evident (4 clear, 20 cast), 60 none (50 clear, 6 cast), 30 slight, 20 cannot_tell."""
    parts = {
        "evident": (4, 16, 20),
        "none": (50, 4, 6),
        "slight": (10, 18, 2),
        "cannot_tell": (5, 15, 0),
        "doubtful": (7, 3, 0),
    }
    consensus = [c for c, n in parts.items() for _ in range(sum(n))]
    verdict = [
        v
        for n in parts.values()
        for v, k in zip(("clear", "ask", "cast"), n, strict=True)
        for _ in range(k)
    ]
    made = judged_only(np.zeros(len(verdict), dtype=bool))
    # Five evident pictures that were asked about have looks that differ; so have doubtful ones.
    judgements = np.array([(c, c) for c in consensus])
    judgements[4:9, 1] = "slight"
    judgements[-10:] = "none", "slight"
    return replace(made, consensus=np.array(consensus), judgements=judgements), np.array(verdict)


def test_risks_at_the_mix_of_the_folder_are_plain_counts() -> None:
    made, verdict = _mixed()
    found = deferral.risks(made, verdict, Risks(), np.ones(len(verdict)), 0)
    for key, errors, count in (("clear", 4, 76), ("missed", 4, 40), ("cast", 6, 28)):
        assert found[key]["n"] == count
        assert found[key]["value"] == pytest.approx(errors / count)
        bound = beta.ppf(0.95, errors + 1, count - errors)
        assert found[key]["bound"] == pytest.approx(bound)
    assert found["ask"]["value"] == pytest.approx(56 / 160)


def test_risks_at_another_mix_weigh_each_judgement_by_its_share() -> None:
    made, verdict = _mixed()
    weight = deferral.weights_of(made, deferral.MIX)
    assert weight is not None
    found = deferral.risks(made, verdict, Risks(), weight, 0)
    clear = {"evident": 4 / 40, "none": 50 / 60, "slight": 10 / 30, "cannot_tell": 5 / 20}
    whole = sum(deferral.MIX[c] * share for c, share in clear.items())
    assert found["clear"]["value"] == pytest.approx(0.10 * clear["evident"] / whole)
    assert found["missed"]["value"] == pytest.approx(4 / 40)
    cast = 0.10 * 20 / 40 + 0.70 * 6 / 60 + 0.15 * 2 / 30
    assert found["cast"]["value"] == pytest.approx(0.70 * 6 / 60 / cast)
    assert found["clear"]["bound"] > found["clear"]["value"]
    assert deferral.weights_of(made, {"no such judgement": 1.0}) is None


def test_a_bound_moved_to_another_mix_is_seldom_exceeded() -> None:
    """30 % errors that weigh four times as much as the rest: 400 sets of 150 pictures."""
    rng = np.random.default_rng(8)
    true = 0.3 * 4 / (0.3 * 4 + 0.7)
    short = 0
    for _ in range(400):
        wrong = rng.random(150) < 0.3
        short += upper_bound(wrong, np.where(wrong, 4.0, 1.0), 4.0) < true
    assert 5 <= short <= 30


def test_asking_was_right_where_judgements_are_unsure() -> None:
    made, verdict = _mixed()
    found = deferral.right_to_ask(made, verdict, 0)
    assert found["asked"]["n"] == 56
    assert found["asked"]["value"] == pytest.approx((18 + 15 + 3 + 5) / 56)
    assert found["others"]["value"] == pytest.approx((12 + 5 + 7) / 104)
