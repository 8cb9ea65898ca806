"""Simulated casts and judged casts, found again: by whom, how often, how far off."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.advisor.risk import CONSENSUS
from autocast.evaluation.resampling import Draws, auc, difference, mean, median
from autocast.evidence.statistics import ESTIMATORS
from autocast.judgement import EVIDENT_FROM, TONE_RANGES, VERDICT_WORDS
from autocast.modelstore import TARGETS
from autocast.training.fit import Predictions
from autocast.training.gather import PLAN, Table
from autocast.voting.features import dictionary
from autocast.voting.fitted import tones_apart

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

SIZES = {
    4: (3.0, 5.0),
    6: (5.0, 7.0),
    8: (7.0, 9.0),
    12: (10.5, 13.5),
    16: (14.0, 18.0),
    24: (20.0, 28.0),
}
"""Simulated casts of about |c|, by the sizes that count as such."""
CROSSED = (9.0, 20.0)
"""C* that a cast crossed by 12 codes at the ends of the scale has in shadows, at L* 60.

From opposite moves of red and blue to opposite moves of green and the rest.
"""
JUDGED = {"evident": ("none", "evident"), "any": ("none", "slight", "evident")}
"""Questions put to the judgements, by the consensus kept; all but none count as yes."""
DIRECTION_WITHIN = 45.0
"""Degrees within which two directions agree."""
SCENE_FROM = 30
"""Pictures from which a kind of scene has a row of its own (project convention)."""
FEWEST_EACH = 5
"""Pictures of each answer below which a kind of scene has no AUC (project convention)."""
WITHIN = (0.68, 0.95)
"""Shares of the truth that the spreads are held to (common practice)."""
BY_TONE = {
    "counted": "joint.{}",
    "mean of the pixels": "statistics.{}.mean",
    "least-chroma quarter": "statistics.{}.least_0.25",
}
"""Casts among the features that a tone range has, beside the quoted one."""


def estimates(
    table: Table, predictions: Predictions, plain: Predictions | None
) -> dict[str, Floats]:
    """The casts of the whole by each estimator.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row.
    plain : Predictions or None
        Those of trees over the statistics alone.

    Returns
    -------
    dict of ndarray, (n, 2)
        a*, b* at L* 60: as a judgement quotes it, by its voices that weigh most (the
        trees and the count) and their plain mean, by the plain fit, which is given the
        statistics alone, and by the classical ones; what cannot be estimated counts as
        no cast.
    """
    counted, trees = cast_of(table, "joint"), predictions.trees[:, 0]
    others = {} if plain is None else {"plain fit, statistics alone": plain.casts[:, 0]}
    return {
        "quoted": predictions.casts[:, 0],
        "trees": trees,
        "counted": counted,
        "mean of trees and count": (trees + counted) / 2,
        **others,
        **{each.words: cast_of(table, f"statistics.{k}") for k, each in ESTIMATORS.items()},
    }


def cast_of(table: Table, cast: str) -> Floats:
    """A cast among the features.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    cast : str
        As its records in :func:`autocast.voting.features.dictionary` name it.

    Returns
    -------
    ndarray, (n, 2)
        a*, b* at L* 60; what cannot be read counts as no cast.
    """
    known = [dictionary()[name] for name in table.names]
    column: dict[str, int] = {each.axis: k for k, each in enumerate(known) if each.cast == cast}
    return np.nan_to_num(table.features[:, [column["a"], column["b"]]])


def _size(casts: Floats) -> Floats:
    return np.asarray(np.hypot(casts[..., 0], casts[..., 1]))


def simulated(
    table: Table, predictions: Predictions, casts: Mapping[str, Floats], seed: int
) -> dict[str, dict[str, Any]]:
    """How gains in linear light are found again, by size.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row.
    casts : dict of ndarray, (n, 2)
        As of :func:`estimates`.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        By estimator, and by size of :data:`SIZES`: ``n``, ``auc`` of |c| against uncast
        copies, and the median ``error``, C*.
    """
    uncast = table.kind == "none"
    size = _size(table.truth[:, 0])
    scores = {"probability": predictions.probability} | {k: _size(c) for k, c in casts.items()}
    out: dict[str, dict[str, Any]] = {name: {} for name in scores}
    for about, (low, high) in SIZES.items():
        chosen = (table.kind == "gain") & (size >= low) & (size < high)
        both = np.flatnonzero(uncast | chosen)
        if not chosen.any():
            continue
        draws, some = Draws(table.group[both], seed), Draws(table.group[chosen], seed)
        for name, score in scores.items():
            row = {"n": int(chosen.sum()), "auc": draws.cell(auc(chosen[both], score[both]))}
            if name in casts:
                off = _size(casts[name][chosen] - table.truth[chosen, 0])
                row["error"] = some.cell(median(off))
            out[name][str(about)] = row
    return out


def judged(
    table: Table,
    predictions: Predictions,
    plain: Predictions | None,
    casts: Mapping[str, Floats],
    seed: int,
) -> dict[str, dict[str, Any]]:
    """How estimates agree with the judgements.

    Parameters
    ----------
    table : Table
        Judged pictures.
    predictions : Predictions
        Of every row.
    plain : Predictions or None
        Those of trees over the statistics alone.
    casts : dict of ndarray, (n, 2)
        As of :func:`estimates`.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        By estimator: AUC for each of :data:`JUDGED`; and where both looks call a cast
        evident, how often the ``direction`` agrees, how far the ``size`` is off, C*, and
        the ``distance`` from their cast, in a*b*.
    """
    scores = {"probability": predictions.probability}
    if plain is not None:
        scores["plain fit, probability"] = plain.probability
    scores |= {name: _size(cast) for name, cast in casts.items()}
    out: dict[str, dict[str, Any]] = {name: {} for name in scores}
    for label, kept in JUDGED.items():
        use = np.flatnonzero(table.natural & np.isin(table.consensus, kept))
        draws = Draws(table.group[use], seed)
        for name, score in scores.items():
            out[name][label] = draws.cell(auc(table.consensus[use] != "none", score[use]))
    both = _looked(table)
    if len(both):
        draws = Draws(table.group[both], seed)
        for name, cast in casts.items():
            off = np.abs(_size(cast[both]) - _size(table.looked[both]))
            out[name]["direction"] = draws.cell(mean(_agrees(table, cast, both)))
            out[name]["size"] = draws.cell(median(off))
            far = _size(cast[both] - table.looked[both])
            out[name]["distance"] = draws.cell(median(far))
    return out


def _looked(table: Table) -> NDArray[np.intp]:
    """Rows that both looks call evident."""
    return np.flatnonzero(table.natural & ~np.isnan(table.looked[:, 0]))


def _agrees(table: Table, casts: Floats, rows: NDArray[np.intp]) -> Bools:
    """Does the direction of a cast (n, 2) agree with the looks'? Not where it has no size."""
    one, other = casts[rows], table.looked[rows]
    cosine = (one * other).sum(axis=1) / np.maximum(_size(one) * _size(other), 1e-9)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1, 1))) <= DIRECTION_WITHIN)


