"""Thresholds that keep their risks, at the models' base rate and at another."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.typing import NDArray
from scipy.stats import beta, norm
from typer.testing import CliRunner

import autocast
from autocast.advisor.risk import CONSENSUS, Curve, Thresholds, rule
from autocast.cli import app
from autocast.errors import AssumptionError
from autocast.judgement import Assumptions, Risks
from autocast.judgement.binomial import exceeds
from autocast.judgement.probability import at_base_rate
from autocast.modelstore import default_models
from autocast.training.risks import curve, upper_bound


def every(probability: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Pictures that may all be called ``clear`` and ``cast``."""
    return np.ones((len(probability), 2), dtype=np.bool_)


def _choose(
    probability: NDArray[np.float64],
    consensus: NDArray[np.str_],
    risks: Risks,
    eligible: NDArray[np.bool_] | None = None,
    *,
    strict: bool = False,
) -> Thresholds:
    may = every(probability) if eligible is None else eligible
    return curve(probability, consensus, may).thresholds(risks, strict=strict)


def _drawn(count: int, base_rate: float, seed: int) -> tuple[NDArray[np.float64], NDArray[np.str_]]:
    """Two bells of scores, one deviation wide and two apart; their true probability at 0.25."""
    rng = np.random.default_rng(seed)
    evident = rng.random(count) < base_rate
    score = rng.normal(2.0 * evident, 1.0)
    odds = norm.pdf(score, 2) * 0.25 / (norm.pdf(score, 0) * 0.75)
    return odds / (1 + odds), np.where(evident, "evident", "none")


@given(st.integers(0, 300), st.integers(1, 300), st.sampled_from([0.02, 0.05, 0.1, 0.15, 0.4]))
def test_the_bound_is_that_of_clopper_and_pearson(errors: int, count: int, risk: float) -> None:
    errors = min(errors, count)
    bound = beta.ppf(0.95, errors + 1, count - errors) if errors < count else 1.0
    assert exceeds(errors, count, risk) == (bound > risk)
    assert upper_bound(np.arange(count) < errors, np.ones(count), 1.0) == pytest.approx(bound)


def test_no_error_in_59_is_the_least_that_bounds_a_share_of_one_in_twenty() -> None:
    assert not exceeds(0, 59, 0.05)
    assert exceeds(0, 58, 0.05)
    assert exceeds(0, 0, 0.05)


def test_a_curve_counts_what_it_was_made_from_and_survives_plain_containers() -> None:
    probability, consensus = _drawn(3000, 0.3, 1)
    eligible = np.random.default_rng(2).random((3000, 2)) < (0.7, 0.4)
    made = curve(probability, consensus, eligible)
    assert len(made.levels) <= 400
    assert made.levels[-1] >= probability.max()
    for level, clear, cast in zip(made.levels, made.clear, made.cast, strict=True):
        for name, one, other in zip(CONSENSUS, clear, cast, strict=True):
            below = (probability <= level) & (consensus == name)
            assert one == (below & eligible[:, 0]).sum()
            assert other == (below & eligible[:, 1]).sum()
    assert made.total.sum() == 3000
    assert made.base_rate == pytest.approx((consensus == "evident").mean())
    back = Curve.from_plain(made.to_plain())
    for name in ("levels", "clear", "cast", "total"):
        np.testing.assert_array_equal(getattr(back, name), getattr(made, name))


def test_pictures_that_are_not_eligible_for_a_verdict_do_not_get_it_nor_narrow_it() -> None:
    """Half of the evident pictures are handed to a person whatever their probability."""
    probability, consensus = _drawn(4000, 0.25, 7)
    risks = Risks(0.05, 0.15, 0.10)
    eligible = every(probability)
    handed = (consensus == "evident") & (np.arange(4000) % 2 == 0)
    eligible[handed, 0] = False
    eligible[(consensus == "none") & (np.arange(4000) % 2 == 0), 1] = False
    wide = _choose(probability, consensus, risks, eligible)
    narrow = _choose(probability, consensus, risks)
    assert wide.clear_below > narrow.clear_below
    assert wide.cast_above < narrow.cast_above
    verdict = wide.verdict(probability, eligible)
    assert not (verdict[handed] == "clear").any()
    evident = consensus == "evident"
    assert evident[verdict == "clear"].mean() <= risks.clear
    assert (verdict == "clear")[evident].mean() <= risks.missed
    assert (~evident)[verdict == "cast"].mean() <= risks.cast


def test_thresholds_keep_the_risks_and_widen_with_them() -> None:
    rng = np.random.default_rng(0)
    probability = rng.random(4000)
    consensus = np.where(rng.random(4000) < probability, "evident", "none")
    strict = _choose(probability, consensus, Risks(0.02, 0.05, 0.02))
    loose = _choose(probability, consensus, Risks(0.10, 0.30, 0.20))
    for thresholds, risks in ((strict, (0.02, 0.05, 0.02)), (loose, (0.10, 0.30, 0.20))):
        verdict = thresholds.verdict(probability, every(probability))
        evident = consensus == "evident"
        assert evident[verdict == "clear"].mean() <= risks[0]
        assert (verdict == "clear")[evident].mean() <= risks[1]
        assert (~evident)[verdict == "cast"].mean() <= risks[2]
    assert loose.clear_below > strict.clear_below
    assert loose.cast_above < strict.cast_above


