"""What handing pictures to a person buys: risks, risk against coverage, and was it right to ask?"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.evaluation.resampling import Draws, Statistic, mean, ratio
from autocast.judgement import Risks
from autocast.training.gather import Table
from autocast.training.risks import upper_bound

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

MIX = {"evident": 0.10, "slight": 0.15, "none": 0.70, "cannot_tell": 0.05}
"""A mix in which most pictures have little cast (project convention).

Pictures judged doubtful have no share in it.
"""
AT_COVERAGE = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
"""Coverages at which the risk is given (project convention)."""
CURVE_STEPS = 100
"""Points of the curve that are kept (project convention)."""


def weights_of(table: Table, mix: dict[str, float]) -> Floats | None:
    """The weights that give the natural rows a mix of judgements.

    Parameters
    ----------
    table : Table
        Judged pictures.
    mix : dict of float
        The share of each consensus, 0..1.

    Returns
    -------
    ndarray, (n,), or None
        They sum to the number of pictures; None where a part of the mix is absent.
    """
    weight = np.zeros(len(table.file))
    for consensus, share in mix.items():
        rows = table.natural & (table.consensus == consensus)
        if not rows.any():
            return None
        weight[rows] = share / rows.sum()
    return weight * int(table.natural.sum())


def risks(
    table: Table, verdict: NDArray[np.str_], targets: Risks, weight: Floats, seed: int
) -> dict[str, Any]:
    """The three risks, and the share asked about.

    Parameters
    ----------
    table : Table
        Judged pictures.
    verdict : ndarray of str, (n,)
        Of each row.
    targets : Risks
        Those that the verdicts were to keep.
    weight : ndarray, (n,)
        How much each row counts.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        ``clear``, ``missed`` and ``cast``, each a figure with its one-sided upper
        ``bound`` and its ``target``; ``ask``, a figure.
    """
    evident, none = table.consensus == "evident", table.consensus == "none"
    clear, cast = verdict == "clear", verdict == "cast"
    kept = table.natural & (weight > 0)

    def _risk(wrong: Bools, among: Bools, judged: Bools, target: float) -> dict[str, Any]:
        rows = kept & among
        share = _share(table, wrong, rows, weight, seed)
        error_weight = float(weight[kept & judged].max(initial=0))
        return {
            **(share or {"n": 0, "value": None, "interval": None}),
            "bound": upper_bound(wrong[rows], weight[rows], error_weight),
            "target": target,
        }

    return {
        "clear": _risk(evident, clear, evident, targets.clear),
        "missed": _risk(clear, evident, evident, targets.missed),
        "cast": _risk(none, cast, none, targets.cast),
        "ask": _share(table, verdict == "ask", kept, weight, seed),
    }


def _share(
    table: Table, what: Bools, among: Bools, weight: Floats, seed: int
) -> dict[str, Any] | None:
    rows = np.flatnonzero(among)
    if not len(rows):
        return None
    return Draws(table.group[rows], seed).cell(mean(what[rows], weight[rows]))


def right_to_ask(table: Table, verdict: NDArray[np.str_], seed: int) -> dict[str, Any]:
    """How many pictures are indeed unsure, of those asked about and of the others.

    Unsure are pictures judged slight, doubtful or cannot_tell, and those whose two looks
    differ.

    Parameters
    ----------
    table : Table
        Judged pictures.
    verdict : ndarray of str, (n,)
        Of each row.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        ``asked`` and ``others``: figures, or None where there are none.
    """
    unsure = np.isin(table.consensus, ("slight", "cannot_tell", "doubtful")) | table.disagree
    every = np.ones(len(unsure))
    asked = verdict == "ask"
    return {
        "asked": _share(table, unsure, table.natural & asked, every, seed),
        "others": _share(table, unsure, table.natural & ~asked, every, seed),
    }


def coverage(
    table: Table, probability: Floats, verdict: NDArray[np.str_], seed: int
) -> dict[str, Any]:
    """Risk against coverage, when the least sure pictures are handed to a person first.

    Each picture that could be judged is called evident or not at a probability
    of one half, and surest is what lies farthest from it; the risk is the share
    of calls that the consensus contradicts.

    Parameters
    ----------
    table : Table
        Judged pictures.
    probability : ndarray, (n,)
        Of each row, 0..1.
    verdict : ndarray of str, (n,)
        Of each row.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        ``aurc``, the mean risk over all coverages, ``best``, that of the same calls in
        the best order, and ``augrc``, the mean share of pictures that are both covered
        and called wrongly; the risk ``at`` some coverages and as a ``curve``;
        ``decided``, where the verdicts stand: pictures not asked about, and the share of
        them that is clear and evident, or cast and not evident.

    References
    ----------
    El-Yaniv & Wiener, J. Mach. Learn. Res. 11, 2010; Geifman, Uziel & El-Yaniv, ICLR
    2019; Traub and others, NeurIPS 2024: all from memory, not verified.
    """
    use = np.flatnonzero(table.natural & (table.consensus != "cannot_tell"))
    truth, predicted = table.consensus[use] == "evident", probability[use]
    order = np.argsort(-np.abs(predicted - 0.5), kind="stable")
    wrong = ((predicted >= 0.5) != truth)[order].astype(float)
    draws = Draws(table.group[use][order], seed)
    given = verdict[use]
    decided = given != "ask"
    mistaken = ((given == "clear") & truth) | ((given == "cast") & ~truth)
    stands = Draws(table.group[use], seed)
    steps = np.unique(np.linspace(0.05, 1, CURVE_STEPS).round(2))
    curve = [(float(c), draws.cell(_risk_at(wrong, float(c)))) for c in steps]
    return {
        "n": len(use),
        "aurc": draws.cell(_aurc(wrong)),
        "best": draws.cell(_best(wrong)),
        "augrc": draws.cell(_augrc(wrong)),
        "at": [{"coverage": c, "risk": draws.cell(_risk_at(wrong, c))} for c in AT_COVERAGE],
        "decided": {
            "coverage": stands.cell(mean(decided)),
            "risk": stands.cell(mean(mistaken, decided)) if decided.any() else None,
        },
        "curve": [
            {"coverage": c, "risk": cell["value"], "interval": cell["interval"]}
            for c, cell in curve
        ],
    }


def _covered(weights: Floats) -> tuple[Floats, Floats]:
    ordered = weights.astype(np.float64)
    return ordered, np.cumsum(ordered, axis=1)


def _risk_at(wrong: Floats, share: float) -> Statistic:
    """Risk of the surest ``share`` of pictures."""

    def statistic(weights: Floats) -> Floats:
        ordered, filled = _covered(weights)
        kept = filled <= share * filled[:, -1:] + 1e-9
        kept[:, 0] = True
        ordered = ordered * kept
        return ratio(ordered @ wrong, ordered.sum(axis=1))

    return statistic


def _aurc(wrong: Floats) -> Statistic:
    def statistic(weights: Floats) -> Floats:
        ordered, filled = _covered(weights)
        risk = np.cumsum(ordered * wrong, axis=1) / np.maximum(filled, 1e-9)
        return np.asarray((ordered * risk).sum(axis=1) / filled[:, -1])

    return statistic


def _best(wrong: Floats) -> Statistic:
    """AURC when every right call goes before every wrong one."""
    order = np.argsort(wrong, kind="stable")
    best = _aurc(wrong[order])
    return lambda weights: best(weights[:, order])


def _augrc(wrong: Floats) -> Statistic:
    def statistic(weights: Floats) -> Floats:
        ordered, filled = _covered(weights)
        both = np.cumsum(ordered * wrong, axis=1) / filled[:, -1:]
        return np.asarray((ordered * both).sum(axis=1) / filled[:, -1])

    return statistic
