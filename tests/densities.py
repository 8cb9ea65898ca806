"""The shipped class densities, read by colour; independent of the code that slides them."""

from __future__ import annotations

import numpy as np

from autocast import colour as formulas
from autocast.colour import Array
from autocast.modelstore import models_folder
from autocast.modelstore.files import load_arrays

FILE = load_arrays(models_folder(), "densities.npz")
KINDS = [str(kind) for kind in FILE["kinds"]]
INFORMATIVE = [kind for kind in KINDS if kind != "else"]
NEUTRALS = ("pavement", "metal", "white", "cloud", "dark")

Lab = tuple[float, float, float]


def log_density(kind: str, lab: Lab | Array) -> float:
    """Read one kind's density at a CIELAB D65 colour, bilinear between nodes."""
    shift = formulas.log_chromaticity(formulas.lab_to_linear(lab))
    place = (shift - FILE["origin"]) / FILE["step"]
    low = np.floor(place).astype(int)
    part = place - low
    lattice = FILE["log_density"][KINDS.index(kind)]
    (i, j), (s, t) = low, part
    return float(
        (1 - s) * ((1 - t) * lattice[i, j] + t * lattice[i, j + 1])
        + s * ((1 - t) * lattice[i + 1, j] + t * lattice[i + 1, j + 1])
    )


def log_lightness(kind: str, lightness: float) -> float:
    """Read one kind's density over L*, relative to uniform."""
    return float(FILE["lightness"][KINDS.index(kind)][min(int(lightness / 5), 19)])


def most_likely(lab: Lab | Array, *, among: list[str] = KINDS) -> str:
    return max(among, key=lambda kind: log_density(kind, lab))


def best_neutral(lab: Lab | Array) -> float:
    return max(log_density(kind, lab) for kind in NEUTRALS)
