"""A pool of workers on many machines, over Dask (``cluster`` extra). The only file that knows Dask.

Every machine must have autocast installed, and see the pictures under the same
paths; the model files as well, unless they are those that came with autocast.
"""

from __future__ import annotations

import os
import pickle
import re
import socket
import threading
from collections.abc import Sequence
from concurrent.futures import Future
from typing import Any

from autocast.archive import DEADLINE
from autocast.archive.room import LEAST, PROCESS, Room
from autocast.archive.rows import Entry, Outcome
from autocast.archive.workers import AHEAD, WorkerPool
from autocast.errors import ArchiveError
from autocast.modelstore import Models

_CONNECT = 15.0
"""Seconds to wait for the scheduler (project convention)."""


_ADDRESS = re.compile(r"(?:[a-z]+://)?(?:\[([0-9a-f:.]+)\]|([^\s:/\[\]]+)):([0-9]{1,5})")
"""HOST:PORT, as Dask writes addresses: ``tcp://host:8786``."""


def _must_answer(scheduler: str) -> None:
    """Refuse what is no address, or where nobody listens, sooner than Dask would."""
    if scheduler.startswith("inproc://"):
        return
    found = _ADDRESS.fullmatch(scheduler)
    if found is None:
        raise ArchiveError(
            f"{scheduler} is no address of a scheduler; give one such as tcp://host:8786."
        )
    try:
        socket.create_connection((found[1] or found[2], int(found[3])), _CONNECT).close()
    except (OSError, OverflowError, ValueError) as error:
        raise _silent(scheduler) from error


def _silent(scheduler: str) -> ArchiveError:
    return ArchiveError(f"No scheduler answers at {scheduler}; check the address and that it runs.")


class Cluster(WorkerPool):
    """The workers of one Dask scheduler."""

    def __init__(
        self,
        models: Models,
        scheduler: str,
        deadline: float = DEADLINE,
        room: Room | None = None,
    ) -> None:
        try:
            from distributed import Client, KilledWorker
        except ImportError as error:
            raise ArchiveError(
                "A scheduler needs Dask; install it with pip install 'autocast[cluster]'."
            ) from error
        _must_answer(scheduler)
        try:
            self._client = Client(scheduler, timeout=_CONNECT, set_as_default=False)
        except (OSError, ValueError) as error:
            raise _silent(scheduler) from error
        # Not pure: judging a picture again has to judge it, not recall the last outcome.
        self._executor = self._client.get_executor(pure=False)
        self.deadline = deadline
        self.room = room or self.room
        self.deaths = (KilledWorker,)
        self._models = pickle.dumps(models)
        self._here = (socket.gethostname(), os.getpid())

    @property
    def window(self) -> int:
        """How many entries to have out at once; workers come and go."""
        threads: dict[str, int] = self._client.nthreads()
        return max(1, sum(threads.values())) * AHEAD

    def submit(self, entry: Entry) -> Future[Outcome]:
        """Hand out one entry."""
        future: Future[Outcome] = self._executor.submit(
            _judged_in_time, entry, self._models, self.deadline, self._here, self.room
        )
        return future

    def rebuild(self) -> None:
        """Nothing to do: the scheduler gets other workers by itself."""

    def close(self, *, at_once: bool = False) -> None:
        """Leave the scheduler; its workers stay."""
        self._executor.shutdown(wait=not at_once)
        self._client.close()


def _judged_in_time(
    entry: Entry,
    models: bytes,
    deadline: float,
    client: Any,  # noqa: ANN401 -- a pair, as a list
    room: Sequence[Any],
) -> Outcome:
    """Judge, or end this worker process, which its nanny then replaces.

    A worker may have several threads, so each picture has a clock of its own.
    A worker within the client's process only judges.
    """
    from autocast.archive.work import judged_by_pickled

    allowed = _share(Room(*room))
    if tuple(client) == (socket.gethostname(), os.getpid()):
        return judged_by_pickled(entry, models, allowed)
    clock = threading.Timer(deadline, os._exit, (1,))
    clock.daemon = True
    clock.start()
    try:
        return judged_by_pickled(entry, models, allowed)
    finally:
        clock.cancel()


def _share(room: Room) -> Room:
    """What a thread of this worker may take, of what Dask lets the worker have."""
    from distributed import get_worker

    worker = get_worker()
    limit = worker.memory_manager.memory_limit
    if limit is None:
        return room
    share = max((limit - PROCESS) // worker.state.nthreads, LEAST)
    return room if share >= room.memory else Room(share, "give the workers more memory")
