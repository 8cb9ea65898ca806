"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from autocast.errors import OutputError
from autocast.report.text import printable


def write_whole(to: Path, content: bytes) -> None:
    """Write a file under another name and move it into place; one that is there is replaced.

    Raises OutputError when it cannot be written.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=".writing-", suffix=to.suffix, dir=to.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            Path(name).chmod(0o666 & ~_umask())
            Path(name).replace(to)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        shown = printable(str(to))
        raise OutputError(f"{shown} cannot be written: {error.strerror or error}.") from error


def _umask() -> int:
    # There is no way to read it but to set it.
    mask = os.umask(0)
    os.umask(mask)
    return mask
