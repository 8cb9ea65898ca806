"""The gate that weighs voices: a small network, read from plain arrays.

It is fitted in :mod:`autocast.training.gate`; here it only multiplies matrices.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

WITHIN = 5.0
"""Deviations of fitting beyond which an input says no more."""
FIELDS = ("mean", "deviation", "hidden", "hidden_bias", "output", "output_bias", "trees")
"""Arrays of a gate, as it is stored."""


@dataclass(frozen=True, slots=True, eq=False)
class Gate:
    """S networks of one hidden layer of H rectified units, whose weights are averaged.

    ``mean`` and ``deviation`` (I,) bring the inputs to one scale. ``hidden`` S x I x H,
    ``output`` S x H x K V, for K targets and V voices, and their biases are the layers.
    ``trees`` is the share, 0..1, that each target's trees are given before the rest
    is shared out by the networks.
    """

    mean: Floats
    deviation: Floats
    hidden: Floats
    hidden_bias: Floats
    output: Floats
    output_bias: Floats
    trees: float

    def __call__(self, inputs: Floats, silent: NDArray[np.bool_]) -> Floats:
        """How much each voice counts for each target.

        Parameters
        ----------
        inputs : (n, I) ndarray
            As of :func:`autocast.voting.voices.gate_inputs`; NaN where nothing could be read.
        silent : (n, V) ndarray of bool
            Voices that say nothing. The last K are the trees', which always speak.

        Returns
        -------
        (n, K, V) ndarray
            Weights, 0..1, of sum 1 over the voices.
        """
        scaled = scale(inputs, self.mean, self.deviation)
        voices = silent.shape[1]
        total = np.zeros((len(inputs), self.output_bias.shape[1] // voices, voices))
        for hidden, bias, output, output_bias in zip(
            self.hidden, self.hidden_bias, self.output, self.output_bias, strict=True
        ):
            units = np.maximum(scaled @ hidden + bias, 0)
            logits = (units @ output + output_bias).reshape(total.shape)
            total += softmax(logits, silent)
        weights = (1 - self.trees) * total / len(self.hidden)
        targets = np.arange(total.shape[1])
        weights[:, targets, voices - len(targets) + targets] += self.trees
        return weights


def scale(inputs: Floats, mean: Floats, deviation: Floats) -> Floats:
    """Inputs in deviations from their mean, as they were in fitting.

    Parameters
    ----------
    inputs : (n, I) ndarray
        Values; NaN where nothing could be read.
    mean, deviation : (I,) ndarray
        Of the rows that were fitted on.

    Returns
    -------
    (n, I) ndarray
        Within :data:`WITHIN`; 0, the mean, for what could not be read.
    """
    return np.clip(np.nan_to_num((inputs - mean) / deviation), -WITHIN, WITHIN)


def softmax(logits: Floats, silent: NDArray[np.bool_]) -> Floats:
    """Weights of voices by their logits; 0 for the silent.

    Parameters
    ----------
    logits : (n, K, V) ndarray
        For K targets and V voices.
    silent : (n, V) ndarray of bool
        At least one voice of each row must speak.

    Returns
    -------
    (n, K, V) ndarray
        0..1, of sum 1 over the voices.
    """
    speaking = np.where(silent[:, None], -np.inf, logits)
    weights = np.exp(speaking - speaking.max(axis=-1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=-1, keepdims=True))


def unpack_gate(arrays: Mapping[str, NDArray[Any]]) -> Gate:
    """The gate out of a file's arrays.

    Parameters
    ----------
    arrays : mapping of str to ndarray
        The arrays of :data:`FIELDS`, stored as ``gate/field``.

    Returns
    -------
    Gate
        Its layers in double precision.

    Raises
    ------
    KeyError
        An array is missing.
    """
    layers = {field: np.asarray(arrays[f"gate/{field}"], np.float64) for field in FIELDS[:-1]}
    return Gate(**layers, trees=float(arrays["gate/trees"]))
