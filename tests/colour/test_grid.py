"""The grid of casts and what a posterior on it says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from autocast.colour import lab_to_linear, shift_to_cast
from autocast.colour.grid import (
    REACH,
    STEP,
    Floats,
    gaussian,
    grid,
    mean_and_covariance,
    peaks,
    posterior,
)

few = settings(max_examples=25)
# The grid ends where no light reaches, which is near on the side of cyan.
towards_warm = st.floats(-10, 25)


def at(a: float, b: float) -> int:
    """The node of a cast."""
    (node,) = np.flatnonzero((grid().casts == (a, b)).all(axis=1))
    return int(node)


def normal(a: float, b: float, spread: float) -> Floats:
    off = grid().casts - (a, b)
    return posterior(-(off**2).sum(axis=1) / (2 * spread**2))


# --- the grid -----------------------------------------------------------------


def test_the_grid_is_made_once() -> None:
    assert grid() is grid()


def test_no_cast_is_on_the_grid() -> None:
    assert np.allclose(grid().shifts[at(0, 0)], 0, atol=1e-12)


def test_nodes_lie_on_the_lattice_once_each_and_within_reach() -> None:
    casts = grid().casts
    assert len(np.unique(casts, axis=0)) == len(casts) == len(grid())
    assert np.allclose(casts / STEP, np.rint(casts / STEP))
    assert np.abs(casts).max() == REACH


def test_every_cast_that_a_positive_light_lays_is_there_and_no_other() -> None:
    axis = np.arange(-REACH, REACH + 1, STEP)
    every = np.array([(60.0, a, b) for a in axis for b in axis])
    lit = every[(lab_to_linear(every) > 0).all(axis=1)][:, 1:]
    assert {tuple(c) for c in lit} == {tuple(c) for c in grid().casts}


def test_shifts_lead_back_to_their_casts() -> None:
    assert np.allclose(shift_to_cast(grid().shifts), grid().casts, atol=1e-8)


def test_neighbours_are_one_step_away_and_mutual() -> None:
    lattice = grid()
    neighbours = lattice.around[1:].T
    assert (lattice.around[0] == np.arange(len(lattice))).all()
    for node, around in enumerate(neighbours):
        others = around[around >= 0]
        assert len(set(others)) == len(others)
        off = np.abs(lattice.casts[others] - lattice.casts[node])
        assert (off.max(axis=1) == STEP).all()
        for other in others:
            assert node in neighbours[other]


def test_a_node_inside_has_eight_neighbours_and_one_on_the_rim_at_most_five() -> None:
    lattice = grid()
    count = (lattice.around[1:] >= 0).sum(axis=0)
    assert count[at(0, 0)] == 8
    assert count[lattice.edge].max() <= 5


def test_the_edge_is_the_rim_of_the_square_only() -> None:
    lattice = grid()
    assert lattice.edge.any()
    assert (np.abs(lattice.casts[lattice.edge]).max(axis=1) == REACH).all()
    assert (np.abs(lattice.casts[~lattice.edge]).max(axis=1) < REACH).all()


# --- posteriors --------------------------------------------------------------------


@few
@given(st.integers(0, 2**32 - 1), st.floats(0.1, 2000), st.floats(-1e5, 1e5))
def test_a_posterior_sums_to_one_whatever_the_scale(seed: int, scale: float, level: float) -> None:
    logs = np.random.default_rng(seed).normal(size=len(grid())) * scale + level
    weights = posterior(logs)
    assert weights.sum() == pytest.approx(1)
    assert (weights >= 0).all()
    assert weights.argmax() == logs.argmax()


def test_a_constant_changes_no_posterior() -> None:
    logs = np.random.default_rng(0).normal(size=len(grid()))
    assert np.allclose(posterior(logs), posterior(logs - 740))


@few
@given(towards_warm, towards_warm, st.floats(2.5, 4))
def test_mean_and_covariance_of_a_gaussian_are_its_own(a: float, b: float, spread: float) -> None:
    mean, covariance = mean_and_covariance(normal(a, b, spread))
    assert mean == pytest.approx([a, b], abs=0.3)
    # A cell adds its own spread to that of its middle (Sheppard 1898).
    assert np.diag(covariance) == pytest.approx([spread**2 + STEP**2 / 12] * 2, rel=0.15)
    assert covariance[0, 1] == pytest.approx(covariance[1, 0])
    assert covariance[0, 1] == pytest.approx(0, abs=0.15 * spread**2)


def test_a_single_node_keeps_the_spread_of_its_cell() -> None:
    weights = np.zeros(len(grid()))
    weights[at(6, -9)] = 1
    mean, covariance = mean_and_covariance(weights)
    assert mean == pytest.approx([6, -9])
    assert covariance == pytest.approx(np.eye(2) * STEP**2 / 12)


# --- gaussians -------------------------------------------------------------------------


def test_a_gaussian_without_wild_readings_is_the_normal_density() -> None:
    mean, covariance = np.array([3.0, -5.0]), np.array([[9.0, 4.0], [4.0, 16.0]])
    logs = gaussian(mean, covariance, 0.0)
    off = grid().casts - mean
    expected = [
        -0.5 * d @ np.linalg.inv(covariance) @ d
        - np.log(2 * np.pi)
        - 0.5 * np.log(np.linalg.det(covariance))
        + 2 * np.log(STEP)
        for d in off[::97]
    ]
    assert logs[::97] == pytest.approx(expected)


@few
@given(towards_warm, towards_warm, st.floats(2.5, 4), st.floats(0.01, 0.5))
def test_the_likelihood_over_the_grid_sums_to_one(
    a: float, b: float, spread: float, wild: float
) -> None:
    total = np.exp(gaussian(np.array([a, b]), np.eye(2) * spread**2, wild)).sum()
    assert total == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize("far", [1e2, 1e4, 1e8])
def test_a_reading_far_off_the_grid_says_nothing(far: float) -> None:
    logs = gaussian(np.array([far, far]), np.eye(2) * 9, 0.05)
    assert np.isfinite(logs).all()
    assert np.ptp(logs) == pytest.approx(0, abs=1e-9)


def test_the_wild_share_is_the_floor() -> None:
    logs = gaussian(np.zeros(2), np.eye(2) * 9, 0.1)
    assert logs.min() == pytest.approx(np.log(0.1 / len(grid())), abs=1e-6)


def test_a_vote_far_from_all_others_does_not_drag_them() -> None:
    some = [gaussian(np.array([x, 0.0]), np.eye(2) * 9, 0.05) for x in (-1, 0, 1)]
    stray = gaussian(np.array([40.0, 0.0]), np.eye(2) * 9, 0.05)
    mean, _ = mean_and_covariance(posterior(sum(some) + stray))
    assert mean == pytest.approx([0, 0], abs=0.1)


# --- peaks --------------------------------------------------------------------------------


def test_one_hill_has_one_peak() -> None:
    ((a, b, share),) = peaks(normal(4, -7, 4))
    assert (a, b) == pytest.approx((4, -7), abs=0.2)
    assert share == pytest.approx(1)


@pytest.mark.parametrize("share", [0.5, 0.65, 0.9])
def test_two_hills_have_two_peaks_with_their_shares(share: float) -> None:
    first, second = peaks(share * normal(-9, 6, 3) + (1 - share) * normal(12, -15, 3))[:2]
    if share == 0.5:
        first, second = sorted((first, second))
    assert first == pytest.approx((-9, 6, share), abs=0.3)
    assert second == pytest.approx((12, -15, 1 - share), abs=0.3)


def test_peaks_share_out_everything_the_largest_first() -> None:
    weights = posterior(np.random.default_rng(1).normal(size=len(grid())))
    found = peaks(weights)
    shares = [share for _, _, share in found]
    assert len(found) > 10
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) == pytest.approx(1)


def test_a_far_ridge_climbs_all_the_way() -> None:
    # From one corner of the square to the other: no climb may stop half way.
    casts = grid().casts
    ((a, b, share),) = peaks(posterior(-np.hypot(casts[:, 0] - 60, casts[:, 1] - 0) / 50))
    assert share == pytest.approx(1)
    assert a < 60
    assert abs(b) < 60


def test_peaks_of_nothing_known() -> None:
    assert sum(share for _, _, share in peaks(np.full(len(grid()), 1 / len(grid())))) == (
        pytest.approx(1)
    )
