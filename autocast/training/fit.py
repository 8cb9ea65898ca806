"""Fit the estimator: trees, the gate that weighs voices, and the last stage.

The first stage of trees predicts the cast (of the whole and by tone range) from the
features of known casts: simulated on pictures judged to have none, and those that two
looks both called evident and named. A gate weighs these and all other voices into the
estimate; more trees predict its deviations. The last stage predicts from that, and from
the features, how likely a careful look calls the cast evident, with hints simulated and
without. Each stage is grown on what the one before it predicts of pictures that it did
not see. The logistic calibration (Platt 1999) and the thresholds are made in nested.py,
of what is predicted of groups that no stage saw.
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
from autocast.judgement.limits import GREYS_DIFFER
from autocast.modelstore import TARGETS
from autocast.modelstore.gate import FIELDS, Gate
from autocast.training.gate import Lesson, fit_gate
from autocast.training.gather import BY_TONE, Table
from autocast.voting.conditioning import Estimate, estimate_of, given, updated
from autocast.voting.fitted import (
    Given,
    Layout,
    anchored,
    probability_of,
    second_stage,
    spread_inputs,
    weighted,
)
from autocast.voting.voices import gate_inputs, voices_of

Floats = NDArray[np.floating[Any]]
Rows = NDArray[np.intp]

CROSS_FITS = 3
"""Folds in which each stage's predictions for the next one's pictures are made."""
NETWORKS = (2, 4)
"""Networks that a gate averages: in those folds, and in what is kept."""
LOOKED_WEIGHT = 2.0
"""Weight in the first stage of a picture whose cast two looks name; its crops count half.

