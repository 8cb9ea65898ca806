"""Does a probability hold what it says? Of judged pictures, evident against the rest."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit

from autocast.evaluation.resampling import Draws, Statistic, mean, ratio
from autocast.training.fit import platt
from autocast.training.gather import Table

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

BINS = 10
"""Bins of equal count (common practice)."""
HISTOGRAM = 20
"""Bins of equal width in which probabilities are counted, for drawing (project convention)."""
PERFECT = 1000
"""Forecasts drawn from the probabilities themselves, to see what chance alone shows."""
SLOPES = 200
"""Draws behind the interval of slope and intercept: each takes a fit."""
CERTAIN = 1e-6
"""Nearest that a probability comes to 0 or 1 before its odds are taken."""


def calibration(table: Table, probability: Floats, seed: int) -> dict[str, Any]:
    """How well probabilities are calibrated, on the pictures that could be judged.

    Parameters
    ----------
    table : Table
        Judged pictures.
    probability : ndarray, (n,)
        Of each row of the table, 0..1.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        ``slope`` and ``intercept`` of logit(observed) = intercept + slope logit(predicted);
        ``brier_skill``, 1 - Brier / (rate (1 - rate)); ``log_loss``; ``ece``, the mean
        distance of predicted and observed over bins of equal count, with ``perfect``, the
        band in which 95 of 100 perfectly calibrated forecasts of these very
        probabilities fall; ``reliability`` by bin, and a ``histogram``.

    References
    ----------
    Cox, Biometrika 45, 1958; Naeini, Cooper & Hauskrecht, AAAI 2015: from memory, not
    verified.
    """
    use = np.flatnonzero(table.natural & (table.consensus != "cannot_tell"))
    truth = table.consensus[use] == "evident"
    predicted = np.clip(probability[use], CERTAIN, 1 - CERTAIN)
    draws = Draws(table.group[use], seed)
    log_loss = -np.where(truth, np.log(predicted), np.log(1 - predicted))
    return {
        "n": len(use),
        "groups": draws.groups,
        "base_rate": float(truth.mean()),
        **_line(predicted, table.consensus[use], draws),
        "brier_skill": draws.cell(_skill(predicted, truth)),
        "log_loss": draws.cell(mean(log_loss)),
        "ece": {"bins": BINS, **_ece_beside_chance(predicted, truth, seed)},
        "histogram": np.histogram(predicted, HISTOGRAM, (0, 1))[0].tolist(),
        "reliability": _reliability(predicted, truth, table.group[use], seed),
    }


def _line(predicted: Floats, consensus: NDArray[np.str_], draws: Draws) -> dict[str, Any]:
    odds, truth = logit(predicted), consensus == "evident"
    whole = platt(odds, consensus)
    some = draws.weights[:SLOPES]
    tries = np.array([platt(odds, consensus, w) for w in some if 0 < w @ truth < w.sum()])
    out = {}
    for k, name in enumerate(("slope", "intercept")):
        ends = np.quantile(tries[:, k], [0.025, 0.975]).tolist() if len(tries) else None
        out[name] = {"n": len(truth), "value": whole[k], "interval": ends}
    return out


def _skill(predicted: Floats, truth: Bools) -> Statistic:
    brier, rate = mean((predicted - truth) ** 2), mean(truth)

    def statistic(weights: Floats) -> Floats:
        share = rate(weights)
        return 1 - ratio(brier(weights), share * (1 - share))

    return statistic


def _bins(predicted: Floats) -> list[NDArray[np.intp]]:
    order = np.argsort(predicted, kind="stable")
    return [rows for rows in np.array_split(order, BINS) if len(rows)]


def ece(predicted: Floats, truth: Bools) -> float:
    """Expected calibration error over bins of equal count.

    Parameters
    ----------
    predicted : ndarray, (n,)
        Probabilities, 0..1.
    truth : ndarray of bool, (n,)
        What was observed.

    Returns
    -------
    float
        0..1.
    """
    bins = _bins(predicted)
    gaps = [len(rows) * abs(predicted[rows].mean() - truth[rows].mean()) for rows in bins]
    return float(sum(gaps) / len(predicted))


def _ece_beside_chance(predicted: Floats, truth: Bools, seed: int) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    perfect = [ece(predicted, rng.random(len(predicted)) < predicted) for _ in range(PERFECT)]
    low, high = np.quantile(perfect, [0.025, 0.975])
    return {"value": ece(predicted, truth), "perfect": [float(low), float(high)]}


def _reliability(
    predicted: Floats, truth: Bools, group: NDArray[np.str_], seed: int
) -> list[dict[str, Any]]:
    """By bin: the mean of what was predicted, and the share that was observed."""
    return [
        {
            "predicted": float(predicted[rows].mean()),
            "from": float(predicted[rows].min()),
            "to": float(predicted[rows].max()),
            "observed": Draws(group[rows], seed).cell(mean(truth[rows])),
        }
        for rows in _bins(predicted)
    ]
