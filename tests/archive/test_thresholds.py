"""Thresholds of this archive: what few decisions leave alone, and what many move."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from autocast.advisor.risk import CONSENSUS
from autocast.archive import thresholds
from autocast.archive.thresholds import (
    KEPT_SPREAD,
    LEAST_DECIDED,
    OFFSET_SPREAD,
    SLOPE_SPREAD,
    Learned,
    OwnThresholds,
    in_decisions,
    learn,
    own_thresholds,
    verdicts,
)
from autocast.judgement import Risks
from autocast.judgement.probability import at_base_rate
from autocast.modelstore import default_models

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

BASE = 0.25
RISKS = Risks(clear=0.05, missed=0.15, cast=0.10)
SHIPPED = (0.12, 0.7)


def archive(count: int, rate: float, seed: int, *, sharper: float = 1.0) -> tuple[Floats, Floats]:
    """Probabilities right at BASE but for ``sharper``, and labels whose share is ``rate``."""
    rng = np.random.default_rng(seed)
    cast = rng.random(count) < rate
    evidence = rng.normal(np.where(cast, 2.0, -2.0), 2.0)  # its own log-likelihood ratio
    odds = np.exp(evidence / sharper) * BASE / (1 - BASE)
    return np.round(odds / (1 + odds), 4), cast.astype(np.float64)


def chosen(  # noqa: PLR0913 -- what a test may set
    p: Floats,
    labels: Floats,
    decided: int,
    *,
    seed: int = 1,
    risks: Risks = RISKS,
    eligible: Bools | None = None,
    monochrome: Bools | None = None,
    shipped: tuple[float, float] = SHIPPED,
) -> OwnThresholds:
    which = np.random.default_rng(seed).choice(len(p), decided, replace=False)
    may = np.ones((len(p), 2), dtype=np.bool_) if eligible is None else eligible
    grey = np.zeros(len(p), dtype=np.bool_) if monochrome is None else monochrome
    return own_thresholds(p, BASE, may, grey, which, labels[which], risks, shipped, BASE)


def plain(p: Floats, labels: Floats) -> Learned:
    """What decisions on pictures without remarks teach."""
    return learn(p, BASE, np.ones((len(p), 2)), labels, BASE)


def errors(own: OwnThresholds, p: Floats, labels: Floats) -> tuple[float, float, float]:
    clear, cast = p <= own.clear_below, p > own.cast_above
    return (
        labels[clear].mean(),
        labels[clear].sum() / labels.sum(),
        1 - labels[cast].mean(),
    )


def test_nothing_decided_leaves_the_calibration() -> None:
    learned = learn([], BASE, np.zeros((0, 2)), [], BASE)
    np.testing.assert_array_equal(learned.coefficients, [0, 1, 0, 0])
    spread = np.array([OFFSET_SPREAD, SLOPE_SPREAD, KEPT_SPREAD, KEPT_SPREAD])
    np.testing.assert_allclose(learned.covariance, np.diag(spread**2), atol=1e-12)


def test_one_decision_by_hand() -> None:
    # At the base rate there is no evidence: the offset alone moves, to where
    # offset / spread^2 = 1 - p, p being that of the moved odds.
    learned = learn([BASE], BASE, [[True, True]], [1.0], BASE)
    offset, slope, *kept = learned.coefficients
    odds = BASE / (1 - BASE) * np.exp(offset)
    assert (slope, *kept) == pytest.approx((1, 0, 0))
    assert offset / OFFSET_SPREAD**2 == pytest.approx(1 - odds / (1 + odds))


def test_many_decisions_find_the_slope_and_offset_of_the_archive() -> None:
    p, labels = archive(20_000, 0.1, 2, sharper=1.25)
    learned = plain(p, labels)
    assert learned.coefficients[1] == pytest.approx(1.25, abs=0.06)
    fewer = np.log(0.1 / 0.9) - np.log(BASE / (1 - BASE))
    assert learned.coefficients[0] == pytest.approx(fewer, abs=0.12)


def test_without_the_priors_it_is_logistic_regression(monkeypatch: pytest.MonkeyPatch) -> None:
    p, labels = archive(300, 0.3, 3)
    p = np.clip(p, 0.001, 0.999)
    for name in ("SLOPE_SPREAD", "OFFSET_SPREAD"):
        monkeypatch.setattr(thresholds, name, 1e4)
    learned = plain(p, labels)
    evidence = np.log(p / (1 - p)) - np.log(BASE / (1 - BASE))
    other = LogisticRegression(C=np.inf, tol=1e-10).fit(evidence[:, None], labels)
    assert learned.coefficients[1] == pytest.approx(other.coef_[0, 0], rel=1e-4)
    start = np.log(BASE / (1 - BASE))
    assert start + learned.coefficients[0] == pytest.approx(other.intercept_[0], rel=1e-4)


def test_what_is_picked_by_score_alone_is_learned_the_same() -> None:
    p, labels = archive(40_000, 0.1, 4)
    near = np.argsort(np.abs(p - 0.4))[:8000]
    random = np.random.default_rng(5).choice(len(p), 8000, replace=False)
    one, other = (plain(p[some], labels[some]) for some in (near, random))
    assert one.coefficients[0] == pytest.approx(other.coefficients[0], abs=0.15)


def test_what_asks_by_its_remarks_is_learned_without_harm() -> None:
    # Kept from clear are mostly casts, whatever their score; nothing else of low score asks.
    rng = np.random.default_rng(18)
    p, labels = archive(20_000, BASE, 17)
    may = np.ones((20_000, 2), dtype=np.bool_)
    may[:, 0] = rng.random(20_000) < np.where(labels > 0, 0.5, 0.9)
    asks = np.flatnonzero(~may[:, 0] | ((p > SHIPPED[0]) & (p <= SHIPPED[1])))
    learned = learn(p[asks], BASE, may[asks], labels[asks], BASE)
    offset, slope, kept, _ = learned.coefficients
    # By Bayes' rule: remarks are 5 times as likely of a cast, their absence 5/9 as likely.
    assert kept == pytest.approx(np.log(5 * 9 / 5), abs=0.2)
    assert offset == pytest.approx(np.log(5 / 9), abs=0.2)
    assert slope == pytest.approx(1, abs=0.1)


def test_the_base_rate_at_which_a_picture_was_judged_makes_no_difference() -> None:
    p, labels = archive(3000, 0.1, 6)
    every, none = np.ones((3000, 2), dtype=np.bool_), np.zeros(3000, dtype=np.bool_)
    rates = np.where(np.arange(3000) % 2, BASE, 0.05)
    moved = at_base_rate(p, BASE, rates)
    which = np.arange(400)
    own, other = (
        own_thresholds(q, at, every, none, which, labels[which], RISKS, SHIPPED, BASE)
        for q, at in ((p, np.full(3000, BASE)), (moved, rates))
    )
    assert (own.slope, own.offset) == pytest.approx((other.slope, other.offset), abs=1e-9)
    assert (own.clear_below, own.cast_above) == (other.clear_below, other.cast_above)
    assert own.before == pytest.approx(other.before)
    assert own.after == pytest.approx(other.after)
    np.testing.assert_array_equal(
        verdicts(own, p, BASE, every, none), verdicts(own, moved, rates, every, none)
    )


@pytest.mark.parametrize("decided", [0, LEAST_DECIDED - 1])
def test_few_decisions_leave_the_thresholds_that_were_shipped(decided: int) -> None:
    own = chosen(*archive(1000, 0.6, 7), decided)
    assert (own.clear_below, own.cast_above) == SHIPPED
    assert own.decided == decided


def test_slack_is_used() -> None:
    # As shipped, thresholds run less than is allowed.
    p, labels = archive(20_000, BASE, 8)
    own = chosen(p, labels, 600, shipped=(0.03, 0.95))
    assert own.clear_below > 0.03
    assert own.cast_above < 0.95
    assert own.after.asked < own.before.asked
    assert own.before.asked == pytest.approx(((p > 0.03) & (p <= 0.95)).mean())
    for run, wanted in zip(errors(own, p, labels), RISKS, strict=True):
        assert run <= wanted


def test_where_casts_are_rare_fewer_are_called_casts() -> None:
    p, labels = archive(20_000, 0.04, 8)
    own = chosen(p, labels, 600, shipped=(0.12, 0.4))
    assert own.cast_above > 0.4
    assert own.clear_below >= 0.12
    assert own.before.cast > RISKS.cast + 0.05
    assert errors(own, p, labels)[2] <= RISKS.cast + 0.04  # one archive's decisions are by chance


def test_where_casts_are_common_less_is_passed() -> None:
    p, labels = archive(20_000, 0.6, 9)
    own = chosen(p, labels, 600)
    assert own.clear_below < SHIPPED[0]
    assert own.before.clear > RISKS.clear
    assert own.after.clear <= RISKS.clear
    assert errors(own, p, labels)[0] <= RISKS.clear + 0.02


def test_what_is_not_sure_is_left_alone() -> None:
    # Where the probabilities are right, thresholds near those that hold stay, mostly.
    p, labels = archive(4000, BASE, 10)
    level = np.sort(p)
    low = level[np.cumsum(labels[np.argsort(p)]) <= RISKS.clear * np.arange(1, 4001)][-1]
    stays = [
        chosen(p, labels, 60, seed=seed, shipped=(low, 0.999)).clear_below == low
        for seed in range(20)
    ]
    assert np.mean(stays) >= 0.85


def test_more_decisions_open_more() -> None:
    p, labels = archive(20_000, BASE, 11)
    opened = [
        np.mean([chosen(p, labels, n, seed=s, shipped=(0.01, 0.9)).clear_below for s in range(5)])
        for n in (LEAST_DECIDED, 200, 1500)
    ]
    assert 0.01 <= opened[0] < opened[1] < opened[2]


def test_the_margin_is_that_of_the_posterior() -> None:
    # Against draws from the Gaussian about slope and offset, the error of what is missed.
    p, labels = archive(3000, BASE, 15)
    may = np.random.default_rng(2).random((3000, 2)) < 0.8
    learned = learn(p[:100], BASE, may[:100], labels[:100], BASE)
    design = np.column_stack([np.ones(3000), _evidence(p), ~may])
    start = np.log(BASE / (1 - BASE))
    draws = np.random.default_rng(1).multivariate_normal(
        learned.coefficients, learned.covariance, 2000
    )
    likely = 1 / (1 + np.exp(-(start + draws @ design.T)))
    cleared = p <= 0.2
    missed = likely[:, cleared].sum(axis=1) / likely.sum(axis=1)
    at = 1 / (1 + np.exp(-(start + design @ learned.coefficients)))
    columns = thresholds._columns(at, design)
    risk = thresholds._part(columns[cleared].sum(axis=0)[None], columns.sum(axis=0), learned)
    assert risk.share[0] == pytest.approx(missed.mean(), rel=0.1)
    assert risk.error[0] == pytest.approx(missed.std(), rel=0.15)
    some = thresholds._share(columns[cleared].sum(axis=0)[None], learned)
    assert some.error[0] == pytest.approx(likely[:, cleared].mean(axis=1).std(), rel=0.15)


def test_remarks_keep_from_a_verdict_and_what_is_grey_is_clear() -> None:
    p, labels = archive(4000, 0.1, 12)
    rng = np.random.default_rng(13)
    may = rng.random((4000, 2)) < 0.8
    grey = rng.random(4000) < 0.05
    own = chosen(p, labels, 500, eligible=may, monochrome=grey)
    given_ = verdicts(own, p, BASE, may, grey)
    assert (given_[grey & may[:, 0]] == "clear").all()
    assert (given_[~may[:, 0]] != "clear").all()
    assert (given_[~may.any(axis=1)] == "ask").all()
    assert own.after.asked == pytest.approx((given_ == "ask").mean())
    clear, cast = given_ == "clear", given_ == "cast"
    which = np.random.default_rng(1).choice(4000, 500, replace=False)
    learned = learn(p[which], BASE, may[which], labels[which], BASE)
    assert (own.offset, own.slope) == tuple(learned.coefficients[:2])
    design = np.column_stack([np.ones(4000), _evidence(p), ~may])
    odds = BASE / (1 - BASE) * np.exp(design @ learned.coefficients)
    likely = odds / (1 + odds)
    assert own.after.clear == pytest.approx(likely[clear].mean())
    assert own.after.missed == pytest.approx(likely[clear].sum() / likely.sum())
    assert own.after.cast == pytest.approx((1 - likely[cast]).mean())


def _evidence(p: Floats) -> Floats:
    inside = np.clip(p, 1e-4, 1 - 1e-4)
    return np.asarray(np.log(inside / (1 - inside)) - np.log(BASE / (1 - BASE)))


@settings(max_examples=40)
@given(
    st.floats(0.01, 0.9),
    st.integers(LEAST_DECIDED, 300),
    st.integers(0, 10**6),
    st.sampled_from([RISKS, Risks(0.01, 0.05, 0.02), Risks(0.3, 0.5, 0.4)]),
)
def test_thresholds_move_only_to_where_risks_hold(
    rate: float, decided: int, seed: int, risks: Risks
) -> None:
    p, labels = archive(400, rate, seed)
    own = chosen(p, labels, decided, seed=seed, risks=risks)
    assert 0 <= own.clear_below <= own.cast_above <= 1
    if own.clear_below != SHIPPED[0] and (p <= own.clear_below).any():
        assert own.after.clear <= risks.clear
        assert own.after.missed <= risks.missed
    if own.cast_above not in {SHIPPED[1], own.clear_below} and (p > own.cast_above).any():
        assert own.after.cast <= risks.cast
    assert OwnThresholds.from_plain(json.loads(json.dumps(asdict(own)))) == own


def test_a_document_may_say_more_but_not_less() -> None:
    own = chosen(*archive(200, 0.1, 14), 60)
    assert OwnThresholds.from_plain({**asdict(own), "person": "Ada"}) == own
    with pytest.raises(KeyError, match="slope"):
        OwnThresholds.from_plain({k: v for k, v in asdict(own).items() if k != "slope"})


def test_what_is_grey_counts_among_clear_at_every_threshold() -> None:
    # A third is grey and, as people decide, a cast as often as not: nothing else can be passed.
    p, labels = archive(6000, BASE, 16)
    grey = np.arange(6000) < 2000
    p[grey], labels[grey] = 0.5, np.arange(2000) % 2
    assert chosen(p, labels, 300, shipped=(0.03, 0.95)).clear_below > 0.03
    assert chosen(p, labels, 300, shipped=(0.03, 0.95), monochrome=grey).clear_below == 0


@pytest.mark.parametrize(
    ("share", "error", "goes_to"),
    [
        ([0.01, 0.02, 0.03], [0.005, 0.005, 0.005], 0.2),  # the widest holds, surely
        ([0.01, 0.02, 0.03], [0.005, 0.005, 0.02], 0.1),  # it does not hold surely
        ([0.01, 0.06, 0.07], [0.001, 0.01, 0.01], 0.1),  # that shipped is not surely broken
        ([0.01, 0.08, 0.09], [0.001, 0.01, 0.01], 0.0),  # it is
        ([0.30, 0.30, 0.04], [0.01, 0.01, 0.05], 0.1),  # it is, yet what may hold is not sure
        ([0.30, 0.30, 0.30], [0.01, 0.01, 0.01], -9.0),  # nothing holds
    ],
)
def test_how_a_threshold_moves(share: list[float], error: list[float], goes_to: float) -> None:
    risk = thresholds._Risk(np.array(share), np.array(error), np.ones(3, dtype=np.bool_))
    levels = np.array([0.0, 0.1, 0.2])
    assert thresholds._moved(levels, 1, 0.1, [(risk, 0.05)], nothing=-9.0) == goes_to


def test_risks_in_the_terms_of_decisions_by_hand() -> None:
    # Above 0.5: 1 none, 2 slight, 6 evident, 1 that nobody could tell; 1 of 10 is none, and
    # 3 of 9 are not evident. Above 0.2: 3 of 14 are none.
    curve: dict[str, list[float]] = {
        "levels": [0.2, 0.5, 0.9],
        "cast.none": [20, 22, 23],
        "cast.doubtful": [3, 3, 3],
        "cast.slight": [5, 6, 8],
        "cast.evident": [1, 2, 8],
        "cast.cannot_tell": [0, 0, 1],
    }
    # One error more of one picture more, as where thresholds are fitted: 2 of 11.
    assert in_decisions(Risks(cast=2 / 11), curve).cast == pytest.approx(3 / 9)
    assert in_decisions(Risks(cast=0.1), curve) == Risks(cast=0.1)


def test_the_shipped_thresholds_run_the_shipped_risk_in_decisions() -> None:
    verdict = default_models().verdict
    curve = verdict["curve"]
    at = curve["levels"].index(verdict["cast_above"])
    above = {n: curve[f"cast.{n}"][-1] - curve[f"cast.{n}"][at] for n in CONSENSUS}
    told = sum(above.values()) - above["cannot_tell"]
    risks = in_decisions(Risks(**verdict["risks"]), curve)
    assert risks.cast == pytest.approx(1 - above["evident"] / told)
    assert risks[:2] == (verdict["risks"]["clear"], verdict["risks"]["missed"])


def test_an_archive_without_pictures_has_no_thresholds() -> None:
    with pytest.raises(ValueError, match="at least one picture"):
        chosen(np.zeros(0), np.zeros(0), 0)
