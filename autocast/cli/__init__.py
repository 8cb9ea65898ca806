"""The command line: parse, call, print; nothing else. One file for each family of commands."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Never

from autocast.cli import (  # noqa: F401 -- each adds its commands to the app
    archive,
    correcting,
    demonstration,
    explain,
    judging,
    measuring,
    report,
    review,
    training,
)
from autocast.cli._app import app

__all__ = ["app", "main"]

_AGAIN_AFTER = 0.05
"""Seconds after which a request to end that was dropped is made again (project convention)."""

_ASKED: list[int] = []
"""Signals that asked to end."""


def main() -> None:
    """Run the command line."""
    _open_what_is_closed()
    _end_tidily()
    # A terminal that lacks a character shows another; a result is not lost over it.
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    with _said():
        try:
            app(prog_name="autocast")
        except Exception:
            # Foreign code that was met by a request to end may raise an error in its place.
            if _ASKED:
                raise SystemExit(128 + _ASKED[0]) from None
            raise


def _open_what_is_closed() -> None:
    """No file that is opened later takes the place of a standard stream that was closed."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free: this one
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115


def _end_tidily() -> None:
    """A request to end unwinds, so that nothing half written stays."""

    def asked(number: int, _: FrameType | None) -> Never:
        _ASKED.append(number)
        if number == signal.SIGINT:
            raise KeyboardInterrupt
        raise SystemExit(128 + number)  # as shells count it

    usual = (signal.SIG_DFL, signal.default_int_handler)
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) in usual:
            signal.signal(number, asked)
    sys.unraisablehook = _ask_again


def _ask_again(dropped: sys.UnraisableHookArgs) -> None:
    """A request to end that came while Python took something away, and was dropped there."""
    if isinstance(dropped.exc_value, KeyboardInterrupt):
        number: int = signal.SIGINT
    elif isinstance(dropped.exc_value, SystemExit) and isinstance(dropped.exc_value.code, int):
        number = dropped.exc_value.code - 128
    else:
        sys.__unraisablehook__(dropped)
        return
    again = threading.Timer(_AGAIN_AFTER, _raise_in_main_thread, (number,))
    again.daemon = True
    with contextlib.suppress(RuntimeError):  # Python is ending as it is
        again.start()


def _raise_in_main_thread(number: int) -> None:
    """A signal that ends what the main thread waits for, where the system has such."""
    if hasattr(signal, "pthread_kill"):
        signal.pthread_kill(threading.main_thread().ident or 0, number)
    else:
        signal.raise_signal(number)


@contextlib.contextmanager
def _said() -> Iterator[None]:
    """Turn what the system refuses beyond a command's own care into one sentence."""
    try:
        yield
        sys.stdout.flush()
    except OSError as error:
        from autocast.report.text import printable

        reason = error.strerror or error
        if error.filename is not None:
            name = printable(os.fsdecode(error.filename))
            sentence = f"{name} cannot be used ({reason}); give another path."
        elif error.errno == errno.ENOENT:
            sentence = "The folder that this was started in is gone; change to another."
        else:
            sentence = f"The result cannot be printed ({reason}); print it elsewhere."
        with contextlib.suppress(OSError):
            sys.stderr.write(f"autocast: {sentence}\n")
            sys.stderr.flush()
        # What is still to be written would fail once more when Python ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.__stdout__.fileno() if sys.__stdout__ else 1)
        raise SystemExit(1) from None
