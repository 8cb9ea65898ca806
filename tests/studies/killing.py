"""Commands that are killed at random moments, a great many times. A script, no test.

    python tests/studies/killing.py [--times N] [--seed N] [--lanes N] [--only COMMAND]
        [--minutes M] [--keep FILE]

Each time one of ``presort``, ``judge --picture``, ``correct`` (with ``--pair`` and ``--clf``),
``sidecars``, ``report``, ``export`` and ``review`` is begun on a small archive and gets a signal
at a random moment: the command itself or, of ``presort``, one of its workers or what starts
them. To ``review`` decisions are posted meanwhile. Then it is looked at what is left: rows lost
or doubled, decisions that were confirmed and are not kept, changed originals, half files,
processes that live on, tracebacks (those of autocast's own and those of a Python that had not
come to its first line, or had left its last), and files of passage. At last it is run to its
end, which must give what an undisturbed run gives. ``--keep`` writes all of what is told.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import contextlib
import hashlib
import itertools
import math
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

import httpx
import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.review.pictures import SIDES  # noqa: E402
from autocast.review.security import TOKEN_HEADER  # noqa: E402
from tests.studies import mutants  # noqa: E402
from tests.studies.endurance import contents, session, workers  # noqa: E402

PICTURES = 12
SIGNALS = (signal.SIGKILL, signal.SIGKILL, signal.SIGTERM, signal.SIGHUP, signal.SIGINT)
GONE_WITHIN = 10.0
"""Seconds within which all processes of a killed command must have ended."""
_TIME = re.compile(rb"\d{4}-\d\d-\d\dT[\d:.]+")
_FRAME = f'File "{ROOT / "autocast"}/'.encode()
"""How a line of a traceback begins that names a file of autocast's own."""
COMMANDS = ("presort", "judge", "correct", "sidecars", "report", "export", "review")
SETTLED = 10
"""Decisions that an undisturbed review confirms before it is asked to end."""


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
class Deciding:
    """A browser that posts decisions to a review, and remembers those that were confirmed."""

    numbers: itertools.count[int] = field(default_factory=itertools.count)
    posted: set[str] = field(default_factory=set)
    confirmed: set[str] = field(default_factory=set)

    def until_it_ends(self, process: subprocess.Popen[bytes], said: Path) -> None:
        """Decide as fast as it answers, and look at pictures between."""
        while process.poll() is None:
            if found := re.search(rb"http://\S+", said.read_bytes()):
                with contextlib.suppress(httpx.HTTPError):
                    self._through(found.group().decode())
                return
            time.sleep(0.01)

    def _through(self, entry: str) -> None:
        with httpx.Client(follow_redirects=True, timeout=20) as client:
            page = client.get(entry)
            token = re.search(r'review-token" content="([^"]+)"', page.text)
            if token is None:
                raise SystemExit(f"The review lets nobody in: {page.text}")
            headers = {TOKEN_HEADER: token.group(1), "Origin": str(page.url).rstrip("/")}
            client.base_url = page.url
            for number in self.numbers:
                note, picture = f"note {number}", number % PICTURES + 1
                wish = {"picture": picture, "decision": "fine", "queue": "all", "note": note}
                self.posted.add(note)
                answer = client.post("/decide", json=wish, headers=headers)
                if answer.status_code == 200:  # 503: the server is ending
                    self.confirmed.add(note)
                if number % 8 == 0:
                    client.get(f"/picture/{picture}", params={"side": SIDES[0]})


