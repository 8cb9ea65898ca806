"""Do judgements lean on spectra that the densities were made of? A script.

    python tests/studies/spectra.py [--scenes N] [--jobs N]

Scenes rendered from the half of the spectra that no tree was grown on are
judged twice by the shipped trees: with the shipped class densities, which were
made of both halves, and with densities made of the other half alone. What the
second loses is what the first owes to having met the very spectra. Trees were
grown with the shipped densities, so the loss is, if anything, overstated.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import shutil
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from autocast.evaluation.resampling import Draws, auc, difference
from autocast.evaluation.untouched import predictions_of
from autocast.judgement import EVIDENT_FROM
from autocast.modelstore import Models, default_models, register
from autocast.modelstore.models import DENSITIES
from autocast.modelstore.storing import write_arrays
from autocast.rendering.densities import build
from autocast.rendering.materials import STUDIES
from autocast.rendering.spectra import everything
from autocast.training import gather

SEED = 1


def judged(models: Models, number: int) -> tuple[str, float, float]:
    """Kind of cast, the largest C* simulated, and the probability, of one scene."""
    row = gather.rendered(SEED, "report", models, number)
    probability = predictions_of(gather.tabulate([row]), models).probability[0]
    return row["kind"], row["worst"], float(probability)


def judged_with(models: Models, scenes: int, jobs: int) -> list[tuple[str, float, float]]:
    """Every scene of the report half, judged with some models."""
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(partial(judged, models), range(scenes), chunksize=8))


def held_out_models(folder: Path) -> Models:
    """The shipped models, but for densities that met no spectrum of the report half."""
    shutil.copytree(default_models().folder, folder)
    known = set(everything().study.tolist())
    arrays = build([study for study in STUDIES["report"] if study in known])
    write_arrays(folder / DENSITIES, arrays)
    register(folder, DENSITIES, made_by="tests/studies/spectra.py", what="densities")
    return Models.load(folder)


def main() -> None:
    """Print the AUC by kind of cast with either densities, and their paired difference."""
    parser = argparse.ArgumentParser(description="Hold spectra out of the class densities.")
    parser.add_argument("--scenes", type=int, default=gather.SCENES)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        without = held_out_models(Path(scratch) / "models")
        shipped = judged_with(default_models(), given.scenes, given.jobs)
        held_out = judged_with(without, given.scenes, given.jobs)
    kind = np.array([row[0] for row in shipped])
    worst = np.array([row[1] for row in shipped])
    both, apart = (np.array([row[2] for row in rows]) for rows in (shipped, held_out))
    print("| kind | n | both halves | the other half alone | difference |\n|---|---|---|---|---|")
    for name in sorted(set(kind) - {"held.none"}):
        print(
            line(name, (kind == name) & (worst >= EVIDENT_FROM), kind == "held.none", both, apart)
        )


def line(
    name: str,
    cast: NDArray[np.bool_],
    uncast: NDArray[np.bool_],
    both: NDArray[np.float64],
    apart: NDArray[np.float64],
) -> str:
    """A row of the table: one kind of cast against scenes without one."""
    rows = np.flatnonzero(cast | uncast)
    draws = Draws(rows.astype(str), SEED)
    first, second = auc(cast[rows], both[rows]), auc(cast[rows], apart[rows])
    cells = [draws.cell(each) for each in (first, second, difference(second, first))]
    spans = (c["interval"] and "[{:.3f}, {:.3f}]".format(*c["interval"]) for c in cells)
    shown = " | ".join(
        f"{c['value']:.3f} {span or ''}".rstrip() for c, span in zip(cells, spans, strict=True)
    )
    return f"| {name} | {int(cast.sum())} | {shown} |"


if __name__ == "__main__":
    main()
