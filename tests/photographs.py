"""Real photographs that packages of the ``test`` extra carry, whole and unscaled."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

FILES = {
    "china": "sklearn/datasets/images/china.jpg",
    "flower": "sklearn/datasets/images/flower.jpg",
    "grace_hopper": "matplotlib/mpl-data/sample_data/grace_hopper.jpg",
    "astronaut": "skimage/data/astronaut.png",
    "chelsea": "skimage/data/chelsea.png",
    "coffee": "skimage/data/coffee.png",
    "motorcycle": "skimage/data/motorcycle_left.png",
    "rocket": "skimage/data/rocket.jpg",
}
"""Every colour photograph in those packages, but fundus, tissue and star-field pictures."""


@cache
def pixels(name: str) -> NDArray[np.uint8]:
    """8-bit codes, H x W x 3; do not change them."""
    package, _, rest = FILES[name].partition("/")
    spec = find_spec(package)
    assert spec is not None
    assert spec.origin is not None
    with Image.open(Path(spec.origin).parent / rest) as image:
        return np.asarray(image.convert("RGB"))
