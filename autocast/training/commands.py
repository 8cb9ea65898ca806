"""``train`` and ``evaluate``: from a folder of judged photographs to model files and figures."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from autocast.judgement import RISKS, Risks
from autocast.modelfiles import model_id, models_folder, register
from autocast.thresholds import SCHEMA, Curve
from autocast.training import evaluate, second_opinion, untouched
from autocast.training.fit import Fitted, Rows, export, folds, grow, platt, probability
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
    report(f"Growing trees on all {len(table.file)} rows.")
    fitted = grow(table, np.arange(len(table.file)), seed)
    judged = np.flatnonzero(table.natural)
    _write(
        to, table=table, outcome=outcome, judged=judged, fitted=fitted, risks=risks,
        made_by=f"autocast train, seed {seed}, {len(judged)} pictures",
    )  # fmt: skip


def write_folds(
    table: Table, outcome: evaluate.Outcome, to: Path, seed: int, risks: Risks
) -> list[second_opinion.Models]:
    """Each fold's models as a folder of their own within ``to``, with the fold's clean pictures."""
    fold = folds(table.group, evaluate.FOLDS, seed)
    natural = np.flatnonzero(table.natural)
    clean = natural[table.consensus[natural] == "none"]
    rng = np.random.default_rng(seed)
    out = []
    for k, fitted in enumerate(outcome.fitted):
        place = to / str(k)
        shutil.copytree(models_folder(), place)
        others = natural[fold[natural] != k]
        _write(
            place, table=table, outcome=outcome, judged=others, fitted=fitted, risks=risks,
            made_by=f"fold {k} of an evaluation",
        )  # fmt: skip
        files = rng.permutation(table.file[clean[fold[clean] == k]])[: second_opinion.PICTURES]
        out.append(second_opinion.Models(place, [str(file) for file in files]))
    return out


def _write(  # noqa: PLR0913 -- all that goes into the two files
    to: Path,
    *,
    table: Table,
    outcome: evaluate.Outcome,
    judged: Rows,
    fitted: Fitted,
    risks: Risks,
    made_by: str,
) -> None:
    """Write trees, calibrated on what was said of the rows ``judged``, and thresholds from it."""
    logit, consensus = outcome.word.logit[judged], table.consensus[judged]
    calibration = platt(logit, consensus)
    parts = evaluate.parts_apart(table, outcome.word, judged)
    open_to = evaluate.still_open(table, outcome.word, parts)[judged]
    verdict = verdict_file(curve(probability(logit, calibration), consensus, open_to), risks, parts)
    write_arrays(to / "fitted.npz", export(replace(fitted, calibration=calibration)))
    register(to, "fitted.npz", made_by=made_by, what="trees that weigh the evidence")
    (to / "verdict.json").write_text(_one_list_a_line(verdict), encoding="utf-8")
    register(
        to, "verdict.json", made_by=made_by, what="base rate, risks and thresholds of the verdicts"
    )


def verdict_file(judged: Curve, risks: Risks, parts_apart: float) -> dict[str, Any]:
    """What ``verdict.json`` holds, for a curve of judged pictures.

    ``parts_apart`` are the log-odds of :func:`autocast.training.evaluate.parts_apart`.
    """
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
        "parts_apart": parts_apart,
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
    with TemporaryDirectory() as place:
        models = write_folds(table, outcome, Path(place), seed, risks)
        rows = second_opinion.study(folder, models, seed, processes, report)
    group = dict(zip(map(str, table.file), map(str, table.group), strict=True))
    told = evaluate.figures(table, outcome, seed, plain, risks)
    return told | {"second_opinion": second_opinion.figures(rows, group, seed)}


def _one_list_a_line(content: dict[str, Any]) -> str:
    """JSON in which a list stands on one line, so that the file can be read and compared."""
    curve = ",\n".join(f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in content["curve"].items())
    rest = json.dumps({**content, "curve": None}, indent=1)
    return rest.replace('"curve": null', f'"curve": {{\n{curve}\n }}') + "\n"
