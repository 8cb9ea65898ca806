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
from autocast.training import nested
from autocast.training.commands import write_fitted
from autocast.training.fit import folds
from autocast.training.gather import Table, gather


def write_folds(
    table: Table, outcome: nested.Outcome, to: Path, seed: int, risks: Risks
) -> list[second_opinion.Fold]:
    """Each fold's models as a folder of their own within ``to``, with the fold's clean pictures."""
    fold = folds(table.group, nested.FOLDS, seed)
    natural = np.flatnonzero(table.natural)
    clean = natural[table.consensus[natural] == "none"]
    rng = np.random.default_rng(seed)
    out = []
    for k, fitted in enumerate(outcome.fitted):
        place = to / str(k)
        shutil.copytree(default_models().folder, place)
        others = natural[fold[natural] != k]
        write_fitted(
            place, table=table, outcome=outcome, judged=others, fitted=fitted, risks=risks,
            made_by=f"fold {k} of an evaluation",
        )  # fmt: skip
        files = rng.permutation(table.file[clean[fold[clean] == k]])[: second_opinion.PICTURES]
        out.append(second_opinion.Fold(Models.load(place), [str(file) for file in files]))
    return out


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
        return figures.figures_untouched(laid, untouched.shipped(laid), default_models().id, seed)
    report("Reading figures of every picture and laying casts over those judged to have none.")
    table = gather(folder, seed, processes, report)
    outcome = nested.nested(table, seed, report, risks, processes)
    plain = figures.plain(table, seed, report, processes)
    with TemporaryDirectory() as place:
        held_out = write_folds(table, outcome, Path(place), seed, risks)
        rows = second_opinion.study(folder, held_out, seed, processes, report)
    group = dict(zip(map(str, table.file), map(str, table.group), strict=True))
    told = figures.figures(table, outcome, seed, plain, risks)
    return told | {"second_opinion": second_opinion.figures(rows, group, seed)}
