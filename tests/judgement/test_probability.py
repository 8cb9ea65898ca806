"""A probability moved to another base rate, against Bayes' rule over SciPy's normals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.stats import norm

from autocast.judgement.probability import at_base_rate

shares = st.floats(0.01, 0.99)


@given(st.floats(-3, 5), shares, shares)
def test_it_is_that_of_bayes_rule_at_the_new_base_rate(
    score: float, was: float, now: float
) -> None:
    def posterior(rate: float) -> float:
        yes, no = norm.pdf(score, 2) * rate, norm.pdf(score, 0) * (1 - rate)
        return float(yes / (yes + no))

    moved = at_base_rate(posterior(was), was, now)
    assert moved == pytest.approx(posterior(now), abs=1e-9)
    assert at_base_rate(moved, now, was) == pytest.approx(posterior(was), abs=1e-9)


@pytest.mark.parametrize("end", [0.0, 1.0])
def test_what_is_certain_stays_certain(end: float) -> None:
    assert at_base_rate(end, 0.25, 0.01) == end


def test_many_move_at_once_each_from_its_own_base_rate() -> None:
    probabilities, was = np.array([0.2, 0.5, 0.9]), np.array([0.1, 0.3, 0.5])
    alone = [float(at_base_rate(p, w, 0.2)) for p, w in zip(probabilities, was, strict=True)]
    assert at_base_rate(probabilities, was, 0.2).tolist() == alone
