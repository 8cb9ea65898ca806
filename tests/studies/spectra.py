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
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from autocast.evaluation.resampling import Draws, auc, difference
from autocast.judgement import EVIDENT_FROM
from autocast.modelstore import files as modelfiles
from autocast.modelstore.storing import write_arrays
from autocast.rendering import densities as render
from autocast.rendering.materials import STUDIES
from autocast.rendering.spectra import everything
from autocast.training import gather
from autocast.voting import fitted as weighing

SEED = 1


def use(folder: Path) -> None:
    """Read model files from this folder, in a process of its own."""
    modelfiles.models_folder = lambda: folder  # type: ignore[assignment]


def judged(number: int) -> tuple[str, float, float]:
    """Kind of cast, the largest C* laid, and the probability, of one scene of the report half."""
    row = gather._rendered(SEED, "report", number)
    return row["kind"], row["worst"], float(weighing.predict([row["figures"]]).probability[0])


def said_with(folder: Path, scenes: int, jobs: int) -> list[tuple[str, float, float]]:
    """Every scene, judged with the model files of a folder."""
    # Fresh processes: model files that were read are kept.
    with ProcessPoolExecutor(jobs, get_context("spawn"), use, (folder,)) as pool:
        return list(pool.map(judged, range(scenes), chunksize=8))


def held_out_models(folder: Path) -> Path:
    """A copy of the shipped models whose densities met no spectrum of the report half."""
    shutil.copytree(modelfiles.models_folder(), folder)
    known = set(everything().study.tolist())
    arrays = render.build([study for study in STUDIES["report"] if study in known])
    write_arrays(folder / render.FILE, arrays)
    modelfiles.register(folder, render.FILE, made_by="tests/studies/spectra.py", what="densities")
    return folder


def main() -> None:
    """Print the AUC by kind of cast with either densities, and their paired difference."""
    parser = argparse.ArgumentParser(description="Hold spectra out of the class densities.")
    parser.add_argument("--scenes", type=int, default=gather.SCENES)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        without = held_out_models(Path(scratch) / "models")
        shipped = said_with(modelfiles.models_folder(), given.scenes, given.jobs)
        held_out = said_with(without, given.scenes, given.jobs)
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
    shown = " | ".join(
        f"{c['value']:.3f} [{c['interval'][0]:.3f}, {c['interval'][1]:.3f}]" for c in cells
    )
    return f"| {name} | {int(cast.sum())} | {shown} |"


if __name__ == "__main__":
    main()