def counts(table: Table, verdict: NDArray[np.str_]) -> dict[str, dict[str, int]]:
    """How many pictures of each consensus got each verdict.

    Parameters
    ----------
    table : Table
        Judged pictures.
    verdict : ndarray of str, (n,)
        Of each row.

    Returns
    -------
    dict of dict of int
        By consensus and verdict.
    """
    return {
        consensus: {
            v: int((table.natural & (table.consensus == consensus) & (verdict == v)).sum())
            for v in VERDICT_WORDS
        }
        for consensus in CONSENSUS
    }


def scenes(
    table: Table, predictions: Predictions, verdict: NDArray[np.str_], seed: int
) -> list[dict[str, Any]]:
    """The judgements by kind of scene, where the manifest names it.

    Parameters
    ----------
    table : Table
        Judged pictures.
    predictions : Predictions
        Of every row.
    verdict : ndarray of str, (n,)
        Of each row.
    seed : int
        Of the draws.

    Returns
    -------
    list of dict
        AUC evident or none, how many it is of, and the share of each verdict.
    """
    out = []
    for scene in sorted(set(table.scene[table.natural])):
        rows = table.natural & (table.scene == scene)
        if rows.sum() < SCENE_FROM:
            continue
        use = np.flatnonzero(rows & np.isin(table.consensus, JUDGED["evident"]))
        evident = table.consensus[use] == "evident"
        enough = min(evident.sum(), (~evident).sum()) >= FEWEST_EACH
        found = auc(evident, predictions.probability[use])
        out.append(
            {
                "scene": str(scene),
                "n": int(rows.sum()),
                "none": int((~evident).sum()),
                "evident": int(evident.sum()),
                "auc": Draws(table.group[use], seed).cell(found) if enough else None,
                **{str(v): float((verdict[rows] == v).mean()) for v in VERDICT_WORDS},
            }
        )
    return out


