"""Opening what a person named: files, and nothing that a reader would wait at for ever."""

from __future__ import annotations

import errno
import os
import stat
from io import BufferedReader


class NoFile(OSError):
    """There is something, and it is no file."""


def open_file(path: bytes | str | os.PathLike[str]) -> BufferedReader:
    """A file, open to be read; never a pipe, a socket or a device.

    Raises OSError, NoFile among them, and ValueError for a path with a NUL.
    """
    _check(os.stat(path).st_mode)  # noqa: PTH116 -- bytes; a device may act when it is opened
    file = open(path, "rb", opener=_opener)  # noqa: SIM115 -- handed on open
    try:
        _check(os.fstat(file.fileno()).st_mode)  # it may have changed between
    except BaseException:
        file.close()
        raise
    return file


def _opener(path: str, flags: int) -> int:
    return os.open(path, flags | sum(getattr(os, n, 0) for n in ("O_NONBLOCK", "O_NOCTTY")))


def _check(mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(mode):
        raise NoFile(errno.EINVAL, "it is a pipe, a socket or a device, no file")