A tone range, of which the looks name no cast of its own, counts half again."""
LOOKED_VOICE = 5.0
"""The same in fitting the gate."""
NONE_VOICE = 1.5
"""Weight there of a picture judged to have none."""
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
HINTED = 2
"""Hints simulated on each picture that stage two is shown, one at a time."""
HINT_DEVIATIONS = (GREYS_DIFFER, 8.0)
"""Deviations of simulated hints, from a grey to leaves of any kind."""
HINTS_FALSE = 0.15
"""Share of them that are false, and say any cast up to the largest."""
LARGEST_FALSE = 25.0
"""C* of that."""
HINT_LIGHTNESS = (15.0, 90.0)
"""L* of the spots that they name."""
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
    """All that was fitted, and the calibration's slope and offset (on the logit).

    ``first`` holds a model for each a* and b* of :data:`autocast.modelstore.TARGETS`,
    ``spread`` one for the logarithm of the deviation of each; ``gate`` weighs the voices;
    ``correlation`` (4, 4) is that of the targets' errors. ``evident`` are averaged;
    ``uneven`` predicts whether a part of the frame has a cast of its own.
    """

    names: tuple[str, ...]
    first: tuple[Any, ...]
    gate: Gate
    spread: tuple[Any, ...]
    correlation: Floats
    evident: tuple[Any, ...]
    uneven: Any
    calibration: tuple[float, float] = (1.0, 0.0)


class Predictions(NamedTuple):
    """What fitted models predict of n rows.

    Casts (n, 4, 2), their deviations (n, 4, 2) and the correlation (n, 4, 4) of their
    errors, the evident cast's logit and probability (n,), the log-odds (n,) of a cast on a
    part of the frame, and the trees' own casts (n, 4, 2), before the gate weighed them.
    """

    casts: Floats
    deviation: Floats
    correlation: Floats
    logit: Floats
    probability: Floats
    uneven: Floats
    trees: Floats


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
    taught = _taught(table, fit)
    fold = folds(table.group[fit], CROSS_FITS, seed)
    trees = np.zeros((len(table.file), len(TARGETS), 2))
    bins = _Bins(relative, STAGE_ONE["max_bins"], fit)
    for k in range(CROSS_FITS):
        models = _grow_casts(table, bins, anchor, taught.of(fit[fold != k]), seed)
        held = fit[fold == k]
        trees[held] = _outputs(models, relative[held]) + anchor[held, None]
    first = _grow_casts(table, bins, anchor, taught, seed)
    casts, scatter = (
        np.zeros((len(fit), *shape)) for shape in ((len(TARGETS), 2), (len(TARGETS),))
    )
    for k in range(CROSS_FITS):
        gate = _fit_gate(table, anchor, trees, taught.of(fit[fold != k]), NETWORKS[0], seed)
        own = fold == k
        casts[own], scatter[own] = _weighed(
            gate, table.names, table.features[fit[own]], anchor[fit[own]], trees[fit[own]]
        )
    inputs = spread_inputs(relative[fit], anchor[fit], casts, scatter)
    error = np.full(table.truth.shape, np.nan)
    error[fit] = casts
    error[taught.rows] -= taught.truth
    own = np.isin(fit, taught.rows)
    spreads = _grow_spreads(inputs[own], error[fit[own]], seed)
    deviation = np.exp(_outputs(spreads, inputs))
    correlation = _correlation(error[fit[own]] / deviation[own])
    estimates = Given.plain(casts, deviation)
    return Fitted(
        names=table.names,
        first=first,
        gate=_fit_gate(table, anchor, trees, taught, NETWORKS[1], seed),
        spread=spreads,
        correlation=correlation,
        evident=_grow_evident(table, fit, estimates, (taught, correlation), seed),
        uneven=_grow_uneven(table, fit, estimates, seed),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Taught:
    """Rows (n,) whose casts (n, 4, 2) are known, and which of them two looks named (n,)."""

    rows: Rows
    truth: Floats
    looked: NDArray[np.bool_]

    def of(self, rows: Rows) -> _Taught:
        """Those among ``rows``."""
        kept = np.isin(self.rows, rows)
        return _Taught(self.rows[kept], self.truth[kept], self.looked[kept])


def _taught(table: Table, rows: Rows) -> _Taught:
    """Simulated and rendered casts, pictures judged to have none, and casts that two looks name.

    Of a crop the looks' cast is that of its picture, of a tone range that of the whole.
    """
    named = {
        str(file): cast
        for file, cast in zip(table.file[table.natural], table.looked[table.natural], strict=True)
        if not np.isnan(cast[0])
    }
    by_looks = np.isin(table.kind, ("natural", "crop")) & np.isin(table.file, list(named))
    known = (table.consensus == "none") & (table.kind != "crop")
    chosen = rows[(known | by_looks)[rows]]
    looked = by_looks[chosen]
    truth = table.truth[chosen].copy()
    truth[looked] = np.array([named[str(file)] for file in table.file[chosen[looked]]]).reshape(
        -1, 1, 2
    )
    return _Taught(chosen, truth, looked)


def _fit_gate(  # noqa: PLR0913, PLR0917 -- what it is fitted on
    table: Table, anchor: Floats, trees: Floats, taught: _Taught, networks: int, seed: int
) -> Gate:
    """The gate, on trees' casts of rows that they did not see."""
    rows, kind = taught.rows, table.kind[taught.rows]
    voices = voices_of(table.names, table.features[rows], trees[rows])
    inputs, silent = gate_inputs(table.names, table.features[rows], anchor[rows], voices)
    size = np.hypot(taught.truth[..., 0], taught.truth[..., 1])
    weight = np.where(size > 0, 1 / (1 + (size / LARGE) ** 4 / 2), NONE_VOICE)
    weight[taught.looked] = LOOKED_VOICE
    weight[kind == "crop"] /= 2
    weight[np.ix_(taught.looked, np.arange(1, len(TARGETS)))] /= 2
    off = anchor[rows, None]
    return fit_gate(
        Lesson(inputs, silent, voices - off, taught.truth - off, weight), networks, seed
    )


def _weighed(
    gate: Gate, names: tuple[str, ...], features: Floats, anchor: Floats, trees: Floats
) -> tuple[Floats, Floats]:
    """The estimates (n, 4, 2) of a gate, and how far the voices scatter (n, 4)."""
    voices = voices_of(names, features, trees)
    return weighted(voices, gate(*gate_inputs(names, features, anchor, voices)))


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
    of_known = None if weight is None else weight[known]
    return slope_and_offset(logit[known], consensus[known] == "evident", of_known)


