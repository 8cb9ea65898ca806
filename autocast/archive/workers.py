"""Who does the judging: a pool of workers takes entries and gives futures of outcomes.

:class:`Processes` is a pool on this machine; :mod:`autocast.archive.cluster` is
one of many machines. Models travel pickled, which is their folder and their id:
each worker reads them once, and what keeps it from that reaches the run as an
outcome does.
"""

from __future__ import annotations

import contextlib
import faulthandler
import multiprocessing
import os
import pickle
import signal
import sys
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from multiprocessing import connection, resource_tracker
from multiprocessing.context import BaseContext
from pathlib import Path
from types import ModuleType
from typing import Self

from autocast.archive import DEADLINE
from autocast.archive.room import Room
from autocast.archive.rows import Entry, Outcome
from autocast.modelstore import Models

AHEAD = 4
"""Pictures handed out for each worker, so that none waits (project convention)."""

# One thread for each worker: the pool already fills the cores.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def cores() -> int:
    """Processors this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed is not None else os.cpu_count() or 1


class WorkerPool(ABC):
    """Takes entries; a context manager, closed at once where something went wrong.

    ``deaths`` are the errors of a future whose worker is no more, ``deadline``
    the seconds that one picture may take, ``room`` what opening it may take of memory.
    """

    deaths: tuple[type[BaseException], ...] = (BrokenExecutor,)
    deadline: float
    room: Room = Room()

    @property
    @abstractmethod
    def window(self) -> int:
        """How many entries to have out at once."""

    @abstractmethod
    def submit(self, entry: Entry) -> Future[Outcome]:
        """Hand out one entry."""

    @abstractmethod
    def rebuild(self) -> None:
        """Be ready for work again after deaths."""

    @abstractmethod
    def close(self, *, at_once: bool = False) -> None:
        """End, when all outcomes have been taken; ``at_once`` leaves work undone."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close(at_once=kind is not None)


class Processes(WorkerPool):
    """A pool of processes on this machine."""

    def __init__(
        self, models: Models, jobs: int, deadline: float = DEADLINE, room: Room | None = None
    ) -> None:
        self.jobs = jobs
        self.deadline = deadline
        self.room = room or self.room
        self._models = pickle.dumps(models)
        self._pool = self._built()

    @property
    def window(self) -> int:
        """How many entries to have out at once."""
        return self.jobs * AHEAD

    def submit(self, entry: Entry) -> Future[Outcome]:
        """Hand out one entry."""
        with one_thread_each(), without_main(), out_of_reach():
            try:
                return self._pool.submit(
                    judged_in_time, entry, self._models, self.deadline, self.room
                )
            except (OSError, EOFError) as error:
                # What starts the processes was ended; the next pool starts another.
                raise BrokenExecutor("no process can be started") from error

    def rebuild(self) -> None:
        """A pool that lost a worker is of no more use: make another."""
        # One that was begun just then waits for work for ever, and Python's end for it.
        self._kill()
        self._pool.shutdown(wait=False, cancel_futures=True)
        self._pool = self._built()

    def close(self, *, at_once: bool = False) -> None:
        """End the processes."""
        # A worker that waits holds the lock of the queue: ended from outside while the pool
        # ends, it would keep the others, and this process, waiting for ever.
        self._kill()
        self._pool.shutdown(wait=True, cancel_futures=at_once)

    def _kill(self) -> None:
        for worker in list((self._pool._processes or {}).values()):  # noqa: SLF001 -- 3.14 brings kill_workers
            worker.kill()

    def _built(self) -> ProcessPoolExecutor:
        context = starting("autocast.archive.work")
        return ProcessPoolExecutor(self.jobs, mp_context=context, initializer=begin)


def starting(module: str) -> BaseContext:
    """How processes are started that work by a module, which is read once for all of them.

    Never by plain fork: this process has threads, and a forked child inherits their locks.
    """
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([module])
    return context


@contextlib.contextmanager
def one_thread_each() -> Iterator[None]:
    """What processes started within inherit: one thread each, unless the user says otherwise."""
    added = [name for name in _ONE_THREAD if name not in os.environ]
    os.environ.update(dict.fromkeys(added, "1"))
    try:
        yield
    finally:
        for name in added:
            del os.environ[name]


@contextlib.contextmanager
def without_main() -> Iterator[None]:
    """Processes started within do not run the caller's script once more.

    Python's own start-up of a process imports the main script anew (multiprocessing, "safe
    importing of main module"), which one without a guard does not bear, as a notebook's. What
    is handed out here lies in autocast and needs nothing of it.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


@contextlib.contextmanager
def out_of_reach() -> Iterator[None]:
    """Processes started within are not met by an interrupt: from a terminal it goes to all.

    It would end them while they start, with a traceback each; it is this one's affair.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it lifts the mask, once, when it begins
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def begin() -> None:
    """Start of a worker: an interrupt is the parent's affair, and no worker outlives the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent()


def end_with_parent() -> None:
    """Start of a process that ends when its parent does, however that ends, and when it is told."""
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_DFL)
    parent = multiprocessing.parent_process()
    if parent is not None:
        sentinel = parent.sentinel

        def outlived() -> None:
            connection.wait([sentinel])
            os._exit(1)

        threading.Thread(target=outlived, daemon=True).start()


def judged_in_time(
    entry: Entry, models: bytes, deadline: float, room: Room | None = None
) -> Outcome:
    """Judge a picture with pickled models, or end this process."""
    from autocast.archive.work import judged_by_pickled

    return in_time(lambda: judged_by_pickled(entry, models, room), deadline)


def in_time(work: Callable[[], Outcome], deadline: float) -> Outcome:
    """Work, or end this process: a decoder that hangs listens to nothing else.

    The clock is faulthandler's, which needs no cooperation of the thread that hangs.
    """
    with Path(os.devnull).open("w", encoding="ascii") as nowhere:
        faulthandler.dump_traceback_later(deadline, exit=True, file=nowhere)
        try:
            return work()
        finally:
            faulthandler.cancel_dump_traceback_later()