@pytest.mark.parametrize("strict", [False, True])
def test_thresholds_hold_as_wanted_where_there_are_pictures_enough(strict: bool) -> None:  # noqa: FBT001
    probability, consensus = _drawn(4000, 0.25, 2)
    risks = Risks(0.05, 0.15, 0.10)
    chosen = _choose(probability, consensus, risks, strict=strict)
    assert {chosen.clear_held, chosen.cast_held} == {"bound" if strict else "expected"}
    verdict, evident = chosen.verdict(probability, every(probability)), consensus == "evident"
    for wrong, among, risk in (
        (evident, verdict == "clear", risks.clear),
        (verdict == "clear", evident, risks.missed),
        (~evident, verdict == "cast", risks.cast),
    ):
        errors, count = int(wrong[among].sum()), int(among.sum())
        assert count > 100
        bound = beta.ppf(0.95, errors + 1, count - errors) if strict else (errors + 1) / (count + 1)
        assert bound <= risk


def test_a_black_and_white_is_clear_at_every_level_and_widens_no_threshold_by_its_own() -> None:
    probability, consensus = _drawn(2000, 0.25, 8)
    monochrome = np.arange(2000) % 4 == 0
    eligible = every(probability)
    eligible[monochrome, 1] = False
    made = curve(probability, consensus, eligible, monochrome)
    for name, column in zip(CONSENSUS, made.clear.T, strict=True):
        grey = (monochrome & (consensus == name)).sum()
        below = made.levels[:, None] >= probability[~monochrome & (consensus == name)]
        np.testing.assert_array_equal(column, grey + below.sum(axis=1))
    assert made.levels.min() >= probability[~monochrome].min()
    alone = curve(probability[:3], consensus[:3], eligible[:3], np.ones(3, dtype=bool))
    assert alone.clear[-1].sum() == 3


def test_with_few_pictures_the_share_itself_is_held_to_and_said_so() -> None:
    probability, consensus = _drawn(50, 0.25, 3)
    chosen = _choose(probability, consensus, Risks(0.05, 0.30, 0.10), strict=True)
    assert (chosen.clear_held, chosen.cast_held) == ("share", "share")
    clear = chosen.verdict(probability, every(probability)) == "clear"
    assert (consensus[clear] == "evident").mean() <= 0.05


def test_where_nothing_holds_nothing_is_called_so() -> None:
    probability = np.linspace(0.1, 0.9, 40)
    backwards = np.where(probability < 0.5, "evident", "none")
    chosen = _choose(probability, backwards, Risks())
    assert (chosen.clear_held, chosen.cast_held) == ("none", "none")
    assert set(chosen.verdict(probability, every(probability))) == {"ask"}


def test_a_bound_is_seldom_exceeded_by_the_true_risk_and_a_share_often() -> None:
    """True risks from a far larger sample of the same bells, over 200 sets of 500 pictures."""
    many, truth = _drawn(100_000, 0.25, 4)
    order = np.argsort(many)
    errors = np.cumsum(truth[order] == "evident")

    def risk(level: float) -> float:
        kept = int(np.searchsorted(many[order], level, side="right"))
        return float(errors[kept - 1] / kept) if kept else 0.0

    bound = above_bound = above_share = 0
    for seed in range(200):
        probability, consensus = _drawn(500, 0.25, 100 + seed)
        chosen = _choose(probability, consensus, Risks(0.05, 0.9, 0.1), strict=True)
        if chosen.clear_held == "bound":
            bound += 1
            above_bound += risk(chosen.clear_below) > 0.05
        ranked = np.argsort(probability)
        share = np.cumsum(consensus[ranked] == "evident") / np.arange(1, 501)
        above_share += risk(float(probability[ranked][np.flatnonzero(share <= 0.05)[-1]])) > 0.05
    assert bound >= 190
    # Picking the widest of many costs a little above the nominal 10 of 200.
    assert above_bound <= 24
    assert above_share >= 60


def test_the_expected_share_of_errors_is_held_on_average_over_draws() -> None:
    """200 sets of 500 pictures; the true share of each from a far larger sample."""
    many, truth = _drawn(100_000, 0.25, 4)
    order = np.argsort(many)
    errors = np.cumsum(truth[order] == "evident")
    shares = []
    for seed in range(200):
        probability, consensus = _drawn(500, 0.25, 100 + seed)
        chosen = _choose(probability, consensus, Risks(0.05, 0.9, 0.1))
        assert chosen.clear_held == "expected"
        kept = int(np.searchsorted(many[order], chosen.clear_below, side="right"))
        shares.append(errors[kept - 1] / kept)
    # That the widest of many levels is picked costs a few thousandths.
    assert 0.04 < np.mean(shares) <= 0.055


