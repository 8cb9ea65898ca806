"""The figures of an evaluation, on made-up tables whose answers are known."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from numpy.typing import NDArray
from PIL import Image
from scipy.stats import beta, norm
from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score
from typer.testing import CliRunner

from autocast.advisor.risk import Thresholds
from autocast.cli import app
from autocast.errors import OutputError, UnreadablePicture
from autocast.evaluation import (
    agreement,
    calibration,
    commands as evaluation_commands,
    deferral,
    figures,
    resampling,
    second_opinion,
    untouched,
)
from autocast.evaluation.resampling import Draws, auc, difference, mean, median
from autocast.evidence.statistics import ESTIMATORS
from autocast.judgement import RISKS, TONE_RANGES, Risks
from autocast.modelstore import files as modelfiles
from autocast.report import curves
from autocast.report.figures import figures_text
from autocast.training import commands, fit, nested, simulation
from autocast.training.fit import Predictions
from autocast.training.gather import Table, tabulate
from autocast.training.risks import choose, upper_bound
from autocast.voting import fitted as weighing

TONES = tuple(TONE_RANGES)
PAIRS = tuple(
    dict.fromkeys(
        (
            *weighing.ANCHORS,
            "joint",
            *(f"joint.{tone}" for tone in TONES),
            *(f"statistics.{name}" for name in ESTIMATORS),
            *(f"statistics.{tone}.{kind}" for tone in TONES for kind in ("mean", "least_0.25")),
            "neutrals.reads",
        )
    )
)
NAMES = (*(f"{name}.{axis}" for name in PAIRS for axis in "ab"), "statistics.chroma_0.5")


def table(pictures: int = 120, seed: int = 4) -> Table:
    """Every estimate is the true cast, by tone where it says so, with noise of one unit.

    A third of the pictures is evident, a sixth each slight and cannot_tell; over
    the rest lie gains and crossed casts.
    """
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    for number in range(pictures):
        answer = ("evident", "none", "slight", "evident", "none", "cannot_tell")[number % 6]
        common = {"picture": number, "consensus": answer}
        size = {"evident": 12.0, "slight": 4.0, "cannot_tell": 4.0, "none": 0.0}[answer]
        angle = rng.uniform(0, 2 * np.pi)
        own = size * np.array([np.cos(angle), np.sin(angle)])
        rows.append({**common, "kind": "natural", "casts": np.tile(own, (4, 1))})
        if answer == "none":
            rows += [{**common, "kind": "none", "casts": np.zeros((4, 2))}] * 2
            for about in (4, 6, 8, 12, 16, 24):
                angle = rng.uniform(0, 2 * np.pi)
                laid = about * np.array([np.cos(angle), np.sin(angle)])
                rows.append({**common, "kind": "gain", "casts": np.tile(laid, (4, 1))})
            ends = np.array([0.0, 0.3]), np.array([-8.0, 9.0]), np.zeros(2), np.array([4.0, -4.0])
            rows.append({**common, "kind": "crossed", "casts": np.array(ends)})
            rows.append({**common, "kind": "part", "casts": np.full((4, 2), 9.0)})
    casts = np.array([row["casts"] for row in rows])
    natural = np.array([row["kind"] == "natural" for row in rows])
    shown = [
        casts[:, 1 + TONES.index(tone)] if (tone := name.split(".")[-1]) in TONES else casts[:, 0]
        for name in (n.removesuffix(".mean").removesuffix(".least_0.25") for n in PAIRS)
    ]
    figures = np.concatenate([*shown, np.zeros((len(rows), 1))], axis=1)
    figures = figures + rng.normal(0, 1, figures.shape)
    consensus = np.array([row["consensus"] for row in rows])
    neutrals = figures[natural].copy()
    neutrals[:, [n.startswith("neutrals.") for n in NAMES]] = np.nan
    nothing = np.full_like(neutrals, np.nan)
    evident = natural & (consensus == "evident")
    judgements = np.where(natural[:, None], consensus[:, None], "").repeat(2, axis=1)
    judgements[natural & (consensus == "slight"), 1] = "none"
    picture = np.array([row["picture"] for row in rows])
    return Table(
        names=NAMES,
        figures=figures,
        file=np.array([f"{p}.jpg" for p in picture]),
        group=np.array([f"group {p // 2}" for p in picture]),
        consensus=consensus,
        kind=np.array([row["kind"] for row in rows]),
        truth=np.where(natural[:, None, None], 0.0, casts),
        worst=np.where(natural, 0.0, np.hypot(*np.moveaxis(casts, -1, 0)).max(axis=1)),
        looked=np.where(evident[:, None], casts[:, 0], np.nan),
        scene=np.where(picture % 2 == 0, "quay", "workshop"),
        judgements=judgements,
        eligible=np.ones((len(rows), 2), dtype=bool),
        without={"neutrals": neutrals, "statistics": nothing},
    )


@pytest.fixture(scope="module")
def quick() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for name in ("STAGE_ONE", "STAGE_TONES", "STAGE_SPREAD", "STAGE_TWO", "STAGE_UNEVEN"):
            small = getattr(fit, name) | {"max_iter": 12, "min_samples_leaf": 5}
            patch.setattr(fit, name, small)
        yield


@pytest.fixture(scope="module")
def measured(quick: None) -> tuple[Table, nested.Outcome, dict[str, Any]]:  # noqa: ARG001 -- smaller trees
    made = table(72)
    outcome = nested.nested(made, 0, lambda _: None)
    plain = figures.plain(made, 0, lambda _: None)
    return made, outcome, figures.figures(made, outcome, 0, plain)


def judged_only(truth: NDArray[np.bool_]) -> Table:
    """Natural rows alone, each a group, evident or none."""
    count = len(truth)
    return Table(
        names=(),
        figures=np.zeros((count, 0)),
        file=np.array([f"{k}.jpg" for k in range(count)]),
        group=np.array([f"{k}" for k in range(count)]),
        consensus=np.where(truth, "evident", "none"),
        kind=np.full(count, "natural"),
        truth=np.zeros((count, 4, 2)),
        worst=np.zeros(count),
        looked=np.full((count, 2), np.nan),
        scene=np.full(count, ""),
        judgements=np.full((count, 2), ""),
        eligible=np.ones((count, 2), dtype=bool),
        without={},
    )


# --- figures and their intervals -------------------------------------------------------------


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


# --- calibration ---------------------------------------------------------------------------


def test_a_calibrated_forecaster_is_found_calibrated_and_an_overconfident_one_not() -> None:
    rng = np.random.default_rng(5)
    said = rng.beta(0.7, 1.6, 2000)
    truth = rng.random(2000) < said
    right = calibration.calibration(judged_only(truth), said, 0)
    assert right["slope"]["interval"][0] < 1 < right["slope"]["interval"][1]
    assert right["intercept"]["interval"][0] < 0 < right["intercept"]["interval"][1]
    low, high = right["ece"]["perfect"]
    assert low <= right["ece"]["value"] <= high
    logit = np.log(np.clip(said, 1e-6, 1 - 1e-6) / (1 - np.clip(said, 1e-6, 1 - 1e-6)))
    louder = 1 / (1 + np.exp(-2 * logit))
    wrong = calibration.calibration(judged_only(truth), louder, 0)
    assert wrong["slope"]["value"] == pytest.approx(0.5, abs=0.06)
    assert wrong["ece"]["value"] > 2 * wrong["ece"]["perfect"][1]
    assert wrong["brier_skill"]["value"] < right["brier_skill"]["value"]


def test_scores_of_a_forecast_are_scikit_learns() -> None:
    rng = np.random.default_rng(6)
    said = rng.uniform(0.01, 0.99, 500)
    truth = rng.random(500) < said**2
    found = calibration.calibration(judged_only(truth), said, 0)
    rate = truth.mean()
    skill = 1 - brier_score_loss(truth, said) / (rate * (1 - rate))
    assert found["brier_skill"]["value"] == pytest.approx(skill)
    assert found["log_loss"]["value"] == pytest.approx(log_loss(truth, said), rel=1e-5)
    assert sum(found["histogram"]) == 500
    assert sum(b["seen"]["n"] for b in found["reliability"]) == 500


# --- handing pictures to a person ------------------------------------------------------------


def test_risk_against_coverage_of_four_pictures_by_hand() -> None:
    """Surest first, the calls are right, wrong, right, wrong."""
    said = np.array([0.99, 0.03, 0.9, 0.4])
    truth = np.array([True, True, True, True])
    verdict = np.array(["cast", "clear", "cast", "ask"])
    found = deferral.coverage(judged_only(truth), said, verdict, 0)
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


# --- casts laid and casts judged -------------------------------------------------------------


def _assess(casts: NDArray[np.floating[Any]]) -> Predictions:
    size = np.hypot(casts[:, 0, 0], casts[:, 0, 1])
    return Predictions(
        casts, np.ones((len(casts), 2)), size, size / (1 + size), np.zeros(len(casts))
    )


def test_a_faultless_estimate_is_found_faultless_at_every_size() -> None:
    made = table()
    faultless = {"weighed": made.truth[:, 0], "blind": np.zeros((len(made.file), 2))}
    found = agreement.laid(made, _assess(made.truth), faultless, 0)
    for row in found["weighed"].values():
        assert row["auc"]["value"] == 1.0
        assert row["error"]["value"] == 0.0
    for about, row in found["blind"].items():
        assert row["auc"]["value"] == 0.5
        assert row["error"]["value"] == pytest.approx(int(about))
        assert row["n"] == (made.kind == "none").sum() / 2


def test_direction_and_size_are_measured_against_both_looks() -> None:
    made = table()
    both = ~np.isnan(made.looked[:, 0])
    turned = np.nan_to_num(made.looked)
    turned[np.flatnonzero(both)[::4]] *= -1.0
    found = agreement.judged(
        made, _assess(made.truth), None, {"weighed": turned, "half": turned / 2}, 0
    )
    share = 1 - len(np.flatnonzero(both)[::4]) / both.sum()
    assert found["weighed"]["direction"]["value"] == pytest.approx(share)
    assert found["weighed"]["direction"]["n"] == both.sum()
    assert found["weighed"]["size"]["value"] == pytest.approx(0)
    assert found["half"]["size"]["value"] == pytest.approx(6.0)
    assert found["weighed"]["evident"]["value"] == 1.0


def test_the_band_of_crossed_casts_is_that_of_twelve_codes_at_the_ends() -> None:
    low, high = agreement.CROSSED
    sizes = []
    for move in ((1, 0, -1), (1, -1, 1), (1, 1, -1), (0, 1, -1), (1, -1, 0)):
        change = simulation._Change("crossed", np.array(move) * 12 / 255)
        sizes.append(np.hypot(*simulation._truth(change, 1.0).T).max())
    assert low == pytest.approx(min(sizes), abs=0.5)
    assert high == pytest.approx(max(sizes), abs=0.5)


def test_crossed_casts_are_found_by_tone_and_not_by_the_whole() -> None:
    made = table()
    word = _assess(np.where(made.natural[:, None, None], 0.0, made.truth))
    found = agreement.by_tone(made, word, 0)
    assert found["n"] == (made.kind == "crossed").sum()
    assert found["weighed"]["shadows"]["auc"]["value"] == 1.0
    assert found["weighed"]["highlights"]["auc"]["value"] == 1.0
    assert found["weighed"]["midtones"]["auc"]["value"] == 0.5
    assert found["weighed"]["apart"]["auc"]["value"] == 1.0
    assert found["counted"]["apart"]["auc"]["value"] > 0.95
    assert found["weighed"]["shadows"]["error"]["value"] == 0.0
    assert found["counted"]["shadows"]["auc"]["value"] > 0.95
    assert found["counted"]["shadows"]["error"]["value"] < 2.0
    verdict = np.where(made.kind == "gain", "cast", "clear")
    by_kind = {row["kind"]: row for row in agreement.kinds(made, word, 0, verdict)}
    assert set(by_kind) == {"gain", "crossed", "part"}
    assert [by_kind[kind]["clear"]["value"] for kind in ("gain", "crossed")] == [0.0, 1.0]
    assert by_kind["gain"]["counted"]["value"] > 0.95
    assert by_kind["crossed"]["counted"]["value"] < 0.65
    assert by_kind["crossed"]["largest"]["value"] == 1.0


def test_casts_over_rendered_scenes_stand_against_uncast_scenes() -> None:
    made = table(48)
    kind = made.kind.astype("U20")
    scenes = ~made.natural & (np.arange(len(kind)) % 2 == 0)
    kind[scenes] = np.char.add("held.", made.kind[scenes])
    mixed = replace(made, kind=kind)
    # All over scenes is shown as strongly cast: only casts over photographs stand out then.
    casts = np.where(scenes[:, None, None], 99.0, made.truth)
    by_kind = {row["kind"]: row for row in agreement.kinds(mixed, _assess(casts), 0)}
    assert by_kind["gain"]["weighed"]["value"] == 1.0
    assert by_kind["held.gain"]["weighed"]["value"] == 0.5
    assert (
        by_kind["held.gain"]["n"] + by_kind["gain"]["n"]
        == (made.worst[made.kind == "gain"] >= 6).sum()
    )


# --- the nested fits ---------------------------------------------------------------------------


def test_withholding_what_tells_costs_and_withholding_what_does_not_tell_does_not(
    measured: tuple[Table, nested.Outcome, dict[str, Any]],
) -> None:
    made, outcome, figures = measured
    for probability in outcome.without.values():
        assert probability.shape == (made.natural.sum(),)
        assert not np.isnan(probability).any()
    # The count stays when neutrals' own reading goes; without any figure, nothing is left.
    assert abs(figures["without"]["neutrals"]["evident"]["adds"]["value"]) < 0.1
    blind = figures["without"]["statistics"]["evident"]
    assert blind["without"]["value"] == pytest.approx(0.5, abs=0.15)
    assert blind["adds"]["interval"][0] > 0.2


def test_the_plain_fit_hears_the_statistics_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    made = table(48)
    deaf = [k for k, name in enumerate(made.names) if not name.startswith("statistics.")]
    shaken = replace(made, figures=made.figures.copy())
    shaken.figures[:, deaf] = 77.0
    told: list[Table] = []

    def spy(given: Table, *_: object, **__: object) -> SimpleNamespace:
        told.append(given)
        return SimpleNamespace(word=None)

    monkeypatch.setattr(nested, "nested", spy)
    for each in (made, shaken):
        figures.plain(each, 0, lambda _: None)
    np.testing.assert_array_equal(told[0].figures, told[1].figures)
    for k, name in enumerate(told[0].names):
        if name.startswith("statistics."):
            column = made.figures[:, made.names.index(name)]
            np.testing.assert_array_equal(told[0].figures[:, k], column)
    # The anchor is where the statistics among the anchors put it.
    chosen = [name for name in weighing.ANCHORS if name.startswith("statistics.")]
    columns = [made.names.index(f"{name}.a") for name in chosen]
    anchor, _ = weighing.anchored(told[0].names, told[0].figures)
    assert anchor[:, 0] == pytest.approx(np.median(made.figures[:, columns], axis=1))


@pytest.mark.usefixtures("quick")
def test_a_group_that_crosses_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    made = table(48)
    leaky = fit.folds(made.group, nested.FOLDS, 0)
    rows = np.flatnonzero(leaky == 0)
    one = rows[made.group[rows] == made.group[rows[0]]]
    # From the fold that is judged first to one that is then fitted on.
    leaky[one[0]] = 2
    monkeypatch.setattr(nested, "folds", lambda *_: leaky)
    with pytest.raises(ValueError, match="group"):
        nested.nested(made, 0, lambda _: None)


@pytest.mark.usefixtures("quick")
def test_no_picture_calibrates_its_own_fold() -> None:
    """What the looks said of a fold moves no probability and no verdict of that fold."""
    made = table(48)
    fold = fit.folds(made.group, nested.FOLDS, 0)
    heard = nested.nested(made, 0, lambda _: None)
    own = fold == 0
    turned = made.consensus.copy()
    swap = own & made.natural & np.isin(made.consensus, ("none", "evident"))
    turned[swap] = np.where(made.consensus[swap] == "none", "evident", "none")
    assert swap.any()
    other = nested._calibrated(replace(made, consensus=turned), heard.word, fold, {}, Risks())
    np.testing.assert_array_equal(other.word.probability[own], heard.word.probability[own])
    np.testing.assert_array_equal(other.verdict[own], heard.verdict[own])
    assert not np.allclose(other.word.probability[~own], heard.word.probability[~own])


def test_tones_that_the_trees_find_apart_are_not_clear() -> None:
    made = judged_only(np.ones(4, dtype=bool))
    casts = np.zeros((4, 4, 2))
    casts[1:, 1] = nested.TONES_APART / 2, 0.0
    casts[1:, 3] = -nested.TONES_APART / 2, 0.0
    eligible = np.array([[True, True], [True, True], [True, True], [False, True]])
    found = nested.eligible_by_trees(replace(made, eligible=eligible), _assess(casts), parts=1.0)
    assert found.tolist() == [[True, True], [False, True], [False, True], [False, True]]


def test_a_part_that_the_trees_find_apart_keeps_a_picture_from_clear() -> None:
    made = judged_only(np.arange(400) % 2 == 0)
    said = np.random.default_rng(4).normal(0, 1, 400)
    word = replace(_assess(np.zeros((400, 4, 2))), uneven=said)
    none, rows = made.consensus == "none", np.arange(0, 400, 3)
    level = nested.parts_apart(made, word, rows)
    assert (said[rows][none[rows]] >= level).mean() == pytest.approx(nested.PARTS_APART, abs=0.02)
    found = nested.eligible_by_trees(made, word, level)
    assert (found[:, 0] == (said < level)).all()
    assert found[:, 1].all()
    assert nested.parts_apart(made, word, np.flatnonzero(~none)) == 0.0


def test_a_calibration_finds_the_slope_and_offset_that_logits_lack() -> None:
    rng = np.random.default_rng(3)
    logit = rng.normal(0, 2, 20_000)
    evident = rng.random(len(logit)) < fit.probability(logit, (0.6, -0.8))
    consensus = np.where(evident, "evident", "none").astype("U11")
    # What no look could tell says nothing, wherever it lies.
    logit, consensus = np.append(logit, [99.0] * 50), np.append(consensus, ["cannot_tell"] * 50)
    assert fit.platt(logit, consensus) == pytest.approx((0.6, -0.8), abs=0.05)


@pytest.mark.usefixtures("quick")
def test_risks_that_are_given_set_the_verdicts(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def spy(*arguments: Any) -> Thresholds:  # noqa: ANN401 -- passed on as they are
        asked.append(arguments[3])
        return choose(*arguments)

    monkeypatch.setattr(nested, "choose", spy)
    risks = Risks(0.02, 0.2, 0.3)
    outcome = nested.nested(table(48), 0, lambda _: None, risks)
    assert asked == [risks] * nested.FOLDS
    assert [t.clear_held for t in outcome.thresholds] == ["share"] * nested.FOLDS


def test_every_table_is_shown_within_80_columns_and_is_plain_json(
    measured: tuple[Table, nested.Outcome, dict[str, Any]],
) -> None:
    figures = json.loads(json.dumps(measured[2], allow_nan=False))
    text = figures_text(figures)
    assert max(map(len, text.splitlines())) <= 80
    for words in (
        "median error",
        "plain fit, statistics alone",
        "within 45",
        "cannot_tell",
        "By kind of scene",
        "quay",
        "Crossed casts",
        "By kind of laid cast",
        "ECE, 10 bins of equal count",
        "a perfect forecaster",
        "AURC",
        "right to ask",
        "evident among clear",
        "at the mix assumed",
        "withheld",
        *ESTIMATORS.values(),
    ):
        assert words in text
    found = figures["laid"]["weighed"]["12"]["auc"]
    assert f"{found['value']:.3f}" in text


@pytest.mark.usefixtures("quick")
def test_a_judged_folder_is_measured_by_one_command(
    tmp_path: Path, photograph: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = table(30)
    clean = {str(f) for f in made.file[made.natural & (made.consensus == "none")]}
    with Image.open(photograph) as image:
        small = image.reduce(2)
    for name in clean:
        small.save(tmp_path / name, quality=92)
    (tmp_path / "manifest.csv").write_text("file,group,consensus\n")
    # Only the reading of the folder is left out: its figures are made up, its pictures are real.
    monkeypatch.setattr(commands, "gather", lambda *_: made)
    monkeypatch.setattr(second_opinion, "PICTURES", 1)
    before = {p: p.read_bytes() for p in modelfiles.models_folder().iterdir() if p.is_file()}
    lines: list[str] = []
    figures = evaluation_commands.measure_up(tmp_path, 0, 2, lines.append)
    assert {p: p.read_bytes() for p in before} == before
    assert figures["risks"]["ask"]["n"] == 30
    found = figures["second_opinion"]
    # One photograph a fold, four kinds of cast; a cast that no light lays is left out.
    assert 10 <= found["mend"]["all"]["written"]["n"] <= 5 * len(second_opinion.KINDS)
    assert found["hints"]["all"]["nearly"]["error"] is not None
    assert f"fold {nested.FOLDS} of {nested.FOLDS}" in lines[-1]
    assert "Copies corrected" in figures_text(figures)


@pytest.mark.usefixtures("quick")
def test_a_fold_is_studied_by_models_that_saw_none_of_its_groups(tmp_path: Path) -> None:
    made = table(48)
    outcome = nested.nested(made, 0, lambda _: None)
    folders = evaluation_commands.write_folds(made, outcome, tmp_path, 0, RISKS)
    fold = fit.folds(made.group, nested.FOLDS, 0)
    assert len(folders) == nested.FOLDS
    for k, (models, fitted) in enumerate(zip(folders, outcome.fitted, strict=True)):
        rows = np.isin(made.file, models.files)
        assert rows.any()
        assert set(fold[rows]) == {k}
        assert set(made.consensus[rows]) == {"none"}
        with np.load(models.folder / "fitted.npz") as arrays:
            np.testing.assert_array_equal(arrays["joint"], fitted.together)
            others = np.flatnonzero(made.natural & (fold != k))
            expected = fit.platt(outcome.word.logit[others], made.consensus[others])
            np.testing.assert_allclose(arrays["calibration"], expected)
        settings = json.loads((models.folder / "verdict.json").read_text())
        assert settings["clear_below"] == pytest.approx(outcome.thresholds[k].clear_below, abs=0.02)


# --- a folder without judgements ---------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, photograph: Path) -> Path:
    from skimage import data

    made = tmp_path_factory.mktemp("untouched")
    (made / "shoot").mkdir()
    with Image.open(photograph) as image:
        image.reduce(3).save(made / "flat.jpg", quality=95)
    for name, pixels in (("a.png", data.astronaut()[::2, ::2]), ("b.TIF", data.coffee()[::2, ::2])):
        Image.fromarray(pixels).save(made / "shoot" / name)
    (made / "shoot" / "broken.jpg").write_bytes(b"no picture at all")
    (made / "notes.txt").write_text("not a picture")
    return made


def test_sub_folders_are_groups_and_pictures_outside_them_stand_alone(folder: Path) -> None:
    names = {
        p.relative_to(folder).as_posix(): untouched.group_of(folder, p)
        for p in untouched.pictures(folder)
    }
    assert names == {
        "flat.jpg": "flat.jpg",
        "shoot/a.png": "shoot",
        "shoot/b.TIF": "shoot",
        "shoot/broken.jpg": "shoot",
    }


def test_a_folder_without_judgements_is_measured_by_the_shipped_models(folder: Path) -> None:
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    result = CliRunner().invoke(app, ["evaluate", str(folder), "--json", "--risk-cast", "0.2"])
    assert result.exit_code == 0, result.output
    figures = json.loads(result.stdout)
    assert figures["fit"] == "shipped"
    assert (figures["pictures"], figures["groups"]) == (3, 2)
    assert set(figures) & {"judged", "risks", "calibration"} == set()
    assert "broken.jpg" in result.stderr
    assert "risks given play no part" in result.stderr
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before
    text = figures_text(figures)
    assert "untouched is not clean" in " ".join(text.split())
    assert figures["model"] in text
    gains = [row["n"] for row in figures["laid"]["weighed"].values()]
    assert 0 < sum(gains) <= 15


def test_shipped_models_say_of_a_table_what_they_say_of_its_rows(folder: Path) -> None:
    rows = untouched._rows(folder, 1, folder / "flat.jpg")
    assert not isinstance(rows, str)
    made = tabulate(rows)
    word = untouched.shipped(made)
    told = dict(zip(made.names, made.figures[3], strict=True))
    assert weighing.predict([told]).probability[0] == pytest.approx(word.probability[3])
    off = np.hypot(*(word.casts[:, 0] - made.truth[:, 0]).T)
    assert np.median(off[made.kind == "gain"]) < np.median(
        np.hypot(*made.truth[made.kind == "gain", 0].T)
    )


def test_a_folder_of_nothing_is_named(tmp_path: Path) -> None:
    with pytest.raises(UnreadablePicture, match=r"manifest\.csv"):
        untouched.pictures(tmp_path)
    (tmp_path / "only.jpg").write_bytes(b"no")
    result = CliRunner().invoke(app, ["evaluate", str(tmp_path)])
    assert result.exit_code == 1
    assert "No picture in" in result.stderr
    assert "Traceback" not in result.output


# --- pictures of the figures -----------------------------------------------------------------


def test_every_plot_is_drawn_and_none_replaces_a_file(
    measured: tuple[Table, nested.Outcome, dict[str, Any]], tmp_path: Path
) -> None:
    to = tmp_path / "new" / "plots"
    curves.check_folder(to)
    paths = list(curves.draw(measured[2], to))
    assert [p.name for p in paths] == list(curves.DRAWN)
    assert sorted(p.name for p in to.iterdir()) == sorted(curves.DRAWN)
    for path in paths:
        with Image.open(path) as image:
            assert image.format == "PNG"
            assert min(image.size) > 500
            assert np.asarray(image.convert("L")).std() > 5
    with pytest.raises(OutputError, match="already"):
        curves.check_folder(to)
    with pytest.raises(OutputError, match="already"):
        list(curves.draw(measured[2], to))
    with pytest.raises(OutputError, match="no folder"):
        curves.check_folder(paths[0])


def test_plots_name_what_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    result = CliRunner().invoke(app, ["evaluate", str(tmp_path), "--plots", str(tmp_path / "p")])
    assert result.exit_code == 1
    assert "autocast[plot]" in result.stderr


def test_labels_are_kept_apart_and_in_order() -> None:
    heights = [0.7, 0.71, 0.9, 0.705]
    spaced = curves._spaced(heights, 0.02)
    assert np.diff(np.sort(spaced)).min() >= 0.02 - 1e-9
    assert list(np.argsort(spaced)) == list(np.argsort(heights))


@pytest.mark.parametrize("command", [["train", "--to", "m"], ["evaluate"]])
@pytest.mark.parametrize("option", ["--risk-clear", "--risk-missed", "--risk-cast"])
def test_fitting_and_measuring_refuse_what_is_no_share(command: list[str], option: str) -> None:
    result = CliRunner().invoke(app, [*command, "folder", option, "5"])
    assert result.exit_code == 2
    assert option in result.stderr