@dataclass
class Lane:
    """A place of its own to run in, with what undisturbed runs give and take."""

    base: Path
    env: dict[str, str]
    names: tuple[str, ...] = COMMANDS
    took: dict[str, float] = field(default_factory=dict)
    deciding: Deciding = field(default_factory=Deciding)

    def __post_init__(self) -> None:
        self.root, self.ledger = self.base / "archive", self.base / "a.ledger"
        self.said, self.decided = self.base / "said", self.base / "review.ledger"
        archive(self.root)
        self.originals = digest(self.root)
        for name in dict.fromkeys(("presort", *self.names)):  # a ledger comes first
            self.clear(name)
            started = time.monotonic()
            if code := self.to_its_end(name):
                raise SystemExit(f"The undisturbed {name} failed: {code}, {self.words()}")
            self.took[name] = time.monotonic() - started
            if name == "presort":
                self.rows = contents(self.ledger)
            if name == "sidecars":
                self.sidecars = self.all_sidecars()

    def start(self, name: str) -> subprocess.Popen[bytes]:
        """Begin a command, in a session of its own."""
        first = str(self.root / "box 0" / "mole 0.jpg")
        out, ledger = self.base / "out", str(self.ledger)
        out.mkdir(exist_ok=True)
        pair = ["--pair", str(out / "pair.png"), "--clf", str(out / "move.clf")]
        given = {
            "presort": [str(self.root), "--into", ledger, "--jobs", "2"],
            "judge": [first, "--picture", str(out / "evidence.png"), "--force"],
            "correct": [first, "--to", str(out / "copy.jpg"), *pair, "--best-guess", "--force"],
            "sidecars": [ledger, "--subjects"],
            "report": [ledger, "--to", str(out / "report")],
            "export": [ledger, "--to", str(out / "table.csv"), "--force"],
            "review": [str(self.decided), "--no-open", "--person", "ada"],
        }[name]
        with self.said.open("wb") as said:
            process = subprocess.Popen(
                [sys.executable, "-m", "autocast", name, *given],
                env=self.env,
                start_new_session=True,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=said,
            )
        if name == "review":
            who = (process, self.said)
            self.browser = threading.Thread(target=self.deciding.until_it_ends, args=who)
            self.browser.start()
        return process

    def to_its_end(self, name: str) -> int:
        """Let a command run undisturbed; 0 where it ended as it should."""
        process = self.start(name)
        if name == "review":
            enough = len(self.deciding.confirmed) + SETTLED
            while process.poll() is None and len(self.deciding.confirmed) < enough:
                time.sleep(0.01)
            process.terminate()
            self.browser.join()
        code = process.wait()
        return 0 if code == 4 else code

    def words(self) -> str:
        """What the last command said on standard error."""
        return self.said.read_text(errors="replace")

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
        if name == "review":
            for path in self.base.glob("review.ledger*"):
                path.unlink()
            shutil.copyfile(self.ledger, self.decided)
            self.deciding = Deciding()

    def notes(self) -> list[str]:
        """The note of every decision that is kept."""
        with contextlib.closing(sqlite3.connect(self.decided)) as plain:
            return [row[0] for row in plain.execute("SELECT note FROM decisions")]

    def passing(self) -> set[Path]:
        """Files that no command means to leave."""
        return {p for p in self.base.rglob(".*") if p.is_file()}


@dataclass
class Count:
    """What was found, from all lanes."""

    keep: Path | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)
    found: Counter[str] = field(default_factory=Counter)
    kills: int = 0

    def add(self, what: str, detail: str = "") -> None:
        """One more; the first few of each are told."""
        with self.lock:
            self.found[what] += 1
            if self.keep is not None and detail:
                with self.keep.open("a", encoding="utf-8") as file:
                    file.write(f"{what}: {detail}\n\n")
            if detail and self.found[what] <= 4:
                print(f"{what}: {detail[-1200:]}", flush=True)

    def killed(self, what: str) -> None:
        """One more kill; now and then how many there were."""
        self.add(what)
        with self.lock:
            self.kills += 1
            if self.kills % 100 == 0:
                print(f"{self.kills} kills", flush=True)


def forking(leader: int) -> list[int]:
    """The process that forks the workers."""
    living = session(leader)
    return list({parent for parent, _ in living.values()} & living.keys() - {leader})


