"""``train`` and ``evaluate``: from a folder of judged photographs to model files and figures."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from autocast.modelfiles import register
from autocast.training import evaluate
from autocast.training.fit import export, folds, grow
from autocast.training.gather import Table, gather
from autocast.training.risks import RISKS, choose
from autocast.training.storing import write_arrays

MONOCHROME = 0.02
"""Probability given to a black-and-white (project convention: its greys have no cast)."""


def train(folder: Path, to: Path, seed: int, processes: int, report: Callable[[str], None]) -> None:
    """Refit the trees and thresholds on a folder and write them, registered, into ``to``."""
    report("Reading figures of every picture and laying casts over those judged to have none.")
    write_models(gather(folder, seed, processes, report), to, seed, report)


def write_models(table: Table, to: Path, seed: int, report: Callable[[str], None]) -> None:
    """Grow, calibrate, choose thresholds, and write ``fitted.npz`` and ``verdict.json``.

    The thresholds come from what nested fits say of groups they did not see,
    so that every picture counts for them and none was fitted on.
    """
    outcome = evaluate.nested(table, seed, report)
    natural = np.flatnonzero(table.natural)
    thresholds = choose(outcome.word.probability[natural], table.consensus[natural], RISKS)
    fold = folds(table.group, evaluate.FOLDS, seed)
    # The first fold holds the largest group; one of many groups calibrates better.
    aside, fit = np.flatnonzero(fold == 1), np.flatnonzero(fold != 1)
    report(f"Growing trees on {len(fit)} rows; {len(aside)} are set aside for calibration.")
    fitted = grow(table, fit, aside, seed)
    known = table.natural & (table.consensus != "cannot_tell")
    verdict = {
        "schema": 1,
        "base_rate": round(float((table.consensus[known] == "evident").mean()), 4),
        "clear_below": round(thresholds.clear_below, 4),
        "cast_above": round(thresholds.cast_above, 4),
        "monochrome": MONOCHROME,
    }
    made_by = f"autocast train, seed {seed}, {int(table.natural.sum())} pictures"
    write_arrays(to / "fitted.npz", export(fitted))
    register(to, "fitted.npz", made_by=made_by, what="trees that weigh the evidence")
    (to / "verdict.json").write_text(json.dumps(verdict, indent=1) + "\n", encoding="utf-8")
    register(to, "verdict.json", made_by=made_by, what="base rate and thresholds of the verdicts")


def measure_up(
    folder: Path, seed: int, processes: int, report: Callable[[str], None]
) -> dict[str, Any]:
    """Nested figures on a folder of judged pictures."""
    report("Reading figures of every picture and laying casts over those judged to have none.")
    table = gather(folder, seed, processes, report)
    return evaluate.figures(table, evaluate.nested(table, seed, report), seed)
