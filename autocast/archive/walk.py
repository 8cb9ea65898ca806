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
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from functools import partial
from typing import NamedTuple

from autocast.archive.rows import Entry, is_address
from autocast.errors import ArchiveError
from autocast.picture.reading import open_file

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

SUFFIXES = (
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

_BESIDE = b".xmp"
"""How a sidecar ends (ISO 16684-1): it belongs to its picture, and is no other file."""

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


class Item(NamedTuple):
    """What a folder holds: a folder, or what may be a file."""

    name: str
    path: bytes
    folder: bool
    entry: Callable[[], Entry | None]


class Store(ABC):
    """Where entries come from: the local file system, or addresses (:mod:`.remote`)."""

    @abstractmethod
    def items(self, folder: bytes) -> list[Item]:
        """What a folder holds, in order, less what is hidden. Raises OSError."""

    @abstractmethod
    def head(self, entry: Entry) -> bytes:
        """The first bytes of a file. Raises OSError."""

    def enters(self, folder: bytes) -> bool:  # noqa: ARG002 -- a store without links enters all
        """Whether a folder is still to be entered."""
        return True

    def walk(self, root: bytes, chosen: Chosen, seen: Seen) -> Iterator[Entry]:
        """Every file to be met, in order."""
        waiting = [(root, "")]
        while waiting:
            folder, above = waiting.pop()
            try:
                found = self.items(folder)
            except OSError as error:
                reason = error.strerror or error
                seen.closed.append((folder, f"The folder cannot be read: {reason}."))
                continue
            folders: list[tuple[bytes, str]] = []
            for item in found:
                below = above + item.name
                if item.folder:
                    if chosen.enters(below) and self.enters(item.path):
                        folders.append((item.path, f"{below}/"))
                elif chosen.meets(below):
                    entry = item.entry()
                    if entry is not None:
                        yield entry
            waiting.extend(reversed(folders))


def walk(
    roots: Sequence[bytes],
    chosen: Chosen,
    seen: Seen,
    known: Callable[[Entry], bool] = lambda _: False,
) -> Iterator[tuple[Entry, bool]]:
    """Every picture below ``roots``, and whether ``known`` says that it needs no look.

    Files that are no pictures, and do not claim to be, are only counted; sidecars are not.
    """
    for root in roots:
        store = store_of(root, roots)
        for entry in store.walk(root, chosen, seen):
            if known(entry):
                yield entry, True
            elif _is_picture(store, entry):
                yield entry, False
            elif not entry.path.lower().endswith(_BESIDE):
                seen.others += 1


def store_of(root: bytes, roots: Sequence[bytes]) -> Store:
    """The store that a root lies in."""
    if is_address(root):
        from autocast.archive.remote import Addresses

        return Addresses()
    return Folders(roots)


def absolute(given: str) -> bytes:
    """A folder or address as it is kept in a ledger; it need not exist."""
    if is_address(os.fsencode(given)):
        from autocast.archive.remote import resolved_address

        return resolved_address(given)
    return os.fsencode(os.path.abspath(given))  # noqa: PTH100 -- links are kept as they are named


def resolve_root(given: str) -> bytes:
    """A folder or address to walk, as it is kept. Raises ArchiveError where there is none."""
    root = absolute(given)
    if not (is_address(root) or os.path.isdir(root)):  # noqa: PTH112 -- bytes
        raise ArchiveError(f"{given} is no folder; give the folders that hold the pictures.")
    return root


def _is_picture(store: Store, entry: Entry) -> bool:
    from autocast.picture import is_picture

    if entry.path.lower().endswith(SUFFIXES):
        return True
    try:
        return is_picture(store.head(entry))
    except OSError:
        return False  # it claims nothing, and cannot be asked


class Folders(Store):
    """The local file system."""

    def __init__(self, roots: Sequence[bytes]) -> None:
        self._real_roots = [os.path.realpath(r) for r in roots if not is_address(r)]

    def items(self, folder: bytes) -> list[Item]:
        """What a folder holds."""
        with os.scandir(folder) as listing:
            found = sorted(listing, key=lambda e: e.name)
        return [
            Item(os.fsdecode(e.name), e.path, _is_folder(e), partial(_entry, e))
            for e in found
            if not _hidden(e)
        ]

    def enters(self, folder: bytes) -> bool:
        """Not through a link back into what is walked, nor twice."""
        if not os.path.islink(folder):  # noqa: PTH114 -- bytes
            return True
        real = os.path.realpath(folder)
        inside = any(
            (real + _SEP).startswith(root + _SEP) or (root + _SEP).startswith(real + _SEP)
            for root in self._real_roots
        )
        if not inside:
            # From here on its own links back to it are links into what is walked.
            self._real_roots.append(real)
        return not inside

    def head(self, entry: Entry) -> bytes:
        """The first bytes of a file."""
        with open_file(entry.path) as file:
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
