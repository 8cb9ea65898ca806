"""All fitted files of one folder as one value, which is passed to whatever needs it.

Nothing of it is kept elsewhere: to judge with other models is to pass other
models. Between processes it travels as its folder and its id, and is read again
where it arrives.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from autocast.errors import ModelError
from autocast.judgement.things import KINDS
from autocast.modelstore.files import load_arrays, load_json, model_id, models_folder
from autocast.modelstore.gate import Gate, unpack_gate
from autocast.modelstore.network import Network, unpack_network
from autocast.modelstore.trees import Forest, unpack

Floats = NDArray[np.floating[Any]]
T = TypeVar("T")

DENSITIES, WEIGHTS, FITTED, CONTENT, VERDICT = (
    "densities.npz",
    "weights.json",
    "fitted.npz",
    "content.npz",
    "verdict.json",
)
"""The files of a folder."""
VERDICT_SCHEMA = 5
"""Version of ``verdict.json`` that is written and read."""
TARGETS = ("whole", "shadows", "midtones", "highlights")
"""Whose casts are estimated: a*, b* of the whole picture and of its tone ranges."""


@dataclass(frozen=True, slots=True, eq=False)
class Densities:
    """How likely each kind of thing is of a colour, and of a lightness.

    ``table`` K x nodes holds each kind's density over log-chromaticity, on a grid
    of ``shape`` that starts at ``origin`` (2,) in steps of ``step``; ``lightness``
    K x 20 the log-share of each kind by steps of 5 in L*. Kinds are in the order of
    :data:`autocast.judgement.things.KINDS`.
    """

    table: NDArray[np.float32]
    shape: tuple[int, int]
    origin: Floats
    step: float
    lightness: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Estimator:
    """All that is fitted to the features of a picture.

    ``features`` names the inputs, in order. ``first`` predicts a* and b* of
    :data:`TARGETS`, ``gate`` weighs these casts and all others among the features,
    ``spread`` predicts the logarithms of the estimate's standard deviations, ``last`` the
    logit of an evident cast, ``uneven`` that of a part of the frame with a cast of
    its own. ``calibration`` is slope and offset of the logit; ``correlation`` (4, 4)
    is that of the errors of the targets.
    """

    features: tuple[str, ...]
    first: Forest
    gate: Gate
    spread: Forest
    last: Forest
    uneven: Forest
    calibration: tuple[float, float]
    correlation: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Models:
    """Everything fitted that a judgement needs.

    ``weights`` are those of the joint count, ``network`` sees what a picture
    shows, ``verdict`` holds thresholds, risks and the curve they came from.
    ``id`` names the set; ``folder`` is where it was read.
    """

    folder: Path
    id: str
    densities: Densities
    weights: Mapping[str, Any]
    estimator: Estimator
    network: Network
    verdict: Mapping[str, Any]

    @classmethod
    def load(cls, folder: str | os.PathLike[str]) -> Models:
        """Read, check and validate every file of a folder.

        Parameters
        ----------
        folder : path
            A folder with a registry.

        Returns
        -------
        Models
            Everything fitted that the folder holds.

        Raises
        ------
        ModelError
            A file, which is named, is missing, altered or of another version.
        """
        path = Path(folder)
        return cls(
            folder=path,
            id=model_id(path),
            densities=_whole(path, DENSITIES, _densities, load_arrays(path, DENSITIES)),
            weights=_whole(path, WEIGHTS, _weights, load_json(path, WEIGHTS)),
            estimator=_whole(path, FITTED, _estimator, load_arrays(path, FITTED)),
            network=_whole(path, CONTENT, unpack_network, load_arrays(path, CONTENT)),
            verdict=_whole(path, VERDICT, _verdict, load_json(path, VERDICT)),
        )

    def __reduce__(self) -> tuple[Callable[..., Models], tuple[str | None, str]]:
        shipped = self is default_models()
        return _arrived, (None if shipped else str(self.folder.resolve()), self.id)


@cache
def default_models() -> Models:
    """The models that came with autocast, read once.

    Returns
    -------
    Models
        Those of :func:`autocast.modelstore.files.models_folder`.

    Raises
    ------
    ModelError
        They are missing or damaged.
    """
    return Models.load(models_folder())


@lru_cache(maxsize=8)
def _arrived(folder: str | None, wanted: str) -> Models:
    """The models that another process meant; the id, made of hashes, shows whether it is they."""
    models = default_models() if folder is None else Models.load(folder)
    if models.id != wanted:
        raise ModelError(
            f"{models.folder} holds models {models.id}, not {wanted}; "
            "give every machine the same model files."
        )
    return models


def _whole(folder: Path, name: str, read: Callable[[Any], T], content: object) -> T:
    """What is read of a file's content; where something is missing, a sentence says so."""
    try:
        return read(content)
    except (KeyError, ValueError, IndexError, TypeError, AttributeError) as error:
        raise ModelError(
            f"{folder / name} was fitted for another version of autocast ({error}). "
            "Train again, or install autocast again."
        ) from error


def _densities(arrays: Mapping[str, NDArray[Any]]) -> Densities:
    log_density, lightness = arrays["log_density"], arrays["lightness"]
    if tuple(map(str, arrays["kinds"])) != KINDS:
        raise ValueError(f"its kinds are not {', '.join(KINDS)}")
    table = np.asarray(np.exp(log_density.reshape(len(KINDS), -1)), dtype=np.float32)
    table.setflags(write=False)
    return Densities(
        table=table,
        shape=(int(log_density.shape[1]), int(log_density.shape[2])),
        origin=arrays["origin"],
        step=float(arrays["step"]),
        lightness=lightness,
    )


def _weights(data: Mapping[str, Any]) -> Mapping[str, Any]:
    for part in ("context", "regions", "statistics", "voting"):
        if not isinstance(data[part], dict):
            raise TypeError(f"{part} is no object")
    return data


def _estimator(arrays: Mapping[str, NDArray[Any]]) -> Estimator:
    first, spread, last, uneven = (
        unpack(arrays, name) for name in ("first", "spread", "last", "uneven")
    )
    outputs = 2 * len(TARGETS)
    if len(first.start) != outputs or len(spread.start) != outputs:
        raise ValueError(f"the first stage should tell {outputs} casts and as many spreads")
    slope, offset = (float(value) for value in arrays["calibration"])
    names = tuple(str(name) for name in arrays["features"])
    gate, correlation = unpack_gate(arrays), arrays["correlation"]
    return Estimator(names, first, gate, spread, last, uneven, (slope, offset), correlation)


def _verdict(data: Mapping[str, Any]) -> Mapping[str, Any]:
    if data["schema"] != VERDICT_SCHEMA:
        raise ValueError(f"schema version {data['schema']}; version {VERDICT_SCHEMA} is read")
    needed = {
        "base_rate", "cast_above", "cast_held", "clear_below", "clear_held", "curve", "monochrome",
        "nearer", "parts_apart", "risks",
    }  # fmt: skip
    missing = needed - set(data)
    if missing:
        raise KeyError(", ".join(sorted(missing)))
    return data
