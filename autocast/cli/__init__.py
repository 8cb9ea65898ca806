"""The command line: parse, call, print; nothing else. One file for each family of commands."""

from __future__ import annotations

import contextlib
import sys

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


def main() -> None:
    """Run the command line."""
    # A terminal that lacks a character shows another; a result is not lost over it.
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    app(prog_name="autocast")
