"""Fit the gate that weighs voices: small networks, by gradient descent in plain numpy.

For each target the weights of the speaking voices are a softmax over the network's
outputs; what is made small is the distance of their weighted mean from the known
cast, rounded near nothing (sqrt(d^2 + 1)). Inputs and voices are dropped at random
(Srivastava et al., J. Mach. Learn. Res. 15, 2014), so that no voice is relied on alone.
Steps are Adam's (Kingma & Ba, ICLR 2015) with decay apart from the gradient (Loshchilov &
Hutter, ICLR 2019), their length rises and falls once (Smith & Topin, 2018). All three are
from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.modelstore.gate import Gate, scale, softmax

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

HIDDEN = 32
"""Units of each network."""
EPOCHS = 40
BATCH = 256
LONGEST_STEP = 3e-3
DECAY = 1e-3
INPUT_DROPPED = 0.4
"""Share of the inputs that each row is shown without."""
VOICE_DROPPED = 0.1
"""Share of the voices that each row goes without."""
RISING = 0.25
"""Share of the steps in which they grow longer."""
MEMORY = (0.9, 0.98)
"""Adam's decays of the mean and of the square of gradients."""
TREES_SHARE = 0.6
"""Share of each estimate that its trees are given beforehand."""


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """n rows to fit on: ``inputs`` (n, I), ``voices`` (n, V, 2), ``truth`` (n, K, 2), weights.

    ``silent`` (n, V) are the voices that say nothing, ``weight`` (n, K) is how much each
    target of each row counts.
    """

    inputs: Floats
    silent: Bools
    voices: Floats
    truth: Floats
    weight: Floats


def fit_gate(lesson: Lesson, networks: int, seed: int) -> Gate:
    """Fit the networks of a gate.

    Parameters
    ----------
    lesson : Lesson
        What to fit on; voices and truth relative to one anchor a row.
    networks : int
        How many are averaged.
    seed : int
        The same seed gives the same gate, on one kind of processor.

    Returns
    -------
    Gate
        In single precision, as it is stored.
    """
    mean = np.nanmean(lesson.inputs, axis=0)
    deviation = np.maximum(np.nanstd(lesson.inputs, axis=0), 1e-3)
    inputs = scale(lesson.inputs, mean, deviation).astype(np.float32)
    layers = [_network(lesson, inputs, np.random.default_rng([seed, k])) for k in range(networks)]
    hidden, hidden_bias, output, output_bias = (
        np.stack(each) for each in zip(*layers, strict=True)
    )
    return Gate(
        mean.astype(np.float32),
        deviation.astype(np.float32),
        hidden,
        hidden_bias,
        output,
        output_bias,
        TREES_SHARE,
    )


def _network(lesson: Lesson, inputs: Floats, rng: np.random.Generator) -> list[Floats]:
    """The layers of one network."""
    rows, targets, voices = len(inputs), lesson.truth.shape[1], lesson.silent.shape[1]
    said = np.nan_to_num(lesson.voices).astype(np.float32)
    truth, weight = lesson.truth.astype(np.float32), lesson.weight.astype(np.float32)
    weight = weight / weight.mean()
    layers = [
        rng.normal(0, np.sqrt(2 / inputs.shape[1]), (inputs.shape[1], HIDDEN)).astype(np.float32),
        np.zeros(HIDDEN, np.float32),
        rng.normal(0, 0.01, (HIDDEN, targets * voices)).astype(np.float32),
        np.zeros(targets * voices, np.float32),
    ]
    steps = _Adam(layers, EPOCHS * -(-rows // BATCH))
    for _ in range(EPOCHS):
        order = rng.permutation(rows)
        for start in range(0, rows, BATCH):
            chosen = order[start : start + BATCH]
            kept = rng.random((len(chosen), inputs.shape[1]), np.float32) >= INPUT_DROPPED
            shown = inputs[chosen] * kept / np.float32(1 - INPUT_DROPPED)
            dropped = rng.random((len(chosen), voices), np.float32) < VOICE_DROPPED
            dropped[:, -targets:] = False
            silent = lesson.silent[chosen] | dropped
            steps.take(
                layers,
                _gradients(layers, shown, silent, said[chosen], truth[chosen], weight[chosen]),
            )
    return layers


def _gradients(  # noqa: PLR0913, PLR0917 -- a batch and its layers
    layers: list[Floats],
    shown: Floats,
    silent: Bools,
    said: Floats,
    truth: Floats,
    weight: Floats,
) -> list[Floats]:
    """Of the mean loss of a batch, by each layer."""
    hidden, bias, output, output_bias = layers
    units = np.maximum(shown @ hidden + bias, 0)
    logits = (units @ output + output_bias).reshape(len(shown), truth.shape[1], -1)
    shares = softmax(logits, silent)
    means = shares @ said
    off = means - truth
    pull = weight[..., None] * off / np.sqrt((off**2).sum(axis=-1, keepdims=True) + 1)
    # d mean / d logit_v = share_v (said_v - mean)
    by_logit = shares * (pull @ np.swapaxes(said, 1, 2) - (pull * means).sum(-1, keepdims=True))
    by_logit = (by_logit / len(shown)).reshape(len(shown), -1).astype(np.float32)
    by_unit = (by_logit @ output.T) * (units > 0)
    return [shown.T @ by_unit, by_unit.sum(axis=0), units.T @ by_logit, by_logit.sum(axis=0)]


class _Adam:
    """Adam's steps on some layers, in place."""

    def __init__(self, layers: list[Floats], count: int) -> None:
        self.mean = [np.zeros_like(layer) for layer in layers]
        self.square = [np.zeros_like(layer) for layer in layers]
        self.count, self.done = count, 0

    def take(self, layers: list[Floats], gradients: list[Floats]) -> None:
        """One step against the gradients."""
        self.done += 1
        share = self.done / self.count
        length = LONGEST_STEP * (
            share / RISING
            if share < RISING
            else (1 + np.cos(np.pi * (share - RISING) / (1 - RISING))) / 2
        )
        first, second = MEMORY
        for k, gradient in enumerate(gradients):
            layer, mean, square = layers[k], self.mean[k], self.square[k]
            mean[...] += (1 - first) * (gradient - mean)
            square[...] += (1 - second) * (gradient**2 - square)
            unbiased = np.sqrt(square / (1 - second**self.done)) + 1e-8
            if layer.ndim > 1:
                layer[...] -= np.float32(length * DECAY) * layer
            layer[...] -= np.float32(length / (1 - first**self.done)) * mean / unbiased
