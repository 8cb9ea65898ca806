"""Casts laid and casts judged, found again: by whom, how often, how far off."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.advisor.risk import CONSENSUS
from autocast.evaluation.resampling import Draws, auc, difference, mean, median
from autocast.evidence.statistics import ESTIMATORS
from autocast.judgement import EVIDENT_FROM, TONE_RANGES
from autocast.training.fit import Predictions
from autocast.training.gather import Table
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
"""Laid casts of about |c|, by the sizes that count as such."""
CROSSED = (9.0, 20.0)
"""C* that a cast crossed by 12 codes at the ends of the scale lays on shadows, at L* 60.

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
BY_TONE = {
    "weighed": "",
    "counted": "joint.{}",
    "mean of the pixels": "statistics.{}.mean",
    "least-chroma quarter": "statistics.{}.least_0.25",
}
"""Who tells the cast of a tone range, and under which names of figures."""


def estimates(table: Table, word: Predictions, plain: Predictions | None) -> dict[str, Floats]:
    """Casts (n, 2): weighed, counted, by trees over the statistics alone, and classical ones.

    What an estimator cannot tell counts as no cast.
    """
    fitted = {} if plain is None else {"plain fit, statistics alone": plain.casts[:, 0]}
    return {
        "weighed": word.casts[:, 0],
        "counted": _pair(table, "joint"),
        **fitted,
        **{words: _pair(table, f"statistics.{name}") for name, (words, _) in ESTIMATORS.items()},
    }


def _pair(table: Table, name: str) -> Floats:
    columns = [table.names.index(f"{name}.{axis}") for axis in "ab"]
    return np.nan_to_num(table.features[:, columns])


def _size(casts: Floats) -> Floats:
    return np.asarray(np.hypot(casts[..., 0], casts[..., 1]))


def laid(
    table: Table, word: Predictions, casts: Mapping[str, Floats], seed: int
) -> dict[str, dict[str, Any]]:
    """AUC of |c| and median error of each estimate, for gains in linear light by size."""
    uncast = table.kind == "none"
    size = _size(table.truth[:, 0])
    scores = {"probability": word.probability} | {k: _size(c) for k, c in casts.items()}
    out: dict[str, dict[str, Any]] = {name: {} for name in scores}
    for about, (low, high) in SIZES.items():
        is_laid = (table.kind == "gain") & (size >= low) & (size < high)
        both = np.flatnonzero(uncast | is_laid)
        if not is_laid.any():
            continue
        draws, some = Draws(table.group[both], seed), Draws(table.group[is_laid], seed)
        for name, score in scores.items():
            row = {"n": int(is_laid.sum()), "auc": draws.cell(auc(is_laid[both], score[both]))}
            if name in casts:
                off = _size(casts[name][is_laid] - table.truth[is_laid, 0])
                row["error"] = some.cell(median(off))
            out[name][str(about)] = row
    return out


def judged(
    table: Table,
    word: Predictions,
    plain: Predictions | None,
    casts: Mapping[str, Floats],
    seed: int,
) -> dict[str, dict[str, Any]]:
    """AUC against the judgements; direction and size where both looks call a cast evident."""
    scores = {"probability": word.probability}
    if plain is not None:
        scores["plain fit, probability"] = plain.probability
    scores |= {name: _size(cast) for name, cast in casts.items()}
    out: dict[str, dict[str, Any]] = {name: {} for name in scores}
    for label, kept in JUDGED.items():
        use = np.flatnonzero(table.natural & np.isin(table.consensus, kept))
        draws = Draws(table.group[use], seed)
        for name, score in scores.items():
            out[name][label] = draws.cell(auc(table.consensus[use] != "none", score[use]))
    both = np.flatnonzero(table.natural & ~np.isnan(table.looked[:, 0]))
    if len(both):
        draws = Draws(table.group[both], seed)
        for name, cast in casts.items():
            agrees = apart(cast[both], table.looked[both]) <= DIRECTION_WITHIN
            off = np.abs(_size(cast[both]) - _size(table.looked[both]))
            out[name]["direction"] = draws.cell(mean(agrees.astype(float)))
            out[name]["size"] = draws.cell(median(off))
    return out


def apart(one: Floats, other: Floats) -> Floats:
    """Degrees (n,) between directions of casts (n, 2); 90 where one has no size."""
    cosine = (one * other).sum(axis=1) / np.maximum(_size(one) * _size(other), 1e-9)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def counts(table: Table, verdict: NDArray[np.str_]) -> dict[str, dict[str, int]]:
    """How many pictures of each consensus got each verdict."""
    return {
        consensus: {
            v: int((table.natural & (table.consensus == consensus) & (verdict == v)).sum())
            for v in ("clear", "ask", "cast")
        }
        for consensus in CONSENSUS
    }


def scenes(
    table: Table, word: Predictions, verdict: NDArray[np.str_], seed: int
) -> list[dict[str, Any]]:
    """By kind of scene, where the manifest tells it: AUC evident or none, and the verdicts."""
    out = []
    for scene in sorted(set(table.scene[table.natural])):
        rows = table.natural & (table.scene == scene)
        if rows.sum() < SCENE_FROM:
            continue
        use = np.flatnonzero(rows & np.isin(table.consensus, JUDGED["evident"]))
        evident = table.consensus[use] == "evident"
        enough = min(evident.sum(), (~evident).sum()) >= FEWEST_EACH
        draws = Draws(table.group[use], seed)
        out.append(
            {
                "scene": str(scene),
                "n": int(rows.sum()),
                "none": int((~evident).sum()),
                "evident": int(evident.sum()),
                "auc": draws.cell(auc(evident, word.probability[use])) if enough else None,
                **{v: float((verdict[rows] == v).mean()) for v in ("clear", "ask", "cast")},
            }
        )
    return out


