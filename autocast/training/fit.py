"""Grow the trees that are fitted to the evidence.

Stage one predicts the cast (of the whole and by tone range) from the features of
known casts, simulated on pictures judged to have none. Stage two predicts from
that, and from the features, how likely a careful look calls the cast evident; it
is grown on what stage one predicts of pictures that it did not see. The logistic
calibration (Platt 1999) and the thresholds are made in nested.py, of what trees
predict of groups that they did not see.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold
from threadpoolctl import threadpool_limits

from autocast.judgement import EVIDENT_FROM
from autocast.modelstore import TARGETS
from autocast.training.gather import BY_TONE, Table
from autocast.voting.fitted import Layout, anchored, probability_of, second_stage

Floats = NDArray[np.floating[Any]]
Rows = NDArray[np.intp]

CROSS_FITS = 3
"""Folds in which stage one's predictions for stage two's pictures are made."""
LOG_OF_NORMAL = 0.6352
"""-E[ln |z|] of a standard normal z: (Euler's constant + ln 2) / 2."""
ERROR_FLOOR = 0.3
"""Added to an error before its logarithm, so that a lucky hit does not count for much."""
FAR_MISS = 3.0
"""Deviations beyond which an error counts no more."""
HELD = "held"
"""First part of the kinds of row that no fit may see."""
SIMULATED_EVERY = 4
"""Every so many simulated casts, one is shown to stage two."""
WEIGHTS = {"natural": 1.0, "crop": 0.5, "rendered": 0.1}
"""Weight of a row in stage two, by the first part of its kind."""
SIMULATED_WEIGHT = 0.08
"""... and of a cast simulated on a photograph."""
PARTLY_WEIGHT = 0.16
"""... and of one that lies over a part of it, or differs by tone: the looks met few of those."""
SEEDS = 3
"""Models of stage two that are averaged."""
GRADES = {"none": 0.0, "doubtful": 0.15, "slight": 0.5, "evident": 1.0}
"""How far each consensus counts as an evident cast in growing stage two."""
WHOLE_FROM = ("natural", "none", "gain", "rendered.none", "rendered.gain")
"""Kinds of row that the whole's cast is learned from: one light, one cast."""
UNEVEN = ("part", "two_lights")
"""Kinds of simulated cast that do not lie over the whole frame."""
PARTLY = (*UNEVEN, *sorted(BY_TONE))
"""These, and those that differ by tone."""
EVEN = ("natural", "none", "gain", "encoded", "offset", "power", "faded")
"""Kinds of row over which one cast lies, or none.

Crops are left out, and casts that differ by tone: those lie where their tones lie."""
LARGE = 16.0
"""C* at which a simulated cast counts half in learning the whole's; far larger ones count little.

They are easy to see and draw trees away from the small ones (chosen by
cross-validation over groups). A tone range's cast is what a correction takes
away, large or small: there all count alike.
"""

STAGE_ONE: dict[str, Any] = {
    "max_iter": 250,
    "learning_rate": 0.06,
    "max_leaf_nodes": 15,
    "min_samples_leaf": 20,
    "l2_regularization": 1.0,
    "max_features": 0.1,
    "max_bins": 64,
    "early_stopping": False,
}
STAGE_TONES: dict[str, Any] = STAGE_ONE | {"max_iter": 500}
STAGE_SPREAD: dict[str, Any] = STAGE_ONE | {"max_iter": 80}
STAGE_TWO: dict[str, Any] = {
    "max_iter": 200,
    "learning_rate": 0.03,
    "max_leaf_nodes": 6,
    "min_samples_leaf": 15,
    "l2_regularization": 3.0,
    "max_features": 0.15,
    "max_bins": 64,
    "early_stopping": False,
}
STAGE_UNEVEN: dict[str, Any] = STAGE_TWO | {
    "learning_rate": 0.05,
    "max_leaf_nodes": 8,
    "min_samples_leaf": 20,
    "max_features": 0.1,
}


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """All grown models, and the calibration's slope and offset (on the logit).

    ``first`` holds a model for each a* and b* of :data:`autocast.modelstore.TARGETS`,
    then one for the logarithm of the deviation of each; ``correlation`` (4, 4) is that of
    the targets' errors. ``evident`` are averaged; ``uneven`` predicts whether a part of
    the frame has a cast of its own.
    """

    names: tuple[str, ...]
    first: tuple[Any, ...]
    correlation: Floats
    evident: tuple[Any, ...]
    uneven: Any
    calibration: tuple[float, float] = (1.0, 0.0)


class Predictions(NamedTuple):
    """What fitted models predict of n rows.

    Casts (n, 4, 2), their deviations (n, 4, 2), the evident cast's logit and probability
    (n,), and the log-odds (n,) of a cast on a part of the frame.
    """

    casts: Floats
    deviation: Floats
    logit: Floats
    probability: Floats
    uneven: Floats


def grow(table: Table, fit: Rows, seed: int) -> Fitted:
    """Grow every model; they are not calibrated yet.

    On one thread: the trees are then the same on any number of cores, and
    threads would wait for each other longer than they work.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    fit : ndarray of int, (n,)
        The rows to grow on; of these, what is held back for the report is left out.
    seed : int
        The same seed gives the same trees.

    Returns
    -------
    Fitted
        The models, their calibration the identity.
    """
    with threadpool_limits(1):
        return _grow(table, fit[~np.char.startswith(table.kind[fit], HELD)], seed)


def _grow(table: Table, fit: Rows, seed: int) -> Fitted:
    anchor, relative = _first_stage(table.names, table.features)
    casts = _cross_fitted(table, relative, anchor, fit, seed)
    spreads = _grow_spreads(table, relative, fit, casts, seed)
    deviation = np.exp(_outputs(spreads, relative[fit])[:, 0])
    return Fitted(
        names=table.names,
        first=(*_grow_casts(table, relative, anchor, fit, seed), *spreads),
        correlation=_correlation(table, fit, casts, deviation),
        evident=_grow_evident(table, fit, (casts, deviation), seed),
        uneven=_grow_uneven(table, fit, (casts, deviation), seed),
    )


def platt(
    logit: Floats, consensus: NDArray[np.str_], weight: Floats | None = None
) -> tuple[float, float]:
    """The logistic calibration of judged pictures.

    Parameters
    ----------
    logit : ndarray, (n,)
        Log-odds of an evident cast, as predicted.
    consensus : ndarray of str, (n,)
        As judged; pictures of which no look could tell (``cannot_tell``) are left out.
    weight : ndarray, (n,), optional
        How much each counts; all alike unless given.

    Returns
    -------
    tuple of float
        Slope and offset that make the logits those of a probability
        (:func:`autocast.voting.fitted.probability_of`).

    References
    ----------
    Platt, Advances in Large Margin Classifiers, 1999, from memory, not verified.
    """
    known = consensus != "cannot_tell"
    # Almost no penalty: two coefficients from hundreds of pictures.
    model = LogisticRegression(C=1e6).fit(
        logit[known, None],
        consensus[known] == "evident",
        sample_weight=None if weight is None else weight[known],
    )
    return float(model.coef_[0, 0]), float(model.intercept_[0])


def apply(fitted: Fitted, features: Floats) -> Predictions:
    """What fitted models predict.

    Parameters
    ----------
    fitted : Fitted
        The models.
    features : ndarray, (n, F)
        Those that ``fitted.names`` names, NaN where they could not be read.

    Returns
    -------
    Predictions
        Of n rows.
    """
    anchor, relative = _first_stage(fitted.names, features)
    casts, spread = np.moveaxis(_outputs(fitted.first, relative), 1, 0)
    casts, deviation = casts + anchor[:, None], np.exp(spread)
    last = second_stage(fitted.names, features, casts, deviation)
    logit = np.mean([model.decision_function(last) for model in fitted.evident], axis=0)
    uneven = fitted.uneven.decision_function(last)
    return Predictions(casts, deviation, logit, probability_of(logit, fitted.calibration), uneven)


def folds(group: NDArray[np.str_], count: int, seed: int) -> Rows:
    """A fold for every row, by whole groups, folds about equally large.

    Parameters
    ----------
    group : ndarray of str, (n,)
        The group of each row.
    count : int
        How many folds; no more than there are groups.
    seed : int
        Which of equally large groups go together.

    Returns
    -------
    ndarray of int, (n,)
        From 0 to ``count`` - 1.
    """
    names, inverse = np.unique(group, return_inverse=True)
    # GroupKFold's own shuffling makes folds of equally many groups, however large those are.
    shuffled = np.random.default_rng(seed).permutation(len(names))[inverse]
    fold = np.empty(len(group), dtype=np.intp)
    for k, (_, held) in enumerate(GroupKFold(count).split(shuffled, groups=shuffled)):
        fold[held] = k
    return fold


def _first_stage(names: tuple[str, ...], features: Floats) -> tuple[Floats, Floats]:
    """Anchors (n, 2), and the features that stage one is given, relative to them."""
    anchor, relative = anchored(names, features)
    return anchor, relative[:, Layout.of(names).first]


def _cross_fitted(table: Table, relative: Floats, anchor: Floats, rows: Rows, seed: int) -> Floats:
    """Stage one's casts (n, 4, 2) for ``rows``, each from models that did not see its group."""
    fold = folds(table.group[rows], CROSS_FITS, seed)
    casts = np.zeros((len(rows), len(TARGETS), 2))
    for k in range(CROSS_FITS):
        models = _grow_casts(table, relative, anchor, rows[fold != k], seed)
        held = rows[fold == k]
        casts[fold == k] = _outputs(models, relative[held])[:, 0] + anchor[held, None]
    return casts


def _known(table: Table, rows: Rows) -> Rows:
    """Rows whose cast is known: simulated and rendered ones, and pictures judged to have none."""
    known = (table.consensus[rows] == "none") & (table.kind[rows] != "crop")
    return np.asarray(rows[known], dtype=np.intp)


def _grow_casts(
    table: Table, relative: Floats, anchor: Floats, rows: Rows, seed: int
) -> tuple[Any, ...]:
    """Models of the a* and b* of each target, relative to the anchor."""
    known = _known(table, rows)
    models = []
    for k, target in enumerate(TARGETS):
        whole = target == "whole"
        fit = known[np.isin(table.kind[known], WHOLE_FROM)] if whole else known
        weight = _importance(table.truth[fit, k]) if whole else None
        for c in (0, 1):
            model = HistGradientBoostingRegressor(
                random_state=seed, **(STAGE_ONE if whole else STAGE_TONES)
            )
            truth = table.truth[fit, k, c] - anchor[fit, c]
            models.append(model.fit(relative[fit], truth, sample_weight=weight))
    return tuple(models)


def _importance(casts: Floats) -> Floats:
    """Weights (n,) of simulated casts (n, 2)."""
    return np.asarray(1 / (1 + (np.hypot(casts[:, 0], casts[:, 1]) / LARGE) ** 4))


def _grow_spreads(
    table: Table, relative: Floats, rows: Rows, casts: Floats, seed: int
) -> tuple[Any, ...]:
    """Models of how far stage one's casts lie from the truth, from its cross-fitted errors."""
    known = table.consensus[rows] == "none"
    error = np.abs(casts[known] - table.truth[rows[known]]) + ERROR_FLOOR
    spread = np.log(error).reshape(len(error), -1) + LOG_OF_NORMAL
    return tuple(
        HistGradientBoostingRegressor(random_state=seed, **STAGE_SPREAD).fit(
            relative[rows[known]], each
        )
        for each in spread.T
    )


def _correlation(table: Table, rows: Rows, casts: Floats, deviation: Floats) -> Floats:
    """Correlation (4, 4) of the targets' errors, each in its own deviations, a* and b* alike."""
    known = table.consensus[rows] == "none"
    error = (casts - table.truth[rows])[known] / deviation[known]
    # Far misses are few and would speak for all.
    error = np.clip(error, -FAR_MISS, FAR_MISS)
    return np.asarray(np.corrcoef(np.moveaxis(error, 1, -1).reshape(-1, len(TARGETS)).T))


def _grow_evident(
    table: Table, rows: Rows, first: tuple[Floats, Floats], seed: int
) -> tuple[Any, ...]:
    """Judged pictures with their consensus; simulated and rendered casts at a small weight.

    A picture between none and evident counts as both, by its grade.
    """
    family = np.array([kind.split(".")[0] for kind in table.kind[rows]])
    shown = np.isin(family, list(WEIGHTS)) | (np.arange(len(rows)) % SIMULATED_EVERY == 0)
    use = shown & (table.consensus[rows] != "cannot_tell")
    chosen, family = rows[use], family[use]
    judged = np.array([GRADES[consensus] for consensus in table.consensus[chosen]])
    by_looks = np.isin(family, ("natural", "crop"))
    grade = np.where(by_looks, judged, table.worst[chosen] >= EVIDENT_FROM)
    simulated = np.where(np.isin(family, PARTLY), PARTLY_WEIGHT, SIMULATED_WEIGHT)
    weight = np.array([WEIGHTS.get(f, at) for f, at in zip(family, simulated, strict=True)])
    features = _second_stage(table, rows, first, use)
    yes, no = np.flatnonzero(grade > 0), np.flatnonzero(grade < 1)
    both = np.concatenate([yes, no])
    evident = np.arange(len(both)) < len(yes)
    share = np.concatenate([grade[yes], 1 - grade[no]]) * weight[both]
    return tuple(
        HistGradientBoostingClassifier(random_state=seed + k, **STAGE_TWO).fit(
            features[both], evident, sample_weight=share
        )
        for k in range(SEEDS)
    )


def _grow_uneven(table: Table, rows: Rows, first: tuple[Floats, Floats], seed: int) -> Any:
    """Evident casts on a part of the frame, against pictures and copies with one cast or none."""
    kind = np.array([kind.removeprefix("rendered.") for kind in table.kind[rows]])
    known = table.consensus[rows] == "none"
    partly = np.isin(kind, UNEVEN) & (table.worst[rows] >= EVIDENT_FROM)
    use = known & (partly | np.isin(kind, EVEN))
    model = HistGradientBoostingClassifier(random_state=seed, **STAGE_UNEVEN)
    return model.fit(_second_stage(table, rows, first, use), partly[use])


def _second_stage(
    table: Table, rows: Rows, first: tuple[Floats, Floats], use: NDArray[np.bool_]
) -> Floats:
    """What stage two is given of those ``rows`` that are of ``use``."""
    casts, deviation = first
    return second_stage(table.names, table.features[rows[use]], casts[use], deviation[use])


def _outputs(models: Sequence[Any], relative: Floats) -> Floats:
    """What M first-stage models predict of n rows, (n, M / 8, 4, 2)."""
    columns = np.stack([model.predict(relative) for model in models], axis=1)
    return columns.reshape(len(relative), -1, len(TARGETS), 2)


def export(fitted: Fitted) -> dict[str, NDArray[Any]]:
    """Plain arrays of every model, as :mod:`autocast.modelstore.trees` walks them.

    Parameters
    ----------
    fitted : Fitted
        What is to be written.

    Returns
    -------
    dict of ndarray
        The content of ``fitted.npz``.
    """
    first = _forest(fitted.first)
    # Trees walk all features: those of stage one are shown where theirs stand.
    split = first["feature"] >= 0
    first["feature"][split] = Layout.of(fitted.names).first[first["feature"][split]]
    forests = {"first": first, "last": _forest(fitted.evident), "uneven": _forest([fitted.uneven])}
    return {
        "features": np.array(fitted.names),
        "calibration": np.array(fitted.calibration),
        "correlation": fitted.correlation,
        **{
            f"{name}/{field}": value
            for name, forest in forests.items()
            for field, value in forest.items()
        },
    }


def _forest(models: Sequence[Any]) -> dict[str, NDArray[Any]]:
    # scikit-learn keeps its grown trees in private attributes; a test holds
    # the exported sums to the library's own predictions.
    grown = [[tree[0].nodes for tree in model._predictors] for model in models]  # noqa: SLF001
    nodes = [tree for trees in grown for tree in trees]
    starts = np.cumsum([0, *(len(n) for n in nodes[:-1])])
    offsets = np.repeat(starts, [len(n) for n in nodes])
    flat = np.concatenate(nodes)
    leaf = flat["is_leaf"].astype(bool)
    return {
        "feature": np.where(leaf, -1, flat["feature_idx"]).astype(np.int16),
        "threshold": flat["num_threshold"].astype(np.float64),
        "missing_left": flat["missing_go_to_left"].astype(bool),
        "left": np.where(leaf, 0, flat["left"] + offsets).astype(np.int32),
        "right": np.where(leaf, 0, flat["right"] + offsets).astype(np.int32),
        "value": flat["value"].astype(np.float32),
        "root": starts.astype(np.int32),
        "first": np.cumsum([0, *(len(trees) for trees in grown[:-1])]).astype(np.int32),
        "start": np.ravel([model._baseline_prediction for model in models]).astype(np.float64),  # noqa: SLF001
    }