def slope_and_offset(
    score: Floats, yes: NDArray[np.bool_], weight: Floats | None = None
) -> tuple[float, float]:
    """What makes log-odds of a score, by logistic regression.

    Parameters
    ----------
    score : ndarray, (n,)
        The higher, the likelier.
    yes : ndarray of bool, (n,)
        What it should foretell; both answers must occur.
    weight : ndarray, (n,), optional
        How much each counts; all alike unless given.

    Returns
    -------
    tuple of float
        Slope and offset.
    """
    # Almost no penalty: two coefficients from hundreds of rows.
    model = LogisticRegression(C=1e6).fit(score[:, None], yes, sample_weight=weight)
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
    trees = _outputs(fitted.first, relative) + anchor[:, None]
    casts, scatter = _weighed(fitted.gate, fitted.names, features, anchor, trees)
    spread = _outputs(fitted.spread, spread_inputs(relative, anchor, casts, scatter))
    given = Given.plain(casts, np.exp(spread))
    last = second_stage(fitted.names, features, given)
    logit = np.mean([model.decision_function(last) for model in fitted.evident], axis=0)
    uneven = fitted.uneven.decision_function(last)
    probability = probability_of(logit, fitted.calibration)
    correlation = np.broadcast_to(fitted.correlation, (len(features), *fitted.correlation.shape))
    return Predictions(casts, given.deviation, correlation, logit, probability, uneven, trees)


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


class _Bins:
    """Inputs (n, F) in bins of about equal count, which every fit on them shares.

    The library makes its own for each fit, and where samples have weights that takes far
    longer than the trees. A bin ends where half of the values about its quantile lie, as
    there; ``rows`` are those that the ends are taken from.
    """

    def __init__(self, inputs: Floats, count: int, rows: Rows | None = None) -> None:
        self.ends = [
            _ends(column, count) for column in (inputs if rows is None else inputs[rows]).T
        ]
        self.codes = np.stack(
            [
                np.where(np.isnan(column), np.nan, np.searchsorted(ends, column))
                for ends, column in zip(self.ends, inputs.T, strict=True)
            ],
            axis=1,
        )

    def fit(self, model: Any, rows: Rows, answers: Floats, weight: Floats | None = None) -> Any:
        """Grow a model on some rows, and put its thresholds back to the inputs' own values."""
        model.fit(self.codes[rows], answers, sample_weight=weight)
        for tree in _trees(model):
            split = (tree["is_leaf"] == 0) & np.isfinite(tree["num_threshold"])
            # Between two codes: what is at or below the lower one's end goes left.
            tree["num_threshold"][split] = [
                self.ends[feature][int(code)]
                for feature, code in zip(
                    tree["feature_idx"][split], tree["num_threshold"][split], strict=True
                )
            ]
        return model


def _ends(values: Floats, count: int) -> Floats:
    """Upper ends of bins, all but the last's, of about equal count."""
    distinct = np.unique(values[~np.isnan(values)])
    if len(distinct) <= count:
        return (distinct[1:] + distinct[:-1]) / 2
    shares = np.linspace(0, 1, count + 1)[1:-1]
    return np.unique(np.nanquantile(values, shares, method="averaged_inverted_cdf"))


def _trees(model: Any) -> list[NDArray[Any]]:
    """The nodes of each grown tree, which scikit-learn keeps in private attributes.

    A test holds the exported sums to the library's own predictions.
    """
    return [tree[0].nodes for tree in model._predictors]  # noqa: SLF001


