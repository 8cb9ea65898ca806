"""``train``: from a folder of judged photographs to model files."""

from __future__ import annotations

import filecmp
import json
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from autocast.errors import ModelError
from autocast.judgement import RISKS, Risks
from autocast.judgement.limits import MONOCHROME_PROBABILITY
from autocast.modelstore import VERDICT_SCHEMA, Models, default_models
from autocast.modelstore.files import REGISTRY_NAME, register
from autocast.modelstore.models import CONTENT, DENSITIES, FITTED, VERDICT, WEIGHTS
from autocast.modelstore.storing import write_arrays
from autocast.picture.writing import whole, write_whole
from autocast.training.fit import Fitted, export, grow
from autocast.training.gather import Table, gather, read_manifest
from autocast.training.nested import Calibration, calibrate, nested


def train(  # noqa: PLR0913 -- all that a run is given
    folder: Path,
    to: Path,
    seed: int,
    processes: int,
    report: Callable[[str], None],
    *,
    risks: Risks = RISKS,
    models: Models | None = None,
) -> None:
    """Refit the trees and thresholds on a folder and write them, registered, into ``to``.

    Features are made with the densities, weights and network of ``models`` (those
    that autocast came with unless given), which must lie in ``to`` as well. Raises
    UnreadablePicture for a folder that cannot be read, ModelError for a ``to`` that
    holds others.
    """
    models = models or default_models()
    read_manifest(folder)
    _check_beside(to, models)
    table = gather(folder, seed, processes, report, models)
    write_models(table, to, seed, report, risks=risks, processes=processes)


def _check_beside(to: Path, models: Models) -> None:
    """Refuse, before hours of work, a folder whose other files are not those of ``models``."""
    needed = [DENSITIES, WEIGHTS, CONTENT]
    same, _, _ = filecmp.cmpfiles(to, models.folder, needed, shallow=False)
    missing = [] if (to / REGISTRY_NAME).is_file() else [REGISTRY_NAME]
    for name in [*missing, *(name for name in needed if name not in same)]:
        raise ModelError(
            f"{to / name} is missing, or is not that of {models.folder}, which the trees are "
            f"grown with; copy that folder's files to {to}, or give --models another folder."
        )


def write_models(  # noqa: PLR0913 -- all that a run is given
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
    fits predict of groups they did not see, so that every picture counts for them.
    """
    outcome = nested(table, seed, report, risks, processes)
    report(f"Growing trees on all {len(table.file)} rows.")
    fitted = grow(table, np.arange(len(table.file)), seed)
    judged = np.flatnonzero(table.natural)
    calibration = calibrate(table, outcome.predictions, judged)
    write_fitted(
        to, fitted, calibration, risks, f"autocast train, seed {seed}, {len(judged)} pictures"
    )


def write_fitted(
    to: Path, fitted: Fitted, calibration: Calibration, risks: Risks, made_by: str
) -> None:
    """Write trees with their calibration, and the thresholds that keep the risks."""
    with whole(to / FITTED) as beside:
        write_arrays(beside, export(replace(fitted, calibration=calibration.logistic)))
    register(to, FITTED, made_by=made_by, what="trees and gate that are fitted to the evidence")
    verdict = verdict_file(calibration, risks)
    write_whole(to / VERDICT, _one_list_a_line(verdict).encode())
    register(to, VERDICT, made_by=made_by, what="base rate, risks and thresholds of the verdicts")


def verdict_file(calibration: Calibration, risks: Risks) -> dict[str, Any]:
    """What ``verdict.json`` holds for risks to be kept."""
    return {
        "schema": VERDICT_SCHEMA,
        "base_rate": calibration.curve.base_rate,
        "risks": risks._asdict(),
        **asdict(calibration.curve.thresholds(risks)),
        "monochrome": MONOCHROME_PROBABILITY,
        "parts_apart": calibration.parts_apart,
        "nearer": list(calibration.nearer),
        "curve": calibration.curve.to_plain(),
    }


def _one_list_a_line(content: dict[str, Any]) -> str:
    """JSON in which a list stands on one line, so that the file can be read and compared."""
    curve = ",\n".join(f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in content["curve"].items())
    rest = json.dumps({**content, "curve": None}, indent=1)
    return rest.replace('"curve": null', f'"curve": {{\n{curve}\n }}') + "\n"
