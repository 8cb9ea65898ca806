"""Every table of figures, beside the classical estimators and a plain fit, from one run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from autocast.evaluation import agreement, deferral
from autocast.evaluation.calibration import calibration
from autocast.evaluation.rules import rules
from autocast.evaluation.tracing import tracing
from autocast.judgement import RISKS, Risks
from autocast.training.fit import Predictions
from autocast.training.gather import Table
from autocast.training.nested import Outcome, nested
from autocast.voting.features import dictionary


def plain_fit(
    table: Table, seed: int, report: Callable[[str], None], processes: int = 1
) -> Predictions:
    """What trees predict that are grown the same way over the statistics alone.

    Parameters
    ----------
    table : Table
        Judged pictures and simulated casts.
    seed : int
        As of the fit it is compared with: the folds are then the same.
    report : callable
        Is given lines of progress.
    processes : int
        In how many the folds are worked on.

    Returns
    -------
    Predictions
        Of every row, by trees that did not see its group.
    """
    known = dictionary()
    kept = [k for k, name in enumerate(table.names) if known[name].kind == "statistics"]
    names = tuple(table.names[k] for k in kept)
    report("Growing trees over the statistics alone, for comparison.")
    some = replace(table, names=names, features=table.features[:, kept], without={})
    return nested(some, seed, report, processes=processes).predictions


def figures(
    table: Table,
    outcome: Outcome,
    seed: int,
    plain: Predictions | None = None,
    risks: Risks = RISKS,
) -> dict[str, Any]:
    """Every table, ready for JSON.

    Parameters
    ----------
    table : Table
        Judged pictures and simulated casts.
    outcome : Outcome
        Of the nested fits.
    seed : int
        Of the draws.
    plain : Predictions, optional
        Those of :func:`plain_fit`.
    risks : Risks
        Those that the verdicts were to keep.

    Returns
    -------
    dict
        A figure is ``n``, ``value`` and a 95 % ``interval`` over groups (None where
        too few groups allow one).
    """
    predictions, verdict = outcome.predictions, outcome.verdict
    probability = predictions.probability
    casts = agreement.estimates(table, predictions, plain)
    mixed = deferral.weights_of(table, deferral.MIX)
    less = dict(outcome.without)
    if plain is not None:
        less["plain fit"] = plain.probability[table.natural]

    return {
        "pictures": int(table.natural.sum()),
        "groups": len(set(table.group[table.natural])),
        "fit": "nested",
        "simulated": agreement.simulated(table, predictions, casts, seed),
        "judged": agreement.judged(table, predictions, plain, casts, seed),
        "verdicts": agreement.counts(table, verdict),
        "scenes": agreement.scenes(table, predictions, verdict, seed),
        "by_tone": agreement.by_tone(table, predictions, seed),
        "kinds": agreement.kinds(table, predictions, seed, verdict),
        "calibration": calibration(table, probability, seed),
        "coverage": deferral.coverage(table, probability, verdict, seed),
        "right_to_ask": deferral.right_to_ask(table, verdict, seed),
        "risks": deferral.risks(table, verdict, risks, np.ones(len(table.file)), seed),
        "mix": deferral.MIX,
        "risks_at_mix": None
        if mixed is None
        else deferral.risks(table, verdict, risks, mixed, seed),
        "thresholds": [asdict(each) for each in outcome.thresholds],
        "without": agreement.without(table, predictions, less, seed),
        "points": agreement.points(table, predictions),
        "spreads": agreement.spreads(table, predictions, seed),
        "rules": rules(table, verdict, outcome.by_probability, outcome.rules, seed),
        "traces": tracing(table, seed),
    }


def figures_untouched(
    table: Table, predictions: Predictions, model: str, seed: int
) -> dict[str, Any]:
    """The tables that need no judgements, of pictures taken as they are.

    Parameters
    ----------
    table : Table
        Simulated casts.
    predictions : Predictions
        Of every row.
    model : str
        The id of the models that made them.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        As of :func:`figures`.
    """
    casts = agreement.estimates(table, predictions, None)
    return {
        "pictures": len(set(table.file)),
        "groups": len(set(table.group)),
        "fit": "none",
        "model": model,
        "simulated": agreement.simulated(table, predictions, casts, seed),
        "by_tone": agreement.by_tone(table, predictions, seed),
        "kinds": agreement.kinds(table, predictions, seed),
        "spreads": agreement.spreads(table, predictions, seed),
    }