def by_tone(table: Table, word: Predictions, seed: int) -> dict[str, Any]:
    """Casts crossed by about 12 codes, against uncast copies: found in each tone range.

    ``largest`` goes by the largest cast of the three, ``apart`` by the largest
    distance of two of them. Crossed casts change sides in the midtones and hardly
    move them.
    """
    low, high = CROSSED
    is_crossed = (table.kind == "crossed") & (table.worst >= low) & (table.worst < high)
    both = np.flatnonzero(is_crossed | (table.kind == "none"))
    if not is_crossed.any() or is_crossed[both].all():
        return {}
    draws = Draws(table.group[both], seed)
    some = Draws(table.group[is_crossed], seed)
    out: dict[str, Any] = {"n": int(is_crossed.sum()), "uncast": len(both) - int(is_crossed.sum())}
    for name, figure in BY_TONE.items():
        casts = np.stack(
            [
                _pair(table, figure.format(tone)) if figure else word.casts[:, 1 + k]
                for k, tone in enumerate(TONE_RANGES)
            ],
            axis=1,
        )
        row = {}
        for k, tone in enumerate(TONE_RANGES):
            off = _size(casts[is_crossed, k] - table.truth[is_crossed, 1 + k])
            found = auc(is_crossed[both], _size(casts[both, k]))
            row[tone] = {"auc": draws.cell(found), "error": some.cell(median(off))}
        for found_by, score in (
            ("largest", _size(casts).max(axis=1)),
            ("apart", tones_apart(casts)),
        ):
            row[found_by] = {"auc": draws.cell(auc(is_crossed[both], score[both]))}
        out[name] = row
    out["probability"] = {"auc": draws.cell(auc(is_crossed[both], word.probability[both]))}
    return out


def kinds(
    table: Table, word: Predictions, seed: int, verdict: NDArray[np.str_] | None = None
) -> list[dict[str, Any]]:
    """By kind of laid cast, of evident size somewhere: told from uncast copies by what.

    And, where the rows' verdicts are known, how many are called clear.
    """
    return list(_kinds(table, word, seed, verdict))


def _kinds(
    table: Table, word: Predictions, seed: int, verdict: NDArray[np.str_] | None
) -> Iterator[dict[str, Any]]:
    scores = {
        "probability": word.probability,
        "weighed": _size(word.casts[:, 0]),
        "largest": _size(word.casts).max(axis=1),
        "counted": _size(_pair(table, "joint")),
    }
    for kind in sorted(set(table.kind)):
        # What begins with a word and a point was laid over something other than photographs.
        over, point, _ = kind.rpartition(".")
        is_laid = (table.kind == kind) & (table.worst >= EVIDENT_FROM)
        both = np.flatnonzero(is_laid | (table.kind == f"{over}{point}none"))
        if not is_laid.any() or is_laid[both].all():
            continue
        draws = Draws(table.group[both], seed)
        told = {k: draws.cell(auc(is_laid[both], s[both])) for k, s in scores.items()}
        if verdict is not None:
            clear = mean((verdict == "clear")[is_laid])
            told["clear"] = Draws(table.group[is_laid], seed).cell(clear)
        yield {"kind": str(kind), "n": int(is_laid.sum()), **told}


def points(table: Table, word: Predictions) -> list[dict[str, float]]:
    """Both-evident casts as judged and as weighed, for drawing; a*, b* at L* 60."""
    both = np.flatnonzero(table.natural & ~np.isnan(table.looked[:, 0]))
    agrees = apart(word.casts[both, 0], table.looked[both]) <= DIRECTION_WITHIN
    return [
        {
            "agrees": bool(agree),
            "judged_a": round(float(table.looked[k, 0]), 2),
            "judged_b": round(float(table.looked[k, 1]), 2),
            "weighed_a": round(float(word.casts[k, 0, 0]), 2),
            "weighed_b": round(float(word.casts[k, 0, 1]), 2),
        }
        for k, agree in zip(both, agrees, strict=True)
    ]


def without(
    table: Table, word: Predictions, rest: Mapping[str, Floats], seed: int
) -> dict[str, dict[str, Any]]:
    """What each kind of evidence adds: AUC of the probability with it, less that without.

    ``rest`` holds, for each kind, the probabilities of the natural rows with
    its figures withheld when they are judged (or, for the plain fit, when its
    trees were grown as well). Draws are paired.
    """
    natural = np.flatnonzero(table.natural)
    consensus, group = table.consensus[natural], table.group[natural]
    out: dict[str, dict[str, Any]] = {kind: {} for kind in rest}
    for label, kept in JUDGED.items():
        use = np.isin(consensus, kept)
        truth = consensus[use] != "none"
        draws = Draws(group[use], seed)
        whole = auc(truth, word.probability[natural][use])
        for kind, probability in rest.items():
            less = auc(truth, probability[use])
            lost = draws.cell(difference(whole, less))
            out[kind][label] = {"without": draws.cell(less), "adds": lost}
    return out
