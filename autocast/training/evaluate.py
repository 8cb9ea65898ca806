"""Figures on groups the fit never saw, beside the classical estimators, from one run.

Nested by group: each fifth of the groups is judged by models grown on three
others and calibrated, with their thresholds, on the last.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score

from autocast.evidence.statistics import ESTIMATORS
from autocast.judgement import EVIDENT_FROM
from autocast.training.fit import Word, apply, folds, grow
from autocast.training.gather import Table
from autocast.training.risks import RISKS, Thresholds, choose

Floats = NDArray[np.floating[Any]]

FOLDS = 5
SIZES = {
    4: (3.0, 5.0),
    6: (5.0, 7.0),
    8: (7.0, 9.0),
    12: (10.5, 13.5),
    16: (14.0, 18.0),
    24: (20.0, 28.0),
}
"""Laid casts of about |c|, by the sizes that count as such."""
JUDGED = {"evident": ("none", "evident"), "any": ("none", "slight", "evident")}
"""Questions put to the judgements, by the consensus kept; all but none count as yes."""
RESAMPLES = 200
"""Bootstrap resamples of groups behind each interval."""
DIRECTION_WITHIN = 45.0
"""Degrees within which two directions agree."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What the nested fits say of every row, and its verdict by probability alone."""

    word: Word
    verdict: NDArray[np.str_]
    thresholds: tuple[Thresholds, ...]


def nested(table: Table, seed: int, report: Callable[[str], None]) -> Outcome:
    """Judge every row by models grown and calibrated on other groups."""
    fold = folds(table.group, FOLDS, seed)
    count = len(table.file)
    word = Word(
        np.full((count, 4, 2), np.nan),
        np.full((count, 2), np.nan),
        np.full(count, np.nan),
        np.full(count, np.nan),
    )
    verdict = np.full(count, "ask", dtype="U5")
    chosen = []
    for k in range(FOLDS):
        held = np.flatnonzero(fold == k)
        aside = np.flatnonzero(fold == (k + 1) % FOLDS)
        fit = np.flatnonzero((fold != k) & (fold != (k + 1) % FOLDS))
        fitted = grow(table, fit, aside, seed)
        said = apply(fitted, table, held)
        for name in ("casts", "deviation", "logit", "probability"):
            getattr(word, name)[held] = getattr(said, name)
        judged = aside[table.natural[aside]]
        thresholds = choose(
            apply(fitted, table, judged).probability, table.consensus[judged], RISKS
        )
        verdict[held] = thresholds.verdict(said.probability)
        chosen.append(thresholds)
        report(
            f"fold {k + 1} of {FOLDS}: clear below {thresholds.clear_below:.3f}, "
            f"cast above {thresholds.cast_above:.3f}"
        )
    return Outcome(word, verdict, tuple(chosen))


def figures(table: Table, outcome: Outcome, seed: int) -> dict[str, Any]:
    """Every table, ready for JSON."""
    return {
        "pictures": int(table.natural.sum()),
        "groups": len(set(table.group)),
        "laid": _laid(table, outcome.word, seed),
        "judged": _judged(table, outcome.word, seed),
        "crossed": _crossed(table, outcome.word),
        "verdicts": _verdicts(table, outcome.verdict),
        "calibration": _calibration(table, outcome.word),
        "thresholds": [[t.clear_below, t.cast_above] for t in outcome.thresholds],
    }


def _estimators(table: Table, word: Word) -> dict[str, Floats]:
    """Casts (n, 2) of the fitted estimate, the joint count, and each classical estimator."""
    column = {name: k for k, name in enumerate(table.names)}

    def pair(name: str) -> Floats:
        return np.nan_to_num(table.figures[:, [column[f"{name}.a"], column[f"{name}.b"]]])

    return {
        "autocast": word.casts[:, 0],
        "classes and statistics, counted": pair("together"),
        **{words: pair(f"statistics.{name}") for name, words in ESTIMATORS.items()},
    }


def _auc(truth: NDArray[np.bool_], score: Floats) -> float:
    return float(roc_auc_score(truth, score))


def _interval(
    group: NDArray[np.str_], truth: NDArray[np.bool_], score: Floats, seed: int
) -> tuple[float, float]:
    """95 % percentile bootstrap of the AUC over whole groups."""
    rng = np.random.default_rng(seed)
    names, inverse = np.unique(group, return_inverse=True)
    members = [np.flatnonzero(inverse == k) for k in range(len(names))]
    values = []
    for _ in range(RESAMPLES):
        drawn = np.concatenate([members[k] for k in rng.integers(0, len(names), len(names))])
        if len(set(truth[drawn])) == 2:
            values.append(_auc(truth[drawn], score[drawn]))
    low, high = np.quantile(values, [0.025, 0.975])
    return float(low), float(high)


def _laid(table: Table, word: Word, seed: int) -> dict[str, Any]:
    """AUC of |c| and median error by laid size, for gains in linear light."""
    uncast = table.kind == "none"
    size = np.hypot(table.truth[:, 0, 0], table.truth[:, 0, 1])
    out: dict[str, Any] = {}
    for name, cast in _estimators(table, word).items():
        found = np.hypot(cast[:, 0], cast[:, 1])
        rows = {}
        for about, (low, high) in SIZES.items():
            laid = (table.kind == "gain") & (size >= low) & (size < high)
            use = np.flatnonzero(uncast | laid)
            error = np.hypot(*(cast[laid] - table.truth[laid, 0]).T)
            row: dict[str, Any] = {
                "n": int(laid.sum()),
                "auc": _auc(laid[use], found[use]),
                "error": float(np.median(error)),
            }
            if name == "autocast":
                row["interval"] = _interval(table.group[use], laid[use], found[use], seed)
            rows[str(about)] = row
        out[name] = rows
    return out


