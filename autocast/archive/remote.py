"""Archives at addresses, such as ``s3://bucket/folder``, through fsspec (``remote`` extra)."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime
from functools import partial
from typing import Any

from autocast.archive.rows import Entry
from autocast.archive.walk import HEAD, Item, Store
from autocast.errors import ArchiveError

# Where the file systems of fsspec keep when a file changed, or what else changes with it.
_CHANGED = ("mtime", "LastModified", "last_modified", "updated", "modified", "ETag", "created")


class Addresses(Store):
    """The file system behind an address."""

    def items(self, folder: bytes) -> list[Item]:
        """What a folder holds."""
        files, top = _opened(folder.decode("utf-8", "surrogateescape"))
        top = top.rstrip("/")
        try:
            found = sorted(files.ls(top, detail=True), key=lambda e: str(e["name"]))
        except Exception as error:  # every store has errors of its own
            raise OSError(str(error)) from error
        items = []
        for each in found:
            full = str(each["name"]).rstrip("/")
            name = full.rpartition("/")[2]
            if full == top or name.startswith(".") or not _is_kept(files, each):
                continue
            path = files.unstrip_protocol(full).encode("utf-8", "surrogateescape")
            entry = partial(Entry, path, each.get("size"), _changed(each))
            items.append(Item(name, path, each["type"] == "directory", entry))
        return items

    def head(self, entry: Entry) -> bytes:
        """The first bytes of a file."""
        return contents(entry.path, HEAD)


def _is_kept(files: Any, item: Mapping[str, Any]) -> bool:  # noqa: ANN401 -- fsspec is untyped
    """Whether it is a file or a folder, and no pipe or device, at which reading would wait."""
    return item["type"] in ("file", "directory") or bool(files.isfile(item["name"]))


def resolved_address(address: str) -> bytes:
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
