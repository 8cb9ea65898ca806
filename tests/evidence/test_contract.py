"""What every kind of evidence owes: one contract over all of them."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import pytest

import autocast
from autocast import judging
from autocast.colour import cast_to_shift, shift_to_cast
from autocast.colour.grid import grid
from autocast.evidence import kinds, statistics
from autocast.judgement import Evidence, Judgement
from autocast.judgement.things import CLASSES
from autocast.modelstore import default_models
from autocast.voting.analysis import Analysis
from autocast.voting.features import extract, leave_out
from autocast.voting.fitted import estimate
from autocast.voting.posterior import count
from tests import scenes
from tests.scenes import Bytes

KINDS = [kind.kind for kind in kinds()]
OF = {kind.kind: kind for kind in kinds()}

PLAIN_SKY = (62.0, -2.0, -25.0)

LAYERS = {
    "quay": scenes.QUAY,
    "fair": scenes.fair(PLAIN_SKY),
    "portrait": scenes.portrait((63.9, 14.0, 16.1)),
    "painted": scenes.PAINTED,
}
SHOWS = {"neutrals": "quay", "sky": "fair", "vegetation": "fair", "skin": "portrait"}
"""A picture in which each class is plainly there."""

PICTURES = {
    **{name: scenes.developed(scenes.scene(layers, 21), 21) for name, layers in LAYERS.items()},
    "all white": np.full((90, 120, 3), 255, dtype=np.uint8),
    "all black": np.zeros((90, 120, 3), dtype=np.uint8),
    "one pixel": np.array([[[90, 120, 30]]], dtype=np.uint8),
    "a strip": scenes.developed(scenes.scene(scenes.QUAY, 5, (3, 500))),
}


@dataclass(frozen=True)
class Opened:
    analysis: Analysis
    judgement: Judgement

    def evidence(self, kind: str) -> Evidence:
        (found,) = [e for e in self.judgement.evidence if e.kind == kind]
        return found


def opened(picture: Bytes) -> Opened:
    return Opened(judging.prepare(picture), autocast.judge(picture))


@functools.cache
def of(name: str) -> Opened:
    return opened(PICTURES[name])


@functools.cache
def quay_under(cast: tuple[float, float]) -> Opened:
    # Exposed so that no light clips.
    dim = scenes.scene(scenes.QUAY, 21) * 0.55
    return opened(scenes.developed(scenes.under(dim, cast), 21))


every_kind = pytest.mark.parametrize("kind", KINDS)
every_picture = pytest.mark.parametrize("name", sorted(PICTURES))


def test_kinds_have_names_and_words_of_their_own() -> None:
    assert len(set(KINDS)) == len(KINDS)
    assert len({kind.label for kind in kinds()}) == len(kinds())
    assert set(CLASSES) <= set(KINDS)


@every_kind
def test_a_kind_votes_in_one_way_only(kind: str) -> None:
    assert (OF[kind].vote is None) != (OF[kind].picture_wide is None)


@every_picture
@every_kind
def test_a_vote_is_a_finite_log_likelihood_over_the_grid(kind: str, name: str) -> None:
    vote = of(name).analysis.votes[kind]
    assert vote.kind == kind
    assert vote.log_likelihood.shape == (len(grid()),)
    assert np.isfinite(vote.log_likelihood).all()
    mean, covariance = vote.reading
    assert np.isfinite(mean).all()
    assert (np.linalg.eigvalsh(covariance) > 0).all()


@every_picture
@every_kind
def test_shares_weights_and_places_lie_within_bounds(kind: str, name: str) -> None:
    found = of(name).evidence(kind)
    assert 0 <= found.share <= 1
    assert 0 <= found.weight <= 1
    assert found.drove is not None
    assert found.drove_probability is not None
    assert found.drove >= 0
    assert abs(found.drove_probability) <= 1
    assert found.label == OF[kind].label
    for place in found.where:
        assert place.width > 0
        assert place.height > 0
        assert min(place.x, place.y) >= 0
        assert place.x + place.width <= 1 + 1e-9
        assert place.y + place.height <= 1 + 1e-9
    if found.reads is not None:
        # It should read its target at the lightness that it has.
        assert found.expected is not None
        assert found.expected.lightness == pytest.approx(found.reads.lightness, abs=0.01)


@every_picture
@every_kind
def test_leaving_a_kind_out_gives_a_whole_estimate(kind: str, name: str) -> None:
    rest = count(of(name).analysis.log_likelihoods, without=kind)
    assert rest.posterior.shape == (len(grid()),)
    assert rest.posterior.sum() == pytest.approx(1)
    assert (rest.posterior >= 0).all()
    assert np.isfinite(rest.mean).all()
    for part in rest.parts.values():
        assert np.isfinite(part.mean).all()
        assert (np.linalg.eigvalsh(part.covariance) > 0).all()


@every_kind
def test_what_drove_it_is_what_leaving_it_out_moves(kind: str) -> None:
    seen = of("fair")
    found = seen.evidence(kind)
    features = extract(seen.analysis)
    less = leave_out(features, seen.analysis, kind)
    whole, rest = estimate([features, less], default_models().estimator).casts[:, 0]
    if found.explains is None:
        assert found.drove == found.weight == 0
    else:
        assert found.drove == pytest.approx(math.hypot(*(rest - whole)), abs=0.001)


# --- found where it is, silent where it is not -------------------------------------------------


@pytest.mark.parametrize("kind", sorted(SHOWS))
def test_a_class_is_found_where_it_plainly_is(kind: str) -> None:
    found = of(SHOWS[kind]).evidence(kind)
    assert found.share > 0.04
    assert found.reads is not None
    assert found.explains is not None
    assert found.where


# Each picture is without the classes named, by construction.
WITHOUT = [
    ("sky", "quay"),
    ("skin", "quay"),
    ("vegetation", "quay"),
    ("skin", "fair"),
    ("sky", "portrait"),
    ("vegetation", "portrait"),
    *((kind, name) for kind in KINDS for name in ("all white", "all black")),
]


@pytest.mark.parametrize(("kind", "name"), WITHOUT)
def test_a_picture_without_such_things_makes_a_kind_silent(kind: str, name: str) -> None:
    found = of(name).evidence(kind)
    assert found.stance == "silent"
    assert found.reads is None
    assert found.explains is None
    assert found.weight == found.drove == found.drove_probability == 0
    assert found.where == ()


# --- a vote follows the light ------------------------------------


CASTS = [(-12.0, 0.0), (9.0, -9.0), (0.0, -12.0), (4.0, 12.0), (12.0, 3.0)]


@pytest.mark.parametrize("cast", CASTS)
@pytest.mark.parametrize(("kind", "left_behind"), [("neutrals", 0.15), ("statistics", 0.42)])
def test_the_vote_moves_with_a_cast_laid_in_linear_light(
    kind: str, left_behind: float, cast: tuple[float, float]
) -> None:
    before, _ = quay_under((0.0, 0.0)).analysis.votes[kind].reading
    after, _ = quay_under(cast).analysis.votes[kind].reading
    off = math.hypot(*(after - before - cast))
    # The least-chroma tenth takes a cast to be small, and holds the statistics back.
    assert off < left_behind * math.hypot(*cast)


GAIN_FOLLOWS_GAIN = (
    "grey_world",
    "shades_of_grey",
    "white_patch",
    "grey_edge_1",
    "grey_edge_2",
    "grey_pixels",
)
"""Estimators that one gain per channel passes through unchanged (from their formulas)."""


@pytest.mark.parametrize("cast", CASTS)
@pytest.mark.parametrize("name", GAIN_FOLLOWS_GAIN)
def test_an_estimator_moves_as_the_light_does(name: str, cast: tuple[float, float]) -> None:
    before = statistics.measure(quay_under((0.0, 0.0)).analysis.scene)[name]
    after = statistics.measure(quay_under(cast).analysis.scene)[name]
    expected = shift_to_cast(cast_to_shift(before) + cast_to_shift(cast))
    # Noise, rounding to 8 bits and what clips at white keep it from being exact.
    assert after == pytest.approx(tuple(expected), abs=0.15 * math.hypot(*cast))
