"""Figures on groups the fit never saw, beside the classical estimators, from one run.

Nested by group: each fifth of the groups is judged by models grown on three
others and calibrated, with their thresholds, on the last.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.judgement import RISKS, Risks
from autocast.thresholds import Thresholds
from autocast.training import agreement, deferral
from autocast.training.calibration import calibration
from autocast.training.fit import Fitted, Rows, Word, apply, folds, grow
from autocast.training.gather import Table
from autocast.training.risks import choose
from autocast.training.tracing import tracing
from autocast.weighing import ANCHORS

Floats = NDArray[np.floating[Any]]

FOLDS = 5
STATISTICS = "statistics."
"""How the names of the figures begin that the plain fit is told."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What the nested fits say of every row, and its verdict by probability alone.

    ``without`` holds, for each kind of evidence, the probabilities of the
    natural rows when its figures are withheld.
    """

    word: Word
    verdict: NDArray[np.str_]
    thresholds: tuple[Thresholds, ...]
    without: dict[str, Floats] = field(default_factory=dict)


def nested(table: Table, seed: int, report: Callable[[str], None], risks: Risks = RISKS) -> Outcome:
    """Judge every row by models grown and calibrated on other groups.

    Raises ValueError when a group would be judged by models that saw it.
    """
    fold = folds(table.group, FOLDS, seed)
    count = len(table.file)
    word = Word(
        np.full((count, 4, 2), np.nan),
        np.full((count, 2), np.nan),
        np.full(count, np.nan),
        np.full(count, np.nan),
    )
    verdict = np.full(count, "ask", dtype="U5")
    without = {kind: np.full(int(table.natural.sum()), np.nan) for kind in table.without}
    chosen = []
    for k in range(FOLDS):
        held = np.flatnonzero(fold == k)
        aside = np.flatnonzero(fold == (k + 1) % FOLDS)
        fit = np.flatnonzero((fold != k) & (fold != (k + 1) % FOLDS))
        shared = set(table.group[held]) & set(table.group[np.concatenate([fit, aside])])
        if shared:
            raise ValueError(f"groups judged by models that saw them: {sorted(shared)[:3]}")
        fitted = grow(table, fit, aside, seed)
        said = apply(fitted, table, held)
        for name in ("casts", "deviation", "logit", "probability"):
            getattr(word, name)[held] = getattr(said, name)
        judged = aside[table.natural[aside]]
        thresholds = choose(
            apply(fitted, table, judged).probability, table.consensus[judged], risks
        )
        verdict[held] = thresholds.verdict(said.probability)
        for kind, probability in without.items():
            _withhold(table, kind, fitted, held, probability)
        chosen.append(thresholds)
        report(
            f"fold {k + 1} of {FOLDS}: clear below {thresholds.clear_below:.3f}, "
            f"cast above {thresholds.cast_above:.3f}"
        )
    return Outcome(word, verdict, tuple(chosen), without)


def _withhold(table: Table, kind: str, fitted: Fitted, held: Rows, out: Floats) -> None:
    """Fill ``out`` where natural rows are held out, told without a kind of evidence."""
    natural = np.flatnonzero(table.natural)
    place = np.flatnonzero(np.isin(natural, held))
    figures = table.figures.copy()
    figures[natural] = table.without[kind]
    out[place] = apply(fitted, replace(table, figures=figures), natural[place]).probability


def plain(table: Table, seed: int, report: Callable[[str], None]) -> Word:
    """The word of trees grown the same way, on the same folds, over the statistics alone.

    An anchor that is no statistic is told as the median of those that are, which
    leaves the anchor where they put it.
    """
    kept = [k for k, name in enumerate(table.names) if name.startswith(STATISTICS)]
    names = [table.names[k] for k in kept]
    columns = [table.figures[:, k] for k in kept]
    statistics = [anchor for anchor in ANCHORS if anchor.startswith(STATISTICS)]
    others = [anchor for anchor in ANCHORS if not anchor.startswith(STATISTICS)]
    for axis in "ab":
        heard = [table.names.index(f"{anchor}.{axis}") for anchor in statistics]
        found = table.figures[:, heard]
        nothing = np.isnan(found).all(axis=1, keepdims=True)
        columns += [np.nanmedian(np.where(nothing, 0.0, found), axis=1)] * len(others)
        names += [f"{anchor}.{axis}" for anchor in others]
    # Where an a* stands, its b* is next.
    order = np.argsort([table.names.index(name) for name in names], kind="stable")
    told = replace(
        table,
        names=tuple(names[k] for k in order),
        figures=np.stack([columns[k] for k in order], axis=1),
        without={},
    )
    report("Growing trees over the statistics alone, for comparison.")
    return nested(told, seed, report).word


def figures(
    table: Table,
    outcome: Outcome,
    seed: int,
    plain_word: Word | None = None,
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
    return {
        "pictures": pictures,
        "groups": len(set(table.group[table.natural])),
        "fit": "nested",
        "laid": agreement.laid(table, word, casts, seed),
        "judged": agreement.judged(table, word, plain_word, casts, seed),
        "verdicts": agreement.counts(table, outcome.verdict),
        "scenes": agreement.scenes(table, word, outcome.verdict, seed),
        "by_tone": agreement.by_tone(table, word, seed),
        "kinds": agreement.kinds(table, word, seed),
        "calibration": calibration(table, word.probability, seed),
        "coverage": deferral.coverage(table, word.probability, outcome.verdict, seed),
        "right_to_ask": deferral.right_to_ask(table, outcome.verdict, seed),
        "risks": deferral.risks(table, outcome.verdict, risks, every, seed),
        "mix": deferral.MIX,
        "risks_at_mix": None
        if mixed is None
        else deferral.risks(table, outcome.verdict, risks, mixed, seed),
        "thresholds": deferral.held(outcome.thresholds),
        "without": agreement.without(table, word, outcome.without, seed),
        "points": agreement.points(table, word),
        "traces": tracing(table, seed),
    }


def figures_untouched(table: Table, word: Word, model: str, seed: int) -> dict[str, Any]:
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
