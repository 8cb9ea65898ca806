"""Every table of figures, beside the classical estimators and a plain fit, from one run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from autocast.evaluation import agreement, deferral
from autocast.evaluation.calibration import calibration
from autocast.evaluation.tracing import tracing
from autocast.judgement import RISKS, Risks
from autocast.training.fit import Predictions
from autocast.training.gather import Table
from autocast.training.nested import Outcome, nested
from autocast.voting.fitted import ANCHORS

STATISTICS = "statistics."
"""How the names of the figures begin that the plain fit is told."""


def plain(
    table: Table, seed: int, report: Callable[[str], None], processes: int = 1
) -> Predictions:
    """The word of trees grown the same way, on the same folds, over the statistics alone.

    An anchor that is no statistic is told as the median of those that are, which
    leaves the anchor where they put it.
    """
    kept = [k for k, name in enumerate(table.names) if name.startswith(STATISTICS)]
    names = [table.names[k] for k in kept]
    columns = [table.features[:, k] for k in kept]
    statistics = [anchor for anchor in ANCHORS if anchor.startswith(STATISTICS)]
    others = [anchor for anchor in ANCHORS if not anchor.startswith(STATISTICS)]
    for axis in "ab":
        heard = [table.names.index(f"{anchor}.{axis}") for anchor in statistics]
        found = table.features[:, heard]
        nothing = np.isnan(found).all(axis=1, keepdims=True)
        columns += [np.nanmedian(np.where(nothing, 0.0, found), axis=1)] * len(others)
        names += [f"{anchor}.{axis}" for anchor in others]
    # Where an a* stands, its b* is next.
    order = np.argsort([table.names.index(name) for name in names], kind="stable")
    told = replace(
        table,
        names=tuple(names[k] for k in order),
        features=np.stack([columns[k] for k in order], axis=1),
        without={},
    )
    report("Growing trees over the statistics alone, for comparison.")
    return nested(told, seed, report, processes=processes).word


def figures(
    table: Table,
    outcome: Outcome,
    seed: int,
    plain_word: Predictions | None = None,
    risks: Risks = RISKS,
) -> dict[str, Any]:
    """Every table, ready for JSON.

    A figure is ``n``, ``value`` and a 95 % ``interval`` over groups (None where
    too few groups allow one).
    """
    word = outcome.word
    casts = agreement.estimates(table, word, plain_word)
    pictures = int(table.natural.sum())
    mixed = deferral.weights_of(table, deferral.MIX)
    every = np.ones(len(table.file))
    less = dict(outcome.without)
    if plain_word is not None:
        less["plain fit"] = plain_word.probability[table.natural]
    return {
        "pictures": pictures,
        "groups": len(set(table.group[table.natural])),
        "fit": "nested",
        "laid": agreement.laid(table, word, casts, seed),
        "judged": agreement.judged(table, word, plain_word, casts, seed),
        "verdicts": agreement.counts(table, outcome.verdict),
        "scenes": agreement.scenes(table, word, outcome.verdict, seed),
        "by_tone": agreement.by_tone(table, word, seed),
        "kinds": agreement.kinds(table, word, seed, outcome.verdict),
        "calibration": calibration(table, word.probability, seed),
        "coverage": deferral.coverage(table, word.probability, outcome.verdict, seed),
        "right_to_ask": deferral.right_to_ask(table, outcome.verdict, seed),
        "risks": deferral.risks(table, outcome.verdict, risks, every, seed),
        "mix": deferral.MIX,
        "risks_at_mix": None
        if mixed is None
        else deferral.risks(table, outcome.verdict, risks, mixed, seed),
        "thresholds": deferral.held(outcome.thresholds),
        "without": agreement.without(table, word, less, seed),
        "points": agreement.points(table, word),
        "traces": tracing(table, seed),
    }


def figures_untouched(table: Table, word: Predictions, model: str, seed: int) -> dict[str, Any]:
    """The tables that need no judgements, of pictures taken as they are, by the models shipped."""
    casts = agreement.estimates(table, word, None)
    return {
        "pictures": len(set(table.file)),
        "groups": len(set(table.group)),
        "fit": "shipped",
        "model": model,
        "laid": agreement.laid(table, word, casts, seed),
        "by_tone": agreement.by_tone(table, word, seed),
        "kinds": agreement.kinds(table, word, seed),
    }
