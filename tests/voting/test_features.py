"""The features of a picture: nothing is lost, and left and right are alike."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from autocast.evidence.statistics import RANKS
from autocast.judgement.things import BY_NAME, CONTENT
from autocast.judging import prepare
from autocast.modelstore import default_models
from autocast.voting.analysis import Analysis
from autocast.voting.features import (
    ABLATED,
    dictionary,
    extract,
    leave_each_out,
    leave_out,
)
from tests import scenes
from tests.photographs import pixels

PICTURES = {
    "photograph": pixels("china"),
    "mirrored": pixels("china")[:, ::-1],
    "black": np.zeros((90, 120, 3), dtype=np.uint8),
    "one pixel": np.array([[[90, 120, 30]]], dtype=np.uint8),
    "a strip": scenes.developed(scenes.scene(scenes.QUAY, 5, (3, 500))),
}


@cache
def analysed(name: str) -> Analysis:
    return prepare(PICTURES[name])


@cache
def found(name: str) -> dict[str, float]:
    return extract(analysed(name))


# --- the dictionary ------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(PICTURES))
def test_exactly_what_the_dictionary_lists_is_extracted_in_its_order(name: str) -> None:
    assert list(found(name)) == list(dictionary())
    assert all(isinstance(value, float) for value in found(name).values())
    assert not any(math.isinf(value) for value in found(name).values())


def test_the_trees_were_grown_with_these_features() -> None:
    assert set(default_models().estimator.features) == set(dictionary())


def test_every_feature_is_described() -> None:
    for name, feature in dictionary().items():
        assert feature.name == name
        assert feature.kind in {*ABLATED, "joint", "scene"}, name
        assert name.split(".")[0] == feature.kind
        assert feature.meaning == feature.meaning.strip() != "", name
        assert feature.unit, name
        assert bool(feature.cast) == bool(feature.axis), name
        if feature.axis:
            assert name == f"{feature.cast}.{feature.axis}"
            other = f"{feature.cast}.{'b' if feature.axis == 'a' else 'a'}"
            assert dictionary()[other].cast == feature.cast


# --- left out ------------------------------------------------------------------------


def test_every_kind_of_evidence_can_be_left_out_and_what_is_shown() -> None:
    assert set(ABLATED) == {*BY_NAME, CONTENT}


@pytest.mark.parametrize("kind", ABLATED)
def test_what_is_left_out_is_not_a_number_and_the_count_is_taken_without_it(kind: str) -> None:
    before = found("photograph")
    after = leave_out(before, analysed("photograph"), kind)
    assert list(after) == list(before)
    changed = {name for name in before if not _same(before[name], after[name])}
    own = {name for name in before if dictionary()[name].kind == kind}
    assert own
    assert all(math.isnan(after[name]) for name in own)
    assert {dictionary()[name].kind for name in changed - own} <= {"joint"}
    # What the picture shows casts no vote.
    assert ("joint.a" in changed) == (kind != CONTENT)


@pytest.mark.parametrize("name", ["photograph", "black"])
def test_all_kinds_left_out_at_once_give_what_each_gives(name: str) -> None:
    before = found(name)
    at_once = leave_each_out(before, analysed(name))
    assert list(at_once) == list(ABLATED)
    for kind, after in at_once.items():
        alone = leave_out(before, analysed(name), kind)
        assert list(after) == list(alone)
        assert after == pytest.approx(alone, rel=1e-9, abs=1e-9, nan_ok=True)


def _same(one: float, other: float) -> bool:
    return one == other or (math.isnan(one) and math.isnan(other))


# --- left and right ----------------------------------------------------------------------


def test_a_mirrored_picture_has_the_same_features() -> None:
    one, other = found("photograph"), found("mirrored")
    for name, value in one.items():
        # Shares in the cells of a plane move in steps of whole pixels.
        near = 0.02 if ".plane" in name else 0.05
        assert other[name] == pytest.approx(value, abs=near, nan_ok=True), name


def test_the_side_farther_from_neutral_comes_first() -> None:
    # Greys of all lightnesses, so that both halves can be read.
    grey = np.random.default_rng(3).integers(60, 200, (120, 180, 1)).repeat(3, axis=2)
    for columns in (slice(None, 90), slice(90, None)):
        picture = grey.astype(np.float64) / 255
        picture[:, columns, 2] *= 0.75
        features = extract(prepare(picture))
        farther, nearer = (
            math.hypot(features[f"joint.{side}.a"], features[f"joint.{side}.b"])
            for side in ("farther", "nearer")
        )
        assert farther > nearer + 5
        assert features["joint.farther.b"] > 5


def test_a_half_that_cannot_be_read_is_the_nearer_one() -> None:
    picture = pixels("china").copy()
    picture[:, 320:] = 255
    features = extract(prepare(picture))
    assert math.isfinite(features["joint.farther.a"])
    assert math.isnan(features["joint.nearer.a"])


# --- ranks ---------------------------------------------------------------------------------


@pytest.mark.parametrize("power", [0.8, 1.3])
def test_a_curve_moves_ranks_as_it_moves_greys(power: float) -> None:
    plain = pixels("coffee")
    # Ranks are of the working pixels; area-averaging comes first and bends them a little.
    curved = plain.copy()
    curved[..., 0] = np.rint(255 * (plain[..., 0] / 255) ** power)
    before, after = (extract(prepare(picture)) for picture in (plain, curved))
    level = np.quantile(plain[..., 1] / 255, RANKS)
    for share, green in zip(RANKS[3:-3], level[3:-3], strict=True):
        name = f"statistics.rank_{share:g}"
        red = before[f"{name}.red"] + green
        assert after[f"{name}.blue"] == pytest.approx(before[f"{name}.blue"], abs=1e-3)
        assert after[f"{name}.red"] + green == pytest.approx(red**power, abs=0.03)