def by_tone(table: Table, predictions: Predictions, seed: int) -> dict[str, Any]:
    """How casts crossed by about 12 codes are found in each tone range, against uncast copies.

    Crossed casts change sides in the midtones and hardly move them.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        By estimator and tone range, ``auc`` and median ``error``, C*; ``largest`` goes by
        the largest cast of the three, ``apart`` by the largest distance of two of them.
        Empty where there are no such casts.
    """
    low, high = CROSSED
    chosen = (table.kind == "crossed") & (table.worst >= low) & (table.worst < high)
    both = np.flatnonzero(chosen | (table.kind == "none"))
    if not chosen.any() or chosen[both].all():
        return {}
    draws, some = Draws(table.group[both], seed), Draws(table.group[chosen], seed)

    def _found(score: Floats) -> dict[str, Any]:
        return {"auc": draws.cell(auc(chosen[both], score[both]))}

    out: dict[str, Any] = {"n": int(chosen.sum()), "uncast": len(both) - int(chosen.sum())}
    by_name = {"quoted": predictions.casts[:, 1:], "trees": predictions.trees[:, 1:]}
    for name, cast in BY_TONE.items():
        tones = [cast_of(table, cast.format(tone)) for tone in TONE_RANGES]
        by_name[name] = np.stack(tones, axis=1)
    for name, casts in by_name.items():
        row = {}
        for k, tone in enumerate(TONE_RANGES):
            off = _size(casts[chosen, k] - table.truth[chosen, 1 + k])
            row[tone] = _found(_size(casts[:, k])) | {"error": some.cell(median(off))}
        row["largest"] = _found(_size(casts).max(axis=1))
        row["apart"] = _found(tones_apart(casts))
        out[name] = row
    return out | {"probability": _found(predictions.probability)}


def kinds(
    table: Table,
    predictions: Predictions,
    seed: int,
    verdict: NDArray[np.str_] | None = None,
) -> list[dict[str, Any]]:
    """By kind of simulated cast, of evident size somewhere: how it is found.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row.
    seed : int
        Of the draws.
    verdict : ndarray of str, (n,), optional
        Of each row.

    Returns
    -------
    list of dict
        AUC against uncast copies by the probability, the ``quoted`` cast of the whole,
        the ``largest`` of whole and tone ranges, and the ``counted`` one; and, given
        verdicts, the share that is called ``clear``.
    """
    return list(_kinds(table, predictions, seed, verdict))


