"""Archives at addresses, such as ``s3://bucket/folder``, through fsspec (``remote`` extra)."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from autocast.archive.rows import Entry
from autocast.archive.walk import HEAD, Chosen, Seen
from autocast.errors import ArchiveError

# Where the file systems of fsspec tell when a file changed, or what else changes with it.
_CHANGED = ("mtime", "LastModified", "last_modified", "updated", "modified", "ETag", "created")


class Addresses:
    """The file system behind an address."""

    def walk(self, root: bytes, chosen: Chosen, seen: Seen) -> Iterator[Entry]:
        """Every file to be met, in order."""
        address = root.decode("utf-8", "surrogateescape")
        files, top = _opened(address)
        top = top.rstrip("/")
        waiting = [top]
        while waiting:
            folder = waiting.pop()
            try:
                found = sorted(files.ls(folder, detail=True), key=lambda e: str(e["name"]))
            except Exception as error:  # noqa: BLE001 -- every store has errors of its own
                place = files.unstrip_protocol(folder).encode("utf-8", "surrogateescape")
                seen.closed.append((place, f"The folder cannot be read: {error}."))
                continue
            folders: list[str] = []
            for item in found:
                name = str(item["name"]).rstrip("/")
                below = name[len(top) :].lstrip("/")
                if name == folder or below.rpartition("/")[2].startswith("."):
                    continue
                if item["type"] == "directory":
                    if chosen.enters(below):
                        folders.append(name)
                elif chosen.meets(below):
                    path = files.unstrip_protocol(name).encode("utf-8", "surrogateescape")
                    yield Entry(path, item.get("size"), _changed(item))
            waiting.extend(reversed(folders))

    def head(self, entry: Entry) -> bytes:
        """The first bytes of a file."""
        return contents(entry.path, HEAD)


def settled(address: str) -> bytes:
    """An address as the file system behind it writes it."""
    files, name = _opened(address)
    return str(files.unstrip_protocol(name)).rstrip("/").encode("utf-8", "surrogateescape")


def contents(path: bytes, length: int | None = None) -> bytes:
    """The bytes of a file at an address, all or the first. Raises OSError."""
    address = path.decode("utf-8", "surrogateescape")
    files, name = _opened(address)
    try:
        return bytes(files.cat_file(name, 0, length))
    except OSError:
        raise
    except Exception as error:  # every store has errors of its own
        raise OSError(f"{address} cannot be read: {error}") from error


def _opened(address: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise ArchiveError(
            "Addresses need fsspec; install it with pip install 'autocast[remote]'."
        ) from error
    try:
        files, name = url_to_fs(address)
    except (ImportError, ValueError, OSError) as error:
        raise ArchiveError(f"{address} cannot be opened: {error}.") from error
    return files, str(name)


def _changed(item: Mapping[str, Any]) -> int | None:
    """A whole number that changes when the file does."""
    for key in _CHANGED:
        value = item.get(key)
        if isinstance(value, datetime):
            return int(value.timestamp() * 1e9)
        if isinstance(value, (int, float)):
            return int(value * 1e9)
        if isinstance(value, str) and value:
            return int.from_bytes(hashlib.sha256(value.encode()).digest()[:7], "big")
    return None
