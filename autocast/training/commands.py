"""``train``: from a folder of judged photographs to model files."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from autocast.advisor.risk import Curve
from autocast.judgement import RISKS, Risks
from autocast.modelstore import VERDICT_SCHEMA
from autocast.modelstore.files import register
from autocast.modelstore.storing import write_arrays
from autocast.training import nested
from autocast.training.fit import Fitted, Rows, export, grow, platt
from autocast.training.gather import Table, gather
from autocast.training.risks import curve
from autocast.voting.fitted import probability_of

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
    outcome = nested.nested(table, seed, report, risks, processes)
    report(f"Growing trees on all {len(table.file)} rows.")
    fitted = grow(table, np.arange(len(table.file)), seed)
    judged = np.flatnonzero(table.natural)
    write_fitted(
        to, table=table, outcome=outcome, judged=judged, fitted=fitted, risks=risks,
        made_by=f"autocast train, seed {seed}, {len(judged)} pictures",
    )  # fmt: skip


def write_fitted(  # noqa: PLR0913 -- all that goes into the two files
    to: Path,
    *,
    table: Table,
    outcome: nested.Outcome,
    judged: Rows,
    fitted: Fitted,
    risks: Risks,
    made_by: str,
) -> None:
    """Write trees, calibrated on what was said of the rows ``judged``, and thresholds from it."""
    logit, consensus = outcome.word.logit[judged], table.consensus[judged]
    calibration = platt(logit, consensus)
    parts = nested.parts_apart(table, outcome.word, judged)
    eligible = nested.eligible_by_trees(table, outcome.word, parts)[judged]
    verdict = verdict_file(
        curve(probability_of(logit, calibration), consensus, eligible), risks, parts
    )
    write_arrays(to / "fitted.npz", export(replace(fitted, calibration=calibration)))
    register(to, "fitted.npz", made_by=made_by, what="trees that weigh the evidence")
    (to / "verdict.json").write_text(_one_list_a_line(verdict), encoding="utf-8")
    register(
        to, "verdict.json", made_by=made_by, what="base rate, risks and thresholds of the verdicts"
    )


def verdict_file(judged: Curve, risks: Risks, parts_apart: float) -> dict[str, Any]:
    """What ``verdict.json`` holds, for a curve of judged pictures.

    ``parts_apart`` are the log-odds of :func:`autocast.training.nested.parts_apart`.
    """
    thresholds = judged.thresholds(risks)
    return {
        "schema": VERDICT_SCHEMA,
        "base_rate": judged.base_rate,
        "risks": risks._asdict(),
        "clear_below": thresholds.clear_below,
        "clear_held": thresholds.clear_held,
        "cast_above": thresholds.cast_above,
        "cast_held": thresholds.cast_held,
        "monochrome": MONOCHROME,
        "tones_apart": nested.TONES_APART,
        "parts_apart": parts_apart,
        "curve": judged.to_plain(),
    }


def _one_list_a_line(content: dict[str, Any]) -> str:
    """JSON in which a list stands on one line, so that the file can be read and compared."""
    curve = ",\n".join(f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in content["curve"].items())
    rest = json.dumps({**content, "curve": None}, indent=1)
    return rest.replace('"curve": null', f'"curve": {{\n{curve}\n }}') + "\n"
