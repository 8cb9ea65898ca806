"""``train`` and ``evaluate``: from a folder of judged photographs to model files and figures."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from autocast.judgement import RISKS, Risks
from autocast.modelfiles import model_id, register
from autocast.thresholds import SCHEMA, Curve
from autocast.training import evaluate, untouched
from autocast.training.fit import export, grow, platt, probability
from autocast.training.gather import Table, gather
from autocast.training.risks import curve
from autocast.training.storing import write_arrays

MONOCHROME = 0.02
"""Probability given to a black-and-white (project convention: its greys have no cast)."""


def train(  # noqa: PLR0913 -- all that a run is told
    folder: Path,
    to: Path,
    seed: int,
    processes: int,
    report: Callable[[str], None],
    *,
    risks: Risks = RISKS,
) -> None:
    """Refit the trees and thresholds on a folder and write them, registered, into ``to``."""
    report("Reading figures of every picture and laying casts over those judged to have none.")
    table = gather(folder, seed, processes, report)
    write_models(table, to, seed, report, risks=risks, processes=processes)


def write_models(  # noqa: PLR0913 -- all that a run is told
    table: Table,
    to: Path,
    seed: int,
    report: Callable[[str], None],
    *,
    risks: Risks = RISKS,
    processes: int = 1,
) -> None:
    """Grow, calibrate, choose thresholds, and write ``fitted.npz`` and ``verdict.json``.

    The trees are grown on every picture. The calibration, and the curve from
    which thresholds are chosen at any risks and base rate, come from what nested
    fits say of groups they did not see, so that every picture counts for them.
    """
    outcome = evaluate.nested(table, seed, report, risks, processes)
    natural = np.flatnonzero(table.natural)
    logit, consensus = outcome.word.logit[natural], table.consensus[natural]
    calibration = platt(logit, consensus)
    open_to = evaluate.still_open(table, outcome.word.casts)[natural]
    judged = curve(probability(logit, calibration), consensus, open_to)
    verdict = verdict_file(judged, risks)
    report(f"Growing trees on all {len(table.file)} rows.")
    every = np.arange(len(table.file))
    fitted = replace(grow(table, every, seed), calibration=calibration)
    made_by = f"autocast train, seed {seed}, {int(table.natural.sum())} pictures"
    write_arrays(to / "fitted.npz", export(fitted))
    register(to, "fitted.npz", made_by=made_by, what="trees that weigh the evidence")
    (to / "verdict.json").write_text(_one_list_a_line(verdict), encoding="utf-8")
    register(
        to, "verdict.json", made_by=made_by, what="base rate, risks and thresholds of the verdicts"
    )


def verdict_file(judged: Curve, risks: Risks) -> dict[str, Any]:
    """What ``verdict.json`` holds, for a curve of judged pictures."""
    thresholds = judged.thresholds(risks)
    return {
        "schema": SCHEMA,
        "base_rate": judged.base_rate,
        "risks": risks._asdict(),
        "clear_below": thresholds.clear_below,
        "clear_held": thresholds.clear_held,
        "cast_above": thresholds.cast_above,
        "cast_held": thresholds.cast_held,
        "monochrome": MONOCHROME,
        "tones_apart": evaluate.TONES_APART,
        "curve": judged.to_plain(),
    }


def measure_up(
    folder: Path,
    seed: int,
    processes: int,
    report: Callable[[str], None],
    *,
    risks: Risks = RISKS,
) -> dict[str, Any]:
    """Nested figures on a folder of judged pictures; without a manifest, those of shipped models.

    Raises UnreadablePicture where the folder holds nothing to measure on.
    """
    if not (folder / "manifest.csv").exists():
        report("No manifest.csv: laying casts over the pictures as they are.")
        if risks != RISKS:
            report("Without judgements no verdicts are counted: the risks given play no part.")
        laid = untouched.gather_untouched(folder, seed, processes, report)
        return evaluate.figures_untouched(laid, untouched.shipped(laid), model_id(), seed)
    report("Reading figures of every picture and laying casts over those judged to have none.")
    table = gather(folder, seed, processes, report)
    outcome = evaluate.nested(table, seed, report, risks, processes)
    plain = evaluate.plain(table, seed, report, processes)
    return evaluate.figures(table, outcome, seed, plain, risks)


def _one_list_a_line(content: dict[str, Any]) -> str:
    """JSON in which a list stands on one line, so that the file can be read and compared."""
    curve = ",\n".join(f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in content["curve"].items())
    rest = json.dumps({**content, "curve": None}, indent=1)
    return rest.replace('"curve": null', f'"curve": {{\n{curve}\n }}') + "\n"
