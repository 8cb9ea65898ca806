"""Exact chances, and the bounds they give; scipy is the outside reference."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st
from scipy.stats import beta, binom

from autocast.judgement.binomial import chance, exceeds, upper_bound

COUNTS = st.integers(0, 400).flatmap(lambda count: st.tuples(st.integers(0, count), st.just(count)))
SHARES = st.floats(1e-4, 1 - 1e-4)


@given(COUNTS, SHARES)
def test_chances_are_those_of_the_binomial_distribution(
    counts: tuple[int, int], share: float
) -> None:
    errors, count = counts
    assert chance(errors, count, share) == pytest.approx(
        binom.cdf(errors, count, share), rel=1e-9, abs=1e-12
    )


def test_a_chance_by_hand() -> None:
    # Two draws at a half: none wrong in 1 of 4, at most one in 3 of 4.
    assert chance(0, 2, 0.5) == pytest.approx(0.25)
    assert chance(1, 2, 0.5) == pytest.approx(0.75)
    assert chance(0, 0, 0.5) == 1


@given(COUNTS, st.sampled_from([0.025, 0.05, 0.1]))
def test_the_bound_is_that_of_clopper_and_pearson(counts: tuple[int, int], unsure: float) -> None:
    errors, count = counts
    bound = beta.ppf(1 - unsure, errors + 1, count - errors) if errors < count else 1.0
    assert upper_bound(errors, count, unsure) == pytest.approx(bound, abs=1e-9)


@given(COUNTS, SHARES)
def test_a_risk_is_exceeded_where_the_bound_lies_above_it(
    counts: tuple[int, int], risk: float
) -> None:
    bound = upper_bound(*counts)
    if abs(bound - risk) > 1e-9:
        assert exceeds(*counts, risk) == (bound > risk)


def test_large_counts_do_not_overflow() -> None:
    assert upper_bound(5000, 1_000_000) == pytest.approx(beta.ppf(0.95, 5001, 995_000), rel=1e-6)
