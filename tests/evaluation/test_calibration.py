"""How well probabilities are calibrated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit
from sklearn.metrics import brier_score_loss, log_loss

from autocast.evaluation import calibration
from tests.tables import judged_only


@pytest.mark.slow
def test_a_calibrated_forecaster_is_found_calibrated_and_an_overconfident_one_not() -> None:
    rng = np.random.default_rng(5)
    predicted = rng.beta(0.7, 1.6, 2000)
    truth = rng.random(2000) < predicted
    right = calibration.calibration(judged_only(truth), predicted, 0)
    assert right["slope"]["interval"][0] < 1 < right["slope"]["interval"][1]
    assert right["intercept"]["interval"][0] < 0 < right["intercept"]["interval"][1]
    low, high = right["ece"]["perfect"]
    assert low <= right["ece"]["value"] <= high
    overconfident = expit(2 * logit(np.clip(predicted, 1e-6, 1 - 1e-6)))
    wrong = calibration.calibration(judged_only(truth), overconfident, 0)
    assert wrong["slope"]["value"] == pytest.approx(0.5, abs=0.06)
    assert wrong["ece"]["value"] > 2 * wrong["ece"]["perfect"][1]
    assert wrong["brier_skill"]["value"] < right["brier_skill"]["value"]


def test_scores_of_a_forecast_are_scikit_learns() -> None:
    rng = np.random.default_rng(6)
    predicted = rng.uniform(0.01, 0.99, 500)
    truth = rng.random(500) < predicted**2
    found = calibration.calibration(judged_only(truth), predicted, 0)
    rate = truth.mean()
    skill = 1 - brier_score_loss(truth, predicted) / (rate * (1 - rate))
    assert found["brier_skill"]["value"] == pytest.approx(skill)
    assert found["log_loss"]["value"] == pytest.approx(log_loss(truth, predicted), rel=1e-5)
    assert sum(found["histogram"]) == 500
    assert sum(b["observed"]["n"] for b in found["reliability"]) == 500