def stop(lane: Lane, name: str, rng: Random, count: Count) -> signal.Signals:
    """Begin a command and send it, or one of its workers, a signal at a random moment."""
    process = lane.start(name)
    sign = rng.choice(SIGNALS)
    struck, who, chance = process.pid, sign.name, rng.random()
    moment = rng.uniform(0.0, 1.1 * lane.took[name])
    if name == "presort" and chance < 0.5:
        while process.poll() is None and not workers(process.pid):
            time.sleep(0.01)  # most of a run is its start
        moment /= 5
    time.sleep(moment)
    if name == "presort" and chance < 0.5:
        who, kind = ("a worker", workers) if chance < 0.35 else ("what forks workers", forking)
        sign, struck = signal.SIGKILL, rng.choice(kind(process.pid) or [process.pid])
    with contextlib.suppress(ProcessLookupError):
        # From a terminal an interrupt goes to all that was begun there.
        (os.killpg if sign is signal.SIGINT else os.kill)(struck, sign)
    try:
        process.wait(timeout=60)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGABRT)  # each says where it stands
        process.wait()
        count.add("did not end", f"{name}, {who}: {lane.words()}")
    if name == "review":
        lane.browser.join()
    said = lane.said.read_bytes()
    if b"Traceback" in said:
        own = "autocast's own" if _FRAME in said else "before autocast's first line, or after"
        count.add(f"traceback, {own}", f"{name}, {who}: {said.decode(errors='replace')}")
    deadline = time.monotonic() + GONE_WITHIN
    while session(process.pid) and time.monotonic() < deadline:
        time.sleep(0.1)
    if session(process.pid):
        count.add("processes live on", f"{name}, {who}: {session(process.pid)}")
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    count.killed(f"{name}: {who}")
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
    table = out / "table.csv"
    for picture in (p for p in out.rglob("*") if p.suffix in (".jpg", ".png")):
        try:
            with Image.open(picture) as image:
                image.load()
        except OSError as error:
            return f"{picture.name}: {error}"
    if name == "export" and table.exists():
        lines = table.read_text(encoding="utf-8-sig").splitlines()
        if len(lines) != PICTURES + 1:
            return f"table.csv has {len(lines)} lines"
    for path in (*lane.root.rglob("*.xmp"), *out.glob("*.clf")):
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
    if code := lane.to_its_end(name):
        count.add("did not end well at last", f"{name}, {code}: {lane.words()}")
    after_kill(lane, name, signal.SIGTERM, count)
    if rows_of(lane.decided if name == "review" else lane.ledger) != lane.rows:
        count.add("another ledger than undisturbed", name)
    if name == "sidecars" and lane.all_sidecars() != lane.sidecars:
        count.add("other sidecars than undisturbed", name)


def after_kill(lane: Lane, name: str, sign: signal.Signals, count: Count) -> None:
    """What a killed command may not leave."""
    if digest(lane.root) != lane.originals:
        count.add("changed originals", name)
    if name == "review":
        kept = lane.notes()
        if len(kept) != len(set(kept)):
            count.add("doubled decisions", f"{sign.name}: {sorted(kept)}")
        if lost := lane.deciding.confirmed - set(kept):
            count.add("confirmed decisions lost", f"{sign.name}: {lost}")
        if kept and not set(kept) <= lane.deciding.posted:
            count.add("decisions that nobody posted", f"{sign.name}: {kept}")
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
    parser.add_argument("--minutes", type=float, default=math.inf)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    for sign in SIGNALS[2:]:
        if signal.getsignal(sign) is signal.SIG_IGN:  # as under nohup; what is begun must not
            signal.signal(sign, lambda *_: None)
    env = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    env["PYTHONFAULTHANDLER"] = "1"  # who is aborted says where it stood
    count = Count(given.keep)
    started = time.monotonic()
    until = started + 60 * given.minutes

    def work(number: int) -> int:
        rng = Random(f"{given.seed}:{number}")  # noqa: S311 -- moments, no secrets
        with tempfile.TemporaryDirectory() as folder:
            names = (given.only,) if given.only else COMMANDS
            lane = Lane(Path(folder), env, names)
            confirmed = 0
            while count.kills < given.times and time.monotonic() < until:
                name = rng.choice(names)
                trial(lane, name, rng, count)
                if name == "review":
                    confirmed += len(lane.deciding.confirmed)
            return confirmed

    with ThreadPoolExecutor(given.lanes) as pool:
        confirmed = sum(pool.map(work, range(given.lanes)))
    print(f"{count.kills} kills in {time.monotonic() - started:.0f} s; seed {given.seed}")
    print(f"{confirmed} decisions were confirmed")
    for what, number in sorted(count.found.items()):
        print(f"{number:>8}  {what}")


if __name__ == "__main__":
    main()
