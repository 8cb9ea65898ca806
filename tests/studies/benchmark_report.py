"""How long a report takes beside the small copies it cannot do without. A script, no test.

    OMP_NUM_THREADS=1 python tests/studies/benchmark_report.py [--entries 1000 10000] [--rounds N]

The archive is made of links to crops of photographs that packages carry, 600 pixels
wide, some under a known cast. Each file is judged once, really; the ledger says the
same of all links to it, so that cards are as long as those of an archive. The floor
is a bare loop in one process: decode at reduced scale, scale to the size of a small
copy, encode, write. What is printed are ratios of seconds, and of processor seconds,
which a busy machine disturbs less; and the exponent by which both grow with the
number of pictures.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import cProfile
import hashlib
import io
import math
import os
import pstats
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

REAL = 36
SIZE = (600, 400)
CASTS = ((0.0, 0.0), (0.0, 0.0), (-3.0, -18.0), (4.0, 14.0))
"""Casts laid by turns, a*, b* at L* 60."""


def make(folder: Path, entries: int) -> Path:
    """An archive of links in folders of 200, and a ledger that says what was judged of each."""
    from autocast import judging
    from autocast.archive.ledger import Ledger, now
    from autocast.archive.rows import Entry, Outcome
    from autocast.colour import cast_to_gains, linear_to_srgb, srgb_to_linear
    from tests import photographs

    rng = np.random.default_rng(0)
    store = []
    for k in range(REAL):
        pixels = photographs.pixels(list(photographs.FILES)[k % len(photographs.FILES)])
        image = Image.fromarray(pixels)
        left, top = (int(rng.integers(0, side // 4)) for side in image.size)
        image = image.resize(SIZE, box=(left, top, left + 300, top + 200))
        light = srgb_to_linear(np.asarray(image) / 255) * cast_to_gains(np.array(CASTS[k % 4]))
        codes = np.rint(np.clip(linear_to_srgb(light), 0, 1) * 255).astype(np.uint8)
        path = folder / f"real-{k}.jpg"
        Image.fromarray(codes).save(path, quality=92)
        store.append((path, judging.judge(path)))
    outcomes = []
    for k in range(entries):
        path, judgement = store[k % REAL]
        box = folder / "archive" / f"box_{k // 200:03}"
        box.mkdir(parents=True, exist_ok=True)
        link = box / f"leaf_{k:06}.jpg"
        link.hardlink_to(path)
        stat = link.stat()
        entry = Entry(os.fsencode(link), stat.st_size, stat.st_mtime_ns)
        content = hashlib.sha256(str(k).encode()).hexdigest()  # as if no two were alike
        said = replace(judgement, name=str(link)).to_json()
        outcomes.append(Outcome(entry, now(), content, said))
    with Ledger.write(folder / "archive.ledger") as ledger:
        for first in range(0, entries, 1000):
            ledger.record(outcomes[first : first + 1000])
    return folder / "archive.ledger"


def bare(folder: Path, to: Path) -> None:
    """The floor: small copies, and nothing else."""
    to.mkdir()
    for k, path in enumerate(sorted((folder / "archive").glob("*/*.jpg"))):
        with Image.open(path) as image:
            image.draft("RGB", (320, 320))
            image.thumbnail((320, 320))
            out = io.BytesIO()
            image.save(out, "JPEG", quality=82, subsampling=0)
        (to / f"{k}.jpg").write_bytes(out.getvalue())


def reported(ledger: Path, to: Path) -> None:
    from autocast.archive.ledger import Ledger
    from autocast.report.pages import write

    with Ledger.read(ledger) as opened:
        write(opened, to)


def used() -> float:
    """Processor seconds of this process, of children, and of those that these waited for."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    ticks = 0
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = place.read_bytes().rpartition(b")")[2].split()
        except OSError:  # it ended meanwhile
            continue
        if int(fields[1]) == os.getpid():  # what starts the workers is one
            ticks += sum(map(int, fields[11:15]))
    seconds = ticks / os.sysconf("SC_CLK_TCK")
    return time.process_time() + ended.ru_utime + ended.ru_stime + seconds


def timed(work: Callable[[], None]) -> tuple[float, float]:
    """Seconds, and processor seconds."""
    start, before = time.perf_counter(), used()
    work()
    return time.perf_counter() - start, used() - before


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--entries", type=int, nargs="+", default=[1000, 10000])
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--profile", action="store_true", help="say where the time goes instead")
    wanted = parser.parse_args()
    if hasattr(os, "getloadavg"):
        print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    took: dict[int, list[tuple[float, float]]] = {}
    for entries in wanted.entries:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            ledger = make(folder, entries)
            if wanted.profile:
                profile = cProfile.Profile()
                profile.runcall(reported, ledger, folder / "report")
                pstats.Stats(profile).sort_stats("tottime").print_stats(35)
                continue
            turns = [
                (
                    timed(lambda: bare(folder, folder / f"small-{turn}")),  # noqa: B023
                    timed(lambda: reported(ledger, folder / f"report-{turn}")),  # noqa: B023
                    timed(lambda: reported(ledger, folder / f"report-{turn}")),  # noqa: B023
                )
                for turn in range(wanted.rounds)
            ]
            print(f"{entries} pictures, ledger of {ledger.stat().st_size / entries:.0f} bytes each")
            names = ("a bare loop of small copies", "the report", "the report again")
            floor = [median(values) for values in zip(*(t[0] for t in turns), strict=True)]
            for k, what in enumerate(names):
                middle = [median(values) for values in zip(*(t[k] for t in turns), strict=True)]
                took.setdefault(k, []).append((middle[0], middle[1]))
                print(
                    f"  {what:<28} {middle[0]:7.2f} s {middle[0] / floor[0]:6.2f} x   processor "
                    f"{middle[1]:7.2f} s {middle[1] / floor[1]:6.2f} x   "
                    f"{1000 * middle[1] / entries:.2f} ms a picture"
                )
    for k, found in took.items():
        if len(found) > 1:
            grown = math.log(found[-1][1] / found[0][1])
            exponent = grown / math.log(wanted.entries[-1] / wanted.entries[0])
            print(f"exponent of {('the bare loop', 'the report', 'again')[k]}: {exponent:.2f}")


if __name__ == "__main__":
    main()
