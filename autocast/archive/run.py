"""One pass over an archive: walk, judge what is new or changed, keep it.

A bounded number of pictures is out at any moment, so memory does not grow with
the archive. Outcomes are kept about once a second; what was out when a run is
killed is judged again by the next. When a worker dies, the pictures that were
out are judged again one by one, and only one that kills its worker when it is
alone is recorded as a failure.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import dataclass, field
from typing import Literal

from autocast.archive.ledger import Ledger, now
from autocast.archive.rows import Entry, Outcome, is_address
from autocast.archive.walk import Chosen, Seen, walk
from autocast.archive.workers import WorkerPool
from autocast.errors import ArchiveError, AutocastError, LedgerError

Again = Literal["changed", "failed", "all"]
"""What of the pictures already in the ledger to judge again."""

KEEP_EVERY = 1.0
"""Seconds after which outcomes are written at the latest (project convention)."""
KEEP_AT_MOST = 200
"""Outcomes after which they are written (project convention)."""
_STARTS = 8
"""How often it is tried to start a process (project convention)."""
_ALONE = 2
"""Deaths alone that convict a picture: the first may have had another cause."""
_TICK = 0.25
"""Seconds after which a waiting run looks up, to see whether it is to stop."""


@dataclass(slots=True)
class Tally:
    """Running counts of one pass."""

    unchanged: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    failed: int = 0
    gone: int = 0
    seen: Seen = field(default_factory=Seen)
    complete: bool = False

    @property
    def judged(self) -> int:
        """Pictures judged in this pass."""
        return self.verdicts.total()

    @property
    def met(self) -> int:
        """Files met so far, pictures or not."""
        return self.unchanged + self.judged + self.failed + self.seen.others


class Run:
    """One pass; ``progress`` is called with the tally as it moves, ``stop`` ends it early."""

    def __init__(
        self,
        ledger: Ledger,
        pool: WorkerPool,
        *,
        again: Again = "changed",
        progress: Callable[[Tally], None] = lambda _: None,
        stop: threading.Event | None = None,
    ) -> None:
        self.tally = Tally()
        self._ledger = ledger
        self._pool = pool
        self._again = again
        self._progress = progress
        self._stop = stop or threading.Event()
        self._waiting: list[Outcome] = []
        self._back: list[int] = []
        self._returned = 0
        self._kept_at = time.monotonic()
        self._met = bytearray()

    @property
    def changed(self) -> bool:
        """Whether the ledger holds other pictures or judgements than before."""
        tally = self.tally
        return bool(tally.judged or tally.failed or tally.gone or self._returned)

    def over(self, roots: Sequence[bytes], chosen: Chosen | None = None) -> Tally:
        """Walk ``roots`` (:func:`autocast.archive.walk.resolve_root`) and judge what needs it.

        Raises LedgerError when the ledger cannot be written, ModelError for
        damaged model files; what was kept before stays.
        """
        roots = _apart(roots)
        entries = self._to_judge(roots, chosen or Chosen())
        out: dict[Future[Outcome], Entry] = {}
        suspects: list[Entry] = []
        try:
            while True:
                if not suspects:
                    self._hand_out(entries, out, suspects)
                if not out and not suspects:
                    break
                self._collect(out, suspects)
                if suspects and not out:
                    self._try_alone(suspects)
                self._keep()
            self._keep(everything=True)
        except BaseException:
            # On the way out: what is done should not be done again, if it can be kept.
            with contextlib.suppress(LedgerError):
                self._keep(everything=True)
            raise
        if not self._stop.is_set():
            self._finish(roots)
        self._progress(self.tally)
        return self.tally

    def _to_judge(self, roots: Sequence[bytes], chosen: Chosen) -> Iterator[Entry]:
        for entry, unchanged in walk(roots, chosen, self.tally.seen, self._unchanged):
            if unchanged:
                self.tally.unchanged += 1
                if self.tally.unchanged % 64 == 0:
                    self._progress(self.tally)
                    self._keep()
            else:
                yield entry
            if self._stop.is_set():
                return

    def _unchanged(self, entry: Entry) -> bool:
        """Whether the ledger already has what this pass would find."""
        known = self._ledger.known(entry.path)
        if known is None:
            return False
        self._met.extend(bytes(max(0, known.id + 1 - len(self._met))))
        self._met[known.id] = 1
        if known.gone:
            self._back.append(known.id)
        again = self._again == "all" or (self._again == "failed" and known.failed)
        again |= known.needs is not None and known.needs <= self._pool.room.memory
        return known.entry == entry and not again

    def _hand_out(
        self, entries: Iterator[Entry], out: dict[Future[Outcome], Entry], suspects: list[Entry]
    ) -> None:
        window = self._pool.window
        while len(out) < window and not self._stop.is_set():
            entry = next(entries, None)
            if entry is None:
                return
            try:
                out[self._pool.submit(entry)] = entry
            except self._pool.deaths:
                suspects.append(entry)
                return

    def _collect(self, out: dict[Future[Outcome], Entry], suspects: list[Entry]) -> None:
        if self._stop.is_set():
            for future in out:
                future.cancel()
        done, _ = wait(out, timeout=_TICK, return_when=FIRST_COMPLETED)
        for future in done:
            entry = out.pop(future)
            if not self._taken(future):
                suspects.append(entry)

    def _try_alone(self, suspects: list[Entry]) -> None:
        """Find out which of the pictures that were out when a worker died did it."""
        self._pool.rebuild()
        while suspects and not self._stop.is_set():
            entry = suspects.pop(0)
            for death in range(1, _ALONE + 1):
                started = time.monotonic()
                if self._taken(self._alone(entry)):
                    break
                self._pool.rebuild()
                late = time.monotonic() - started >= self._pool.deadline
                if late or death == _ALONE:
                    self._waiting.append(_death(entry, self._pool.deadline, late=late))
                    break
            self._keep()
        suspects.clear()  # where the run was stopped: the next one judges them

    def _alone(self, entry: Entry) -> Future[Outcome]:
        for _ in range(_STARTS):
            try:
                return self._pool.submit(entry)
            except self._pool.deaths:
                time.sleep(_TICK)  # what starts the processes was ended, and may not be gone yet
                self._pool.rebuild()
        raise ArchiveError(
            "No process can be started to judge in; see to the machine's memory and limits and run "
            "again, what was judged is kept."
        )

    def _taken(self, future: Future[Outcome]) -> bool:
        """Take an outcome; False where the worker died over it, or over another picture."""
        try:
            self._waiting.append(future.result())
        except CancelledError:
            if not self._stop.is_set():
                raise ArchiveError(
                    "The scheduler stopped; start it and run again, what was judged is kept."
                ) from None
        except self._pool.deaths:
            return False
        except AutocastError:
            raise
        except Exception as error:
            raise ArchiveError(
                f"A worker cannot judge ({error!r}); make sure that it has the same autocast "
                "installed."
            ) from error
        return True

    def _keep(self, *, everything: bool = False) -> None:
        due = time.monotonic() - self._kept_at >= KEEP_EVERY or len(self._waiting) >= KEEP_AT_MOST
        if not (due or everything):
            return
        self._kept_at = time.monotonic()
        if self._waiting:
            self._ledger.set_fact("refreshed", None)
            for verdict in self._ledger.record(self._waiting):
                if verdict is None:
                    self.tally.failed += 1
                else:
                    self.tally.verdicts[verdict] += 1
            self._waiting.clear()
        if self._back:
            self._ledger.mark(self._back, gone=False)
            self._returned += len(self._back)
            self._back.clear()
        self._progress(self.tally)

    def _finish(self, roots: Sequence[bytes]) -> None:
        """The walk came to its end: note what it did not meet."""
        self._ledger.set_closed_folders(self.tally.seen.closed)
        closed = tuple(path + b"/" for path, _ in self.tally.seen.closed)
        gone = [
            key
            for root in roots
            if not is_address(root)
            for key, path in self._ledger.below(root)
            if self._met[key : key + 1] != b"\1"
            and not path.startswith(closed)
            and not os.path.lexists(path)
        ]
        self._ledger.mark(gone, gone=True)
        self.tally.gone = len(gone)
        self.tally.complete = True


def _apart(roots: Sequence[bytes]) -> list[bytes]:
    """The roots, less those that lie below others."""
    return [
        root
        for k, root in enumerate(roots)
        if not any(root.startswith(other + b"/") for other in roots) and root not in roots[:k]
    ]


def _death(entry: Entry, deadline: float, *, late: bool) -> Outcome:
    name = os.fsdecode(entry.path)
    sentence = f"{name} crashed the process that judged it, twice; get a whole copy of it."
    if late:
        sentence = (
            f"{name} was not judged within {deadline:g} seconds; allow more, or copy it again."
        )
    return Outcome(entry, now(), failure=sentence)
