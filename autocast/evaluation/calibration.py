"""Does a probability hold what it says? Of judged pictures, evident against the rest."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from autocast.evaluation.resampling import Draws, Figure, mean
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
    """Slope, intercept, Brier skill, log-loss and ECE of the pictures that could be judged.

    Slope and intercept: logit(seen) = intercept + slope logit(said) (Cox,
    Biometrika 45, 1958). Brier skill: 1 - Brier / (rate (1 - rate)). ECE: mean
    distance of what is said and seen over bins of equal count (Naeini, Cooper &
    Hauskrecht, AAAI 2015); ``perfect`` is the band in which 95 of 100 perfectly
    calibrated forecasts of these very probabilities fall. All from memory, not
    verified.
    """
    use = np.flatnonzero(table.natural & (table.consensus != "cannot_tell"))
    truth = table.consensus[use] == "evident"
    said = np.clip(probability[use], CERTAIN, 1 - CERTAIN)
    draws = Draws(table.group[use], seed)
    line = _line(said, truth, draws)
    log_loss = -np.where(truth, np.log(said), np.log(1 - said))
    return {
        "n": len(use),
        "groups": draws.groups,
        "base_rate": float(truth.mean()),
        **line,
        "brier_skill": draws.cell(_skill(said, truth)),
        "log_loss": draws.cell(mean(log_loss)),
        "ece": {"bins": BINS, **_ece_beside_chance(said, truth, seed)},
        "histogram": np.histogram(said, HISTOGRAM, (0, 1))[0].tolist(),
        "reliability": _reliability(said, truth, table.group[use], seed),
    }


def _line(said: Floats, truth: Bools, draws: Draws) -> dict[str, Any]:
    logit = np.log(said / (1 - said))[:, None]

    def fitted(weight: Floats) -> tuple[float, float]:
        # Almost no penalty: two coefficients from hundreds of pictures.
        model = LogisticRegression(C=1e6).fit(logit, truth, sample_weight=weight)
        return float(model.coef_[0, 0]), float(model.intercept_[0])

    whole = fitted(np.ones(len(truth)))
    some = draws.weights[:SLOPES]
    tries = np.array([fitted(w) for w in some if 0 < w @ truth < w.sum()])
    out = {}
    for k, name in enumerate(("slope", "intercept")):
        ends = np.quantile(tries[:, k], [0.025, 0.975]).tolist() if len(tries) else None
        out[name] = {"n": len(truth), "value": whole[k], "interval": ends}
    return out


def _skill(said: Floats, truth: Bools) -> Figure:
    brier, rate = mean((said - truth) ** 2), mean(truth.astype(float))

    def figure(weights: Floats) -> Floats:
        share = rate(weights)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(1 - brier(weights) / (share * (1 - share)))

    return figure


def _bins(said: Floats) -> list[NDArray[np.intp]]:
    return [rows for rows in np.array_split(np.argsort(said, kind="stable"), BINS) if len(rows)]


def ece(said: Floats, truth: Bools) -> float:
    """Expected calibration error over bins of equal count."""
    gaps = [len(rows) * abs(said[rows].mean() - truth[rows].mean()) for rows in _bins(said)]
    return float(sum(gaps) / len(said))


def _ece_beside_chance(said: Floats, truth: Bools, seed: int) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    perfect = [ece(said, rng.random(len(said)) < said) for _ in range(PERFECT)]
    low, high = np.quantile(perfect, [0.025, 0.975])
    return {"value": ece(said, truth), "perfect": [float(low), float(high)]}


def _reliability(
    said: Floats, truth: Bools, group: NDArray[np.str_], seed: int
) -> list[dict[str, Any]]:
    """By bin: the mean of what was said, and the share that was seen."""
    return [
        {
            "said": float(said[rows].mean()),
            "from": float(said[rows].min()),
            "to": float(said[rows].max()),
            "seen": Draws(group[rows], seed).cell(mean(truth[rows].astype(float))),
        }
        for rows in _bins(said)
    ]
