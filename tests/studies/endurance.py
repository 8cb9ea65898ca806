"""What an archive run survives, and what it needs: too long for the tests. A script.

    python tests/studies/endurance.py kills [--times 20] [--entries 1500]
    python tests/studies/endurance.py memory [--entries 20000]

``kills``: a run is killed (kill -9), itself or one of its workers by turns, at
random moments; it is started again each time, and at the end its ledger must
equal that of an uninterrupted run, times aside. ``memory``: the memory of the
run and of its workers over an archive of many entries, which must stay flat.
The archive is made of links to a few hundred pictures, crops of photographs
that packages carry, and two files that are none.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[2]
REAL = 300


def make(root: Path, entries: int) -> None:
    """Crops of real photographs, and links to them in folders of 500."""
    from tests import photographs

    store = root.parent / "store"
    store.mkdir()
    rng = np.random.default_rng(0)
    files = []
    for k in range(REAL):
        pixels = photographs.pixels(list(photographs.FILES)[k % len(photographs.FILES)])
        side = int(rng.integers(60, 120))
        top = int(rng.integers(0, pixels.shape[0] - side))
        left = int(rng.integers(0, pixels.shape[1] - side))
        files.append(store / f"{k:03}.jpg")
        Image.fromarray(pixels[top : top + side, left : left + side]).save(files[-1], quality=90)
    (store / "empty.jpg").write_bytes(b"")
    (store / "cut.jpg").write_bytes(files[0].read_bytes()[:500])
    files += [store / "empty.jpg", store / "cut.jpg"]
    for k in range(entries):
        folder = root / f"box_{k // 500:03}"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"leaf_{k:06}.jpg").symlink_to(files[k % len(files)])


def start(root: Path, ledger: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "autocast", "presort", str(root), "--into", str(ledger)]
    return subprocess.Popen(
        [*command, "--jobs", "2"], cwd=ROOT, start_new_session=True, stdout=subprocess.DEVNULL
    )


def session(leader: int) -> dict[int, tuple[int, int]]:
    """Process -> (parent, resident bytes) of all processes of a session that live."""
    found = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, IndexError):
            fields = path.read_text(encoding="utf-8").rpartition(")")[2].split()
            if int(fields[3]) == leader and fields[0] != "Z":
                size = int(fields[21]) * os.sysconf("SC_PAGE_SIZE")
                found[int(path.parent.name)] = (int(fields[1]), size)
    return found


def workers(leader: int) -> list[int]:
    """The processes that judge: children of the one that forks them."""
    living = session(leader)
    servers = {parent for parent, _ in living.values()} - {leader}
    return [process for process, (parent, _) in living.items() if parent in servers & set(living)]


def kept(ledger: Path) -> int:
    try:
        with contextlib.closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as plain:
            return int(plain.execute("SELECT count(*) FROM pictures").fetchone()[0])
    except sqlite3.Error:
        return 0


def contents(ledger: Path) -> list[tuple[object, ...]]:
    """All rows and judgements, by path, times and numbers aside."""
    with contextlib.closing(sqlite3.connect(ledger)) as plain:
        plain.row_factory = sqlite3.Row
        query = (
            "SELECT o.*, j.json FROM overview o LEFT JOIN judgements j ON j.picture = o.id "
            "ORDER BY path"
        )
        left_out = {"id", "at", "series", "lead"}
        return [
            tuple(row[name] for name in row.keys() if name not in left_out)  # noqa: SIM118 -- a Row iterates values
            for row in plain.execute(query)
        ]


def kills(folder: Path, times: int, entries: int) -> int:
    root = folder / "archive"
    make(root, entries)
    whole, killed = folder / "whole.ledger", folder / "killed.ledger"
    started = time.monotonic()
    if start(root, whole).wait() != 0:
        raise SystemExit("The uninterrupted run failed.")
    took = time.monotonic() - started
    print(f"uninterrupted: {kept(whole)} rows in {took:.0f} s")
    rng = random.Random(1)  # noqa: S311 -- moments, no secrets
    runs = leftovers = 0
    done = {"run": 0, "worker": 0}
    process: subprocess.Popen[bytes] | None = None
    while done["run"] + done["worker"] < times:
        if process is None or process.poll() is not None:
            if process is not None and kept(killed) >= entries:
                for end in ("", "-wal", "-shm"):  # it came to its end: another round from nothing
                    Path(f"{killed}{end}").unlink(missing_ok=True)
            process = start(root, killed)
            runs += 1
        time.sleep(rng.uniform(0.2, max(1.0, 3 * took / times)))
        if process.poll() is not None:
            continue
        what = "run" if (done["run"] + done["worker"]) % 2 else "worker"
        targets = [process.pid] if what == "run" else workers(process.pid)
        if not targets:
            continue
        os.kill(rng.choice(targets), signal.SIGKILL)
        done[what] += 1
        print(f"killed a {what:<6} at {kept(killed):5d} rows")
        if what == "run":
            process.wait()
            time.sleep(2)
            leftovers += len(session(process.pid))
            process = None
    if process is not None:
        process.wait()
    start(root, killed).wait()
    same = contents(whole) == contents(killed)
    print(
        f"{done['run']} runs and {done['worker']} workers killed in {runs} runs; "
        f"processes left behind: {leftovers}; "
        f"{kept(killed)} rows, {'equal' if same else 'NOT EQUAL'} to the uninterrupted ledger"
    )
    return 0 if same and not leftovers else 1


def memory(folder: Path, entries: int) -> int:
    root, ledger = folder / "archive", folder / "a.ledger"
    make(root, entries)
    started = time.monotonic()
    process = start(root, ledger)
    samples: list[tuple[int, float, float]] = []
    shares = [0.02, 0.05, 0.1, 0.25, 0.5, 0.75, 0.95]
    print("   rows   run, MB   largest worker, MB")
    while process.poll() is None:
        time.sleep(1)
        living = session(process.pid)
        own = living.pop(process.pid, (0, 0))[1] / 1e6
        others = [size / 1e6 for _, size in living.values()]
        if not own or not others:
            continue
        samples.append((kept(ledger), own, max(others)))
        if shares and samples[-1][0] >= shares[0] * entries:
            shares.pop(0)
            print("{:7d} {:9.1f} {:20.1f}".format(*samples[-1]), flush=True)
    took = time.monotonic() - started
    print(f"{kept(ledger)} entries in {took:.0f} s ({kept(ledger) / took:.0f} a second)")
    first = next(s for s in samples if s[0] >= 0.1 * entries)
    last = [s for s in samples if s[0] < entries][-1]
    print(f"growth from a tenth to the end: run {last[1] - first[1]:+.1f} MB, ", end="")
    print(f"worker {last[2] - first[2]:+.1f} MB; most {max(s[1] for s in samples):.1f} MB")
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("what", choices=("kills", "memory"))
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--entries", type=int)
    given = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    if hasattr(os, "getloadavg"):
        print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        if given.what == "kills":
            return kills(folder, given.times, given.entries or 1500)
        return memory(folder, given.entries or 20_000)


if __name__ == "__main__":
    raise SystemExit(main())
