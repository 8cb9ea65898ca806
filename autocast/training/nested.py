"""Figures on groups the fit never saw, beside the classical estimators, from one run.

By group: each fifth is judged by models grown on the other four. What was so
said of those other four, by models that had not seen the group in question,
calibrates the fifth's probabilities and sets its thresholds (the cross-validated
counterpart of a calibration set: Barber, Candes, Ramdas & Tibshirani, Annals of
Statistics 49, 2021, CV+; from memory). So no picture calibrates its own
probability, and none is lost to the trees.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.advisor.risk import Thresholds
from autocast.judgement import RISKS, Risks
from autocast.training.fit import Fitted, Predictions, Rows, apply, folds, grow, platt
from autocast.training.gather import Table
from autocast.training.risks import choose
from autocast.voting.fitted import probability_of, tones_apart

Floats = NDArray[np.floating[Any]]

FOLDS = 5
TONES_APART = 5.5
"""Distance between two tone ranges' weighed casts from which a picture is not called clear.

Chosen among 4 to 8 by how many of the photographs it leaves to a person and how
many laid casts that are crossed by tone it lets pass; kept in ``verdict.json``.
"""
PARTS_APART = 0.1
"""Share of the pictures judged none that may count as having a cast on a part of the frame.

Chosen by how many laid casts on a part of the frame it lets pass, and how many
photographs it leaves to a person; ``verdict.json`` keeps the log-odds that it makes.
"""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What the nested fits say of every row, and the verdict it is given.

    ``without`` holds, for each kind of evidence, the probabilities of the
    natural rows when its figures are withheld; ``fitted`` each fold's models, not
    calibrated.
    """

    word: Predictions
    verdict: NDArray[np.str_]
    thresholds: tuple[Thresholds, ...]
    without: dict[str, Floats] = field(default_factory=dict)
    fitted: tuple[Fitted, ...] = ()


def nested(
    table: Table,
    seed: int,
    report: Callable[[str], None],
    risks: Risks = RISKS,
    processes: int = 1,
) -> Outcome:
    """Judge every row by models grown on other groups, and calibrate on others than its own.

    Raises ValueError when a group would be judged by models that saw it.
    """
    fold = folds(table.group, FOLDS, seed)
    count = len(table.file)
    casts, deviation = np.full((count, 4, 2), np.nan), np.full((count, 4, 2), np.nan)
    logit, uneven = np.full(count, np.nan), np.full(count, np.nan)
    without = {kind: np.full(int(table.natural.sum()), np.nan) for kind in table.without}
    natural = fold[table.natural]
    with ProcessPoolExecutor(processes) if processes > 1 else nullcontext() as pool:
        each = map if pool is None else pool.map
        grown = each(partial(_held_out, table, fold, seed), range(FOLDS))
        fitted = []
        for k, (said, less, models) in enumerate(grown):
            held = fold == k
            fitted.append(models)
            casts[held], deviation[held] = said.casts, said.deviation
            logit[held], uneven[held] = said.logit, said.uneven
            for kind, features in less.items():
                without[kind][natural == k] = features
            report(f"fold {k + 1} of {FOLDS}: {held.sum()} rows judged by trees grown on the rest")
    word = Predictions(casts, deviation, logit, logit, uneven)
    outcome = _calibrated(table, word, fold, without, risks)
    return replace(outcome, fitted=tuple(fitted))


def _held_out(
    table: Table, fold: Rows, seed: int, k: int
) -> tuple[Predictions, dict[str, Floats], Fitted]:
    """What trees grown on all other folds say of fold ``k``.

    With the logits of its natural rows, told without each kind of evidence, and the trees.
    """
    held, fit = np.flatnonzero(fold == k), np.flatnonzero(fold != k)
    shared = set(table.group[held]) & set(table.group[fit])
    if shared:
        raise ValueError(f"groups judged by models that saw them: {sorted(shared)[:3]}")
    fitted = grow(table, fit, seed)
    natural = np.flatnonzero(table.natural)
    less = {}
    for kind, features in table.without.items():
        features = table.features.copy()
        features[natural] = features
        blind = replace(table, features=features)
        less[kind] = apply(fitted, blind, natural[fold[natural] == k]).logit
    return apply(fitted, table, held), less, fitted


def _calibrated(
    table: Table, word: Predictions, fold: Rows, without: dict[str, Floats], risks: Risks
) -> Outcome:
    """Probabilities and verdicts of each fold, by what was said of the natural rows of others."""
    natural = np.flatnonzero(table.natural)
    features, consensus = word.logit[natural], table.consensus[natural]
    said = np.full(len(fold), np.nan)
    verdict = np.full(len(fold), "ask", dtype="U5")
    heard = {kind: np.full(len(natural), np.nan) for kind in without}
    chosen = []
    for k in range(FOLDS):
        held, own = fold == k, fold[natural] == k
        calibration = platt(features[~own], consensus[~own])
        said[held] = probability_of(word.logit[held], calibration)
        others = probability_of(features[~own], calibration)
        eligible = eligible_by_trees(table, word, parts_apart(table, word, natural[~own]))
        thresholds = choose(others, consensus[~own], eligible[natural][~own], risks)
        verdict[held] = thresholds.verdict(said[held], eligible[held])
        for kind, logit in without.items():
            heard[kind][own] = probability_of(logit[own], calibration)
        chosen.append(thresholds)
    return Outcome(replace(word, probability=said), verdict, tuple(chosen), heard)


def parts_apart(table: Table, word: Predictions, rows: Rows) -> float:
    """Log-odds from which a part of the frame counts as having a cast of its own.

    Of ``rows``, those judged none stay below it but for a share of :data:`PARTS_APART`;
    0 where none was so judged.
    """
    none = rows[table.consensus[rows] == "none"]
    return float(np.quantile(word.uneven[none], 1 - PARTS_APART)) if len(none) else 0.0


def eligible_by_trees(table: Table, word: Predictions, parts: float) -> NDArray[np.bool_]:
    """Which of ``clear`` and ``cast`` rows are open to (n, 2), once their casts are told.

    Tone ranges that the trees find apart, and parts of the frame from the log-odds
    ``parts`` on, count as in :func:`autocast.advisor.advice.left_open`.
    """
    apart = (tones_apart(word.casts[:, 1:]) >= TONES_APART) | (word.uneven >= parts)
    clear, cast = table.eligible.T
    return np.stack([clear & ~apart, cast], axis=1)
