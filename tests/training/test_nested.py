"""Judging groups that no fit has seen, and one rule for verdicts."""

from __future__ import annotations

import itertools
from dataclasses import replace
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
import pytest
from scipy.special import logit

from autocast.advisor import advice
from autocast.advisor.risk import CONSENSUS, Thresholds
from autocast.errors import UnreadablePicture
from autocast.evaluation.untouched import predictions_of
from autocast.judgement import Assumptions, Risks
from autocast.judgement.limits import (
    FITTED_PARTS_APART,
    MONOCHROME_PROBABILITY,
    PLAIN_FROM,
    SLIGHT_FROM,
)
from autocast.judging import prepare
from autocast.modelstore import default_models
from autocast.training import fit, nested
from autocast.training.gather import UNJUDGED, Table, found_of, tabulate
from autocast.training.risks import curve
from autocast.training.simulation import lay_cast
from autocast.voting.analysis import Analysis
from autocast.voting.conditioning import estimate_of
from autocast.voting.weighing import Weighed, weigh
from tests.photographs import pixels
from tests.tables import judged_only, predicted, table


@pytest.mark.usefixtures("small_trees")
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


@pytest.mark.parametrize("answer", ["evident", "none"])
def test_judgements_of_one_kind_alone_are_refused_in_words(answer: str) -> None:
    made = table(48)
    alike = replace(made, consensus=np.where(made.natural, answer, made.consensus))
    with pytest.raises(UnreadablePicture, match="Too few groups"):
        nested.nested(alike, 0, lambda _: None)


RISKS = Risks(0.02, 0.2, 0.3)


class Nested(NamedTuple):
    """A table, its folds, the groups that each fold's trees saw, and what came of it."""

    table: Table
    fold: fit.Rows
    seen: list[set[str]]
    outcome: nested.Outcome


@pytest.fixture(scope="module")
def judged(small_trees: None) -> Nested:  # noqa: ARG001 -- patches
    made = table(48)
    seen: list[set[str]] = []

    def spy(some: Table, fitting: fit.Rows, seed: int) -> fit.Fitted:
        seen.append(set(some.group[fitting]))
        return fit.grow(some, fitting, seed)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nested, "grow", spy)
        outcome = nested.nested(made, 0, lambda _: None, RISKS)
    return Nested(made, fit.folds(made.group, nested.FOLDS, 0), seen, outcome)


@pytest.mark.slow
def test_rows_are_judged_by_models_that_did_not_see_their_group(judged: Nested) -> None:
    made, fold, seen, outcome = judged
    assert len(outcome.fitted) == nested.FOLDS
    for k, (groups, fitted) in enumerate(zip(seen, outcome.fitted, strict=True)):
        assert groups
        assert not groups & set(made.group[fold == k])
        alone = fit.apply(fitted, made.features[fold == k])
        np.testing.assert_array_equal(outcome.predictions.casts[fold == k], alone.casts)
    assert not np.isnan(outcome.predictions.probability).any()


def test_evidence_is_withheld_when_a_picture_is_judged(judged: Nested) -> None:
    made, fold, _, outcome = judged
    own = fold[made.natural] == 0
    for kind, features in made.without.items():
        score = fit.apply(outcome.fitted[0], features[own]).logit
        odds = np.log(outcome.without[kind][own] / (1 - outcome.without[kind][own]))
        slope, offset = np.polyfit(score, odds, 1) if np.ptp(score) else (0.0, odds[0])
        assert odds == pytest.approx(slope * score + offset, abs=1e-6)
        assert (np.ptp(score) == 0) == np.isnan(features).all()


def test_no_picture_calibrates_its_own_fold(judged: Nested) -> None:
    """What the looks said of a fold moves no probability and no verdict of that fold."""
    made, fold, _, first = judged
    own = fold == 0
    turned = made.consensus.copy()
    swap = own & made.natural & np.isin(made.consensus, ("none", "evident"))
    turned[swap] = np.where(made.consensus[swap] == "none", "evident", "none")
    assert swap.any()
    other = nested._calibrated(replace(made, consensus=turned), first.predictions, fold, {}, RISKS)
    one, two = (each.predictions.probability for each in (first, other))
    np.testing.assert_array_equal(one[own], two[own])
    np.testing.assert_array_equal(other.verdict[own], first.verdict[own])
    assert not np.allclose(one[~own], two[~own])


def test_risks_that_are_given_set_the_verdicts(judged: Nested) -> None:
    made, fold, _, outcome = judged
    natural = np.flatnonzero(made.natural)
    for k, thresholds in enumerate(outcome.thresholds):
        found = nested.calibrate(made, outcome.predictions, natural[fold[natural] != k])
        assert thresholds == found.curve.thresholds(RISKS)
    assert [t.clear_held for t in outcome.thresholds] == ["share"] * nested.FOLDS


def test_verdict_and_estimate_do_not_contradict_each_other() -> None:
    made = judged_only(np.ones(6, dtype=bool))
    casts = np.zeros((6, 4, 2))
    casts[:, 0, 0] = np.array([0.0, SLIGHT_FROM, PLAIN_FROM, PLAIN_FROM, 0.0, 0.0])
    casts[5, 3, 1] = SLIGHT_FROM
    eligible = np.array([[True, True]] * 3 + [[True, False], [True, True], [True, True]])
    monochrome = np.arange(6) == 4
    given = replace(made, rules={"made up": ~eligible}, monochrome=monochrome)
    found = nested.with_estimates(given, predicted(casts), parts=1.0).eligible
    # A plain cast is not clear, a negligible one no cast; a black-and-white earns no such rule.
    assert found.tolist() == [
        [True, False], [True, True], [False, True], [False, False], [True, True], [True, True],
    ]  # fmt: skip


