"""``evaluate``: figures on a folder of photographs, judged or not."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from autocast.evaluation import figures, second_opinion, untouched
from autocast.judgement import RISKS, Risks
from autocast.modelstore import Models, default_models
from autocast.training.commands import write_fitted
from autocast.training.fit import folds
from autocast.training.gather import Table, gather
from autocast.training.nested import FOLDS, Outcome, calibrate, nested


def write_folds(  # noqa: PLR0913, PLR0917 -- all that goes into them
    table: Table, outcome: Outcome, to: Path, seed: int, risks: Risks, models: Models
) -> list[second_opinion.Fold]:
    """Write each fold's models as a folder of their own.

    Parameters
    ----------
    table : Table
        Judged pictures and simulated casts.
    outcome : Outcome
        Of the nested fits.
    to : Path
        The folder to write into.
    seed : int
        Of the nested fits.
    risks : Risks
        Those that verdicts are to keep.
    models : Models
        Whose files all but trees and thresholds are.

    Returns
    -------
    list of Fold
        The models, and some of the fold's pictures that were judged to have no cast.
    """
    fold = folds(table.group, FOLDS, seed)
    natural = np.flatnonzero(table.natural)
    clean = natural[table.consensus[natural] == "none"]
    rng = np.random.default_rng(seed)
    out = []
    for k, fitted in enumerate(outcome.fitted):
        place = to / str(k)
        shutil.copytree(models.folder, place)
        calibration = calibrate(table, outcome.predictions, natural[fold[natural] != k])
        write_fitted(place, fitted, calibration, risks, f"fold {k} of an evaluation")
        files = rng.permutation(table.file[clean[fold[clean] == k]])[: second_opinion.PICTURES]
        out.append(second_opinion.Fold(Models.load(place), [str(file) for file in files]))
    return out


def measure_up(  # noqa: PLR0913 -- all that a run is given
    folder: Path,
    seed: int,
    processes: int,
    report: Callable[[str], None],
    *,
    risks: Risks = RISKS,
    models: Models | None = None,
) -> dict[str, Any]:
    """Measure on a folder: nested fits where pictures are judged, else of models as they are.

    Parameters
    ----------
    folder : Path
        Photographs, with their manifest.csv or not.
    seed : int
        The same seed gives the same figures.
    processes : int
        In how many it is worked.
    report : callable
        Is given lines of progress.
    risks : Risks
        Those that verdicts are to keep.
    models : Models, optional
        Whose densities, weights and network features are made with, and whose trees are
        asked where nothing is fitted; those that autocast came with unless given.

    Returns
    -------
    dict
        Ready for JSON; see :mod:`autocast.evaluation.figures`.

    Raises
    ------
    UnreadablePicture
        The folder holds nothing to measure on.
    """
    models = models or default_models()
    if not (folder / "manifest.csv").exists():
        report("No manifest.csv: simulating casts on the pictures as they are.")
        if risks != RISKS:
            report("Without judgements no verdicts are counted: the risks given play no part.")
        table = untouched.gather_untouched(folder, seed, processes, report, models)
        predictions = untouched.predictions_of(table, models)
        return figures.figures_untouched(table, predictions, models.id, seed)
    report(
        "Four steps: pictures are read; trees are grown without each fifth of the groups in turn; "
        "likewise over the statistics alone; copies with casts are judged and corrected."
    )
    table = gather(folder, seed, processes, report, models)
    report(f"Growing trees on {len(table.file)} rows, without each fifth of the groups in turn.")
    outcome = nested(table, seed, report, risks, processes)
    plain = figures.plain_fit(table, seed, report, processes)
    with TemporaryDirectory() as place:
        held_out = write_folds(table, outcome, Path(place), seed, risks, models)
        rows = second_opinion.study(folder, held_out, seed, processes, report)
    report("Drawing the intervals of all figures.")
    group = dict(zip(map(str, table.file), map(str, table.group), strict=True))
    found = figures.figures(table, outcome, seed, plain, risks)
    return found | {"second_opinion": second_opinion.figures(rows, group, seed)}
