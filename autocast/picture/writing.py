"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import io
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autocast.errors import OutputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@contextlib.contextmanager
def whole(to: Path, *, force: bool = True) -> Iterator[Path]:
    """A new file beside ``to`` that takes its place once it is whole; nothing is left otherwise.

    A file that is replaced hands its permissions on. Without ``force`` a file
    that has come to be there meanwhile is kept. Raises OutputError.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=".", suffix=to.suffix, dir=to.parent)
    except OSError as error:
        raise _unwritable(to, error) from error
    os.close(handle)
    beside = Path(name)
    try:
        yield beside
        beside.chmod(_mode(to))
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
    from PIL import Image, ImageCms

    # Untagged numbers would be shown in whatever the screen makes of them.
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    out = io.BytesIO()
    Image.fromarray(codes).save(out, kind, icc_profile=profile, **options)
    return out.getvalue()


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


def _unwritable(to: Path, error: OSError) -> OutputError:
    if not to.parent.is_dir():
        return OutputError(f"{to.parent} does not exist; make the folder first.")
    reason = error.strerror or str(error)
    return OutputError(f"{to} cannot be written ({reason}); free space there, or name another.")


def _mode(to: Path) -> int:
    """The permissions a file has, or a new one gets; temporary files are for their owner alone."""
    if to.exists():
        return to.stat().st_mode & 0o7777
    # There is no way to read the mask but to set it.
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
