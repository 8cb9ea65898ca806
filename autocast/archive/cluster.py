"""A crew of many machines, over Dask (``cluster`` extra). The only file that knows Dask.

Every machine must see the pictures under the same paths, and have autocast
with the same model files installed.
"""

from __future__ import annotations

import os
import socket
import threading
from concurrent.futures import Future
from typing import Any

from autocast.archive.rows import Entry, Outcome
from autocast.archive.workers import AHEAD, DEADLINE
from autocast.errors import ArchiveError

_CONNECT = 15.0
"""Seconds to wait for the scheduler (project convention)."""


class Cluster:
    """The workers of one Dask scheduler."""

    def __init__(self, scheduler: str, deadline: float = DEADLINE) -> None:
        try:
            from distributed import Client, KilledWorker
        except ImportError as error:
            raise ArchiveError(
                "A scheduler needs Dask; install it with pip install 'autocast[cluster]'."
            ) from error
        try:
            self._client = Client(scheduler, timeout=_CONNECT, set_as_default=False)
        except (OSError, ValueError) as error:
            raise ArchiveError(
                f"No scheduler answers at {scheduler}; check the address and that it runs."
            ) from error
        # Not pure: judging a picture again has to judge it, not recall what was said.
        self._executor = self._client.get_executor(pure=False)
        self.deadline = deadline
        self.deaths: tuple[type[BaseException], ...] = (KilledWorker,)
        self._here = (socket.gethostname(), os.getpid())

    @property
    def window(self) -> int:
        """How many entries to have out at once; workers come and go."""
        threads: dict[str, int] = self._client.nthreads()
        return max(1, sum(threads.values())) * AHEAD

    def submit(self, entry: Entry) -> Future[Outcome]:
        """Hand out one entry."""
        future: Future[Outcome] = self._executor.submit(
            _judged_in_time, entry, self.deadline, self._here
        )
        return future

    def rebuild(self) -> None:
        """Nothing to do: the scheduler gets other workers by itself."""

    def close(self, *, at_once: bool = False) -> None:
        """Leave the scheduler; its workers stay."""
        self._executor.shutdown(wait=not at_once)
        self._client.close()


def _judged_in_time(entry: Entry, deadline: float, client: Any) -> Outcome:  # noqa: ANN401 -- a pair, as a list
    """Judge, or end this worker process, which its nanny then replaces.

    A worker may have several threads, so each picture has a clock of its own.
    A worker within the client's process only judges.
    """
    from autocast.archive.work import judged

    if tuple(client) == (socket.gethostname(), os.getpid()):
        return judged(entry)
    clock = threading.Timer(deadline, os._exit, (1,))
    clock.daemon = True
    clock.start()
    try:
        return judged(entry)
    finally:
        clock.cancel()
