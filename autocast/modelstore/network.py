"""A published network's blocks, read from plain arrays and walked in numpy.

Walked here, so that judging a picture needs none of the libraries that networks
are trained with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Layer = tuple[Floats, Floats]
"""Weights and bias; batch normalisation is folded in."""

CEILING = 6.0
"""Where its rectifier ends (ReLU6)."""


SHORT = 200
"""Channels below which numpy is quicker with whole rows of pixels (project convention)."""


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """The stem and the blocks that are kept: layers by name, and each block's stride.

    ``layers`` holds ``stem`` and, of block k, ``k.expand`` (where it has one),
    ``k.depth`` and ``k.project``.
    """

    layers: Mapping[str, Layer]
    strides: tuple[int, ...]


def unpack_network(arrays: Mapping[str, NDArray[Any]]) -> Network:
    """The network out of a file's arrays.

    Parameters
    ----------
    arrays : mapping of str to ndarray
        ``name.weight`` and ``name.bias`` of each layer, and ``strides``.

    Returns
    -------
    Network
        The same as float32.

    Raises
    ------
    KeyError
        An array is missing.
    """
    names = {name.removesuffix(".weight") for name in arrays if name.endswith(".weight")}
    layers: dict[str, Layer] = {
        name: (
            arrays[f"{name}.weight"].astype(np.float32),
            arrays[f"{name}.bias"].astype(np.float32),
        )
        for name in names
    }
    return Network(layers, tuple(int(stride) for stride in arrays["strides"]))


def activations(network: Network, seen: Floats) -> Floats:
    """The last block's output.

    Parameters
    ----------
    network : Network
        Its stem and blocks.
    seen : (H, W, 3) ndarray of float32
        Encoded values on the scale that the network was trained with.

    Returns
    -------
    (h, w, C) ndarray of float32
        Activations before any rectifier, of either sign.
    """
    at = _rectified(_strided(seen, network.layers["stem"]))
    for k, stride in enumerate(network.strides):
        inside = at
        if f"{k}.expand" in network.layers:
            inside = _rectified(_pointwise(inside, network.layers[f"{k}.expand"]))
        inside = _rectified(_depthwise(inside, network.layers[f"{k}.depth"], stride))
        out = _pointwise(inside, network.layers[f"{k}.project"])
        at = at + out if out.shape == at.shape else out
    return at


def _rectified(values: Floats) -> Floats:
    return np.clip(values, 0, CEILING, out=values)


def _pointwise(values: Floats, layer: Layer) -> Floats:
    weight, bias = layer
    # As one matrix: a product row by row of the picture takes far longer.
    out = values.reshape(-1, len(weight)) @ weight
    out += bias
    return out.reshape(*values.shape[:-1], -1)


def _strided(values: Floats, layer: Layer) -> Floats:
    """A full convolution of stride 2."""
    weight, bias = layer
    side = len(weight)
    windows = np.lib.stride_tricks.sliding_window_view(
        _padded(values, side, 2), (side, side), axis=(0, 1)
    )
    taken = np.moveaxis(windows[::2, ::2], 2, -1)
    return _pointwise(taken.reshape(*taken.shape[:2], -1), (weight.reshape(-1, len(bias)), bias))


def _depthwise(values: Floats, layer: Layer, stride: int) -> Floats:
    """Each channel with its own kernel."""
    weight, bias = layer
    side, channels = len(weight), values.shape[-1]
    padded = _padded(values, side, stride)
    high, wide = ((n - side) // stride + 1 for n in padded.shape[:2])
    down, across, along = padded.strides
    # Without a stride a row of windows is one line, and short ones are better taken so.
    joined = wide if stride == 1 and channels < SHORT else 1
    windows = np.ndarray(
        (side, side, high, wide // joined, joined * channels),
        dtype=np.float32,
        buffer=padded,
        strides=(down, across, stride * down, stride * across, along),
    )
    kernels = np.tile(weight, joined)
    out: Floats = np.einsum("ijhlc,ijc->hlc", windows, kernels).reshape(high, wide, channels)
    out += bias
    return out


def _padded(values: Floats, side: int, stride: int) -> Floats:
    """Zeros around, so that every stride finds a window; the odd one right and below."""
    high, wide, channels = values.shape
    down, across = (max((-(-n // stride) - 1) * stride + side - n, 0) for n in (high, wide))
    out = np.zeros((high + down, wide + across, channels), dtype=np.float32)
    out[down // 2 : down // 2 + high, across // 2 : across // 2 + wide] = values
    return out
