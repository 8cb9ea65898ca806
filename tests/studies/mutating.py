"""How judge, measure and correct stand a great many broken files. A script, no test.

    python tests/studies/mutating.py [--count N] [--seed N] [--processes N] [--minutes M]
        [--keep FOLDER]

Each mutant (``tests/studies/mutants.py``) goes through ``judge`` and, in turn, through
``measure`` or ``correct``, by the command line itself, in a process with a limit of memory
and a deadline. Counted are tracebacks, processes that died, deadlines missed, more memory
than the budget, changed sources, errors that are not one sentence that names the file, and
what libraries said beside it. ``--keep`` writes the mutants that showed any of these.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import contextlib
import hashlib
import math
import multiprocessing
import os
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.archive.room import PROCESS  # noqa: E402
from autocast.picture import MEMORY  # noqa: E402
from tests.studies import mutants  # noqa: E402

DEADLINE = 10.0
"""Seconds that a command may take (a target of the project's own)."""
BUDGET = (MEMORY + PROCESS) // 2**20
"""Megabytes that a command's process may take: what is promised of a picture, and itself."""
LIMIT = 4096
"""Megabytes at which the system refuses more to a process."""
FRESH_AFTER = 2000
"""Commands after which a process is replaced by a new one."""


Make = Callable[[int], tuple[str, bytes]]
"""From a number to a file: its suffix and its bytes."""
Commands = Callable[[int, Path, Path], list[tuple[str, list[str]]]]
"""From a file's number, its path and a folder for what is made, to names and arguments."""


class Outcome(NamedTuple):
    """What a command did: how it ended, what it said on standard error, and its peak."""

    code: int
    said: str
    raised: str
    megabytes: float


def _peak() -> float:
    """Most memory resident since the last reset, in megabytes (proc(5))."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    return 0.0


def _work(connection: Connection, folder: str) -> None:
    """Run commands one by one, until there are no more."""
    import resource

    from autocast.cli import app

    said = Path(folder, f"said-{os.getpid()}")
    handle = os.open(said, os.O_RDWR | os.O_CREAT | os.O_TRUNC)
    os.dup2(handle, 2)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    resource.setrlimit(resource.RLIMIT_AS, (LIMIT << 20, LIMIT << 20))
    with contextlib.suppress(EOFError):
        while True:
            arguments = connection.recv()
            os.ftruncate(handle, 0)
            os.lseek(handle, 0, os.SEEK_SET)
            with contextlib.suppress(OSError):
                Path("/proc/self/clear_refs").write_text("5")
            code, raised = 0, ""
            try:
                app(arguments, prog_name="autocast")
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) else 1
            except BaseException:  # noqa: BLE001 -- whatever comes is what is looked for
                raised = traceback.format_exc()
            sys.stderr.flush()
            text = said.read_text(errors="replace")
            connection.send(Outcome(code, text, raised, _peak()))


@dataclass(eq=False)
class Worker:
    """A process at work on one file after the other."""

    folder: str
    process: BaseProcess = field(init=False)
    connection: Connection = field(init=False)
    done: int = 0
    since: float = 0.0
    number: int = -1
    command: str = ""

    def __post_init__(self) -> None:
        self.renew()

    def renew(self) -> None:
        """Begin anew, with the old process gone."""
        if self.done:
            self.process.kill()
            self.process.join()
        context = multiprocessing.get_context("spawn")
        self.connection, theirs = context.Pipe()
        self.process = context.Process(target=_work, args=(theirs, self.folder), daemon=True)
        self.process.start()
        theirs.close()
        self.done = 0

    def send(self, number: int, command: str, arguments: list[str]) -> None:
        """Give it a command."""
        if self.done >= FRESH_AFTER:
            self.renew()
        self.number, self.command, self.since = number, command, time.monotonic()
        self.done += 1
        self.connection.send(arguments)


@dataclass
class Found:
    """Counts, and an example of each defect."""

    make: Make
    keep: Path | None = None
    counts: Counter[str] = field(default_factory=Counter)
    shown: Counter[str] = field(default_factory=Counter)
    most: float = 0.0
    count: int = 0

    def defect(self, kind: str, number: int, command: str, detail: str) -> None:
        """One more of a kind; a few of each are told in full."""
        self.counts[kind] += 1
        if self.shown[kind] < 5:
            self.shown[kind] += 1
            print(f"{kind}: mutant {number}, {command}\n    {detail.strip()[-1500:]}", flush=True)
        if self.keep is not None:
            suffix, data = self.make(number)
            (self.keep / f"{number}-{command}.{suffix}").write_bytes(data)

    @staticmethod
    def names(path: Path, sentence: str) -> bool:
        """Whether a sentence names the file, or a picture that a ledger knows."""
        return path.name in sentence or "/archive/" in sentence

    def take(self, path: Path, number: int, command: str, outcome: Outcome) -> None:
        """What a command that ended showed."""
        self.counts[f"{command}: exit code {outcome.code}"] += 1
        self.most = max(self.most, outcome.megabytes)
        if outcome.raised or "Traceback" in outcome.said:
            self.defect("traceback", number, command, outcome.raised or outcome.said)
            return
        if outcome.megabytes > BUDGET:
            self.defect("over the budget", number, command, f"{outcome.megabytes:.0f} MB")
        own = [line for line in outcome.said.splitlines() if line.startswith("autocast: ")]
        if outcome.code == 1 and not (len(own) == 1 and self.names(path, own[0])):
            self.defect("not one sentence", number, command, outcome.said)
        # A report tells how far it has come.
        if command != "report" and len(own) < len(outcome.said.splitlines()):
            self.defect("said by a library", number, command, outcome.said)
        if outcome.code not in (0, 1, 3, 4):
            self.defect("odd exit code", number, command, f"{outcome.code}: {outcome.said}")


def commands(number: int, path: Path, out: Path) -> list[tuple[str, list[str]]]:
    """What a mutant goes through."""
    if number % 2:
        second = ("measure", ["measure", str(path)])
    else:
        copy = str(out / f"copy{path.suffix}")
        second = ("correct", ["correct", str(path), "--best-guess", "--force", "--to", copy])
    return [("judge", ["judge", str(path)]), second]


@dataclass
class Campaign:
    """Mutants on their way through the commands."""

    files: Path
    count: int
    found: Found
    commands: Commands
    until: float = math.inf
    next: int = 0
    queues: dict[int, list[tuple[str, list[str]]]] = field(default_factory=dict)
    sources: dict[int, tuple[Path, str]] = field(default_factory=dict)

    def give(self, worker: Worker) -> bool:
        """The next command for a worker: of its own mutant, or of a new one. False at the end."""
        if not self.queues.get(worker.number):
            self.close(worker)
            if self.next == self.count or time.monotonic() > self.until:
                return False
            worker.number = self.open(self.files / f"out-{id(worker)}")
        command, arguments = self.queues[worker.number].pop(0)
        worker.send(worker.number, command, arguments)
        return True

    def open(self, out: Path) -> int:
        """Write the next mutant."""
        number, self.next = self.next, self.next + 1
        suffix, data = self.found.make(number)
        path = self.files / f"m{number}.{suffix}"
        path.write_bytes(data)
        out.mkdir(exist_ok=True)
        self.sources[number] = path, hashlib.sha256(data).hexdigest()
        self.queues[number] = self.commands(number, path, out)
        return number

    def close(self, worker: Worker) -> None:
        """Take a mutant away that is through, if it is as it was."""
        if worker.number in self.sources:
            path, digest = self.sources.pop(worker.number)
            if hashlib.sha256(path.read_bytes()).hexdigest() != digest:
                self.found.defect("changed source", worker.number, worker.command, str(path))
            path.unlink()

    def ended(self, worker: Worker, *, ready: bool) -> bool:
        """Whether a worker's command is over, well or not."""
        path = self.sources[worker.number][0]
        if ready:
            try:
                outcome = worker.connection.recv()
            except (EOFError, ConnectionResetError):
                worker.process.join()
                code = worker.process.exitcode
                self.found.defect("died", worker.number, worker.command, f"exit code {code}")
                worker.renew()
            else:
                self.found.take(path, worker.number, worker.command, outcome)
        elif time.monotonic() - worker.since > DEADLINE:
            self.found.defect("missed the deadline", worker.number, worker.command, str(path))
            worker.renew()
        else:
            return False
        return True


def run(
    found: Found,
    through: Commands,
    count: int,
    processes: int,
    minutes: float = math.inf,
) -> None:
    """Send so many files through, and count what they show."""
    with tempfile.TemporaryDirectory() as folder:
        campaign = Campaign(Path(folder), count, found, through, time.monotonic() + 60 * minutes)
        workers = [Worker(folder) for _ in range(processes)]
        busy = [worker for worker in workers if campaign.give(worker)]
        while busy:
            ready = wait([worker.connection for worker in busy], timeout=0.5)
            over = [w for w in busy if campaign.ended(w, ready=w.connection in ready)]
            busy = [w for w in busy if w not in over or campaign.give(w)]
        for worker in workers:
            worker.process.kill()
        found.count = campaign.next


def told(description: str, begin: Callable[[int], tuple[Make, Commands]]) -> None:
    """Read the options, run, and print; ``begin`` is given the seed."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--minutes", type=float, default=math.inf)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    started = time.monotonic()
    make, through = begin(given.seed)
    found = Found(make, given.keep)
    run(found, through, given.count, given.processes, given.minutes)
    print(f"{found.count} files in {time.monotonic() - started:.0f} s; seed {given.seed}")
    for kind, count in sorted(found.counts.items()):
        print(f"{count:>8}  {kind}")
    print(f"most memory of a process: {found.most:.0f} MB")


if __name__ == "__main__":
    told(__doc__.splitlines()[0], lambda seed: (partial(mutants.mutant, seed=seed), commands))
