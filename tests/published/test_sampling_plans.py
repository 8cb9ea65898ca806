"""Sampling plans and intervals against the values of others.

Sources, with the standing of each value:

* ISO 2859-1:1999, single sampling plans for normal inspection, general level II:
  what is common knowledge of the tables, from memory, not verified; and what must
  hold of them by the binomial distribution (scipy, computed).
* Preferred numbers, every second of the series R10, ISO 3:1973 (from memory).
* Prediction-powered inference, Angelopoulos et al., Science 382, 2023, by the
  authors' package ppi-python (recorded).
* Clopper & Pearson, Biometrika 26, 1934, and Wilson, JASA 22, 1927, through scipy
  (computed).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom, binomtest

from autocast.archive.shares import cast_share, plans, slipped

LOTS = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000, 10**6)
"""The largest lot of each code letter from A to P, and one of Q."""
LIMITS = (0.004, 0.0065, 0.01, 0.015, 0.025)
PREFERRED = [r * 10**decade for decade in range(4) for r in (1.25, 2.0, 3.15, 5.0, 8.0)]
"""Preferred numbers, five to the decade: each about 10 ** (1 / 5) of the one before."""


@pytest.mark.parametrize(
    ("lot", "aql", "sample", "accept"),
    [
        # From memory, not verified: plans that are quoted most often.
        (1000, 0.01, 80, 2),
        (1000, 0.025, 80, 5),
        (1000, 0.015, 80, 3),
        (1000, 0.0065, 80, 1),
        (3200, 0.025, 125, 7),
        (3200, 0.01, 125, 3),
        (10_000, 0.025, 200, 10),
        (500, 0.025, 50, 3),
        (280, 0.025, 32, 2),
        (150, 0.01, 13, 0),  # an arrow up, from 20
        (280, 0.01, 50, 1),  # an arrow down, from 32
        (20, 0.01, 13, 0),  # before the first plan
        (10**6, 0.025, 500, 21),  # after the last
    ],
)
def test_plans_that_are_known(lot: int, aql: float, sample: int, accept: int) -> None:
    (plan,) = [plan for plan in plans(lot) if plan.aql == aql]
    assert (plan.sample, plan.accept) == (sample, accept)


@pytest.mark.parametrize("lot", LOTS)
def test_chances_of_a_plan_are_binomial(lot: int) -> None:
    for plan, aql in zip(plans(lot), LIMITS, strict=True):
        assert plan.aql == aql
        assert plan.passes_at_aql == pytest.approx(binom.cdf(plan.accept, plan.sample, aql))
        assert binom.cdf(plan.accept, plan.sample, plan.rejected_at) == pytest.approx(0.10)


def test_tables_are_as_regular_as_the_standard_makes_them() -> None:
    table = [plans(lot) for lot in LOTS]
    # Lots that a code letter reaches to end where the next one begins.
    for lot, these in zip(LOTS[:-1], table, strict=False):
        assert plans(lot - 1)[-1].sample <= these[-1].sample
    # More is accepted of larger lots, and by limits that allow more.
    accepted = np.array([[plan.accept for plan in row] for row in table])
    assert (np.diff(accepted, axis=0) >= 0).all()
    assert (np.diff(accepted, axis=1) >= 0).all()
    assert set(accepted.ravel()) == {0, 1, 2, 3, 5, 7, 10, 14, 21}
    # Samples are preferred numbers, but for lots that are looked at as a whole.
    for lot, row in zip(LOTS, table, strict=True):
        for plan in row:
            if plan.sample < lot:
                assert min(abs(plan.sample - each) for each in PREFERRED) <= 0.5


def test_a_lot_at_the_limit_passes_mostly_the_more_the_larger() -> None:
    whole = [[plan for plan in plans(lot) if plan.sample < lot] for lot in LOTS]
    for aql in LIMITS:
        column = [plan for row in whole for plan in row if plan.aql == aql]
        passes = [plan.passes_at_aql for plan in column]
        assert min(passes) > 0.87
        # Rounded numbers let it sag by a half of one per cent at the far end.
        assert (np.diff(passes) > -0.006).all()
        assert passes[-1] > 0.97
        # And what is rejected comes nearer to the limit.
        ratios = [plan.rejected_at / aql for plan in column]
        assert (np.diff(ratios) <= 1e-9).all()
        assert ratios[-1] < 3.1


def test_a_lot_smaller_than_its_sample_is_looked_at_as_a_whole() -> None:
    assert [plan.sample for plan in plans(10)] == [10, 10, 10, 8, 5]
    assert {plan.sample for plan in plans(1)} == {1}
    with pytest.raises(ValueError, match="one picture or more"):
        plans(0)


# Intervals -----------------------------------------------------------------------------------


# Seed, point, low, high, and the power-tuned point, as computed by the authors' package,
# ppi-python 0.2.3, on the pictures of _archive; see the test. Recorded, because that package
# installs a module named "tests", which hides this folder.
PREDICTION_POWERED = [
    (1, 0.335872, 0.319444, 0.352299, 0.335884),
    (2, 0.338057, 0.321762, 0.354353, 0.338057),
    (3, 0.343500, 0.327636, 0.359364, 0.343500),
]


def _archive(count: int, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    p = 0.01 + 0.98 * rng.random(count) ** 2
    return p, (rng.random(count) < p).astype(np.float64)


@pytest.mark.parametrize(("seed", "point", "low", "high", "tuned"), PREDICTION_POWERED)
def test_the_plain_case_is_prediction_powered_inference(
    seed: int, point: float, low: float, high: float, tuned: float
) -> None:
    # Many decisions among very many pictures, and casts that are not rare: there the
    # authors' interval, of a population without end, is the same. It was given the first
    # 2000 labels, and as predictions all probabilities, their log-odds moved by what makes
    # these 2000 right on average (ppi_mean_pointestimate and ppi_mean_ci with lam=1).
    p, labels = _archive(200_000, seed)
    share = cast_share(p, p[:2000], labels[:2000])
    assert share.share == pytest.approx(point, abs=1e-5)
    half = (high - low) / 2
    assert share.low == pytest.approx(low, abs=0.05 * half)
    assert share.high == pytest.approx(high, abs=0.06 * half)
    # And power tuning finds nothing to tune in a model that is right.
    assert share.share == pytest.approx(tuned, abs=0.1 * half)


def test_without_a_model_it_lies_between_wilsons_with_and_without_continuity() -> None:
    p = np.full(10**6, 0.3)
    for casts, n in [(1, 40), (6, 50), (45, 120)]:
        labels = np.repeat([1.0, 0.0], [casts, n - casts])
        share = cast_share(p, p[:n], labels)
        found = binomtest(casts, n)
        plain = found.proportion_ci(method="wilson")
        corrected = found.proportion_ci(method="wilsoncc")
        assert corrected.low < share.low < plain.low
        assert plain.high < share.high < corrected.high


@pytest.mark.parametrize(("casts", "n"), [(0, 30), (1, 30), (3, 200), (12, 1000)])
def test_what_slipped_through_is_at_most_what_clopper_and_pearson_say(casts: int, n: int) -> None:
    exact = binomtest(casts, n, alternative="less").proportion_ci(0.95, method="exact")
    assert slipped(casts, n).at_most == pytest.approx(exact.high, abs=1e-9)
