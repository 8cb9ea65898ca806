"""Where time goes: each room's share, and how time and memory grow. A script, no test.

    OMP_NUM_THREADS=1 python tests/studies/where_time_goes.py [shares] [pixels] [files] [processes]
        [--picture FILE] [--rounds N] [--largest MEGAPIXELS] [--files N]

``shares``: the share of every room, and of its files, in judging one picture and in an
archive's worker; and what the run around the workers takes. A room's time is that of its own
lines and of the libraries that they call. ``pixels``, ``files`` and ``processes``: one small
table each, what was measured beside its floors, and the exponent of its growth, the slope of
log on log by least squares: 0 is flat, 1 in proportion, more than 1 is what does not scale.

Times are of the processor, which other programs disturb less than the clock; but ratios and
exponents of one run are what to go by. Files are all in the system's cache: the floor "read"
is that of a disk which is no slower than memory; "disk" is the clock's, once the cache has let
go of the file. Needs a Unix, for its timer's signal.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from types import FrameType
from typing import TypeVar

import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast import judging  # noqa: E402
from autocast.archive.ledger import Ledger  # noqa: E402
from autocast.archive.rate import refresh  # noqa: E402
from autocast.archive.rows import Entry  # noqa: E402
from autocast.archive.run import Run  # noqa: E402
from autocast.archive.work import judged  # noqa: E402
from autocast.archive.workers import Processes  # noqa: E402
from autocast.modelstore import default_models  # noqa: E402
from autocast.picture import open_picture  # noqa: E402
from tests.archives import Threads, small  # noqa: E402
from tests.studies.benchmark import after_opening, picture, reduced  # noqa: E402
from tests.studies.benchmark_archive import as_of_now, used  # noqa: E402

PACKAGE = str(ROOT / "autocast") + os.sep
EVERY = 0.001
"""Seconds of processor time after which it is seen what runs."""
NAMED_FROM = 0.02
"""Share of the whole from which a file is named."""
MEGAPIXELS = (1, 3, 10, 30, 100, 300)
FILES = (100, 1_000, 10_000, 100_000)
T = TypeVar("T")
Columns = dict[str, list[float]]


# --- shares ----------------------------------------------------------------


@contextmanager
def seen(spent: dict[str, float]) -> Iterator[None]:
    """Within, processor time is added up by the file of autocast that spends it."""
    last = time.process_time()

    def look(_: int, frame: FrameType | None) -> None:
        # A signal is heard after the call that it interrupts: all time since belongs to that.
        nonlocal last
        now = time.process_time()
        while frame is not None and not frame.f_code.co_filename.startswith(PACKAGE):
            frame = frame.f_back
        if frame is not None:
            spent[frame.f_code.co_filename.removeprefix(PACKAGE)] += now - last
        last = now

    before = signal.signal(signal.SIGPROF, look)
    signal.setitimer(signal.ITIMER_PROF, EVERY, EVERY)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def most_first(spent: dict[str, float]) -> list[tuple[str, float]]:
    return sorted(spent.items(), key=lambda item: -item[1])


def shares(title: str, work: Callable[[], object], rounds: int) -> None:
    work()
    spent: dict[str, float] = defaultdict(float)
    with seen(spent):
        for _ in range(rounds):
            work()
    whole = sum(spent.values())
    rooms: dict[str, float] = defaultdict(float)
    for file, seconds in spent.items():
        rooms[file.partition(os.sep)[0].removesuffix(".py")] += seconds
    print(f"\n{title}: {1000 * whole / rounds:.0f} ms, of it")
    for room, seconds in most_first(rooms):
        files = [
            f"{Path(file).stem} {took / whole:.0%}"
            for file, took in most_first(spent)
            if file.startswith(room + os.sep) and took >= NAMED_FROM * whole
        ]
        print(f"  {room:<14} {seconds / whole:6.1%}   {', '.join(files)}")


def in_rooms(path: Path, rounds: int) -> None:
    models = default_models()
    entry = Entry(os.fsencode(path), None, None)
    shares("judging one picture", lambda: judging.judge(path), rounds)
    shares("a worker of an archive's run", lambda: judged(entry, models), rounds)
    with tempfile.TemporaryDirectory() as made:
        root = linked(Path(made), path, 4 * rounds)
        around, within = timed_run(root, Path(made) / "a.ledger", 1)
        print(f"\nthe run around its worker: {around / (around + within):.1%} of both")


# --- growth ----------------------------------------------------------------


def exponent(sizes: Sequence[float], values: Sequence[float]) -> float:
    """The slope of log on log, by least squares."""
    return float(np.polyfit(np.log(sizes), np.log(np.maximum(values, 1e-9)), 1)[0])


def table(title: str, what: str, sizes: Sequence[float], columns: Columns) -> None:
    def line(first: str, cells: Sequence[str]) -> None:
        print(f"  {first:<12}" + "".join(f"{cell:>14}" for cell in cells))

    print(f"\n{title}")
    line(what, list(columns))
    for k, size in enumerate(sizes):
        line(f"{size:,.0f}", [f"{column[k]:,.4g}" for column in columns.values()])
    if len(sizes) > 1:
        line("exponent", [f"{exponent(sizes, column):.2f}" for column in columns.values()])


def add(columns: Columns, row: dict[str, float]) -> None:
    for name, value in row.items():
        columns.setdefault(name, []).append(value)


def alone(work: Callable[..., T], *given: object) -> T:
    """What ``work`` gives in a process of its own, whose memory nothing else has used."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(work, *given).result()


