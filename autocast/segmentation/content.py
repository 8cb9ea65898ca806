"""What a picture seems to show, as a network trained on everyday photographs sees it.

A field of flowers, a sunset and a cardboard box may read like a cast; figures
of colour cannot name them. The first eleven blocks of EfficientNet-Lite0 (the
network of Tan & Le, ICML 2019, without what small processors lack), trained by
others on ImageNet (Russakovsky et al., IJCV 2015), tell what such things have in
common. They cast no vote and know nothing of casts: the last stage of trees
(:mod:`autocast.voting.fitted`) learns from judged photographs what is believable in
such company. ``models/CARD.md`` says where the weights come from.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from autocast.judgement.things import CONTENT
from autocast.modelstore.files import load_arrays
from autocast.picture import Picture

Floats = NDArray[np.float32]
Layer = tuple[Floats, Floats]
"""Weights and bias; batch normalisation is folded in."""

FILE = "content.npz"
SIDE = 128
"""Pixels to a side of what the network sees, the frame squeezed square (chosen on the tuning
photographs: larger tells little more and costs the square)."""
CENTRE, SCALE = 127.0, 128.0
"""What the network was trained with: values of 0..255 less 127, over 128."""
CEILING = 6.0
"""Where its rectifier ends (ReLU6)."""


def see(picture: Picture) -> dict[str, float]:
    """Mean activation of each of the network's last channels.

    The lighter half is laid to the left, so that a picture and its mirror tell the same.
    """
    seen = _seen(picture)
    across = seen.mean(axis=(0, 2))
    if across[: SIDE // 2].sum() < across[SIDE // 2 :].sum():
        seen = seen[:, ::-1]
    told = activations(seen).mean(axis=(0, 1))
    return {f"{CONTENT}.{k:03d}": float(value) for k, value in enumerate(told)}


def _seen(picture: Picture) -> Floats:
    """The picture (SIDE, SIDE, 3), its values as those the network was trained on."""
    values = np.round(255 * np.clip(picture.encoded, 0, 1)).astype(np.uint8)
    small = Image.fromarray(values).resize((SIDE, SIDE), Image.Resampling.BILINEAR)
    return (np.asarray(small, dtype=np.float32) - CENTRE) / SCALE


def activations(seen: Floats) -> Floats:
    """The last block's output (h, w, C) for what is seen (H, W, 3)."""
    network = _network()
    at = _rectified(_strided(seen, network["stem"]))
    for k, stride in enumerate(network["strides"]):
        inside = at
        if f"{k}.expand" in network:
            inside = _rectified(_pointwise(inside, network[f"{k}.expand"]))
        inside = _rectified(_depthwise(inside, network[f"{k}.depth"], stride))
        out = _pointwise(inside, network[f"{k}.project"])
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
    side = len(weight)
    padded = _padded(values, side, stride)
    high, wide = ((n - side) // stride + 1 for n in padded.shape[:2])
    out = np.empty((high, wide, values.shape[-1]), dtype=np.float32)
    out[:] = bias
    product = np.empty_like(out)
    for i in range(side):
        for j in range(side):
            rows = slice(i, i + stride * (high - 1) + 1, stride)
            across = slice(j, j + stride * (wide - 1) + 1, stride)
            np.multiply(padded[rows, across], weight[i, j], out=product)
            out += product
    return out


def _padded(values: Floats, side: int, stride: int) -> Floats:
    """Zeros around, so that every stride finds a window; the odd one right and below."""
    lack = [max((-(-n // stride) - 1) * stride + side - n, 0) for n in values.shape[:2]]
    return np.pad(values, (*((n // 2, n - n // 2) for n in lack), (0, 0)))


@cache
def _network() -> dict[str, Any]:
    arrays = load_arrays(FILE)
    names = {name.removesuffix(".weight") for name in arrays if name.endswith(".weight")}
    network: dict[str, Any] = {
        name: tuple(arrays[f"{name}.{part}"].astype(np.float32) for part in ("weight", "bias"))
        for name in names
    }
    network["strides"] = [int(stride) for stride in arrays["strides"]]
    return network