def test_a_part_that_the_trees_find_apart_keeps_a_picture_from_clear() -> None:
    made = judged_only(np.arange(400) % 2 == 0)
    uneven = np.random.default_rng(4).normal(0, 1, 400)
    predictions = predicted(np.zeros((400, 4, 2)))._replace(uneven=uneven)
    none, rows = made.consensus == "none", np.arange(0, 400, 3)
    level = nested.parts_apart(made, predictions, rows)
    beyond = (uneven[rows][none[rows]] >= level).mean()
    assert beyond == pytest.approx(FITTED_PARTS_APART, abs=0.02)
    found = nested.with_estimates(made, predictions, level).rules["parts_disagree"]
    assert (found[:, 0] == (uneven >= level)).all()
    assert not found[:, 1].any()
    assert nested.parts_apart(made, predictions, np.flatnonzero(~none)) == 0.0


# One rule for verdicts ------------------------------------------------------------------------

THRESHOLDS = Thresholds(0.2, 0.6)
ROWS = list(itertools.product((0.01, 0.2, 0.4, 0.9), (0.0, 4.0, PLAIN_FROM), (-1.0, 0.0)))
"""A probability, the size of the estimate, and log-odds of a part of its own."""


@pytest.fixture(scope="module")
def analyses() -> list[Analysis]:
    """A photograph as it is, under a cast, in black and white, and almost black the same."""
    colour = pixels("china")[::2, ::2]
    grey = np.repeat(colour.mean(axis=-1, keepdims=True), 3, axis=-1)
    cast = lay_cast(colour, np.random.default_rng(1), "gain", 14.0, 1.0).data
    shipped = default_models()
    verdict = {"clear_below": THRESHOLDS.clear_below, "cast_above": THRESHOLDS.cast_above}
    verdict |= {"parts_apart": 0.0, "monochrome": MONOCHROME_PROBABILITY}
    models = replace(shipped, verdict=MappingProxyType({**shipped.verdict, **verdict}))
    greys = (grey.astype(np.uint8), (grey / 12).astype(np.uint8))
    return [prepare(picture, models) for picture in (colour, cast, *greys)]


def weighed(analysis: Analysis, given: float, size: float, uneven: float) -> Weighed:
    """What is estimated of a picture, as made up."""
    casts = np.array([[size, 0.0]] * 4)
    made = estimate_of(casts, np.ones((4, 2)), np.eye(4))
    return Weighed(analysis, made, (), given, uneven, {}, {})


@pytest.mark.slow
def test_advisor_curve_and_evaluation_give_the_same_verdicts(analyses: list[Analysis]) -> None:
    rows, verdicts, probabilities = [], [], []
    for analysis, (given, size, uneven) in itertools.product(analyses, ROWS):
        judgement = advice.advise(weighed(analysis, given, size, uneven), Assumptions())
        verdicts.append(judgement.verdict)
        probabilities.append(judgement.probability)
        own = {"file": "a.jpg", "group": "a", "kind": "natural", "without": {}}
        rows.append({**UNJUDGED, **own, **found_of(analysis)})
    assert set(verdicts) == {"clear", "ask", "cast"}
    made = tabulate(rows)
    assert 0 < made.monochrome.sum() < len(rows)
    assert (made.monochrome & (np.array(verdicts) == "clear")).any()
    assert (made.monochrome & (np.array(verdicts) == "ask")).any()

    # As the nested fits give them.
    chances, sizes, unevens = np.array(ROWS * len(analyses)).T
    casts = np.zeros((len(rows), 4, 2))
    casts[..., 0] = sizes[:, None]
    odds = logit(chances)
    predictions = predicted(casts)._replace(logit=odds, uneven=unevens)
    eligible = nested.with_estimates(made, predictions, 0.0).eligible
    probability = nested.reported(odds, (1.0, 0.0), made.monochrome)
    assert probability == pytest.approx(probabilities, abs=1e-4)
    evaluated = THRESHOLDS.verdict(probability, eligible, made.monochrome)
    assert evaluated.tolist() == verdicts

    # As the curve counts them, at each of its levels, whatever the trees say of greys.
    consensus = np.resize(np.array(CONSENSUS), len(rows))
    counted = curve(chances, consensus, eligible, made.monochrome)
    for k, level in enumerate(counted.levels):
        at = Thresholds(level, level).verdict(chances, eligible, made.monochrome)
        for c, name in enumerate(CONSENSUS):
            called = at[consensus == name]
            assert counted.clear[k, c] == (called == "clear").sum()
            assert counted.cast[-1, c] - counted.cast[k, c] == (called == "cast").sum()


def test_shipped_models_are_evaluated_as_they_judge(analyses: list[Analysis]) -> None:
    shipped = default_models()
    assert shipped.verdict["monochrome"] == MONOCHROME_PROBABILITY
    names = ("clear_below", "cast_above")
    thresholds = Thresholds(*(shipped.verdict[name] for name in names))
    for analysis in analyses:
        found = found_of(analysis)
        own = {"file": "a.jpg", "group": "a", "kind": "natural", "without": {}}
        made = tabulate([{**UNJUDGED, **own, **found}])
        predictions = predictions_of(made, shipped)
        eligible = nested.with_estimates(made, predictions, shipped.verdict["parts_apart"]).eligible
        probability = nested.reported(predictions.logit, (1.0, 0.0), made.monochrome)
        verdict = thresholds.verdict(probability, eligible, made.monochrome)
        seen = replace(analysis, scene=replace(analysis.scene, models=shipped))
        judgement = advice.advise(weigh(seen), Assumptions())
        assert verdict[0] == judgement.verdict
        assert probability[0] == pytest.approx(judgement.probability, abs=1e-4)
