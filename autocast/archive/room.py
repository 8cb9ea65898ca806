"""How much memory each of several workers may take on a machine, its container's limits counted."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from autocast.errors import ArchiveError
from autocast.picture import MEMORY, in_words

PROCESS = 180_000_000
"""Bytes of a worker beside the picture that it opens: code, models, and a file held (measured)."""
LEAST = 100_000_000
"""Bytes with which a worker can judge anything (project convention)."""
_FEWER = "judge fewer at once with --jobs"


class Room(NamedTuple):
    """What opening one picture may take: bytes, and how more are had, where not by asking."""

    memory: int = MEMORY
    remedy: str = ""


def memory_of_machine(root: Path = Path("/")) -> int | None:
    """Bytes that the processes of this machine may take together; None where it does not tell.

    The least of what is built in and of the limits of control groups (Linux, cgroups(7)), by
    which containers are kept small. ``root`` is where the file system begins.
    """
    found = list(_limits(root))
    with contextlib.suppress(AttributeError, OSError, ValueError):  # those of another system
        found.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    return min((size for size in found if size > 0), default=None)


def _limits(root: Path) -> Iterator[int]:
    groups = root / "sys/fs/cgroup"
    try:
        lines = (root / "proc/self/cgroup").read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        return
    for line in lines:
        number, _, rest = line.partition(":")
        controllers, _, path = rest.partition(":")
        if number == "0":
            base, name = groups, "memory.max"
        elif "memory" in controllers.split(","):
            base, name = groups / "memory", "memory.limit_in_bytes"
        else:
            continue
        inner = base / path.lstrip("/")
        for folder in (inner, *inner.parents):
            if not folder.is_relative_to(base):
                break
            try:
                yield int((folder / name).read_text(encoding="ascii"))
            except (OSError, ValueError):  # not there, as within a container; or "max"
                continue


def most_at_once(cores: int, machine: int | None) -> int:
    """How many workers a machine has room for, a core each."""
    if machine is None:
        return cores
    return max(1, min(cores, machine // (PROCESS + LEAST)))


def room_for_each(jobs: int, memory: int, machine: int | None) -> Room:
    """What each of so many workers may take, no more than is asked for.

    Raises ArchiveError where that is too little to judge with.
    """
    if machine is None:
        return Room(memory)
    share = machine // jobs - PROCESS
    if share < LEAST and jobs > 1:
        raise ArchiveError(
            f"{jobs} pictures at once do not fit into the {in_words(machine, up=False)} of this "
            f"machine; give --jobs {most_at_once(jobs, machine)}."
        )
    share = max(share, LEAST)
    return Room(memory) if share >= memory else Room(share, _FEWER if jobs > 1 else "")
