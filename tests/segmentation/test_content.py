"""What the picture seems to show: the network, and what becomes of its word."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import correlate2d
from skimage import data

from autocast.advisor.advice import CONTENT_NAMED, _content_evidence
from autocast.judgement.things import CONTENT
from autocast.picture import open_picture
from autocast.segmentation import content
from autocast.training import network
from autocast.voting.features import ABLATED

TOLD_BY_PYTORCH = (
    -3.340, 0.751, 2.142, 3.192, 2.574, -0.088, 3.461,
    3.344, -2.705, -1.766, 3.196, -1.932, 5.646, -0.901,
)  # fmt: skip
"""Every eighth channel's mean over scikit-image's picture *coffee*, as PyTorch 2.13 has it.

From the package's own model in single precision, its first eleven blocks.
"""


def test_the_network_says_what_its_makers_model_says() -> None:
    seen = content._seen(open_picture(data.coffee()))
    told = content.activations(seen).mean(axis=(0, 1))
    assert told.shape == (112,)
    assert told[::8] == pytest.approx(TOLD_BY_PYTORCH, abs=0.03)


def test_a_picture_and_its_mirror_tell_the_same() -> None:
    picture = data.astronaut()
    one, other = (content.see(open_picture(p)) for p in (picture, picture[:, ::-1]))
    assert list(one.values()) == pytest.approx(list(other.values()), abs=1e-3)


@pytest.mark.parametrize("stride", [1, 2])
@pytest.mark.parametrize("side", [3, 5])
def test_each_channel_is_filtered_as_by_scipy(side: int, stride: int) -> None:
    rng = np.random.default_rng(side)
    values = rng.normal(size=(12, 12, 4)).astype(np.float32)
    weight = rng.normal(size=(side, side, 4)).astype(np.float32)
    bias = rng.normal(size=4).astype(np.float32)
    out = content._depthwise(values, (weight, bias), stride)
    for c in range(4):
        whole = correlate2d(values[..., c], weight[..., c], mode="same")
        # "Same" padding puts the odd zero right and below: windows begin one later.
        off = stride - 1
        assert out[..., c] == pytest.approx(whole[off::stride, off::stride] + bias[c], abs=1e-4)


def test_a_full_filter_adds_the_channels_up() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=(8, 8, 3)).astype(np.float32)
    weight = rng.normal(size=(3, 3, 3, 2)).astype(np.float32)
    out = content._strided(values, (weight, np.zeros(2, dtype=np.float32)))
    for d in range(2):
        whole = sum(correlate2d(values[..., c], weight[..., c, d], mode="same") for c in range(3))
        assert out[..., d] == pytest.approx(whole[1::2, 1::2], abs=1e-4)


def test_normalisation_is_folded_into_the_weights() -> None:
    rng = np.random.default_rng(2)
    state = {
        "conv.weight": rng.normal(size=(5, 3, 1, 1)),
        "norm.weight": rng.uniform(0.5, 2, 5),
        "norm.bias": rng.normal(size=5),
        "norm.running_mean": rng.normal(size=5),
        "norm.running_var": rng.uniform(0.5, 2, 5),
    }
    made = network.folded(
        {name: value.astype(np.float32) for name, value in state.items()}, "conv", "norm"
    )
    values = rng.normal(size=3)
    plain = state["conv.weight"][:, :, 0, 0] @ values
    normal = (plain - state["norm.running_mean"]) / np.sqrt(state["norm.running_var"] + 1e-3)
    expected = normal * state["norm.weight"] + state["norm.bias"]
    assert values @ made["weight"] + made["bias"] == pytest.approx(expected, abs=0.01)


def test_it_can_be_withheld_like_any_evidence() -> None:
    assert CONTENT in ABLATED
    assert set(content.see(open_picture(data.rocket()))) == {
        f"{CONTENT}.{k:03d}" for k in range(112)
    }


@pytest.mark.parametrize(
    ("adds", "verdict", "stance"),
    [
        (0.2, "cast", "for"),
        (0.2, "clear", "against"),
        (-0.2, "clear", "for"),
        (-0.2, "ask", "against"),
    ],
)
def test_it_speaks_for_or_against_the_verdict(adds: float, verdict: str, stance: str) -> None:
    (said,) = _content_evidence(adds, verdict)  # type: ignore[arg-type]
    assert (said.kind, said.stance, said.drove_probability) == (CONTENT, stance, adds)
    assert said.context
    assert said.explains is None


def test_it_is_silent_where_it_changes_little() -> None:
    assert not list(_content_evidence(0.9 * CONTENT_NAMED, "ask"))