def _grow_casts(
    table: Table, bins: _Bins, anchor: Floats, taught: _Taught, seed: int
) -> tuple[Any, ...]:
    """Models of the a* and b* of each target, relative to the anchor."""
    kind = table.kind[taught.rows]
    share = np.where(kind == "crop", 0.5, 1.0)
    models = []
    for k, target in enumerate(TARGETS):
        whole = target == "whole"
        use = np.isin(kind, WHOLE_FROM) | taught.looked if whole else np.ones(len(kind), dtype=bool)
        rows, truth, looked = taught.rows[use], taught.truth[use, k], taught.looked[use]
        weight = _importance(truth) if whole else np.ones(len(rows))
        named = LOOKED_WEIGHT * share[use] / (1 if whole else 2)
        for c in (0, 1):
            model = HistGradientBoostingRegressor(
                random_state=seed, **(STAGE_ONE if whole else STAGE_TONES)
            )
            off, counts = truth[:, c] - anchor[rows, c], np.where(looked, named, weight)
            models.append(bins.fit(model, rows, off, counts))
    return tuple(models)


def _importance(casts: Floats) -> Floats:
    """Weights (n,) of simulated casts (n, 2)."""
    return np.asarray(1 / (1 + (np.hypot(casts[:, 0], casts[:, 1]) / LARGE) ** 4))


def _grow_spreads(inputs: Floats, error: Floats, seed: int) -> tuple[Any, ...]:
    """Models of how far the estimates lie from the truth, from their errors (n, 4, 2)."""
    spread = np.log(np.abs(error) + ERROR_FLOOR).reshape(len(error), -1) + LOG_OF_NORMAL
    bins, rows = _Bins(inputs, STAGE_SPREAD["max_bins"]), np.arange(len(inputs))
    return tuple(
        bins.fit(HistGradientBoostingRegressor(random_state=seed, **STAGE_SPREAD), rows, each)
        for each in spread.T
    )


def _correlation(error: Floats) -> Floats:
    """Correlation (4, 4) of errors (n, 4, 2) in their deviations, a* and b* alike."""
    # Far misses are few and would speak for all.
    error = np.clip(error, -FAR_MISS, FAR_MISS)
    return np.asarray(np.corrcoef(np.moveaxis(error, 1, -1).reshape(-1, len(TARGETS)).T))


def _grow_evident(
    table: Table,
    rows: Rows,
    estimates: Given,
    known: tuple[_Taught, Floats],
    seed: int,
) -> tuple[Any, ...]:
    """Judged pictures with their consensus; simulated and rendered casts at a small weight.

    A picture between none and evident counts as both, by its grade. Those whose cast is
    known are shown with hints as well.
    """
    family = np.array([kind.split(".")[0] for kind in table.kind[rows]])
    shown = np.isin(family, list(WEIGHTS)) | (np.arange(len(rows)) % SIMULATED_EVERY == 0)
    use = np.flatnonzero(shown & (table.consensus[rows] != "cannot_tell"))
    chosen, family = rows[use], family[use]
    judged = np.array([GRADES[consensus] for consensus in table.consensus[chosen]])
    by_looks = np.isin(family, ("natural", "crop"))
    grade = np.where(by_looks, judged, table.worst[chosen] >= EVIDENT_FROM)
    simulated = np.where(np.isin(family, PARTLY), PARTLY_WEIGHT, SIMULATED_WEIGHT)
    weight = np.array([WEIGHTS.get(f, at) for f, at in zip(family, simulated, strict=True)])
    some = Given(*(each[use] for each in estimates))
    hinted, of = _hinted(some, chosen, known, seed)
    inputs = second_stage(
        table.names,
        np.concatenate([table.features[chosen], table.features[chosen[of]]]),
        Given(*(np.concatenate(each) for each in zip(some, hinted, strict=True))),
    )
    grade = np.concatenate([grade, grade[of]])
    weight = np.concatenate([weight, weight[of] / HINTED])
    yes, no = np.flatnonzero(grade > 0), np.flatnonzero(grade < 1)
    both = np.concatenate([yes, no])
    evident = (np.arange(len(both)) < len(yes)).astype(np.float64)
    share = np.concatenate([grade[yes], 1 - grade[no]]) * weight[both]
    bins = _Bins(inputs, STAGE_TWO["max_bins"])
    return tuple(
        bins.fit(
            HistGradientBoostingClassifier(random_state=seed + k, **STAGE_TWO),
            both,
            evident,
            share,
        )
        for k in range(SEEDS)
    )


