"""Growing trees, their calibration, and their export."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, strategies as st
from numpy.typing import NDArray
from sklearn.metrics import roc_auc_score

from autocast.judgement import EVIDENT_FROM
from autocast.modelstore import trees
from autocast.modelstore.gate import unpack_gate
from autocast.training import fit
from autocast.training.gather import Table
from autocast.voting.fitted import (
    Given,
    Layout,
    anchored,
    probability_of,
    second_stage,
    spread_inputs,
    weighted,
)
from autocast.voting.voices import gate_inputs, voices_of
from tests.tables import NAMES, table


def _with_gaps() -> Table:
    """A table some of whose features could not be read."""
    made = table(90)
    made.features[np.random.default_rng(1).random(made.features.shape) < 0.05] = np.nan
    return made


def _sides(made: Table) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    fold = fit.folds(made.group, 3, 0)
    return np.flatnonzero(fold != 0), np.flatnonzero(fold == 0)


@given(
    st.lists(st.integers(0, 40), min_size=8, max_size=200), st.integers(2, 6), st.integers(0, 99)
)
def test_folds_are_of_whole_groups_and_about_equally_large(
    groups: list[int], count: int, seed: int
) -> None:
    assume(len(set(groups)) >= count)
    names = np.array([str(g) for g in groups])
    fold = fit.folds(names, count, seed)
    np.testing.assert_array_equal(fold, fit.folds(names, count, seed))
    for name in set(names):
        assert len(set(fold[names == name])) == 1
    sizes = np.bincount(fold, minlength=count)
    largest = np.unique(names, return_counts=True)[1].max()
    assert np.ptp(sizes) <= largest


def test_another_seed_makes_other_folds() -> None:
    names = np.arange(60).astype(str).repeat(3)
    one, other = (fit.folds(names, 5, seed) for seed in (1, 2))
    assert np.bincount(one).tolist() == np.bincount(other).tolist() == [36] * 5
    assert (one != other).any()


@pytest.fixture(scope="module")
def grown(small_trees: None) -> tuple[Table, NDArray[np.intp], fit.Fitted]:  # noqa: ARG001 -- patches
    """A table, its rows that no tree saw, and the trees."""
    made = _with_gaps()
    fitting, aside = _sides(made)
    return made, aside, fit.grow(made, fitting, 0)


@pytest.mark.slow
def test_walked_trees_predict_what_scikit_learn_predicts(
    grown: tuple[Table, NDArray[np.intp], fit.Fitted],
) -> None:
    made, aside, fitted = grown
    stored = fit.export(fitted)
    first, spread, last, uneven = (
        trees.unpack(stored, name) for name in ("first", "spread", "last", "uneven")
    )
    anchor, relative = anchored(made.names, made.features[aside])
    outputs = first(relative)
    given_first = relative[:, Layout.of(made.names).first]
    assert 0 < given_first.shape[1] < relative.shape[1]
    # Leaves are stored in single precision.
    for column, model in zip(outputs.T, fitted.first, strict=True):
        assert column == pytest.approx(model.predict(given_first), abs=1e-5)
        assert np.ptp(column) > 0
    found = fit.apply(fitted, made.features[aside])
    assert outputs[:, 0] + anchor[:, 0] == pytest.approx(found.trees[:, 0, 0], abs=1e-5)
    voices = voices_of(made.names, made.features[aside], found.trees)
    inputs, silent = gate_inputs(made.names, made.features[aside], anchor, voices)
    weights = unpack_gate(stored)(inputs, silent)
    assert weights.sum(axis=-1) == pytest.approx(1)
    assert (weights >= 0).all()
    assert not weights[np.broadcast_to(silent[:, None], weights.shape)].any()
    casts, scatter = weighted(voices, weights)
    np.testing.assert_allclose(casts, found.casts, atol=1e-5)
    sure = spread(spread_inputs(relative, anchor, casts, scatter))
    assert np.exp(sure) == pytest.approx(found.deviation.reshape(-1, 8), abs=1e-5)
    given = Given.plain(found.casts, found.deviation)
    features = second_stage(made.names, made.features[aside], given)
    assert last(features).mean(axis=1) == pytest.approx(found.logit, abs=1e-5)
    assert uneven(features)[:, 0] == pytest.approx(found.uneven, abs=1e-5)
    assert np.ptp(found.uneven) > 0


@pytest.mark.slow
def test_the_same_seed_grows_the_same_trees(
    grown: tuple[Table, NDArray[np.intp], fit.Fitted],
) -> None:
    made, _, fitted = grown
    one, two = (fit.export(each) for each in (fitted, fit.grow(made, _sides(made)[0], 0)))
    assert one.keys() == two.keys()
    for name, array in one.items():
        np.testing.assert_array_equal(array, two[name])


def test_errors_that_are_correlated_are_found_to_be() -> None:
    drawn = np.random.default_rng(2)
    given = np.array(
        [[1, 0.7, 0.9, 0.8], [0.7, 1, 0.8, 0.5], [0.9, 0.8, 1, 0.8], [0.8, 0.5, 0.8, 1]]
    )
    errors = drawn.multivariate_normal(np.zeros(4), given, (2000, 2)).transpose(0, 2, 1)
    found = fit._correlation(errors)
    np.testing.assert_allclose(found, given, atol=0.05)


def test_an_estimate_follows_a_known_cast(
    grown: tuple[Table, NDArray[np.intp], fit.Fitted],
) -> None:
    made, aside, fitted = grown
    found = fit.apply(fitted, made.features[aside])
    gain = made.kind[aside] == "gain"
    error = np.hypot(*(found.casts[gain, 0] - made.truth[aside][gain, 0]).T)
    assert np.median(error) < 2.0


@pytest.mark.slow
@pytest.mark.usefixtures("small_trees")
def test_a_cast_on_a_part_of_the_frame_is_told_from_one_over_all() -> None:
    made = _with_gaps()
    # Any one feature that parts alone have: here the lightness.
    partly = (made.kind == "part") & (made.worst >= EVIDENT_FROM)
    made.features[:, NAMES.index("scene.lightness")] = np.where(partly, 40.0, 50.0)
    fitting, aside = _sides(made)
    uneven = fit.apply(fit.grow(made, fitting, 0), made.features[aside]).uneven
    assert roc_auc_score(partly[aside], uneven) > 0.95


def test_a_calibration_finds_the_slope_and_offset_that_logits_lack() -> None:
    rng = np.random.default_rng(3)
    logit = rng.normal(0, 2, 20_000)
    evident = rng.random(len(logit)) < probability_of(logit, (0.6, -0.8))
    consensus = np.where(evident, "evident", "none").astype("U11")
    # What no look could tell says nothing, wherever it lies.
    logit, consensus = np.append(logit, [99.0] * 50), np.append(consensus, ["cannot_tell"] * 50)
    assert fit.platt(logit, consensus) == pytest.approx((0.6, -0.8), abs=0.05)
    # Rows that count twice count as two.
    twice = fit.platt(np.tile(logit[:900], 2), np.tile(consensus[:900], 2))
    weighted = fit.platt(logit[:900], consensus[:900], np.full(900, 2.0))
    assert weighted == pytest.approx(twice, abs=1e-3)


def test_casts_that_cannot_be_read_do_not_anchor() -> None:
    features = np.full((1, len(NAMES)), np.nan)
    features[0, 0:2] = (6.0, -3.0)
    anchor, _ = anchored(NAMES, features)
    assert anchor[0] == pytest.approx((6.0, -3.0))
    nothing, _ = anchored(NAMES, np.full((1, len(NAMES)), np.nan))
    assert nothing[0] == pytest.approx((0.0, 0.0))


def test_a_cast_shifts_relative_features_by_nothing() -> None:
    made = _with_gaps()
    casts = Layout.of(NAMES).casts
    shifted = replace(made, features=made.features.copy())
    shifted.features[:, casts[:, 0]] += 5.0
    one, relative = anchored(NAMES, made.features)
    two, moved = anchored(NAMES, shifted.features)
    assert two[:, 0] - one[:, 0] == pytest.approx(5.0)
    np.testing.assert_allclose(moved[:, casts], relative[:, casts], atol=1e-9)