@pytest.mark.parametrize("base_rate", [0.08, 0.5])
def test_thresholds_chosen_for_a_base_rate_keep_their_risks_there(base_rate: float) -> None:
    probability, consensus = _drawn(6000, 0.25, 5)
    made, risks = curve(probability, consensus, every(probability)), Risks(0.05, 0.25, 0.10)
    there, truth = _drawn(60_000, base_rate, 6)
    evident = truth == "evident"

    def shown(verdict: NDArray[np.str_]) -> tuple[float, float, float]:
        clear, cast = verdict == "clear", verdict == "cast"
        return evident[clear].mean(), clear[evident].mean(), (~evident)[cast].mean()

    chosen = made.thresholds(risks, base_rate, strict=True)
    assert (chosen.clear_held, chosen.cast_held) == ("bound", "bound")
    kept = shown(chosen.verdict(there, every(there)))
    assert all(share <= risk for share, risk in zip(kept, risks, strict=True))
    assert max(share / risk for share, risk in zip(kept, risks, strict=True)) > 0.7
    # Those of the old base rate do not: this is why they are chosen anew.
    old = shown(made.thresholds(risks, strict=True).verdict(there, every(there)))
    assert any(share > risk for share, risk in zip(old, risks, strict=True))


def test_the_shipped_thresholds_are_those_of_the_shipped_curve() -> None:
    settings = default_models().verdict
    chosen = Curve.from_plain(settings["curve"]).thresholds(Risks(**settings["risks"]))
    stored = rule(settings, Assumptions()).thresholds
    assert stored == chosen
    assert Curve.from_plain(settings["curve"]).base_rate == settings["base_rate"]
    given_again = rule(settings, Assumptions(risk_clear=settings["risks"]["clear"]))
    assert given_again.thresholds == chosen


def test_wider_risks_call_more_pictures_clear_and_cast() -> None:
    settings = default_models().verdict
    usual = rule(settings, Assumptions()).thresholds
    wide = rule(settings, Assumptions(risk_clear=0.08, risk_missed=0.3, risk_cast=0.3)).thresholds
    strict = rule(settings, Assumptions(risk_clear=0.005, risk_missed=0.01)).thresholds
    assert strict.clear_below < usual.clear_below < wide.clear_below
    assert wide.cast_above < usual.cast_above


@pytest.mark.parametrize("value", [0.0, 1.0, -0.1, 5.0, float("nan")])
@pytest.mark.parametrize("name", ["base_rate", "risk_clear", "risk_missed", "risk_cast"])
def test_what_is_no_share_is_refused_by_name(name: str, value: float) -> None:
    with pytest.raises(AssumptionError, match=f"{name} is .*between 0 and 1"):
        rule(default_models().verdict, Assumptions(**{name: value}))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def judged(photograph: Path) -> autocast.Judgement:
    return autocast.judge(photograph)


def test_a_base_rate_moves_probability_and_what_drove_it_but_not_the_cast(
    photograph: Path, judged: autocast.Judgement
) -> None:
    rare = autocast.judge(photograph, assumptions=autocast.Assumptions(base_rate=0.05))
    expected = at_base_rate(judged.probability, judged.base_rate, 0.05)
    assert rare.base_rate == 0.05
    assert rare.probability == pytest.approx(float(expected), abs=2e-4)
    assert rare.probability < judged.probability
    assert rare.cast == judged.cast
    # What the picture shows is named where it changes the chance by enough, which a rate moves.
    voting = [[e for e in j.evidence if not e.context] for j in (judged, rare)]
    for one, other in zip(*voting, strict=True):
        if one.drove_probability is not None and other.drove_probability is not None:
            alone = judged.probability - one.drove_probability
            without = at_base_rate(alone, judged.base_rate, 0.05)
            assert rare.probability - other.drove_probability == pytest.approx(
                float(without), abs=3e-4
            )


def test_a_judgement_says_which_risks_it_was_to_keep(
    photograph: Path, judged: autocast.Judgement
) -> None:
    assert judged.risks == Risks(**default_models().verdict["risks"])
    other = autocast.judge(photograph, assumptions=autocast.Assumptions(risk_cast=0.2))
    assert other.risks == judged.risks._replace(cast=0.2)
    assert other.probability == judged.probability
    assert autocast.Judgement.from_json(other.to_json()) == other


def test_the_command_takes_the_same(photograph: Path) -> None:
    arguments = ["judge", "--json", str(photograph), "--base-rate", "0.05", "--risk-cast", "0.2"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0
    assumptions = Assumptions(base_rate=0.05, risk_cast=0.2)
    assert autocast.Judgement.from_json(result.stdout) == autocast.judge(
        photograph, (), assumptions
    )


@pytest.mark.parametrize("value", ["0", "1", "5", "nan", "-1"])
@pytest.mark.parametrize("option", ["--base-rate", "--risk-clear", "--risk-missed", "--risk-cast"])
def test_the_command_refuses_what_is_no_share(photograph: Path, option: str, value: str) -> None:
    result = CliRunner().invoke(app, ["judge", str(photograph), option, value])
    assert result.exit_code == 2
    assert option in result.stderr
    assert "between 0 and 1" in " ".join(result.stderr.replace("│", " ").split())
