"""What pooling the evidence of a series is worth, on casts laid over real pictures. A script.

    OMP_NUM_THREADS=1 python tests/series_study.py FOLDER [--keep FILE.npz] [--jobs N]

FOLDER holds photographs and a ``manifest.csv``, as ``autocast train`` takes it.
Pictures of consensus *none* of one group stand for a series. Over each series
one cast is laid (shared light), over each picture a cast of its own (lights
differ), or a cast over one picture alone (the odd one); uncast copies go
through the same chain. Printed are the AUC of |c| against the uncast copies,
for the picture alone and with its series heard, and bootstrap intervals of
their difference over groups.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import csv
import zlib
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

SIZES = (6.0, 8.0)
LEAST = 3
"""Pictures that a group must have to stand for a series."""
CONDITIONS = ("none", *(f"{how} {size:g}" for size in SIZES for how in ("shared", "own")))

Floats = NDArray[np.float64]


def read(path: Path, group: str) -> list[list[float]]:
    """Cast, covariance and probability of one picture under every condition."""
    from PIL import Image

    from autocast import judging
    from autocast.training.simulate import lay

    with Image.open(path) as image:
        pixels = np.asarray(image.convert("RGB"))
    seed = zlib.crc32(path.name.encode())
    angles = {
        "shared": np.random.default_rng(zlib.crc32(group.encode())).uniform(0, 2 * np.pi),
        "own": np.random.default_rng(seed).uniform(0, 2 * np.pi),
    }
    out = []
    for condition in CONDITIONS:
        how, _, size = condition.partition(" ")
        rng = np.random.default_rng(seed + 1)  # one chain for every copy of the picture
        laid = (
            lay(pixels, rng, "none", 0.0, 0.0)
            if how == "none"
            else lay(pixels, rng, "gain", float(size), float(angles[how]))
        )
        judgement = judging.judge(laid.data)
        cast = judgement.cast
        (aa, ab), (_, bb) = cast.covariance
        out.append([cast.a, cast.b, aa, ab, bb, judgement.probability, *laid.whole])
    return out


def gather(folder: Path, jobs: int) -> tuple[NDArray[np.str_], Floats]:
    """Groups (n,) and readings (n, conditions, 8) of every picture that stands in a series."""
    groups: dict[str, list[Path]] = defaultdict(list)
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["consensus"] == "none":
                groups[row["group"]].append(folder / row["file"])
    chosen = [
        (path, group)
        for group, paths in sorted(groups.items())
        if len(paths) >= LEAST
        for path in sorted(paths)
    ]
    with ProcessPoolExecutor(jobs) as pool:
        rows = list(pool.map(read, *zip(*chosen, strict=True), chunksize=8))
    return np.array([group for _, group in chosen]), np.array(rows)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    groups, rows = gather(given.folder, given.jobs)
    np.savez(given.keep, groups=groups, rows=rows)
