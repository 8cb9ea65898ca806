"""Commands that are killed at random moments, a great many times. A script, no test.

    python tests/studies/killing.py [--times N] [--seed N] [--lanes N] [--only COMMAND]

Each time one of ``presort``, ``correct``, ``sidecars``, ``report`` and ``export`` is begun on a
small archive and gets a signal at a random moment: the command itself or, of ``presort``, one
of its workers. Then it is looked at what is left: rows lost or doubled, changed originals, half
files, processes that live on, tracebacks, and files of passage. At last it is run to its end,
which must give what an undisturbed run gives.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import contextlib
import hashlib
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from xml.etree import ElementTree as ET

import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.studies import mutants  # noqa: E402
from tests.studies.endurance import contents, session, workers  # noqa: E402

PICTURES = 12
SIGNALS = (signal.SIGKILL, signal.SIGKILL, signal.SIGTERM, signal.SIGHUP, signal.SIGINT)
GONE_WITHIN = 10.0
"""Seconds within which all processes of a killed command must have ended."""
_TIME = re.compile(rb"\d{4}-\d\d-\d\dT[\d:.]+")
COMMANDS = ("presort", "correct", "sidecars", "report", "export")


def archive(root: Path) -> None:
    """A dozen small pictures that differ."""
    codes = np.asarray(mutants.scene().resize((288, 192)), np.int16)
    for k in range(PICTURES):
        folder = root / f"box {k % 3}"
        folder.mkdir(parents=True, exist_ok=True)
        moved = np.clip(codes + np.array([6 * k - 30, 0, 20 - 4 * k]), 0, 255).astype(np.uint8)
        Image.fromarray(moved).save(folder / f"mole {k}.jpg", quality=90)


def digest(root: Path) -> dict[str, str]:
    """Every picture's SHA-256."""
    return {
        str(p.relative_to(root)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(root.rglob("*.jpg"))
    }


@dataclass
class Lane:
    """A place of its own to run in, with what undisturbed runs give and take."""

    base: Path
    env: dict[str, str]
    took: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.root, self.ledger = self.base / "archive", self.base / "a.ledger"
        archive(self.root)
        self.originals = digest(self.root)
        for name in COMMANDS:
            started = time.monotonic()
            process = self.start(name)
            _, said = process.communicate()
            if process.returncode not in (0, 4):
                raise SystemExit(f"The undisturbed {name} failed: {said.decode()}")
            self.took[name] = time.monotonic() - started
            if name == "presort":
                self.rows = contents(self.ledger)
        self.sidecars = self.all_sidecars()

    def start(self, name: str) -> subprocess.Popen[bytes]:
        """Begin a command, in a session of its own."""
        first = str(self.root / "box 0" / "mole 0.jpg")
        out, ledger = self.base / "out", str(self.ledger)
        out.mkdir(exist_ok=True)
        given = {
            "presort": [str(self.root), "--into", ledger, "--jobs", "2"],
            "correct": [first, "--to", str(out / "copy.jpg"), "--best-guess", "--force"],
            "sidecars": [ledger, "--subjects"],
            "report": [ledger, "--to", str(out / "report")],
            "export": [ledger, "--to", str(out / "table.csv"), "--force"],
        }[name]
        return subprocess.Popen(
            [sys.executable, "-m", "autocast", name, *given],
            env=self.env,
            start_new_session=True,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )

    def all_sidecars(self) -> dict[str, list[bytes]]:
        """The XMP beside the pictures, times and the order of its parts aside."""
        return {
            p.name: sorted(_TIME.sub(b"", p.read_bytes()).split(b"<"))
            for p in self.root.rglob("*.xmp")
        }

    def clear(self, name: str) -> None:
        """Take away what the command is to make."""
        shutil.rmtree(self.base / "out", ignore_errors=True)
        if name == "presort":
            for path in self.base.glob("a.ledger*"):
                path.unlink()
        if name == "sidecars":
            for path in self.root.rglob("*.xmp"):
                path.unlink()

    def passing(self) -> set[Path]:
        """Files that no command means to leave."""
        return {p for p in self.base.rglob(".*") if p.is_file()}


@dataclass
class Count:
    """What was found, from all lanes."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    found: Counter[str] = field(default_factory=Counter)

    def add(self, what: str, detail: str = "") -> None:
        """One more; the first few of each are told."""
        with self.lock:
            self.found[what] += 1
            if detail and self.found[what] <= 4:
                print(f"{what}: {detail[-1200:]}", flush=True)


def stop(lane: Lane, name: str, rng: Random, count: Count) -> signal.Signals:
    """Begin a command and send it, or one of its workers, a signal at a random moment."""
    process = lane.start(name)
    sign = rng.choice(SIGNALS)
    time.sleep(rng.uniform(0.0, 1.1 * lane.took[name]))
    struck = process.pid
    if name == "presort" and rng.random() < 0.4:
        sign = signal.SIGKILL
        struck = rng.choice(workers(process.pid) or [process.pid])
    with contextlib.suppress(ProcessLookupError):
        os.kill(struck, sign)
    try:
        _, said = process.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        count.add("did not end", f"{name}, {sign.name}")
        os.killpg(process.pid, signal.SIGKILL)
        _, said = process.communicate()
    if b"Traceback" in said:
        count.add("traceback", f"{name}, {sign.name}: {said.decode(errors='replace')}")
    deadline = time.monotonic() + GONE_WITHIN
    while session(process.pid) and time.monotonic() < deadline:
        time.sleep(0.1)
    if session(process.pid):
        count.add("processes live on", f"{name}, {sign.name}: {session(process.pid)}")
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    count.add(f"{name}: {'a worker' if struck != process.pid else sign.name}")
    return sign


def judged(ledger: Path) -> set[tuple[object, ...]]:
    """What was said of each picture by itself: what joins them may still change."""
    try:
        with contextlib.closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as plain:
            return set(
                plain.execute(
                    "SELECT path, hash, verdict, json FROM pictures "
                    "LEFT JOIN judgements ON picture = id"
                )
            )
    except sqlite3.Error:
        return set()


def rows_of(ledger: Path) -> list[tuple[object, ...]]:
    """All that a ledger holds; nothing where there is none yet."""
    try:
        with contextlib.closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as plain:
            if plain.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                return [("broken",)]
        return contents(ledger)
    except sqlite3.Error:
        return []


def whole(lane: Lane, name: str) -> str:
    """What is half, or '' where everything that is there is whole."""
    out = lane.base / "out"
    copy, table = out / "copy.jpg", out / "table.csv"
    if copy.exists():
        try:
            with Image.open(copy) as image:
                image.load()
        except OSError as error:
            return f"copy.jpg: {error}"
    if name == "export" and table.exists():
        lines = table.read_text(encoding="utf-8-sig").splitlines()
        if len(lines) != PICTURES + 1:
            return f"table.csv has {len(lines)} lines"
    for path in lane.root.rglob("*.xmp"):
        try:
            ET.fromstring(path.read_bytes())  # noqa: S314 -- our own
        except ET.ParseError as error:
            return f"{path.name}: {error}"
    for path in out.rglob("*.html"):
        if not path.read_text(encoding="utf-8").rstrip().endswith(("</html>", ">")):
            return path.name
    return ""


def trial(lane: Lane, name: str, rng: Random, count: Count) -> None:
    """Kill a command some times, then let it end, and look at what is there."""
    lane.clear(name)
    before: set[tuple[object, ...]] = set()
    for _ in range(rng.randint(1, 3)):
        sign = stop(lane, name, rng, count)
        after_kill(lane, name, sign, count)
        if name == "presort":
            now = judged(lane.ledger)
            if len({row[0] for row in now}) != len(now):
                count.add("doubled rows", str(now))
            if not before <= now:
                count.add("lost rows", f"{len(before)} before, {len(now)} after")
            before = now
    process = lane.start(name)
    _, said = process.communicate()
    if process.returncode not in (0, 4):
        count.add("did not end well at last", f"{name}: {said.decode(errors='replace')}")
    if rows_of(lane.ledger) != lane.rows:
        count.add("another ledger than undisturbed", name)
    if name == "sidecars" and lane.all_sidecars() != lane.sidecars:
        count.add("other sidecars than undisturbed", name)


def after_kill(lane: Lane, name: str, sign: signal.Signals, count: Count) -> None:
    """What a killed command may not leave."""
    if digest(lane.root) != lane.originals:
        count.add("changed originals", name)
    if half := whole(lane, name):
        count.add("half file", f"{name}, {sign.name}: {half}")
    if left := lane.passing():
        if sign is signal.SIGKILL:
            count.add("files of passage after kill -9")
        else:
            count.add("files of passage after a signal that asks", f"{name}, {sign.name}: {left}")
        for path in left:  # else they would be counted after the next signal, too
            path.unlink()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lanes", type=int, default=1)
    parser.add_argument("--only", choices=COMMANDS)
    given = parser.parse_args()
    env = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    count = Count()
    started = time.monotonic()

    def work(number: int) -> None:
        rng = Random(f"{given.seed}:{number}")  # noqa: S311 -- moments, no secrets
        with tempfile.TemporaryDirectory() as folder:
            lane = Lane(Path(folder), env)
            names = (given.only,) if given.only else COMMANDS
            while sum(n for what, n in count.found.items() if what[:4] in kinds) < given.times:
                trial(lane, rng.choice(names), rng, count)

    kinds = {name[:4] for name in COMMANDS}
    with ThreadPoolExecutor(given.lanes) as pool:
        for _ in pool.map(work, range(given.lanes)):
            pass
    print(f"{given.times} kills or a few more in {time.monotonic() - started:.0f} s")
    for what, number in sorted(count.found.items()):
        print(f"{number:>8}  {what}")


if __name__ == "__main__":
    main()