def _kinds(
    table: Table, predictions: Predictions, seed: int, verdict: NDArray[np.str_] | None
) -> Iterator[dict[str, Any]]:
    scores = {
        "probability": predictions.probability,
        "quoted": _size(predictions.casts[:, 0]),
        "largest": _size(predictions.casts).max(axis=1),
        "counted": _size(cast_of(table, "joint")),
    }
    for kind in sorted(set(table.kind)):
        # What stands before a point was simulated on something other than photographs.
        over, point, _ = kind.rpartition(".")
        chosen = (table.kind == kind) & (table.worst >= EVIDENT_FROM)
        both = np.flatnonzero(chosen | (table.kind == f"{over}{point}none"))
        if not chosen.any() or chosen[both].all():
            continue
        draws = Draws(table.group[both], seed)
        found = {k: draws.cell(auc(chosen[both], s[both])) for k, s in scores.items()}
        if verdict is not None:
            clear = mean((verdict == "clear")[chosen])
            found["clear"] = Draws(table.group[chosen], seed).cell(clear)
        yield {"kind": str(kind), "n": int(chosen.sum()), **found}


def spreads(table: Table, predictions: Predictions, seed: int) -> dict[str, Any]:
    """How often the truth lies within the ellipses that the spreads name, over simulated casts.

    Parameters
    ----------
    table : Table
        Pictures and simulated casts.
    predictions : Predictions
        Of every row.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        By target of :data:`autocast.modelstore.TARGETS` and by share of
        :data:`WITHIN`, of casts simulated on photographs; the whole's only where one cast
        lies over all of it.
    """
    out: dict[str, Any] = {}
    for k, target in enumerate(TARGETS):
        kinds_of = ("none", "gain") if target == "whole" else PLAN
        rows = np.flatnonzero(np.isin(table.kind, kinds_of))
        if not len(rows):
            return {}
        off = (predictions.casts[rows, k] - table.truth[rows, k]) / predictions.deviation[rows, k]
        # Of a normal in the plane, 1 - exp(-r^2 / 2) lies within r deviations.
        within = 1 - np.exp(-(off**2).sum(axis=-1) / 2)
        draws = Draws(table.group[rows], seed)
        out[target] = {f"{share:.0%}": draws.cell(mean(within <= share)) for share in WITHIN}
    return out


def points(table: Table, predictions: Predictions) -> list[dict[str, float]]:
    """The casts that both looks call evident, as judged and as quoted, for drawing.

    Parameters
    ----------
    table : Table
        Judged pictures.
    predictions : Predictions
        Of every row.

    Returns
    -------
    list of dict
        a*, b* at L* 60, and whether the directions agree.
    """
    rows = _looked(table)
    casts = predictions.casts[:, 0]
    return [
        {
            "agrees": bool(agrees),
            **{
                f"{name}_{axis}": round(float(value), 2)
                for name, pair in (("judged", table.looked[k]), ("quoted", casts[k]))
                for axis, value in zip("ab", pair, strict=True)
            },
        }
        for k, agrees in zip(rows, _agrees(table, casts, rows), strict=True)
    ]


def without(
    table: Table, predictions: Predictions, rest: Mapping[str, Floats], seed: int
) -> dict[str, dict[str, Any]]:
    """What each kind of evidence adds: AUC of the probability with it, less that without.

    Parameters
    ----------
    table : Table
        Judged pictures.
    predictions : Predictions
        Of every row.
    rest : dict of ndarray, (m,)
        By kind, the probabilities of the natural rows with its features withheld when
        they are judged (or, for the plain fit, when its trees were grown as well).
    seed : int
        Of the draws, which are paired.

    Returns
    -------
    dict
        By kind, and for each of :data:`JUDGED`: AUC ``without`` it, and what it ``adds``.
    """
    natural = np.flatnonzero(table.natural)
    consensus, group = table.consensus[natural], table.group[natural]
    out: dict[str, dict[str, Any]] = {kind: {} for kind in rest}
    for label, kept in JUDGED.items():
        use = np.isin(consensus, kept)
        truth = consensus[use] != "none"
        draws = Draws(group[use], seed)
        whole = auc(truth, predictions.probability[natural][use])
        for kind, probability in rest.items():
            less = auc(truth, probability[use])
            lost = draws.cell(difference(whole, less))
            out[kind][label] = {"without": draws.cell(less), "adds": lost}
    return out