def _judged(table: Table, word: Word, seed: int) -> dict[str, Any]:
    """AUC against the judgements: evident or none, any or none."""
    out: dict[str, Any] = {}
    scores = {"autocast, probability": word.probability} | {
        name: np.hypot(cast[:, 0], cast[:, 1]) for name, cast in _estimators(table, word).items()
    }
    for name, score in scores.items():
        row: dict[str, Any] = {}
        for label, kept in JUDGED.items():
            use = np.flatnonzero(table.natural & np.isin(table.consensus, kept))
            truth = table.consensus[use] != "none"
            row[label] = {"n": len(use), "auc": _auc(truth, score[use])}
            if name == "autocast, probability":
                row[label]["interval"] = _interval(table.group[use], truth, score[use], seed)
        out[name] = row
    out["direction"] = _direction(table, word)
    return out


def _direction(table: Table, word: Word) -> dict[str, Any]:
    """Where both looks called the cast evident: how often the direction is theirs."""
    both = table.natural & ~np.isnan(table.looked[:, 0])
    looked, said = table.looked[both], word.casts[both, 0]
    cosine = (looked * said).sum(axis=1) / np.maximum(np.hypot(*looked.T) * np.hypot(*said.T), 1e-9)
    degrees = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    return {"n": int(both.sum()), "within_45": float((degrees <= DIRECTION_WITHIN).mean())}


def _crossed(table: Table, word: Word) -> dict[str, Any]:
    """Crossed casts against uncast copies, by the largest cast of any tone range."""
    size = np.hypot(*np.moveaxis(word.casts, -1, 0)).max(axis=1)
    crossed = (table.kind == "crossed") & (table.worst >= EVIDENT_FROM)
    use = np.flatnonzero(crossed | (table.kind == "none"))
    return {
        "n": int(crossed.sum()),
        "auc": _auc(crossed[use], size[use]),
        "auc_probability": _auc(crossed[use], word.probability[use]),
    }


def _verdicts(table: Table, verdict: NDArray[np.str_]) -> dict[str, Any]:
    """The judgement x verdict table, and the three risks with their one-sided 95 % bounds."""
    natural = table.natural
    counts = {
        consensus: {
            v: int((natural & (table.consensus == consensus) & (verdict == v)).sum())
            for v in ("clear", "ask", "cast")
        }
        for consensus in ("none", "doubtful", "slight", "evident", "cannot_tell")
    }
    evident, none = table.consensus == "evident", table.consensus == "none"
    return {
        "counts": counts,
        "ask": float((verdict[natural] == "ask").mean()),
        "risks": {
            "Evident among clear": _risk(
                evident, natural & (verdict == "clear"), RISKS.evident_among_clear
            ),
            "Clear among evident": _risk(
                verdict == "clear", natural & evident, RISKS.clear_among_evident
            ),
            "None among cast": _risk(none, natural & (verdict == "cast"), RISKS.none_among_cast),
        },
    }


def _risk(wrong: NDArray[np.bool_], among: NDArray[np.bool_], target: float) -> dict[str, float]:
    """Share of errors, with the one-sided 95 % bound of Clopper and Pearson (1934)."""
    errors, count = int(wrong[among].sum()), int(among.sum())
    bound = float(beta.ppf(0.95, errors + 1, count - errors)) if errors < count else 1.0
    return {"n": count, "share": errors / max(count, 1), "bound": bound, "target": target}


def _calibration(table: Table, word: Word) -> dict[str, Any]:
    """Slope, Brier skill, log-loss and ECE, with the ECE a perfect forecaster would show."""
    use = table.natural & (table.consensus != "cannot_tell")
    truth = table.consensus[use] == "evident"
    said = np.clip(word.probability[use], 1e-6, 1 - 1e-6)
    logit = np.log(said / (1 - said))
    slope = LogisticRegression(C=1e6).fit(logit[:, None], truth)
    rng = np.random.default_rng(0)
    perfect = [_ece(said, rng.random(len(said)) < said) for _ in range(500)]
    rate = truth.mean()
    return {
        "n": int(use.sum()),
        "slope": float(slope.coef_[0, 0]),
        "brier_skill": float(1 - ((said - truth) ** 2).mean() / (rate * (1 - rate))),
        "log_loss": float(-np.where(truth, np.log(said), np.log(1 - said)).mean()),
        "ece": _ece(said, truth),
        "ece_perfect_95": float(np.quantile(perfect, 0.95)),
    }


def _ece(said: Floats, truth: NDArray[np.bool_], bins: int = 10) -> float:
    """Expected calibration error over bins of equal count."""
    order = np.array_split(np.argsort(said), bins)
    gaps = [len(rows) * abs(said[rows].mean() - truth[rows].mean()) for rows in order]
    return float(sum(gaps) / len(said))
