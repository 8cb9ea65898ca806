"""Archives for tests, and worker pools that judge them without processes, or deadly."""

from __future__ import annotations

import json
import os
import shutil
import signal
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from autocast.archive.ledger import now
from autocast.archive.rows import Entry, Outcome
from autocast.archive.workers import (
    Processes,
    WorkerPool,
    in_time,
    judged_in_time,
    one_thread_each,
)
from autocast.modelstore import default_models, register
from tests import photographs, samples


def small(name: str, side: int = 96) -> NDArray[np.uint8]:
    """A packaged photograph, small enough to be judged in a few milliseconds."""
    image = Image.fromarray(photographs.pixels(name))
    image.thumbnail((side, side))
    return np.asarray(image)


def archive(root: Path, copies: int = 2) -> list[Path]:
    """Real pictures in two folders, a damaged one, and things that are no pictures."""
    made = []
    for k, name in enumerate(photographs.FILES):
        for copy in range(copies):
            path = root / ("quay" if k % 2 else "market") / f"{name}_{copy}.jpg"
            path.parent.mkdir(parents=True, exist_ok=True)
            Image.fromarray(small(name, 90 + copy)).save(path, quality=90)
            made.append(path)
    cut = root / "quay" / "cut.jpg"
    cut.write_bytes(made[0].read_bytes()[:700])
    (root / "notes.txt").write_text("No picture.", encoding="ascii")
    return [*made, cut]


def other_models(folder: Path) -> Path:
    """A copy of the models, with the threshold changed so that no picture is clear."""
    shutil.copytree(default_models().folder, folder)
    path = folder / "verdict.json"
    verdict = json.loads(path.read_text(encoding="utf-8"))
    verdict["clear_below"] = 0.0
    path.write_text(json.dumps(verdict), encoding="utf-8")
    register(folder, path.name, made_by="a test", what="another threshold")
    return folder


def invented(entry: Entry) -> Outcome:
    """An invented judgement, chosen by the name; a failure for names with ``bad``."""
    name = os.fsdecode(entry.path)
    if "bad" in Path(name).name:
        return Outcome(entry, now(), failure=f"{name} is empty; get a whole copy of it.")
    sample = samples.ALL[sum(Path(name).name.encode("utf-8", "surrogateescape")) % 4]
    judgement = replace(sample, name=name)
    return Outcome(entry, now(), hash="0" * 64, judgement=judgement.to_json())


class Threads(WorkerPool):
    """Threads in this process; ``work`` says what is made of an entry."""

    deadline = 60.0

    def __init__(self, work: Callable[[Entry], Outcome] = invented, window: int = 4) -> None:
        self._window = window
        self.rebuilt = 0
        self.most_out = 0
        self._out = 0
        self._work = work
        self._pool = ThreadPoolExecutor(2)

    @property
    def window(self) -> int:
        return self._window

    def submit(self, entry: Entry) -> Future[Outcome]:
        self._out += 1
        self.most_out = max(self.most_out, self._out)
        future = self._pool.submit(self._work, entry)
        future.add_done_callback(self._done)
        return future

    def _done(self, _: Future[Outcome]) -> None:
        self._out -= 1

    def rebuild(self) -> None:
        self.rebuilt += 1

    def close(self, *, at_once: bool = False) -> None:
        self._pool.shutdown(cancel_futures=at_once)


class Deadly(Processes):
    """Real processes; a picture named ``kill`` kills its own, one named ``hang`` never ends."""

    def submit(self, entry: Entry) -> Future[Outcome]:
        with one_thread_each():
            return self._pool.submit(_deadly, entry, self._models, self.deadline)


def _deadly(entry: Entry, models: bytes, deadline: float) -> Outcome:
    if b"kill" in entry.path:
        os.kill(os.getpid(), signal.SIGKILL)
    if b"hang" in entry.path:
        return in_time(partial(_slow, entry), deadline)
    return judged_in_time(entry, models, deadline)


def _slow(entry: Entry) -> Outcome:
    time.sleep(600)
    return invented(entry)
