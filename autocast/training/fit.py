"""Grow the trees that weigh the evidence.

Stage one tells the cast (whole and by tone range) from the figures of known
casts laid over pictures judged to have none. Stage two tells from that, and
from the figures, how likely a careful look calls the cast evident; it is grown
on stage one's word about pictures that stage one did not see. The logistic
calibration (Platt 1999) and the thresholds are made in evaluate.py and commands.py,
of what trees said of groups that they did not see.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor
from sklearn.linear_model import LogisticRegression
from threadpoolctl import threadpool_limits

from autocast.judgement import EVIDENT_FROM
from autocast.modelstore import TARGETS
from autocast.training.gather import BY_TONE, Table
from autocast.voting.fitted import Layout, anchored, probability_of, second_stage

Floats = NDArray[np.floating[Any]]
Rows = NDArray[np.intp]

CROSS_FITS = 3
"""Folds in which stage one's word for stage two's pictures is made."""
LOG_OF_NORMAL = 0.6352
"""-E[ln |z|] of a standard normal z: (Euler's constant + ln 2) / 2."""
ERROR_FLOOR = 0.3
"""Added to an error before its logarithm, so that a lucky hit does not count for much."""
FAR_MISS = 3.0
"""Deviations beyond which an error counts no more."""
HELD = "held"
"""First word of the kinds of row that no fit may see."""
LAID_EVERY = 4
"""Every so many laid casts, one is shown to stage two."""
WEIGHTS = {"natural": 1.0, "crop": 0.5, "rendered": 0.1}
"""Weight of a row in stage two, by the first word of its kind."""
LAID_WEIGHT = 0.08
"""... and of a cast laid over a photograph."""
PARTLY_WEIGHT = 0.16
"""... and of one that lies over a part of it, or differs by tone: the looks met few of those."""
SEEDS = 3
"""Models of stage two that are averaged."""
GRADES = {"none": 0.0, "doubtful": 0.15, "slight": 0.5, "evident": 1.0}
"""How far each consensus counts as an evident cast in growing stage two."""
WHOLE_FROM = ("natural", "none", "gain", "rendered.none", "rendered.gain")
"""Kinds of row that the whole's cast is learned from: one light, one cast."""
UNEVEN = ("part", "two_lights")
"""Kinds of laid row whose cast does not lie over the whole frame."""
PARTLY = (*UNEVEN, *sorted(BY_TONE))
"""These, and those whose cast differs by tone."""
EVEN = ("natural", "none", "gain", "encoded", "offset", "power", "faded")
"""Kinds of row over which one cast lies, or none.

Crops are left out, and casts that differ by tone: those lie where their tones lie."""
LARGE = 16.0
"""C* at which a laid cast counts half in telling the whole's; far larger ones count for little.

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

    ``correlation`` is the correlation (4, 4) of the errors of stage one's targets;
    ``uneven`` tells whether a part of the frame has a cast of its own.
    """

    names: tuple[str, ...]
    stage_one: dict[str, Any]
    correlation: Floats
    evident: tuple[Any, ...]
    uneven: Any
    calibration: tuple[float, float] = (1.0, 0.0)


def grow(table: Table, fit: Rows, seed: int) -> Fitted:
    """Grow every model on the rows ``fit``; they are not calibrated yet.

    On one thread: the trees are then the same on any number of cores, and
    threads would wait for each other longer than they work.
    """
    with threadpool_limits(1):
        return _grow(table, fit, seed)


def _grow(table: Table, fit: Rows, seed: int) -> Fitted:
    fit = fit[~np.char.startswith(table.kind[fit], HELD)]
    anchor, relative = told_first(table.names, table.features)
    casts = cross_fitted(table, relative, anchor, fit, seed)
    stage_one = _grow_stage_one(table, relative, anchor, fit, seed)
    stage_one |= _grow_spread(table, relative, fit, casts, seed)
    deviation = _spread(stage_one, relative[fit])
    correlation = _correlation(table, fit, casts, deviation)
    last = _grow_stage_two(table, fit, (casts, deviation), seed)
    uneven = _grow_uneven(table, fit, (casts, deviation), seed)
    return Fitted(table.names, stage_one, correlation, last, uneven)


def platt(logit: Floats, consensus: NDArray[np.str_]) -> tuple[float, float]:
    """Slope and offset that make logits (n,) of judged pictures those of a probability.

    Pictures of which no look could tell are left out.
    """
    known = consensus != "cannot_tell"
    # Almost no penalty: two coefficients from hundreds of pictures.
    model = LogisticRegression(C=1e6).fit(logit[known, None], consensus[known] == "evident")
    return float(model.coef_[0, 0]), float(model.intercept_[0])


def told_first(names: tuple[str, ...], features: Floats) -> tuple[Floats, Floats]:
    """Anchors (n, 2), and the figures that stage one is grown on, relative to them."""
    anchor, relative = anchored(names, features)
    return anchor, relative[:, Layout.of(names).first]


@dataclass(frozen=True, slots=True, eq=False)
class Predictions:
    """What fitted models say of n rows.

    Casts (n, 4, 2), their deviations (n, 4, 2), the evident cast's logit and probability,
    and the logit of a cast on a part of the frame.
    """

    casts: Floats
    deviation: Floats
    logit: Floats
    probability: Floats
    uneven: Floats


def apply(fitted: Fitted, table: Table, rows: Rows) -> Predictions:
    """Ask the fitted models about rows of a table."""
    anchor, relative = told_first(table.names, table.features[rows])
    casts = _casts(fitted.stage_one, relative, anchor)
    deviation = _spread(fitted.stage_one, relative)
    features = second_stage(table.names, table.features[rows], casts, deviation)
    logit = np.mean([model.decision_function(features) for model in fitted.evident], axis=0)
    uneven = fitted.uneven.decision_function(features)
    return Predictions(casts, deviation, logit, probability_of(logit, fitted.calibration), uneven)


def folds(group: NDArray[np.str_], count: int, seed: int) -> NDArray[np.intp]:
    """A fold number for every row, by whole groups, folds about equally large."""
    names, sizes = np.unique(group, return_counts=True)
    rng = np.random.default_rng(seed)
    load = np.zeros(count)
    where = {}
    for k in np.lexsort((rng.random(len(names)), -sizes)):
        fold = int(load.argmin())
        where[names[k]] = fold
        load[fold] += sizes[k]
    return np.array([where[name] for name in group], dtype=np.intp)


def cross_fitted(table: Table, relative: Floats, anchor: Floats, rows: Rows, seed: int) -> Floats:
    """Stage one's casts (n, 4, 2) for ``rows``, each from models that did not see its group."""
    fold = folds(table.group[rows], CROSS_FITS, seed)
    casts = np.zeros((len(rows), len(TARGETS), 2))
    for k in range(CROSS_FITS):
        models = _grow_stage_one(table, relative, anchor, rows[fold != k], seed)
        held = rows[fold == k]
        casts[fold == k] = _casts(models, relative[held], anchor[held])
    return casts


def _known(table: Table, rows: Rows) -> Rows:
    """Rows whose cast is known: laid and rendered ones, and pictures judged to have none."""
    known = (table.consensus[rows] == "none") & (table.kind[rows] != "crop")
    return np.asarray(rows[known], dtype=np.intp)


def _grow_stage_one(
    table: Table, relative: Floats, anchor: Floats, rows: Rows, seed: int
) -> dict[str, Any]:
    known = _known(table, rows)
    models = {}
    single = known[np.isin(table.kind[known], WHOLE_FROM)]
    for k, target in enumerate(TARGETS):
        rows = single if target == "whole" else known
        weight = _importance(table.truth[rows, k]) if target == "whole" else None
        settings = STAGE_ONE if target == "whole" else STAGE_TONES
        for c, axis in enumerate("ab"):
            model = HistGradientBoostingRegressor(random_state=seed, **settings)
            models[f"{target}.{axis}"] = model.fit(
                relative[rows],
                table.truth[rows, k, c] - anchor[rows, c],
                sample_weight=weight,
            )
    return models


def _importance(casts: Floats) -> Floats:
    """Weights (n,) of laid casts (n, 2)."""
    return np.asarray(1 / (1 + (np.hypot(casts[:, 0], casts[:, 1]) / LARGE) ** 4))


def _grow_spread(
    table: Table, relative: Floats, rows: Rows, casts: Floats, seed: int
) -> dict[str, Any]:
    """How far stage one's word lies from the truth, from its cross-fitted errors."""
    is_known = table.consensus[rows] == "none"
    known = rows[is_known]
    error = np.abs(casts[is_known] - table.truth[known]) + ERROR_FLOOR
    models = {}
    for k, target in enumerate(TARGETS):
        for c, axis in enumerate("ab"):
            model = HistGradientBoostingRegressor(random_state=seed, **STAGE_SPREAD)
            features = np.log(error[:, k, c]) + LOG_OF_NORMAL
            models[f"{target}.spread.{axis}"] = model.fit(relative[known], features)
    return models


def _correlation(table: Table, rows: Rows, casts: Floats, deviation: Floats) -> Floats:
    """Correlation (4, 4) of the targets' errors, each in its own deviations, a* and b* alike."""
    known = table.consensus[rows] == "none"
    error = (casts - table.truth[rows])[known] / deviation[known]
    # Far misses are few and would speak for all.
    error = np.clip(error, -FAR_MISS, FAR_MISS)
    return np.asarray(np.corrcoef(np.moveaxis(error, 1, -1).reshape(-1, len(TARGETS)).T))


def _grow_stage_two(
    table: Table, rows: Rows, first: tuple[Floats, Floats], seed: int
) -> tuple[Any, ...]:
    """Judged pictures with their consensus; laid and rendered casts at a small weight.

    A picture between none and evident counts as both, by its grade.
    """
    family = np.array([kind.split(".")[0] for kind in table.kind[rows]])
    shown = np.isin(family, list(WEIGHTS)) | (np.arange(len(rows)) % LAID_EVERY == 0)
    use = shown & (table.consensus[rows] != "cannot_tell")
    chosen, family = rows[use], family[use]
    judged = np.array([GRADES[consensus] for consensus in table.consensus[chosen]])
    by_looks = np.isin(family, ("natural", "crop"))
    grade = np.where(by_looks, judged, table.worst[chosen] >= EVIDENT_FROM)
    laid = np.where(np.isin(family, PARTLY), PARTLY_WEIGHT, LAID_WEIGHT)
    weight = np.array([WEIGHTS.get(word, at) for word, at in zip(family, laid, strict=True)])
    casts, deviation = first
    features = second_stage(table.names, table.features[chosen], casts[use], deviation[use])
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
    casts, deviation = first
    features = second_stage(table.names, table.features[rows[use]], casts[use], deviation[use])
    model = HistGradientBoostingClassifier(random_state=seed, **STAGE_UNEVEN)
    return model.fit(features, partly[use])


def _casts(models: dict[str, Any], relative: Floats, anchor: Floats) -> Floats:
    return _told(models, "", relative) + anchor[:, None]


def _spread(models: dict[str, Any], relative: Floats) -> Floats:
    return np.asarray(np.exp(_told(models, "spread.", relative)))


def _told(models: dict[str, Any], what: str, relative: Floats) -> Floats:
    columns = [
        [models[f"{target}.{what}{axis}"].predict(relative) for axis in "ab"] for target in TARGETS
    ]
    return np.asarray(np.moveaxis(np.array(columns), -1, 0))


def export(fitted: Fitted) -> dict[str, NDArray[Any]]:
    """Plain arrays of every model, as :mod:`autocast.modelstore.trees` walks them."""
    first = [
        fitted.stage_one[f"{target}.{what}{axis}"]
        for what in ("", "spread.")
        for target in TARGETS
        for axis in "ab"
    ]
    arrays: dict[str, NDArray[Any]] = {
        "features": np.array(fitted.names),
        "calibration": np.array(fitted.calibration),
        "correlation": fitted.correlation,
    }
    first_arrays = _forest(first)
    # Trees walk all figures: those of stage one are told where theirs stand.
    split = first_arrays["feature"] >= 0
    first_arrays["feature"][split] = Layout.of(fitted.names).first[first_arrays["feature"][split]]
    forests = {
        "first": first_arrays,
        "last": _forest(fitted.evident),
        "uneven": _forest([fitted.uneven]),
    }
    for name, forest in forests.items():
        arrays |= {f"{name}/{field}": value for field, value in forest.items()}
    return arrays


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