def _hinted(
    estimates: Given, rows: Rows, known: tuple[_Taught, Floats], seed: int
) -> tuple[Given, Rows]:
    """The estimates once hints are given, :data:`HINTED` to each row whose cast is known.

    A hint reads the true cast at its spot's lightness with an error of its own deviation; a
    false one reads any. With it goes which of ``rows`` each is of.
    """
    taught, correlation = known
    at = {int(row): k for k, row in enumerate(taught.rows)}
    of = np.repeat([k for k, row in enumerate(rows) if int(row) in at], HINTED)
    rng = np.random.default_rng(seed)
    before, after = [], []
    for k in of:
        one = estimate_of(estimates.casts[k], estimates.deviation[k], correlation)
        truth = Estimate(taught.truth[at[int(rows[k])]], one.covariance)
        lightness = float(rng.uniform(*HINT_LIGHTNESS))
        deviation = float(np.exp(rng.uniform(*np.log(HINT_DEVIATIONS))))
        cast = truth.at(lightness)[0] + rng.normal(0, deviation, 2)
        if rng.random() < HINTS_FALSE:
            size, angle = rng.uniform(0, LARGEST_FALSE), rng.uniform(0, 2 * np.pi)
            cast = size * np.array([np.cos(angle), np.sin(angle)])
        before.append(one)
        after.append(updated(one, lightness, cast, np.eye(2) * deviation**2))
    return given(before, after), of


def _grow_uneven(table: Table, rows: Rows, estimates: Given, seed: int) -> Any:
    """Evident casts on a part of the frame, against pictures and copies with one cast or none."""
    kind = np.array([kind.removeprefix("rendered.") for kind in table.kind[rows]])
    known = table.consensus[rows] == "none"
    partly = np.isin(kind, UNEVEN) & (table.worst[rows] >= EVIDENT_FROM)
    use = known & (partly | np.isin(kind, EVEN))
    model = HistGradientBoostingClassifier(random_state=seed, **STAGE_UNEVEN)
    some = Given(*(each[use] for each in estimates))
    inputs = second_stage(table.names, table.features[rows[use]], some)
    bins = _Bins(inputs, STAGE_UNEVEN["max_bins"])
    return bins.fit(model, np.arange(len(inputs)), partly[use].astype(float))


def _outputs(models: Sequence[Any], inputs: Floats) -> Floats:
    """What eight models predict of n rows, (n, 4, 2)."""
    columns = np.stack([model.predict(inputs) for model in models], axis=1)
    return columns.reshape(-1, len(TARGETS), 2)


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
    # Trees walk all features: those of stage one are shown where theirs stand.
    columns = Layout.of(fitted.names).first
    beyond = len(fitted.names) + 2 + np.arange(3 * len(TARGETS))
    forests = {
        "first": _moved(_forest(fitted.first), columns),
        "spread": _moved(_forest(fitted.spread), np.concatenate([columns, beyond])),
        "last": _forest(fitted.evident),
        "uneven": _forest([fitted.uneven]),
    }
    gate = {f"gate/{field}": np.asarray(getattr(fitted.gate, field)) for field in FIELDS}
    return {
        "features": np.array(fitted.names),
        "calibration": np.array(fitted.calibration),
        "correlation": fitted.correlation,
        **gate,
        **{
            f"{name}/{field}": value
            for name, forest in forests.items()
            for field, value in forest.items()
        },
    }


def _moved(forest: dict[str, NDArray[Any]], columns: Rows) -> dict[str, NDArray[Any]]:
    """A forest that splits ``columns`` where it split their numbers."""
    split = forest["feature"] >= 0
    forest["feature"][split] = columns[forest["feature"][split]]
    return forest


def _forest(models: Sequence[Any]) -> dict[str, NDArray[Any]]:
    grown = [_trees(model) for model in models]
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
