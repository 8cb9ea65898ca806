"""Threads, forks and signals in the middle of the work. A script, no test.

    python tests/studies/disturbing.py [--only PART] [--times N] [--seed N]

``threads``: small files of every format go through ``judge``, ``measure`` and ``correct``, one
at a time and then from eight threads at once; the answers must be equal. ``forks``: pools of
processes of every start method must give the same, and a process that is forked at random
moments while other threads judge must judge, too, within a deadline, and have its standard
error. ``alarms``: a signal's handler raises at random moments in the middle of a call; the next
call must be as ever, with no file, descriptor or thread left over, and standard error as it was.
``signals``: the commands get SIGINT, SIGTERM, SIGHUP, SIGPIPE or SIGALRM at a random moment, or
lose the reader of their output; counted are exit codes, tracebacks and what was left.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import contextlib
import hashlib
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from random import Random

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import autocast  # noqa: E402
from autocast.errors import AutocastError  # noqa: E402
from tests.studies import mutants  # noqa: E402

THREADS = 8
START = multiprocessing.get_all_start_methods()
DEADLINE = 60.0
"""Seconds after which a process counts as stuck."""
ENDS = {
    signal.SIGINT: 130,
    signal.SIGTERM: 143,
    signal.SIGHUP: 129,
    signal.SIGALRM: -signal.SIGALRM,
}
"""Exit codes as shells count them; nothing asks to end by SIGALRM, which is left to the system."""


class Rang(Exception):
    """What the handler of an alarm raises."""


def files(folder: Path) -> list[Path]:
    """A small file of each format, and some larger ones."""
    out = []
    for name, data in mutants.seeds().items():
        out.append(folder / f"{name}.{name.partition('-')[0]}")
        out[-1].write_bytes(data)
    for suffix in ("jpg", "png", "tif"):
        out.append(folder / f"larger.{suffix}")
        mutants.scene().resize((900, 600)).save(out[-1])
    return out


def answer(path: Path) -> str:
    """What the three calls say of a file, and the bytes of the copy."""
    out = []
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        copy = Path(folder, path.name)
        calls: list[Callable[[], object]] = [
            lambda: autocast.judge(path).to_json(),
            lambda: autocast.measure(path),
            lambda: autocast.correct(path, copy, best_guess=True, force=True).why,
        ]
        for call in calls:
            try:
                out.append(repr(call()).replace(folder, ""))
            except AutocastError as error:
                out.append(str(error).replace(folder, ""))
        if copy.exists():
            out.append(hashlib.sha256(copy.read_bytes()).hexdigest())
    return "\n".join(out)


def threads(folder: Path, _: int, __: Random, count: Counter[str]) -> None:
    """From many threads at once."""
    paths = files(folder)
    alone = [answer(path) for path in paths]
    with ThreadPoolExecutor(THREADS) as pool:
        for path, once, now in zip(paths * 3, alone * 3, pool.map(answer, paths * 3), strict=True):
            count["answers from threads"] += 1
            if once != now:
                count["another answer from a thread"] += 1
                print(f"another answer: {path.name}\n{once[:600]}\n{now[:600]}")


@contextlib.contextmanager
def at_work(paths: list[Path], number: int) -> Iterator[None]:
    """Other threads that judge all the time."""
    over = threading.Event()

    def work(first: int) -> None:
        while not over.is_set():
            for path in paths[first:] + paths[:first]:
                with contextlib.suppress(AutocastError):
                    autocast.judge(path)
                if over.is_set():
                    break

    busy = [threading.Thread(target=work, args=(7 * k,)) for k in range(number)]
    for each in busy:
        each.start()
    try:
        yield
    finally:
        over.set()
        for each in busy:
            each.join()


def child(path: Path, wanted: str, inode: int) -> int:
    """What a forked process does: 0 where all is as it should be."""
    if os.fstat(2).st_ino != inode:
        return 3
    try:
        return 0 if autocast.judge(path).to_json() == wanted else 4
    except AutocastError as error:
        return 0 if str(error) == wanted else 4


def forks(folder: Path, times: int, rng: Random, count: Counter[str]) -> None:
    """Pools of every start method; and forks while other threads judge."""
    paths = files(folder)
    few = paths[:: len(START)]
    alone = [answer(path) for path in few]
    for method in START:
        with ProcessPoolExecutor(2, multiprocessing.get_context(method)) as pool:
            for once, now in zip(alone, pool.map(answer, few, timeout=600), strict=True):
                count[f"answers from {method}"] += 1
                count[f"another answer from {method}"] += once != now
    said = {}
    for path in paths:
        try:
            said[path] = autocast.judge(path).to_json()
        except AutocastError as error:
            said[path] = str(error)
    inode = os.fstat(2).st_ino
    with at_work(paths, 2):
        for _ in range(times):
            time.sleep(rng.uniform(0, 0.02))
            path = rng.choice(paths)
            number = os.fork()
            if number == 0:
                os._exit(child(path, said[path], inode))
            count[f"forked: {_ended(number)}"] += 1


def _ended(number: int) -> str:
    """How a process ended; one that is stuck is killed."""
    until = time.monotonic() + DEADLINE
    while time.monotonic() < until:
        done, status = os.waitpid(number, os.WNOHANG)
        if done:
            code = os.waitstatus_to_exitcode(status)
            return {0: "well", 3: "another standard error", 4: "another answer"}.get(
                code, f"exit code {code}"
            )
        time.sleep(0.005)
    os.kill(number, signal.SIGKILL)
    os.waitpid(number, 0)
    return "stuck"


def alarms(folder: Path, times: int, rng: Random, count: Counter[str]) -> None:
    """A handler that raises in the middle of a call."""
    paths = [path for path in files(folder) if "larger" in path.name or path.suffix == ".tif"]

    def rang(*_: object) -> None:
        raise Rang

    def written(path: Path) -> object:
        copy = folder / f"copy{path.suffix}"
        return autocast.correct(path, copy, best_guess=True, force=True)

    calls: list[Callable[[Path], object]] = [autocast.judge, autocast.measure, written]

    signal.signal(signal.SIGALRM, rang)
    answer(paths[0])
    alone, took = {}, {}
    for path in paths:
        started = time.monotonic()
        alone[path] = answer(path)
        took[path] = time.monotonic() - started
    kept, inode = _open(), os.fstat(2).st_ino
    before = threading.active_count()
    for _ in range(times):
        path = rng.choice(paths)
        signal.setitimer(signal.ITIMER_REAL, rng.uniform(1e-4, 0.5 * took[path]))
        try:
            calls[rng.randrange(3)](path)
            count["calls that were sooner"] += 1
        except Rang:
            count["calls in whose middle it rang"] += 1
        except AutocastError as error:
            count["calls that turned it into a sentence"] += 1
            print(f"a sentence: {error}")
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
        for left in folder.glob(".*"):
            count["files left over"] += 1
            left.unlink()
        if os.fstat(2).st_ino != inode:
            count["standard error is another"] += 1
            return
    for path in paths:
        count["another answer after alarms"] += answer(path) != alone[path]
    count["descriptors left open"] += len(_open() - kept)
    count["threads left"] += threading.active_count() - before


def _open() -> set[str]:
    return {path.name for path in Path("/proc/self/fd").iterdir()}


def signals(folder: Path, times: int, rng: Random, count: Counter[str]) -> None:
    """Commands that get a signal, or lose their reader."""
    path = next(path for path in files(folder) if path.name == "larger.tif")
    out = folder / "out"
    out.mkdir()
    given = {
        "judge": ["judge", *[str(path)] * 5],
        "measure": ["measure", str(path)],
        "correct": ["correct", str(path), "--best-guess", "--force", "--to", str(out / "copy.tif")],
    }
    for _ in range(times):
        name = rng.choice(sorted(given))
        sign = rng.choice([*ENDS, signal.SIGPIPE, None])
        process = subprocess.Popen(
            [sys.executable, "-m", "autocast", *given[name]],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert process.stdout is not None
        time.sleep(rng.uniform(0.3, 2.0))
        if sign is None:
            process.stdout.close()
            process.stdout = None
        else:
            process.send_signal(sign)
        _, said = process.communicate(timeout=DEADLINE)
        what = "no reader" if sign is None else sign.name
        wanted = {0, 1} if sign is None else {0, ENDS.get(sign, 0)}
        count[f"{what}: exit code {process.returncode}"] += 1
        if process.returncode not in wanted and not (
            sign is not None and process.returncode == -sign
        ):
            count["another exit code"] += 1
        if b"Traceback" in said:
            count["tracebacks"] += 1
            print(f"{name}, {what}: {said.decode()[-700:]}")
        elif said:
            count["words beside"] += 1
            print(f"{name}, {what}: {said.decode()[-300:]}")
        left = [p for p in out.iterdir() if p.name.startswith(".")]
        count[f"{what}: files of passage"] += len(left)
        for each in left:
            each.unlink()


PARTS = {"threads": threads, "forks": forks, "alarms": alarms, "signals": signals}


def main() -> None:
    """Read the options, run, and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", choices=sorted(PARTS))
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for name, part in PARTS.items():
        if given.only not in (None, name):
            continue
        started, count = time.monotonic(), Counter[str]()
        with tempfile.TemporaryDirectory() as folder:
            part(Path(folder), given.times, Random(f"{given.seed}"), count)  # noqa: S311 -- moments
        print(f"{name}, {time.monotonic() - started:.0f} s")
        for what, number in sorted(count.items()):
            print(f"{number:>8}  {what}")


if __name__ == "__main__":
    main()
