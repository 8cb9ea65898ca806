"""Hints beside the estimate: a normal conditioned on what a person said."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.stats import norm

from autocast.judgement import Hint, Place, Reading
from autocast.voting import sureness
from autocast.voting.conditioning import (
    condition,
    covariance_of,
    distance,
    estimate_of,
    given as as_given,
    shares,
)
from autocast.voting.hints import HintVote

CORRELATION = np.array(
    [[1.0, 0.7, 0.9, 0.8], [0.7, 1.0, 0.8, 0.5], [0.9, 0.8, 1.0, 0.8], [0.8, 0.5, 0.8, 1.0]]
)
CASTS = np.array([[3.0, -6.0], [5.0, -9.0], [3.5, -7.0], [1.0, -3.0]])
DEVIATION = np.array([[3.0, 4.0], [5.0, 6.0], [3.0, 4.5], [2.5, 3.0]])
BEFORE = estimate_of(CASTS, DEVIATION, CORRELATION)


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
    found = condition(BEFORE, votes)
    # The same in information form: precisions add (Bishop, Pattern Recognition and Machine
    # Learning, 2006, equations 2.113 to 2.117; from memory).
    deviation = np.diag(DEVIATION.ravel())
    prior = deviation @ np.kron(CORRELATION, np.eye(2)) @ deviation
    precision, pull = np.linalg.inv(prior), np.linalg.solve(prior, CASTS.ravel())
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
    found = condition(BEFORE, [vote(25.0, (8.0, 4.0), 1e-4)])
    assert found.casts[1] == pytest.approx(cast, abs=1e-3)
    moved = np.hypot(*(found.casts - CASTS).T)
    # The errors of highlights go least with those of shadows.
    assert moved[1] > moved[2] > moved[3] > 0
    assert found.deviation(1) < 0.01 < found.deviation(3)


def test_a_hint_far_from_all_else_is_far_in_deviations() -> None:
    near, far = (distance(BEFORE, vote(60.0, cast)) for cast in ((3.0, -6.0), (30.0, 20.0)))
    assert near == pytest.approx(0)
    assert far > 5
    # Once it is taken it is far no longer.
    taken = condition(BEFORE, [vote(60.0, (30.0, 20.0))])
    assert distance(taken, vote(60.0, (30.0, 20.0))) < far / 2


@given(lightness=st.floats(1, 99), a=st.floats(-30, 30), b=st.floats(-30, 30))
def test_a_hint_of_endless_spread_changes_nothing(lightness: float, a: float, b: float) -> None:
    after = condition(BEFORE, [vote(lightness, (a, b), 1e7)])
    np.testing.assert_allclose(after.casts, BEFORE.casts, atol=1e-6)
    np.testing.assert_allclose(after.covariance, BEFORE.covariance, atol=1e-6)
    given_to_the_last = as_given([BEFORE], [after])
    assert given_to_the_last.moved == pytest.approx(0, abs=1e-6)
    assert given_to_the_last.gained == pytest.approx(0, abs=1e-6)


def test_the_last_stage_is_told_how_far_a_hint_moved_and_how_sure_it_made() -> None:
    after = condition(BEFORE, [vote(60.0, (8.0, 4.0), 0.5)])
    found = as_given([BEFORE, BEFORE], [BEFORE, after])
    moved = float(np.hypot(*(after.casts[0] - BEFORE.casts[0])))
    assert found.moved == pytest.approx([0.0, moved])
    assert found.gained[0] == 0 < found.gained[1]


def test_how_surely_a_move_is_right_is_the_share_of_casts_that_it_brings_nearer() -> None:
    rng = np.random.default_rng(3)
    covariance = covariance_of(DEVIATION, CORRELATION)[1:, :, 1:]
    casts, moved = CASTS[1:], np.array([[6.0, -8.0], [4.0, -6.0], [2.0, -2.0]])
    drawn = rng.multivariate_normal(casts.ravel(), covariance.reshape(6, 6), 200_000)
    off = drawn.reshape(-1, 3, 2)
    nearer = ((off - moved) ** 2).sum(axis=(1, 2)) < (off**2).sum(axis=(1, 2))
    sure = float(sureness(casts[None], covariance[None], moved[None])[0])
    assert norm.cdf(sure) == pytest.approx(nearer.mean(), abs=0.005)
    # A move that goes on twice as far as the cast gains nothing.
    assert sureness(casts[None], covariance[None], 2 * casts[None])[0] == pytest.approx(0)
    assert sureness(casts[None], covariance[None], 0 * casts[None])[0] == 0
