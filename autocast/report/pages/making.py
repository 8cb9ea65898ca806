"""What is made of each picture, its small copies and its card, by processes side by side.

They write nothing: who writes the report lists each file before it is written, so that a
process that is ended leaves nothing behind. What it had out is made here, then.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from multiprocessing.connection import Connection
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any, Self

from autocast.archive.decisions import Decided
from autocast.archive.ledger import judgement_of
from autocast.archive.rows import Row
from autocast.archive.workers import (
    begin,
    cores,
    one_thread_each,
    out_of_reach,
    starting,
    without_main,
)
from autocast.errors import AutocastError
from autocast.judgement import Judgement
from autocast.report.pages.cards import Card, Shown, card
from autocast.report.pages.environment import environment
from autocast.report.pages.overview import below
from autocast.report.pages.thumbnails import small

if TYPE_CHECKING:
    from markupsafe import Markup

MANY = 240
"""Pictures from which it pays to start processes, which takes a second (project convention)."""
TOGETHER = 20
"""Pictures that travel together, and how many such parts are out for each process: enough that
none waits, few enough to be held in memory (project conventions)."""
AHEAD = 3


@dataclass(frozen=True, slots=True)
class Report:
    """What all cards of a report share: its folder, and what a card is told of each picture.

    ``memory`` is what opening a picture may take, in bytes.
    """

    to: Path
    root: bytes
    told: frozenset[str]
    rate: float | None
    memory: int

    def card(self, given: Given, shown: Shown, judgement: Judgement | None = None) -> Card:
        """The card of a picture that has these small copies."""
        folder = below(given.row.folder, self.root)
        return card(
            given.row, shown, folder, self.told, given.said, rate=self.rate, judgement=judgement
        )


@dataclass(frozen=True, slots=True)
class Given:
    """A picture, the decisions that stand on it, and its number on the sheet, from 1.

    ``listed`` are those of its small copies that an earlier report wrote.
    """

    row: Row
    said: tuple[Decided, ...]
    at: int
    listed: frozenset[str]


@dataclass(frozen=True, slots=True)
class Made:
    """Its card, its line on the list where it asks, and its small copies as files."""

    shown: Shown
    card: Markup
    asking: Markup | None
    new: tuple[tuple[str, bytes], ...]
    kept: tuple[str, ...]


def made(report: Report, given: Given) -> Made:
    """Make what the pages need of one picture. Raises LedgerError where its row is damaged."""
    row, parts = given.row, _parts()
    judgement = None if row.verdict is None else judgement_of(row)
    copies = small(row, judgement, report.to, given.listed, report.memory)
    shown = report.card(given, copies.shown, judgement)
    return Made(
        copies.shown,
        parts.card(shown),
        parts.asking(given.at, shown) if row.verdict == "ask" else None,
        copies.new,
        copies.kept,
    )


@cache
def _parts() -> Any:  # noqa: ANN401 -- Jinja2's
    return environment().get_template("parts.html").module


Part = Sequence[Given]


class Makers:
    """Makes what a report of ``count`` pictures is given; a context manager.

    A process that is no more, or fails, has its part made in this one, and all that follows
    in its place.
    """

    def __init__(self, report: Report, count: int) -> None:
        self._report = report
        jobs = cores()
        self._workers = _started(report, jobs) if jobs > 1 and count >= MANY else []
        self._free: SimpleQueue[_Worker | None] = SimpleQueue()
        for k in range(jobs):
            self._free.put(self._workers[k] if k < len(self._workers) else None)
        self._ahead = AHEAD * jobs
        self._ended = threading.Event()
        self._threads = ThreadPoolExecutor(jobs)

    def all(self, parts: Iterable[Part]) -> Iterator[tuple[Given, Made]]:
        """Each with what was made of it, in order."""
        out: deque[tuple[Part, Future[list[Made]]]] = deque()
        for part in parts:
            out.append((part, self._threads.submit(self._make, part)))
            if len(out) == self._ahead:
                yield from _together(*out.popleft())
        while out:
            yield from _together(*out.popleft())

    def _make(self, part: Part) -> list[Made]:
        worker = self._free.get()
        try:
            if worker is not None:
                return worker.make(part)
        except (EOFError, OSError):
            worker = None
            if self._ended.is_set():
                raise
        finally:
            self._free.put(worker)
        return [made(self._report, each) for each in part]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self._ended.set()
            for worker in self._workers:
                worker.process.kill()
        self._threads.shutdown(cancel_futures=True)
        for worker in self._workers:
            worker.close()


def _together(part: Part, future: Future[list[Made]]) -> Iterator[tuple[Given, Made]]:
    yield from zip(part, future.result(), strict=True)


class _Worker:
    """A process, and the pipe to it."""

    def __init__(self, report: Report) -> None:
        context: Any = starting(__name__)
        self._pipe, its = context.Pipe()
        self.process = context.Process(target=_serve, args=(its, report), daemon=True)
        with one_thread_each(), without_main(), out_of_reach():
            self.process.start()
        its.close()  # so that the end of the process ends the pipe

    def make(self, part: Part) -> list[Made]:
        """What it makes of a part. Raises EOFError or OSError where it is no more."""
        self._pipe.send(part)
        answer: list[Made] | AutocastError = self._pipe.recv()
        if isinstance(answer, AutocastError):
            raise answer
        return answer

    def close(self) -> None:
        """Let it end."""
        self._pipe.close()
        self.process.join()


def _started(report: Report, count: int) -> list[_Worker]:
    """Processes, fewer than asked for where no more can be started."""
    workers: list[_Worker] = []
    with contextlib.suppress(EOFError, OSError):
        while len(workers) < count:
            workers.append(_Worker(report))
    return workers


def _serve(pipe: Connection[Any, Any], report: Report) -> None:
    """What a process does: make what comes until nothing comes any more."""
    begin()
    with contextlib.suppress(EOFError, OSError):
        while True:
            part = pipe.recv()
            answer: list[Made] | AutocastError
            try:
                answer = [made(report, each) for each in part]
            except AutocastError as error:
                answer = error
            except Exception:  # noqa: BLE001 -- it is made again where it is awaited, and met there
                return
            pipe.send(answer)
