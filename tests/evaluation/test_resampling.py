"""Statistics, and their intervals over groups."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy.stats import norm
from sklearn.metrics import roc_auc_score

from autocast.evaluation import resampling
from autocast.evaluation.resampling import Draws, auc, difference, mean, median


@settings(max_examples=60)
@given(st.data())
def test_an_auc_is_scikit_learns_with_ties_and_weights(data: st.DataObject) -> None:
    count = data.draw(st.integers(4, 60))
    rng = np.random.default_rng(data.draw(st.integers(0, 10**6)))
    truth = rng.random(count) < 0.4
    truth[:2] = True, False
    score = rng.integers(0, 6, count).astype(float)
    weights = rng.integers(0, 4, (3, count)).astype(float)
    weights[:, :2] = 1
    found = auc(truth, score)(weights)
    for value, weight in zip(found, weights, strict=True):
        assert value == pytest.approx(roc_auc_score(truth, score, sample_weight=weight))


def test_an_auc_of_two_bells_is_what_theory_says() -> None:
    rng = np.random.default_rng(0)
    truth = np.arange(40_000) % 2 == 0
    score = rng.normal(1.0 * truth, 1.0)
    (value,) = auc(truth, score)(np.ones((1, len(truth))))
    assert value == pytest.approx(norm.cdf(1 / math.sqrt(2)), abs=0.005)


def test_an_auc_without_one_side_is_not_a_number() -> None:
    truth = np.array([True, False])
    assert np.isnan(auc(truth, np.array([1.0, 0.0]))(np.array([[1.0, 0.0]]))).all()


@given(st.lists(st.tuples(st.floats(-9, 9), st.integers(0, 3)), min_size=1, max_size=40))
def test_mean_and_median_are_those_of_repeated_rows(rows: list[tuple[float, int]]) -> None:
    values, times = np.array([v for v, _ in rows]), np.array([t for _, t in rows])
    times[0] += 1
    repeated = np.repeat(values, times)
    weights = times[None].astype(float)
    assert mean(values)(weights)[0] == pytest.approx(repeated.mean())
    lower = np.quantile(repeated, 0.5, method="inverted_cdf")
    assert median(values)(weights)[0] == pytest.approx(lower)


def test_intervals_over_groups_hold_the_truth_and_those_over_rows_do_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """60 groups of 10 alike rows, 100 times over: the true mean is 0."""
    rng = np.random.default_rng(1)
    group = np.repeat(np.arange(60), 10).astype(str)
    alone = np.arange(600).astype(str)
    monkeypatch.setattr(resampling, "RESAMPLES", 300)
    held = {"groups": 0, "rows": 0}
    for _ in range(100):
        values = np.repeat(rng.normal(0, 1, 60), 10) + rng.normal(0, 0.2, 600)
        for name, by in (("groups", group), ("rows", alone)):
            low, high = Draws(by, 3).cell(mean(values))["interval"]
            held[name] += low <= 0 <= high
    assert 88 <= held["groups"] <= 100
    assert held["rows"] < 70


def test_too_few_groups_have_no_interval() -> None:
    few = np.repeat([str(k) for k in range(resampling.FEWEST_GROUPS - 1)], 5)
    cell = Draws(few, 0).cell(mean(np.arange(len(few), dtype=float)))
    assert cell["interval"] is None
    assert cell["value"] == pytest.approx((len(few) - 1) / 2)


def test_a_paired_difference_is_surer_than_its_parts() -> None:
    rng = np.random.default_rng(2)
    truth = rng.random(400) < 0.4
    one = rng.normal(1.0 * truth, 1.0)
    other = one + rng.normal(0, 0.2, 400)
    draws = Draws(np.arange(400).astype(str), 0)
    whole, less = auc(truth, one), auc(truth, other)
    low, high = draws.cell(difference(whole, less))["interval"]
    alone = draws.cell(whole)["interval"]
    assert high - low < 0.5 * (alone[1] - alone[0])
    assert draws.cell(difference(whole, whole))["interval"] == [0.0, 0.0]
