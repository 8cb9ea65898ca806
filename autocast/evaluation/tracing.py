"""Can the copies that casts are simulated on be told from untouched pictures?

They must not: else trees would learn the traces of the simulation, not the
cast. A probe of trees is taught, by whole groups, to tell the uncast copies
from the pictures they were made of.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import PredefinedSplit, cross_val_predict

from autocast.evaluation.resampling import Draws, auc
from autocast.training.fit import folds
from autocast.training.gather import Table

FOLDS = 5
PROBE: dict[str, Any] = {
    "max_iter": 120,
    "learning_rate": 0.05,
    "max_leaf_nodes": 8,
    "early_stopping": False,
}


def tracing(table: Table, seed: int) -> dict[str, Any]:
    """AUC of a cross-fitted probe on uncast copies against untouched pictures of none.

    Parameters
    ----------
    table : Table
        Judged pictures and simulated casts.
    seed : int
        Of the probe, its folds and the draws.

    Returns
    -------
    dict
        A figure; 0.5 where the probe finds nothing.
    """
    untouched = table.natural & (table.consensus == "none")
    # A feature that every untouched picture has is missing where a kind of evidence was
    # left out of a copy, which is no trace of the chain.
    always = ~np.isnan(table.features[untouched]).any(axis=0)
    whole = ~np.isnan(table.features[:, always]).any(axis=1)
    rows = np.flatnonzero(whole & (untouched | (table.kind == "none")))
    copy = table.kind[rows] == "none"
    score = cross_val_predict(
        HistGradientBoostingClassifier(random_state=seed, **PROBE),
        table.features[rows],
        copy,
        cv=PredefinedSplit(folds(table.group[rows], FOLDS, seed)),
        method="predict_proba",
    )[:, 1]
    return Draws(table.group[rows], seed).cell(auc(copy, score))
