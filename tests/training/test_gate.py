"""The gate: which voices it learns to hear, and that its gradients are those of its loss."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from autocast.modelstore.gate import softmax
from autocast.training import gate
from autocast.training.gate import Lesson, fit_gate

ROWS, VOICES, TARGETS = 600, 5, 2


def lesson(seed: int = 1) -> Lesson:
    """The first voice is right where the input is high, the second where it is low.

    The last two stand for the trees, which err by more than either does where it is right.
    """
    rng = np.random.default_rng(seed)
    truth = rng.normal(0, 8, (ROWS, 1, 2)).repeat(TARGETS, axis=1)
    high = rng.random(ROWS) < 0.5
    error = np.stack(
        [np.where(high, 0.5, 12.0), np.where(high, 12.0, 0.5), np.full(ROWS, 9.0)]
        + [np.full(ROWS, 4.0)] * TARGETS,
        axis=1,
    )
    voices = truth[:, :1] + rng.normal(0, 1, (ROWS, VOICES, 2)) * error[..., None]
    silent = np.zeros((ROWS, VOICES), dtype=bool)
    silent[::7, 0] = True
    voices[silent] = np.nan
    inputs = np.stack([np.where(high, 1.0, -1.0), rng.normal(0, 1, ROWS)], axis=1)
    return Lesson(inputs, silent, voices, truth, np.ones((ROWS, TARGETS)))


def test_the_voice_that_is_right_is_heard_where_it_is_right(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(gate, "TREES_SHARE", 0.0)
    some = lesson()
    weights = fit_gate(some, 1, 0)(some.inputs, some.silent)
    assert weights.sum(axis=-1) == pytest.approx(1)
    assert not weights[some.silent[:, None].repeat(TARGETS, axis=1)].any()
    high, heard = some.inputs[:, 0] > 0, ~some.silent[:, 0]
    # Inputs are dropped in fitting, so that it never quite relies on one.
    assert weights[high & heard, :, 0].mean() > 0.5
    assert weights[~high, :, 1].mean() > 0.5
    fresh = lesson(2)
    said = np.nan_to_num(fresh.voices)
    found = fit_gate(some, 1, 0)(fresh.inputs, fresh.silent) @ said
    off = np.hypot(*np.moveaxis(found - fresh.truth, -1, 0))
    alone = np.hypot(*np.moveaxis(said[:, 3:] - fresh.truth, -1, 0))
    assert np.median(off) < 0.6 * np.median(alone)


def test_trees_are_given_their_share_beforehand() -> None:
    some = lesson()
    weights = fit_gate(some, 1, 0)(some.inputs, some.silent)
    for target in range(TARGETS):
        assert (weights[:, target, VOICES - TARGETS + target] >= gate.TREES_SHARE).all()
    assert weights.sum(axis=-1) == pytest.approx(1)


def test_the_same_seed_fits_the_same_gate() -> None:
    one, two, other = (fit_gate(lesson(), 2, seed) for seed in (3, 3, 4))
    np.testing.assert_array_equal(one.hidden, two.hidden)
    assert not np.array_equal(one.hidden, other.hidden)
    assert not np.array_equal(one.hidden[0], one.hidden[1])


def test_gradients_are_those_of_the_loss() -> None:
    """Against differences, in double precision."""
    some, rng = lesson(), np.random.default_rng(5)
    rows = slice(0, 20)
    said = np.nan_to_num(some.voices[rows])
    truth, weight = some.truth[rows], rng.uniform(0.5, 2, (20, TARGETS))
    layers: list[NDArray[np.floating[Any]]] = [
        rng.normal(0, 0.5, shape)
        for shape in ((2, 4), (4,), (4, TARGETS * VOICES), (TARGETS * VOICES,))
    ]
    shown, silent = some.inputs[rows], some.silent[rows]

    def loss() -> float:
        units = np.maximum(shown @ layers[0] + layers[1], 0)
        logits = (units @ layers[2] + layers[3]).reshape(20, TARGETS, VOICES)
        off = softmax(logits, silent) @ said - truth
        return float((weight * np.sqrt((off**2).sum(axis=-1) + 1)).sum() / 20)

    found = gate._gradients(layers, shown, silent, said, truth, weight)
    for layer, gradient in zip(layers, found, strict=True):
        for at in [(0,) * layer.ndim, tuple(side - 1 for side in layer.shape)]:
            kept, step = layer[at], 1e-5
            layer[at] = kept + step
            above = loss()
            layer[at] = kept - step
            below = loss()
            layer[at] = kept
            assert gradient[at] == pytest.approx((above - below) / (2 * step), rel=2e-3, abs=2e-5)
