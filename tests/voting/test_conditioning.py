"""Hints beside the trees' prediction: a normal conditioned on what a person said."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st

from autocast.judgement import Hint, Place, Reading
from autocast.voting.conditioning import Conditioned, condition, distance, shares
from autocast.voting.fitted import Prediction
from autocast.voting.hints import HintVote

CORRELATION = np.array(
    [[1.0, 0.7, 0.9, 0.8], [0.7, 1.0, 0.8, 0.5], [0.9, 0.8, 1.0, 0.8], [0.8, 0.5, 0.8, 1.0]]
)
PREDICTED = Prediction(
    casts=np.array([[[3.0, -6.0], [5.0, -9.0], [3.5, -7.0], [1.0, -3.0]]]),
    deviation=np.array([[[3.0, 4.0], [5.0, 6.0], [3.0, 4.5], [2.5, 3.0]]]),
    probability=np.array([0.6]),
    uneven=np.array([-1.0]),
    correlation=CORRELATION,
)  # fmt: skip


def vote(lightness: float, cast: tuple[float, float], spread: float = 1.0) -> HintVote:
    covariance = np.array([[spread**2, 0.3 * spread], [0.3 * spread, 1.4 * spread**2]])
    return HintVote(
        Hint("neutral", 1, 1),
        Reading(lightness, *cast),
        Reading(lightness, 0.0, 0.0),
        np.zeros(1),
        Place(0, 0, 1, 1),
        (np.array(cast), covariance),
    )


def test_a_lightness_is_shared_between_the_casts_beside_it() -> None:
    assert shares(60.0) == pytest.approx([1, 0, 0, 0])
    assert shares(25.0) == pytest.approx([0, 1, 0, 0])
    assert shares(3.0) == pytest.approx([0, 1, 0, 0])
    assert shares(55.0) == pytest.approx([0.5, 0, 0.5, 0])
    assert shares(70.0) == pytest.approx([0.5, 0, 0, 0.5])
    assert shares(99.0) == pytest.approx([0, 0, 0, 1])


@given(
    lightness=st.lists(st.floats(1, 99), min_size=1, max_size=3), a=st.floats(-30, 30),
    b=st.floats(-30, 30), spread=st.floats(0.5, 20),
)  # fmt: skip
def test_a_hint_conditions_a_normal(
    lightness: list[float], a: float, b: float, spread: float
) -> None:
    votes = [vote(at, (a + k, b - k), spread) for k, at in enumerate(lightness)]
    found = condition(PREDICTED, 0, votes)
    # The same in information form: precisions add (Bishop, Pattern Recognition and Machine
    # Learning, 2006, equations 2.113 to 2.117; from memory).
    deviation = np.diag(PREDICTED.deviation[0].ravel())
    prior = deviation @ np.kron(CORRELATION, np.eye(2)) @ deviation
    precision, pull = np.linalg.inv(prior), np.linalg.solve(prior, PREDICTED.casts[0].ravel())
    for each in votes:
        read = np.kron(shares(each.reads.lightness), np.eye(2))
        cast, noise = each.reading
        precision = precision + read.T @ np.linalg.solve(noise, read)
        pull = pull + read.T @ np.linalg.solve(noise, cast)
    covariance = np.linalg.inv(precision)
    np.testing.assert_allclose(found.covariance.reshape(8, 8), covariance, atol=1e-6)
    np.testing.assert_allclose(found.casts.ravel(), covariance @ pull, atol=1e-6)


def test_a_sure_hint_is_taken_where_it_was_read_and_less_elsewhere() -> None:
    cast = np.array([8.0, 4.0])
    found = condition(PREDICTED, 0, [vote(25.0, (8.0, 4.0), 1e-4)])
    assert found.casts[1] == pytest.approx(cast, abs=1e-3)
    moved = np.hypot(*(found.casts - PREDICTED.casts[0]).T)
    # The errors of highlights go least with those of shadows.
    assert moved[1] > moved[2] > moved[3] > 0
    assert found.deviation(1) < 0.01 < found.deviation(3)


def test_a_hint_far_from_all_else_is_far_in_deviations() -> None:
    found = Conditioned(PREDICTED.casts[0], condition(PREDICTED, 0, []).covariance)
    near, far = (distance(found, vote(60.0, cast)) for cast in ((3.0, -6.0), (30.0, 20.0)))
    assert near == pytest.approx(0)
    assert far > 5
    # Once it is taken it is far no longer.
    assert (
        distance(condition(PREDICTED, 0, [vote(60.0, (30.0, 20.0))]), vote(60.0, (30.0, 20.0)))
        < far / 2
    )


def test_the_probability_is_that_of_the_whole() -> None:
    plain, strong = (
        condition(PREDICTED, 0, [vote(60.0, c, 0.5)]).evident for c in ((0.0, 0.0), (0.0, 15.0))
    )
    assert plain < 0.05
    assert strong > 0.95
