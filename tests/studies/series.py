"""What pooling the evidence of a series is worth, on casts laid over real pictures. A script.

    OMP_NUM_THREADS=1 python tests/studies/series.py FOLDER [--keep FILE.npz] [--jobs N]

FOLDER holds photographs and a ``manifest.csv``, as ``autocast train`` takes it.
Pictures of consensus *none* of one group stand for a series. Over each series
one cast is laid (shared light), over each picture a cast of its own (lights
differ), or a cast over one picture alone (the odd one); uncast copies go
through the same chain. Printed are the AUC of |c| against the uncast copies,
for the picture alone and pooled with its series, and bootstrap intervals of
their difference over series.
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

from autocast.archive.pooling import CastPrior, Readings, learn, pool, readings
from autocast.archive.series import is_finding
from autocast.modelstore import default_models

SIZES = (6.0, 8.0)
LEAST = 3
"""Pictures that a group must have to stand for a series."""
MOST = 12
"""Larger groups are parted into series of about so many."""
BASE_RATE = default_models().verdict["base_rate"]
CAST_PRIOR = CastPrior.of(default_models())
CONDITIONS = ("none", *(f"{how} {size:g}" for size in SIZES for how in ("shared", "own")))

Floats = NDArray[np.float64]


def read(path: Path, group: str) -> list[list[float]]:
    """Cast, covariance and probability of one picture under every condition."""
    from PIL import Image

    from autocast import judging
    from autocast.training.simulation import lay_cast

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
            lay_cast(pixels, rng, "none", 0.0, 0.0)
            if how == "none"
            else lay_cast(pixels, rng, "gain", float(size), float(angles[how]))
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


def auc(positive: Floats, negative: Floats) -> float:
    """Area under the ROC curve of two samples without ties."""
    both = np.concatenate([positive, negative])
    ranks = both.argsort().argsort() + 1
    n, m = len(positive), len(negative)
    return float((ranks[:n].sum() - n * (n + 1) / 2) / n / m)


def read_series(rows: Floats) -> Readings:
    """Readings of one series under one condition each."""
    covariances = rows[:, [2, 3, 3, 4]].reshape(-1, 2, 2)
    return readings(rows[:, :2], covariances, CAST_PRIOR)


def scenario(
    name: str, size: float, series: list[Floats], rng: np.random.Generator
) -> tuple[list[Floats], list[NDArray[np.bool_]]]:
    """Rows of each series under a mix of conditions, and which pictures carry a cast."""
    rows, cast = [], []
    for each in series:
        count = len(each)
        how = "shared" if name in {"shared", "half shared"} else "own"
        if name in {"shared", "own"}:
            carries = np.full(count, rng.random() < 0.5)
        elif name == "half shared":
            carries = np.arange(count) < count / 2
        elif name == "mixed":
            carries = rng.random(count) < 0.5
        else:
            carries = np.arange(count) == rng.integers(count)
        which = np.where(carries, CONDITIONS.index(f"{how} {size:g}"), 0)
        rows.append(each[np.arange(count), which])
        cast.append(carries)
    return rows, cast


SCENARIOS = {
    "shared": "one cast over half of the series, whole",
    "own": "half of the series with a cast of its own over each picture",
    "mixed": "a cast of its own over half of the pictures of a series",
    "half shared": "one cast over the first half of each series",
    "odd": "a cast over one picture of each series",
}
REPEATS = 4


def study(groups: NDArray[np.str_], rows: Floats) -> None:
    """Print what pooling is worth."""
    chunks = [
        part
        for group in np.unique(groups)
        for part in np.array_split(
            np.flatnonzero(groups == group), max(1, (groups == group).sum() // MOST)
        )
    ]
    series = [rows[chunk] for chunk in chunks]
    print(f"{sum(map(len, series))} pictures in {len(series)} series of {LEAST} to {MOST + 11}")
    for size in SIZES:
        for name, words in SCENARIOS.items():
            _one(name, f"C* {size:g}, {words}", size, series)
    print("Series found to have one fault, by the rule of the archive:")
    for k, condition in enumerate(CONDITIONS):
        these = [each[:, k] for each in series]
        read_as = [read_series(each) for each in these]
        prior = learn(read_as, CAST_PRIOR)
        found = 0
        for each, one in zip(these, read_as, strict=True):
            pooled = pool(one, prior)
            found += is_finding(one, pooled, each[:, 5], np.full(len(each), BASE_RATE))
        print(f"  {condition:<9} {found} of {len(series)}")


def _one(name: str, words: str, size: float, series: list[Floats]) -> None:
    rng = np.random.default_rng(1)
    alone, pooled_sizes, carries, share, group, off = [], [], [], [], [], []
    for _ in range(REPEATS):
        rows, cast = scenario(name, size, series, rng)
        read_as = [read_series(each) for each in rows]
        prior = learn(read_as, CAST_PRIOR)
        pooled = [pool(each, prior) for each in read_as]
        alone += [np.hypot(*each.own.T) for each in read_as]
        pooled_sizes += [np.hypot(*each.mean.T) for each in pooled]
        share += [each.share for each in pooled]
        carries += cast
        group += [np.full(len(each), k) for k, each in enumerate(rows)]
        off += [
            np.stack([np.hypot(*(c - r[:, 6:8]).T) for c in (a.own, p.mean)], axis=1)
            for a, p, r in zip(read_as, pooled, rows, strict=True)
        ]
    a, t, c, s, g = (np.concatenate(x) for x in (alone, pooled_sizes, carries, share, group))
    gain = []
    for _ in range(300):
        drawn = rng.integers(0, len(series), len(series))
        k = np.concatenate([np.flatnonzero(g == one) for one in drawn])
        if c[k].any() and not c[k].all():
            gain.append(auc(t[k][c[k]], t[k][~c[k]]) - auc(a[k][c[k]], a[k][~c[k]]))
    low, high = np.quantile(gain, [0.025, 0.975])
    errors = np.median(np.concatenate(off), axis=0)
    print(
        f"{words}\n  AUC of |c| alone {auc(a[c], a[~c]):.3f}, pooled "
        f"{auc(t[c], t[~c]):.3f} (gain {low:+.3f} to {high:+.3f}, 95 % over series); "
        f"median error {errors[0]:.2f}, {errors[1]:.2f}"
        + (f"; AUC of being odd {auc(-s[c], -s[~c]):.3f}" if name == "odd" else "")
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep", type=Path, help="keep the judgements here, and take them up")
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    if given.keep and given.keep.exists():
        with np.load(given.keep) as held:
            found = held["groups"], held["rows"]
    else:
        found = gather(given.folder, given.jobs)
        if given.keep:
            np.savez(given.keep, groups=found[0], rows=found[1])
    study(*found)
