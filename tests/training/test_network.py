"""What is taken of the published network."""

from __future__ import annotations

import numpy as np
import pytest

from autocast.training.network import folded


def test_normalisation_is_folded_into_the_weights() -> None:
    rng = np.random.default_rng(2)
    state = {
        "conv.weight": rng.normal(size=(5, 3, 1, 1)),
        "norm.weight": rng.uniform(0.5, 2, 5),
        "norm.bias": rng.normal(size=5),
        "norm.running_mean": rng.normal(size=5),
        "norm.running_var": rng.uniform(0.5, 2, 5),
    }
    made = folded({name: value.astype(np.float32) for name, value in state.items()}, "conv", "norm")
    values = rng.normal(size=3)
    plain = state["conv.weight"][:, :, 0, 0] @ values
    normal = (plain - state["norm.running_mean"]) / np.sqrt(state["norm.running_var"] + 1e-3)
    expected = normal * state["norm.weight"] + state["norm.bias"]
    assert values @ made["weight"] + made["bias"] == pytest.approx(expected, abs=0.01)
