"""Can the copies that casts are laid on be told from untouched pictures?

They must not: else trees would learn the traces of the simulation, not the
cast. A probe of trees is taught, by whole groups, to tell the uncast copies
from the pictures they were made of.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier

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
    """AUC of a cross-fitted probe on uncast copies against untouched pictures of none."""
    untouched = table.natural & (table.consensus == "none")
    # A figure that every untouched picture tells is missing where a copy was told
    # without a kind of evidence, which is no trace of the chain.
    always = ~np.isnan(table.features[untouched]).any(axis=0)
    whole = ~np.isnan(table.features[:, always]).any(axis=1)
    rows = np.flatnonzero(whole & (untouched | (table.kind == "none")))
    copy = table.kind[rows] == "none"
    fold = folds(table.group[rows], FOLDS, seed)
    score = np.zeros(len(rows))
    for k in range(FOLDS):
        told, held = rows[fold != k], rows[fold == k]
        model = HistGradientBoostingClassifier(random_state=seed, **PROBE)
        model.fit(table.features[told], copy[fold != k])
        score[fold == k] = model.predict_proba(table.features[held])[:, 1]
    return Draws(table.group[rows], seed).cell(auc(copy, score))
