"""How fast an archive is judged, beside a loop that only decodes it. A script, no test.

    OMP_NUM_THREADS=1 python tests/benchmark_archive.py [--rounds N] [--pictures N]

Ratios of times taken in turn within one run, as in ``tests/benchmark.py``, of
the same 24-Mpx JPEG under many names. Floor: a pool of processes that only
decodes at reduced scale. Both pools are warm; the run writes its ledger. Then:
how fast a finished archive of 20 000 entries is walked again.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from statistics import median, quantiles

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from tests.benchmark import interleaved, picture, process, reduced  # noqa: E402

ENTRIES = 20_000


def bare(pool: ProcessPoolExecutor, paths: list[Path]) -> Callable[[], object]:
    return lambda: list(pool.map(reduced, paths))


def run(root: Path, ledger: Path, jobs: int, warm: list[object]) -> Callable[[], object]:
    from autocast.archive.crews import Processes
    from autocast.archive.ledger import Ledger
    from autocast.archive.run import Run

    crew = Processes(jobs)
    warm.append(crew)

    def once() -> None:
        with Ledger.write(ledger) as opened:
            Run(opened, crew, again="all").over([os.fsencode(root)])

    return once


def finished(folder: Path) -> tuple[Path, Path]:
    """An archive of many entries and its finished ledger, the judgements invented."""
    from PIL import Image

    from autocast.archive.crews import at_work
    from autocast.archive.ledger import Ledger
    from autocast.archive.order import settle
    from autocast.archive.run import Run
    from tests import photographs
    from tests.archives import Threads

    root, store = folder / "many", folder / "store.jpg"
    Image.fromarray(photographs.pixels("china")).save(store)
    for k in range(ENTRIES):
        place = root / f"box_{k // 500:03}"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"leaf_{k:06}.jpg").symlink_to(store)
    ledger = folder / "many.ledger"
    with Ledger.write(ledger) as opened, at_work(Threads(window=200)) as crew:
        Run(opened, crew).over([os.fsencode(root)])
        settle(opened)
    return root, ledger


def told(name: str, ratios: list[float], target: str) -> None:
    low, _, high = quantiles(ratios, n=4)
    print(f"{name:<58} {median(ratios):6.2f}  (quartiles {low:.2f}-{high:.2f}; {target})")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--rounds", type=int, default=5, help="measured rounds (at least 2)")
    parser.add_argument("--pictures", type=int, default=40, help="names of the large JPEG")
    given = parser.parse_args()
    rounds = max(2, given.rounds)
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        large = folder / "large.jpg"
        picture(large)
        root = folder / "pictures"
        root.mkdir()
        for k in range(given.pictures):
            (root / f"{k:03}.jpg").symlink_to(large)
        paths = sorted(root.iterdir())
        crews: list[object] = []
        with ProcessPoolExecutor(1) as one, ProcessPoolExecutor(2) as two:
            bare_1, bare_2, run_1, run_2 = interleaved(
                rounds,
                bare(one, paths),
                bare(two, paths),
                run(root, folder / "1.ledger", 1, crews),
                run(root, folder / "2.ledger", 2, crews),
            )
        for crew in crews:
            crew.close()  # type: ignore[attr-defined]
        print(
            f"{given.pictures} pictures of 24 Mpx, {large.stat().st_size / 1e6:.1f} MB; a second:"
        )
        for name, times in (
            ("  bare decoding, 1 process", bare_1),
            ("  bare decoding, 2 processes", bare_2),
            ("  presort, 1 process", run_1),
            ("  presort, 2 processes", run_2),
        ):
            print(f"{name:<34} {given.pictures / median(times):7.1f}")
        pairs = list(zip(bare_1, bare_2, run_1, run_2, strict=True))
        told(
            "presort's pace in two processes, bare = 1",
            [b2 / r2 for _, b2, _, r2 in pairs],
            "at least 0.45",
        )
        told("presort's pace in one process, bare = 1", [b1 / r1 for b1, _, r1, _ in pairs], "told")
        told(
            "speed-up from 1 to 2 processes, bare's = 1",
            [(r1 / r2) / (b1 / b2) for b1, b2, r1, r2 in pairs],
            "at least 0.95",
        )
        many, ledger = finished(folder)
        (again, command) = interleaved(
            rounds,
            resume(many, ledger),
            process("-m", "autocast", "presort", str(many), "--into", str(ledger)),
        )
        print(f"\nwalking a finished archive of {ENTRIES} entries again, entries a second")
        print(f"  the pass itself         {ENTRIES / median(again):8.0f}  (at least 5000)")
        print(f"  the command, as a whole {ENTRIES / median(command):8.0f}")
    print(f"load {os.getloadavg()[0]:.1f}, {time.strftime('%H:%M')}")


def resume(root: Path, ledger: Path) -> Callable[[], object]:
    from autocast.archive.ledger import Ledger
    from autocast.archive.run import Run
    from tests.archives import Threads

    def once() -> None:
        crew = Threads()
        with Ledger.write(ledger) as opened:
            tally = Run(opened, crew).over([os.fsencode(root)])
        crew.close()
        assert tally.unchanged == ENTRIES

    return once


if __name__ == "__main__":
    main()
