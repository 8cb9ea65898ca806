"""Every picture of an archive, in an order that does not change.

Within a folder files come first, then folders, each by the bytes of their
names. Hidden and system folders and files are left out. A link to a file is a
file; a link to a folder is followed unless it leads back into what is walked
or above it, and each outside folder is entered once, so that no loop is endless. A file is a
picture by its first bytes; one that is named like a picture and is none is met
as well, so that its failure is on record. Nothing is ever written.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import Protocol

from autocast.archive.rows import Entry, is_address
from autocast.errors import ArchiveError

_SYSTEM = {
    b"$RECYCLE.BIN",
    b"System Volume Information",
    b"lost+found",
    b"__MACOSX",
    b"@eaDir",
    b"#recycle",
    b"#snapshot",
}
"""Folders that operating systems and disk stations keep for themselves (from memory)."""

_SUFFIXES = (
    b".jpg",
    b".jpeg",
    b".png",
    b".tif",
    b".tiff",
    b".webp",
    b".avif",
    b".heic",
    b".heif",
    b".gif",
    b".bmp",
)
"""Endings by which a file claims to be a picture of a kind that is taken."""

HEAD = 64
"""Bytes that tell what a file is."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which files to meet, by shell patterns (``*``, ``?``, ``[a-z]``), case counting.

    A pattern without ``/`` matches a name, one with ``/`` the whole path below
    the folder walked. ``exclude`` also keeps out of folders it matches. Without
    ``include`` every file is met.
    """

    include: Sequence[str] = ()
    exclude: Sequence[str] = ()

    def enters(self, below: str) -> bool:
        """Whether to enter a folder."""
        return not _matches(below, self.exclude)

    def meets(self, below: str) -> bool:
        """Whether to meet a file."""
        if _matches(below, self.exclude):
            return False
        return not self.include or _matches(below, self.include)


@dataclass(slots=True)
class Seen:
    """What a walk met besides pictures; filled while it runs."""

    others: int = 0
    closed: list[tuple[bytes, str]] = field(default_factory=list)


class Store(Protocol):
    """Where entries come from: the local file system, or addresses (:mod:`.remote`)."""

    def walk(self, root: bytes, chosen: Chosen, seen: Seen) -> Iterator[Entry]:
        """Every file to be met, in order."""
        ...

    def head(self, entry: Entry) -> bytes:
        """The first bytes of a file. Raises OSError."""
        ...


def walk(
    roots: Sequence[bytes],
    chosen: Chosen,
    seen: Seen,
    known: Callable[[Entry], bool] = lambda _: False,
) -> Iterator[tuple[Entry, bool]]:
    """Every picture below ``roots``, and whether ``known`` says that it needs no look.

    Files that are no pictures, and do not claim to be, are only counted.
    """
    for root in roots:
        store = store_of(root, roots)
        for entry in store.walk(root, chosen, seen):
            if known(entry):
                yield entry, True
            elif _is_picture(store, entry):
                yield entry, False
            else:
                seen.others += 1


def store_of(root: bytes, roots: Sequence[bytes]) -> Store:
    """The store that a root lies in."""
    if is_address(root):
        from autocast.archive.remote import Addresses

        return Addresses()
    return Folders(roots)


def settle_root(given: str) -> bytes:
    """A folder or address as it is kept in the ledger. Raises ArchiveError where there is none."""
    if "://" in given:
        from autocast.archive.remote import settled

        return settled(given)
    path = os.path.abspath(given)  # noqa: PTH100 -- links are kept as they are named
    if not os.path.isdir(path):  # noqa: PTH112
        raise ArchiveError(f"{given} is no folder; give the folders that hold the pictures.")
    return os.fsencode(path)


def _is_picture(store: Store, entry: Entry) -> bool:
    from autocast.picture import is_picture

    if entry.path.lower().endswith(_SUFFIXES):
        return True
    try:
        return is_picture(store.head(entry))
    except OSError:
        return False  # it claims nothing, and cannot be asked


class Folders:
    """The local file system."""

    def __init__(self, roots: Sequence[bytes]) -> None:
        self._real_roots = [os.path.realpath(r) for r in roots if not is_address(r)]
        self._entered: set[bytes] = set()

    def walk(self, root: bytes, chosen: Chosen, seen: Seen) -> Iterator[Entry]:
        """Every file to be met, in order."""
        waiting = [root]
        while waiting:
            folder = waiting.pop()
            try:
                with os.scandir(folder) as listing:
                    found = sorted(listing, key=lambda e: e.name)
            except OSError as error:
                seen.closed.append((folder, f"The folder cannot be read: {error.strerror}."))
                continue
            folders: list[bytes] = []
            for item in found:
                below = os.fsdecode(item.path[len(root) :].lstrip(b"/\\")).replace(os.sep, "/")
                if _hidden(item):
                    continue
                if _is_folder(item):
                    if chosen.enters(below) and self._to_enter(item):
                        folders.append(item.path)
                elif chosen.meets(below):
                    entry = _entry(item)
                    if entry is not None:
                        yield entry
            waiting.extend(reversed(folders))

    def _to_enter(self, item: os.DirEntry[bytes]) -> bool:
        if not item.is_symlink():
            return True
        real = os.path.realpath(item.path)
        inside = any(
            (real + _SEP).startswith(root + _SEP) or (root + _SEP).startswith(real + _SEP)
            for root in self._real_roots
        )
        if inside or real in self._entered:
            return False
        self._entered.add(real)
        # From here on its own links back to it are links into what is walked.
        self._real_roots.append(real)
        return True

    def head(self, entry: Entry) -> bytes:
        """The first bytes of a file."""
        with open(entry.path, "rb") as file:  # noqa: PTH123 -- paths are bytes
            return file.read(HEAD)


_SEP = os.sep.encode()


def _is_folder(item: os.DirEntry[bytes]) -> bool:
    try:
        return item.is_dir()
    except OSError:
        return False


def _hidden(item: os.DirEntry[bytes]) -> bool:
    if item.name.startswith(b".") or item.name in _SYSTEM:
        return True
    if os.name != "nt":
        return False
    try:
        attributes = getattr(item.stat(follow_symlinks=False), "st_file_attributes", 0)
    except OSError:
        return False
    return bool(attributes & (stat.FILE_ATTRIBUTE_HIDDEN | stat.FILE_ATTRIBUTE_SYSTEM))


def _entry(item: os.DirEntry[bytes]) -> Entry | None:
    """None for what is no file: pipes, sockets, devices."""
    try:
        facts = item.stat()
    except OSError:
        return Entry(item.path, None, None)  # a link that leads nowhere
    if not stat.S_ISREG(facts.st_mode):
        return None
    return Entry(item.path, facts.st_size, facts.st_mtime_ns)


def _matches(below: str, patterns: Sequence[str]) -> bool:
    name = below.rpartition("/")[2]
    return any(fnmatchcase(below if "/" in p else name, p) for p in patterns)