def memory() -> float:
    """Most resident memory of this process so far, in MB."""
    status = Path("/proc/self/status")
    if status.exists():  # where ru_maxrss starts from that of the parent
        text = status.read_text(encoding="ascii")
        return int(text.partition("VmHWM:")[2].split()[0]) * 1024 / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def milliseconds(work: Callable[[], object], rounds: int) -> float:
    took = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return 1000 * median(took)


def from_disk(path: Path) -> float:
    """Milliseconds by the clock until a file that is not in the cache is read; NaN unknown."""
    if not hasattr(os, "posix_fadvise"):
        return float("nan")
    with path.open("rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        start = time.perf_counter()
        file.read()
        return 1000 * (time.perf_counter() - start)


def one_size(path: Path, rounds: int) -> dict[str, float]:
    """Of one picture, in ms and MB; memory first, before anything else has used any."""
    Image.MAX_IMAGE_PIXELS = None  # for the floor: autocast has a limit of its own
    default_models()
    judging.judge(path)
    most = memory()
    opened = open_picture(path)
    copied = np.zeros((opened.width // 8 + 1) * (opened.height // 8 + 1) * 3, dtype=np.uint8)
    return {
        "disk": median(from_disk(path) for _ in range(rounds)),
        "read": milliseconds(path.read_bytes, rounds),
        "copy": milliseconds(copied.copy, rounds),
        "decoder": milliseconds(lambda: reduced(path), rounds),
        "opening": milliseconds(lambda: open_picture(path), rounds),
        "the rest": milliseconds(lambda: after_opening(path, opened), rounds),
        "memory MB": most,
    }


def of_size(large: Path, megapixels: int, to: Path) -> None:
    """The large picture, cut or laid side by side to so many megapixels, 3 to 2."""
    height = round((megapixels * 1e6 / 1.5) ** 0.5)
    width = round(1.5 * height)
    Image.MAX_IMAGE_PIXELS = None
    with Image.open(large) as image:
        sheet = Image.new("RGB", (width, height))
        for top in range(0, height, image.height):
            for left in range(0, width, image.width):
                sheet.paste(image, (left, top))
    sheet.save(to, "JPEG", quality=92)


def over_pixels(large: Path, folder: Path, largest: int, rounds: int) -> None:
    columns: Columns = {}
    sizes = [size for size in MEGAPIXELS if size <= largest]
    for size in sizes:
        path = folder / f"{size}.jpg"
        alone(of_size, large, size, path)
        add(columns, alone(one_size, path, rounds))
        path.unlink()
    print("\nfloors: the file's bytes from disk (by the clock) and from the system's cache, pixels")
    print("at 1/8 copied, Pillow's reduced decoding")
    table("ms and MB by megapixels of a JPEG", "megapixels", sizes, columns)


def linked(folder: Path, picture_file: Path, count: int) -> Path:
    root = folder / f"archive_{count}"
    for k in range(count):
        place = root / f"box_{k // 500:03}"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"leaf_{k:06}.jpg").symlink_to(picture_file)
    return root


def walked(root: Path) -> int:
    """The floor of a pass: every entry of every folder, and its size."""
    return sum(
        os.stat(os.path.join(place, name)).st_size  # noqa: PTH116, PTH118 -- as bare as can be
        for place, _, names in os.walk(root)
        for name in names
    )


def so_many(folder: Path, count: int) -> dict[str, float]:
    """Seconds and MB of a run around its workers, whose judgements are invented."""
    store = folder / "store.jpg"
    Image.fromarray(small("flower")).save(store)
    root, ledger = linked(folder, store, count), folder / "a.ledger"
    models = default_models()

    def passed() -> None:
        with Ledger.write(ledger) as opened, Threads(as_of_now, window=200) as pool:
            Run(opened, pool).over([os.fsencode(root)])

    def refreshed() -> None:
        with Ledger.write(ledger) as opened:
            refresh(opened, models)

    seconds = {
        name: milliseconds(work, 1) / 1000
        for name, work in (
            ("bare walk", lambda: walked(root)),
            ("first pass", passed),
            ("rate, series", refreshed),
            ("next pass", passed),
        )
    }
    most = memory()
    shutil.rmtree(root)
    size = ledger.stat().st_size / 1e6
    ledger.unlink()
    return {**seconds, "memory MB": most, "ledger MB": size}


def over_files(folder: Path, most: int) -> None:
    columns: Columns = {}
    counts = [count for count in FILES if count <= most]
    for count in counts:
        add(columns, alone(so_many, folder, count))
    print("\nfloor: every entry walked, and its size asked; judgements are invented")
    table("s and MB by files of an archive", "files", counts, columns)


def timed_run(root: Path, ledger: Path, jobs: int) -> tuple[float, float]:
    """Processor seconds of a run itself and of its workers, those warm."""
    with Processes(default_models(), jobs) as pool:
        for _ in range(2):
            before, own = used(pool._pool), time.process_time()
            with Ledger.write(ledger) as opened:
                Run(opened, pool, again="all").over([os.fsencode(root)])
            around = time.process_time() - own
            within = used(pool._pool) - before - around
    return around, within


def resident(pool: ProcessPoolExecutor) -> float:
    """Resident memory of a pool's processes, in MB."""
    pages = (
        int(Path(f"/proc/{worker}/statm").read_text(encoding="ascii").split()[1])
        for worker in pool._processes or {}
    )
    return sum(pages) * os.sysconf("SC_PAGE_SIZE") / 1e6


def over_processes(large: Path, folder: Path, pictures: int) -> None:
    root = linked(folder, large, pictures)
    paths = sorted(root.rglob("*.jpg"))
    columns: Columns = {}
    counts = (1, 2)
    for jobs in counts:
        with ProcessPoolExecutor(jobs) as bare, Processes(default_models(), jobs) as pool:
            works = {
                "bare": partial(_bare, bare, paths),
                "run": partial(_run, pool, root, folder / f"{jobs}.ledger"),
            }
            took = {}
            for (name, work), workers in zip(works.items(), (bare, pool._pool), strict=True):
                work()
                start, before = time.perf_counter(), used(workers)
                work()
                took[f"{name} a s"] = pictures / (time.perf_counter() - start)
                took[f"{name} ms"] = 1000 * (used(workers) - before) / pictures
            add(columns, {**took, "workers MB": resident(pool._pool)})
    print("\nfloor: a pool that only decodes; a second is the clock's, so it is told only by a")
    print("machine that does nothing else; ms are the processors' for each picture")
    table("pictures of 24 Mpx by processes", "processes", counts, columns)


def _bare(pool: ProcessPoolExecutor, paths: list[Path]) -> None:
    list(pool.map(reduced, paths))


def _run(pool: Processes, root: Path, ledger: Path) -> None:
    with Ledger.write(ledger) as opened:
        Run(opened, pool, again="all").over([os.fsencode(root)])


def main() -> None:
    parts = ("shares", "pixels", "files", "processes")
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("parts", nargs="*", default=parts, metavar="PART", help=", ".join(parts))
    parser.add_argument("--picture", type=Path, help="whose shares are told; 24 Mpx unless given")
    parser.add_argument("--rounds", type=int, default=5, help="of which the median is told")
    parser.add_argument("--largest", type=int, default=MEGAPIXELS[-1], help="megapixels")
    parser.add_argument("--files", type=int, default=10_000, help="most files; also 100000")
    given = parser.parse_args()
    if unknown := set(given.parts) - set(parts):
        parser.error(f"{', '.join(sorted(unknown))}: give some of {', '.join(parts)}.")
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        large = folder / "large.jpg"
        picture(large)
        if "shares" in given.parts:
            in_rooms(given.picture or large, given.rounds)
        if "pixels" in given.parts:
            over_pixels(large, folder, given.largest, given.rounds)
        if "files" in given.parts:
            over_files(folder, given.files)
        if "processes" in given.parts:
            over_processes(large, folder, 8 * given.rounds)
    print(f"\nload {os.getloadavg()[0]:.1f} at the end")


if __name__ == "__main__":
    main()
