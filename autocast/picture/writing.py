"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autocast.errors import OutputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class NotWritten(OSError):
    """Writing failed; so that it is not taken for a failure to read what is written from."""


@contextlib.contextmanager
def writing() -> Iterator[None]:
    """Within, an error of the system is one of writing: NotWritten."""
    try:
        yield
    except OSError as error:
        raise NotWritten(error.errno, error.strerror or str(error)) from error


@contextlib.contextmanager
def whole(to: Path, *, force: bool = True) -> Iterator[Path]:
    """A new file beside ``to`` that takes its place once it is whole; nothing is left otherwise.

    A file that is replaced hands its permissions on. Without ``force`` a file
    that has come to be there meanwhile is kept. Raises OutputError.
    """
    try:
        mode = _mode(to)
        beside = _nameless(to, mode) or _Hidden(to, mode)
    except (OSError, ValueError) as error:
        raise _unwritable(to, error) from error
    try:
        yield beside.path
        if mode is not None:
            beside.path.chmod(mode)
        beside.place(to, force=force)
    except OSError as error:
        raise _unwritable(to, error) from error
    finally:
        beside.close()


def write_whole(to: Path, content: bytes, *, force: bool = True) -> None:
    """Write a file in one go; one that is there is replaced by ``force``. Raises OutputError."""
    with whole(to, force=force) as beside:
        beside.write_bytes(content)


def srgb_file(codes: NDArray[np.uint8], kind: str, **options: Any) -> bytes:  # noqa: ANN401 -- Pillow's
    """Codes as a file with the sRGB profile.

    Parameters
    ----------
    codes : (H, W, 3) ndarray of uint8
        8-bit sRGB.
    kind : str
        A kind that Pillow writes, such as ``PNG``.
    **options : object
        Pillow's options for that kind.

    Returns
    -------
    bytes
        The whole file.
    """
    from PIL import Image

    out = io.BytesIO()
    # Untagged numbers would be shown in whatever the screen makes of them.
    Image.fromarray(codes).save(out, kind, icc_profile=_srgb_profile(), **options)
    return out.getvalue()


@cache
def _srgb_profile() -> bytes:
    from PIL import ImageCms

    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def check_free(to: Path, *, force: bool) -> None:
    """Refuse, before any work is done, to replace a file unasked. Raises OutputError."""
    if not force and os.path.lexists(to):
        raise _taken(to)


def _taken(to: Path) -> OutputError:
    return OutputError(f"{to} exists already; choose another name or add --force.")


def _unwritable(to: Path, error: OSError | ValueError) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    if isinstance(error, FileNotFoundError | NotADirectoryError) and not to.parent.is_dir():
        return OutputError(f"{to.parent} does not exist; make the folder first.")
    return OutputError(f"{to} cannot be written ({reason}); free space there, or name another.")


class _Nameless:
    """A new file in the folder of ``to``, without a name until it is whole (open(2), O_TMPFILE).

    The system takes it away with the process that writes it. To replace a file it has
    a hidden name for the moment between two calls.
    """

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self.path = Path(f"/proc/self/fd/{handle}")

    def place(self, to: Path, *, force: bool) -> None:
        """Give it its name. Raises OSError, and OutputError where another file has it."""
        try:
            self._link(to)
        except FileExistsError:
            if not force:
                raise _taken(to) from None
            hidden = _hidden(to)
            try:
                self._link(hidden)
                hidden.replace(to)
            finally:
                hidden.unlink(missing_ok=True)

    def _link(self, to: Path) -> None:
        # Only where a folder is named does Python follow what /proc shows (linkat(2)).
        os.link(self.path, to, src_dir_fd=self._handle, follow_symlinks=True)

    def close(self) -> None:
        """Leave nothing that has not got its name."""
        os.close(self._handle)


class _Hidden:
    """The same under a hidden name, for where every file has one; ``kill -9`` leaves it behind."""

    def __init__(self, to: Path, mode: int | None) -> None:
        while True:
            self.path = _hidden(to)
            with contextlib.suppress(FileExistsError):
                flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY
                os.close(os.open(self.path, flags, _permissions(mode)))
                return

    def place(self, to: Path, *, force: bool) -> None:
        """Give it its name. Raises OSError, and OutputError where another file has it."""
        if force:
            self.path.replace(to)
            return
        try:
            to.hardlink_to(self.path)
        except FileExistsError:
            raise _taken(to) from None
        except OSError:  # a file system without links
            if os.path.lexists(to):
                raise _taken(to) from None
            self.path.replace(to)

    def close(self) -> None:
        """Leave nothing that has not got its name."""
        self.path.unlink(missing_ok=True)


def _nameless(to: Path, mode: int | None) -> _Nameless | None:
    """None where the system or the file system has no such files."""
    kind = getattr(os, "O_TMPFILE", None)
    if kind is None:
        return None
    try:
        handle = os.open(to.parent, kind | os.O_RDWR, _permissions(mode))
    except OSError:
        return None
    beside = _Nameless(handle)
    if beside.path.exists():
        return beside
    beside.close()  # /proc is not there
    return None


def _hidden(to: Path) -> Path:
    """A hidden name in the same folder, short whatever that of ``to`` is."""
    return to.with_name(f".autocast-{os.urandom(6).hex()}.new")


def _permissions(mode: int | None) -> int:
    """What a new file is made with; what a umask leaves of it where none is replaced.

    ``tempfile``'s are for their owner alone: what else they should be is told by the process's
    mask, which cannot be read without setting it for every thread.
    """
    return (0o666 if mode is None else mode & 0o777) | 0o200


def _mode(to: Path) -> int | None:
    """The permissions of the file that is replaced; None where there is none."""
    try:
        return to.stat().st_mode & 0o7777
    except FileNotFoundError:
        return None
