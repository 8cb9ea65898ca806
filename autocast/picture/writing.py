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
        beside = _beside(to, mode)
    except (OSError, ValueError) as error:
        raise _unwritable(to, error) from error
    try:
        yield beside
        if mode is not None:
            beside.chmod(mode)
        if force:
            beside.replace(to)
        else:
            _place_new(beside, to)
    except OSError as error:
        raise _unwritable(to, error) from error
    finally:
        beside.unlink(missing_ok=True)


def write_whole(to: Path, content: bytes) -> None:
    """Write a file in one go; one that is there is replaced. Raises OutputError."""
    with whole(to) as beside:
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


def _place_new(beside: Path, to: Path) -> None:
    try:
        to.hardlink_to(beside)
    except FileExistsError:
        raise _taken(to) from None
    except OSError:  # a file system without links
        if os.path.lexists(to):
            raise _taken(to) from None
        beside.replace(to)


def _unwritable(to: Path, error: OSError | ValueError) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    if isinstance(error, FileNotFoundError | NotADirectoryError) and not to.parent.is_dir():
        return OutputError(f"{to.parent} does not exist; make the folder first.")
    return OutputError(f"{to} cannot be written ({reason}); free space there, or name another.")


def _beside(to: Path, mode: int | None) -> Path:
    """A new, empty, hidden file in the same folder, with the permissions that it is to have.

    Its name is short whatever that of ``to`` is, and it is made here rather than by ``tempfile``,
    whose files are for their owner alone: what else they should be is told by the process's
    mask, which cannot be read without setting it for every thread.
    """
    permissions = 0o666 if mode is None else mode & 0o777
    while True:
        beside = to.with_name(f".autocast-{os.urandom(6).hex()}.new")
        with contextlib.suppress(FileExistsError):
            os.close(os.open(beside, os.O_CREAT | os.O_EXCL | os.O_WRONLY, permissions | 0o200))
            return beside


def _mode(to: Path) -> int | None:
    """The permissions of the file that is replaced; None where there is none."""
    try:
        return to.stat().st_mode & 0o7777
    except FileNotFoundError:
        return None
