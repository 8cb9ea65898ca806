"""How fast an archive is judged, beside a loop that only decodes it. A script, no test.

    OMP_NUM_THREADS=1 python tests/studies/benchmark_archive.py [--rounds N] [--pictures N]

Ratios of times taken in turn within one run, as in ``tests/studies/benchmark.py``, of
the same 24-Mpx JPEG under many names. Floor: a pool of processes that only
decodes at reduced scale. Both pools are warm; the run writes its ledger. Then:
how fast a finished archive of 20 000 entries is walked again. Ratios of
processor time are printed as well, which other programs disturb less.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from statistics import median, quantiles

from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.archive.ledger import Ledger  # noqa: E402
from autocast.archive.rate import refresh  # noqa: E402
from autocast.archive.rows import Entry, Outcome  # noqa: E402
from autocast.archive.run import Run  # noqa: E402
from autocast.archive.workers import Processes  # noqa: E402
from autocast.modelstore import default_models  # noqa: E402
from tests import photographs, samples  # noqa: E402
from tests.archives import Threads, invented  # noqa: E402
from tests.studies.benchmark import interleaved, picture, process, reduced  # noqa: E402

ENTRIES = 20_000
Work = Callable[[], object]


def bare(pool: ProcessPoolExecutor, paths: list[Path]) -> Work:
    return lambda: list(pool.map(reduced, paths))


def run(root: Path, ledger: Path, pool: Processes) -> Work:
    def once() -> None:
        with Ledger.write(ledger) as opened:
            Run(opened, pool, again="all").over([os.fsencode(root)])

    return once


def used(pool: ProcessPoolExecutor) -> float:
    """Seconds of processor time that this process and the pool's have used so far."""
    total = time.process_time()
    for worker in list(pool._processes or {}):
        with contextlib.suppress(OSError):
            text = Path(f"/proc/{worker}/stat").read_text(encoding="utf-8")
            ticks = text.rpartition(")")[2].split()[11:13]
            total += sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")
    return total


def noted(pool: ProcessPoolExecutor, work: Work, into: list[float]) -> Work:
    """The same work, its processor time noted; not of the first call, which starts the pool."""

    def once() -> None:
        warm = bool(pool._processes)
        before = used(pool)
        work()
        if warm:
            into.append(used(pool) - before)

    return once


def as_of_now(entry: Entry) -> Outcome:
    """An invented judgement, said to be by the models that are there."""
    outcome = invented(entry)
    document = str(outcome.judgement).replace(samples.LIKELY.model, default_models().id)
    return replace(outcome, judgement=document)


def finished(folder: Path) -> tuple[Path, Path]:
    """An archive of many entries and its finished ledger, the judgements invented."""
    root, store = folder / "many", folder / "store.jpg"
    Image.fromarray(photographs.pixels("china")).save(store)
    for k in range(ENTRIES):
        place = root / f"box_{k // 500:03}"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"leaf_{k:06}.jpg").symlink_to(store)
    ledger = folder / "many.ledger"
    with Ledger.write(ledger) as opened, Threads(as_of_now, window=200) as pool:
        Run(opened, pool).over([os.fsencode(root)])
        refresh(opened, default_models())
    return root, ledger


def resume(root: Path, ledger: Path, into: list[float]) -> Work:
    def once() -> None:
        before = time.process_time()
        with Ledger.write(ledger) as opened, Threads() as pool:
            tally = Run(opened, pool).over([os.fsencode(root)])
        into.append(time.process_time() - before)
        if tally.unchanged != ENTRIES:
            raise SystemExit("A finished archive was not known again.")

    return once


def show(name: str, ratios: Sequence[float], target: str = "") -> None:
    low, _, high = quantiles(ratios, n=4)
    print(f"  {name:<52} {median(ratios):5.2f}  (quartiles {low:.2f}-{high:.2f}{target})")


def ratios(one: list[float], other: list[float]) -> list[float]:
    return [a / b for a, b in zip(one, other, strict=True)]


def pace(folder: Path, pictures: int, rounds: int) -> None:
    large, root = folder / "large.jpg", folder / "pictures"
    picture(large)
    root.mkdir()
    for k in range(pictures):
        (root / f"{k:03}.jpg").symlink_to(large)
    paths = sorted(root.iterdir())
    used_bare: list[float] = []
    used_run: list[float] = []
    alone, both = (Processes(default_models(), jobs) for jobs in (1, 2))
    with (
        ProcessPoolExecutor(1) as one,
        ProcessPoolExecutor(2) as two,
        alone,
        both,
    ):
        bare_1, bare_2, run_1, run_2 = interleaved(
            rounds,
            bare(one, paths),
            noted(two, bare(two, paths), used_bare),
            run(root, folder / "1.ledger", alone),
            noted(both._pool, run(root, folder / "2.ledger", both), used_run),
        )
    print(f"{pictures} pictures of 24 Mpx, {large.stat().st_size / 1e6:.1f} MB; a second")
    for name, times in (
        ("bare decoding, 1 process", bare_1),
        ("bare decoding, 2 processes", bare_2),
        ("presort, 1 process", run_1),
        ("presort, 2 processes", run_2),
    ):
        print(f"  {name:<52} {pictures / median(times):5.1f}")
    print("beside bare decoding (= 1)")
    show("pace in two processes", ratios(bare_2, run_2), "; at least 0.75")
    show("pace in two processes, by processor time", ratios(used_bare, used_run))
    show("pace in one process", ratios(bare_1, run_1))
    speed_ups = ratios(ratios(run_1, run_2), ratios(bare_1, bare_2))
    show("speed-up from one to two processes", speed_ups, "; at least 0.95")


def again(folder: Path, rounds: int) -> None:
    root, ledger = finished(folder)
    processor: list[float] = []
    command = ("-m", "autocast", "presort", str(root), "--into", str(ledger))
    walked, whole = interleaved(rounds, resume(root, ledger, processor), process(*command))
    print(f"a finished archive of {ENTRIES} entries walked again, entries a second")
    print(f"  {'the pass':<52} {ENTRIES / median(walked):5.0f}  (at least 5000)")
    print(f"  {'the pass, by processor time':<52} {ENTRIES / median(processor):5.0f}")
    print(f"  {'the command as a whole':<52} {ENTRIES / median(whole):5.0f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--rounds", type=int, default=5, help="measured rounds (at least 2)")
    parser.add_argument("--pictures", type=int, default=40, help="names of the large JPEG")
    given = parser.parse_args()
    rounds = max(2, given.rounds)
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as made:
        pace(Path(made), given.pictures, rounds)
        again(Path(made), rounds)
    print(f"load {os.getloadavg()[0]:.1f} at the end")


if __name__ == "__main__":
    main()
