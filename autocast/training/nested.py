"""Judge groups that the fit never saw, and calibrate and choose thresholds from that.

By group: each fifth is judged by models grown on the other four. What was so
predicted of those other four, by models that had not seen the group in question,
calibrates the fifth's probabilities and sets its thresholds (the cross-validated
counterpart of a calibration set: Barber, Candes, Ramdas & Tibshirani, Annals of
Statistics 49, 2021, CV+; from memory). So no picture calibrates its own
probability, and none is lost to the trees.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.advisor.gates import by_estimate, kept_from
from autocast.advisor.risk import Curve, Thresholds
from autocast.archive.workers import end_with_parent
from autocast.errors import UnreadablePicture
from autocast.judgement import EVIDENT_FROM, RISKS, Risks
from autocast.judgement.limits import FITTED_PARTS_APART, MONOCHROME_PROBABILITY
from autocast.training.fit import (
    Fitted,
    Predictions,
    Rows,
    apply,
    folds,
    grow,
    platt,
    slope_and_offset,
)
from autocast.training.gather import VERDICTS, Table, awaited
from autocast.training.risks import curve
from autocast.voting.conditioning import covariance_of, sureness
from autocast.voting.fitted import probability_of

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

FOLDS = 5
WHOLE_FRAME = ("gain", "encoded", "offset", "power", "crossed", "faded")
"""Kinds of simulated cast that lie over the whole frame."""
WRONGLY_PASSED = 0.05
"""Share of copies called passed that may be farther from the truth (project convention)."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What the nested fits predict of every row, and the verdict it is given.

    ``by_probability`` are the verdicts if no rule kept any row from one, ``rules``
    which rows (n, 2) each keeps from ``clear`` and from ``cast``, the trees' own
    included. ``without`` holds, for each kind of evidence, the probabilities of the
    natural rows when its features are withheld; ``fitted`` each fold's models, not
    calibrated.
    """

    predictions: Predictions
    verdict: NDArray[np.str_]
    thresholds: tuple[Thresholds, ...]
    by_probability: NDArray[np.str_]
    rules: Mapping[str, Bools]
    without: Mapping[str, Floats] = field(default_factory=dict)
    fitted: tuple[Fitted, ...] = ()


class Nearer(NamedTuple):
    """How surely a move is right, and from which probability a copy counts as passed.

    Slope and offset make log-odds of :func:`autocast.voting.conditioning.sureness`.
    """

    slope: float
    offset: float
    passes_from: float


class Calibration(NamedTuple):
    """What judged pictures say of predictions: slope and offset, the curve, and levels.

    ``parts_apart`` are the log-odds from which a part of the frame counts as having
    a cast of its own, ``nearer`` says how surely a move is right.
    """

    logistic: tuple[float, float]
    parts_apart: float
    nearer: Nearer
    curve: Curve


def nested(
    table: Table,
    seed: int,
    report: Callable[[str], None],
    risks: Risks = RISKS,
    processes: int = 1,
) -> Outcome:
    """Judge every row by models grown on other groups, and calibrate on others than its own.

    Parameters
    ----------
    table : Table
        Judged pictures and simulated casts.
    seed : int
        The same seed gives the same outcome.
    report : callable
        Is given lines of progress: each fold, and at times that one is still worked on.
    risks : Risks
        Those that the verdicts keep.
    processes : int
        In how many the folds are worked on.

    Returns
    -------
    Outcome
        Of all rows, in their order.

    Raises
    ------
    UnreadablePicture
        Too few groups hold evident pictures, or others.
    ValueError
        A group would be judged by models that saw it.
    """
    fold = folds(table.group, FOLDS, seed)
    natural = fold[table.natural]
    for k in range(FOLDS):
        others = set(table.consensus[table.natural][natural != k]) - {"cannot_tell"}
        if "evident" not in others or len(others) == 1:
            raise UnreadablePicture(
                "Too few groups hold pictures judged evident, or others; give more photographs."
            )
    parts = []
    with (
        ProcessPoolExecutor(processes, initializer=end_with_parent)
        if processes > 1
        else nullcontext() as pool
    ):
        work = partial(_held_out, table, fold, seed)
        outcomes = (
            map(work, range(FOLDS))
            if pool is None
            else awaited(
                [pool.submit(work, k) for k in range(FOLDS)],
                lambda done: report(f"growing trees, {done} of {FOLDS} folds done"),
            )
        )
        for k, part in enumerate(outcomes):
            parts.append(part)
            count = (fold == k).sum()
            report(f"fold {k + 1} of {FOLDS}: {count} rows judged by trees grown on the rest")
    every, less, fitted = zip(*parts, strict=True)
    # Each part's rows are those of its fold, in order.
    order, own = (np.argsort(np.argsort(k, kind="stable")) for k in (fold, natural))
    predictions = Predictions(*(np.concatenate(some)[order] for some in zip(*every, strict=True)))
    without = {kind: np.concatenate([some[kind] for some in less])[own] for kind in table.without}
    return replace(_calibrated(table, predictions, fold, without, risks), fitted=fitted)


def _held_out(
    table: Table, fold: Rows, seed: int, k: int
) -> tuple[Predictions, dict[str, Floats], Fitted]:
    """What trees grown on all other folds predict of fold ``k``.

    With the logits of its natural rows, without each kind of evidence, and the trees.
    """
    held, fit = np.flatnonzero(fold == k), np.flatnonzero(fold != k)
    shared = set(table.group[held]) & set(table.group[fit])
    if shared:
        raise ValueError(f"groups judged by models that saw them: {sorted(shared)[:3]}")
    fitted = grow(table, fit, seed)
    own = np.flatnonzero(fold[table.natural] == k)
    less = {kind: apply(fitted, some[own]).logit for kind, some in table.without.items()}
    return apply(fitted, table.features[held]), less, fitted


def _calibrated(
    table: Table,
    predictions: Predictions,
    fold: Rows,
    without: Mapping[str, Floats],
    risks: Risks,
) -> Outcome:
    """Probabilities and verdicts of each fold, by the natural rows of the others.

    ``without`` are the logits of the natural rows without each kind of evidence.
    """
    natural = np.flatnonzero(table.natural)
    probability = np.full(len(fold), np.nan)
    verdict, unruled = (np.full(len(fold), "ask", dtype="U5") for _ in range(2))
    rules: dict[str, Bools] = {}
    ablated = {kind: np.full(len(natural), np.nan) for kind in without}
    chosen = []
    for k in range(FOLDS):
        held, own = fold == k, fold[natural] == k
        calibration = calibrate(table, predictions, natural[~own])
        thresholds = calibration.curve.thresholds(risks)
        chosen.append(thresholds)
        some = with_estimates(table, predictions, calibration.parts_apart)
        for rule, keeps in some.rules.items():
            rules.setdefault(rule, np.zeros_like(keeps))[held] = keeps[held]
        eligible, monochrome = some.eligible[held], table.monochrome[held]
        probability[held] = reported(predictions.logit[held], calibration.logistic, monochrome)
        verdict[held] = thresholds.verdict(probability[held], eligible, monochrome)
        unruled[held] = thresholds.verdict(probability[held], np.ones_like(eligible), monochrome)
        for kind, logit in without.items():
            ablated[kind][own] = reported(
                logit[own], calibration.logistic, table.monochrome[natural[own]]
            )
    return Outcome(
        predictions._replace(probability=probability),
        verdict,
        tuple(chosen),
        unruled,
        rules,
        ablated,
    )


def calibrate(table: Table, predictions: Predictions, rows: Rows) -> Calibration:
    """Calibrate predictions on judged pictures.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row, by models that did not see its group.
    rows : ndarray of int, (n,)
        The judged pictures to calibrate on.

    Returns
    -------
    Calibration
        Slope, offset, level, and the curve of these pictures.
    """
    logit, consensus = predictions.logit[rows], table.consensus[rows]
    logistic = platt(logit, consensus)
    parts = parts_apart(table, predictions, rows)
    eligible = with_estimates(table, predictions, parts).eligible[rows]
    monochrome = table.monochrome[rows]
    probability = reported(logit, logistic, monochrome)
    return Calibration(
        logistic,
        parts,
        nearer(table, predictions, rows, logistic),
        curve(probability, consensus, eligible, monochrome),
    )


def nearer(
    table: Table, predictions: Predictions, rows: Rows, logistic: tuple[float, float]
) -> Nearer:
    """How to make a probability of the deviations that speak for a move, and what is passed.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row.
    rows : ndarray of int, (n,)
        Judged pictures. Of their groups' copies those with an evident cast over the whole
        frame are used, each as far as it is likely to be corrected: whether there is a
        cast at all is for the verdict, and what lies over a part is left to a person.
    logistic : tuple of float
        Slope and offset of the probability of an evident cast.

    Returns
    -------
    Nearer
        The identity, and passed from 1, where no copy tells more.
    """
    size = np.hypot(table.truth[..., 0], table.truth[..., 1]).max(axis=1)
    laid = np.isin(table.kind, WHOLE_FRAME) & np.isin(table.group, table.group[rows])
    laid &= size >= EVIDENT_FROM
    truth, moved = table.truth[laid, 1:], predictions.casts[laid, 1:]
    covariance = covariance_of(predictions.deviation[laid], predictions.correlation[laid])
    sure = sureness(moved, covariance[:, 1:, :, 1:], moved)
    right = (truth * moved).sum(axis=(1, 2)) > (moved**2).sum(axis=(1, 2)) / 2
    if right.all() or not right.any():
        return Nearer(1.0, 0.0, 1.0)
    likely = probability_of(predictions.logit[laid], logistic)
    slope, offset = slope_and_offset(sure, right, likely)
    probability = probability_of(sure, (slope, offset))
    order = np.argsort(-probability)
    errors, count = (np.cumsum(each[order]) for each in (likely * ~right, likely))
    kept = np.flatnonzero(errors + 1 <= WRONGLY_PASSED * (count + 1))
    return Nearer(slope, offset, float(probability[order][kept[-1]]) if len(kept) else 1.0)


def reported(logit: Floats, logistic: tuple[float, float], monochrome: Bools) -> Floats:
    """The probability as it is reported.

    Parameters
    ----------
    logit : ndarray, (n,)
        Log-odds of an evident cast, as predicted.
    logistic : tuple of float
        Slope and offset of :func:`autocast.training.fit.platt`.
    monochrome : ndarray of bool, (n,)
        Which pictures are black and white.

    Returns
    -------
    ndarray, (n,)
        0..1; that of a black-and-white does not depend on the trees.
    """
    return np.where(monochrome, MONOCHROME_PROBABILITY, probability_of(logit, logistic))


def parts_apart(table: Table, predictions: Predictions, rows: Rows) -> float:
    """The log-odds from which a part of the frame counts as having a cast of its own.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row.
    rows : ndarray of int, (n,)
        The judged pictures to choose by.

    Returns
    -------
    float
        All but a share of FITTED_PARTS_APART of those judged none stay below;
        0 where none was so judged.
    """
    none = rows[table.consensus[rows] == "none"]
    if not len(none):
        return 0.0
    return float(np.quantile(predictions.uneven[none], 1 - FITTED_PARTS_APART))


def with_estimates(table: Table, predictions: Predictions, parts: float) -> Table:
    """The table with the rules that the estimates add.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row.
    parts : float
        Log-odds of :func:`parts_apart`.

    Returns
    -------
    Table
        Its rules, and those of :func:`autocast.advisor.gates.by_estimate`. A
        black-and-white earns none.
    """
    rules = dict(table.rules)
    for name, found in by_estimate(predictions.casts, predictions.uneven, parts).items():
        keeps = np.isin(VERDICTS, kept_from([name]).get(name, ()))
        if keeps.any():
            earned = (found & ~table.monochrome)[:, None] & keeps
            # The count may have earned the same remark.
            rules[name] = rules.get(name, False) | earned
    return replace(table, rules=rules)
