"""A pass over an archive as it is seen in the terminal, and how it is stopped."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from autocast.cli._app import say, terminal

if TYPE_CHECKING:
    from types import FrameType

    from autocast.archive.run import Tally
    from autocast.archive.walk import Chosen

_SAY_EVERY = 60.0
"""Seconds between lines where there is no terminal to draw a bar in (project convention)."""


@contextlib.contextmanager
def stoppable() -> Iterator[threading.Event]:
    """An event that Ctrl-C sets, or a request to end; the second Ctrl-C interrupts at once."""
    stop = threading.Event()

    def asked(number: int, _: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()
        if number == signal.SIGINT:
            say("Stopping; what is being judged is finished first. Ctrl-C again stops at once.")

    before = {number: signal.signal(number, asked) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def watched(roots: Sequence[bytes], chosen: Chosen) -> Iterator[Callable[[Tally], None]]:
    """A function that shows a tally: a bar in a terminal, else a line a minute."""
    if not sys.stderr.isatty():
        yield _by_the_minute()
        return
    from rich.console import Console, Group
    from rich.live import Live
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
    from rich.text import Text

    columns, _ = terminal()
    bar = Progress(
        BarColumn(max(10, columns - 58)),
        TextColumn("{task.fields[files]:>24}"),
        TextColumn("{task.fields[rate]:>12}"),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    task = bar.add_task("", total=None, files="", rate="")
    total: list[int] = []
    threading.Thread(target=_count, args=(roots, chosen, total), daemon=True).start()
    console = Console(stderr=True)
    started = time.monotonic()
    with Live(console=console, refresh_per_second=4, transient=True) as live:

        def show(tally: Tally) -> None:
            met = tally.met
            new = tally.judged + tally.failed
            rate = new / max(time.monotonic() - started, 0.1)
            files = f"{met:,} of {total[0]:,} files" if total else f"{met:,} files"
            bar.update(
                task,
                completed=met,
                total=max(total[0], met) if total else None,
                files=files,
                rate=f"{rate:.1f}/s",
            )
            live.update(Group(bar, Text(f"  {tally_words(tally)}")))

        yield show


def tally_words(tally: Tally) -> str:
    """The running counts in one line."""
    from autocast.judgement import VERDICT_WORDS

    counts = [
        (tally.verdicts.get("cast", 0), VERDICT_WORDS["cast"]),
        (tally.verdicts.get("ask", 0), "for a person"),
        (tally.verdicts.get("clear", 0), "clear"),
        (tally.failed, "failed"),
        (tally.unchanged, "unchanged"),
    ]
    return ", ".join(f"{count:,} {words}" for count, words in counts if count) or "looking"


def _by_the_minute() -> Callable[[Tally], None]:
    from autocast.report.text import counted

    last = time.monotonic()

    def show(tally: Tally) -> None:
        nonlocal last
        if time.monotonic() - last >= _SAY_EVERY:
            last = time.monotonic()
            say(f"{counted(tally.met, 'file')} met: {tally_words(tally)}")

    return show


def _count(roots: Sequence[bytes], chosen: Chosen, total: list[int]) -> None:
    """How many files there are, counted ahead so that the time left can be shown."""
    from autocast.archive.rows import is_address
    from autocast.archive.walk import Seen, store_of

    if not any(is_address(root) for root in roots):
        total.append(sum(1 for r in roots for _ in store_of(r, roots).walk(r, chosen, Seen())))
