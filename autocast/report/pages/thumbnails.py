"""Small copies for the pages, made once: a report written again takes what is there."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Container
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from autocast.archive.rows import Row, is_address
from autocast.errors import AutocastError
from autocast.judgement import Judgement
from autocast.picture import RgbSpace
from autocast.picture.writing import srgb_file
from autocast.report.pages.cards import Shown

Bytes = NDArray[np.uint8]

SIDE = 320
"""Long side of a small copy in pixels (project convention)."""
_QUALITY = 82
"""JPEG quality (project convention)."""
FOLDER = "small"
_END = b"\xff\xd9"
"""How a JPEG ends (ITU-T T.81, table B.1)."""


@dataclass(frozen=True, slots=True)
class Small:
    """The small copies of one picture: as addresses, and as files.

    ``new`` are the files to write, ``kept`` those of an earlier report that stay.
    """

    shown: Shown
    new: tuple[tuple[str, bytes], ...] = ()
    kept: tuple[str, ...] = ()


def names(row: Row) -> tuple[str, ...]:
    """The files that small copies of a picture are; none for what cannot be opened from here.

    A likely cast has a second one, with the move that its judgement proposes.
    """
    if row.failure is not None or is_address(row.path):
        return ()
    stem = f"{FOLDER}/{row.id % 100:02d}/{row.id}-{_stamp(row)}"
    if row.verdict != "cast":
        return (f"{stem}.jpg",)
    model = _short((row.model or "").encode("utf-8", "replace"))
    return f"{stem}.jpg", f"{stem}-{model}.jpg"


def small(
    row: Row, judgement: Judgement | None, to: Path, listed: Container[str], memory: int
) -> Small:
    """Make the small copies of one picture, but for those that are there.

    ``listed`` are files that an earlier report wrote into the folder ``to``; ``memory`` is what
    opening it may take, in bytes.
    """
    wanted = names(row)
    if not wanted:
        return Small(Shown())
    sizes = [_size(to / name) if name in listed else None for name in wanted]
    kept = tuple(name for name, size in zip(wanted, sizes, strict=True) if size is not None)
    size, new = sizes[0], []
    moved = len(wanted) > 1 and sizes[1] is not None
    if None in sizes:
        try:
            codes = _opened(row, memory)
        except AutocastError:
            return Small(Shown() if size is None else Shown(wanted[0], None, *size), (), kept)
        if size is None:
            new.append((wanted[0], jpeg(codes)))
            size = (codes.shape[1], codes.shape[0])
        if len(wanted) > 1 and not moved and judgement is not None:
            new.append((wanted[1], jpeg(_moved(codes, judgement))))
            moved = True
    assert size is not None  # noqa: S101 -- there, or made
    return Small(Shown(wanted[0], wanted[1] if moved else None, *size), tuple(new), kept)


def _moved(codes: Bytes, judgement: Judgement) -> Bytes:
    """The same with the move that its judgement proposes."""
    from autocast.correction import curves, proposed, recoded

    applied = curves(proposed(judgement), _srgb())
    return recoded(applied, codes.reshape(-1, 3)).reshape(codes.shape)


def _size(place: Path) -> tuple[int, int] | None:
    """Width and height of a small copy that is there whole; None where it is to be made."""
    from PIL import Image

    try:
        with place.open("rb") as file:
            file.seek(-len(_END), os.SEEK_END)
            whole = file.read() == _END
        with Image.open(place, formats=["JPEG"]) as image:
            size = image.size
    except (OSError, ValueError, SyntaxError):
        return None
    return size if whole else None


def _stamp(row: Row) -> str:
    """Changes with the picture: a small copy of other content is not taken for its own."""
    return _short(b"\0".join([row.path, str(row.size).encode(), str(row.mtime).encode()]))


def _short(seed: bytes) -> str:
    return hashlib.blake2b(seed, digest_size=6).hexdigest()


def _opened(row: Row, memory: int) -> Bytes:
    """8-bit sRGB (H, W, 3), upright."""
    from autocast.picture import reduced_pixels

    encoded = reduced_pixels(os.fsdecode(row.path), SIDE, memory)
    return np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8)


@cache
def _srgb() -> RgbSpace:
    """One for all small copies, so that what is worked out of it is kept, too."""
    from autocast.picture import srgb_space

    return srgb_space()


def jpeg(codes: Bytes) -> bytes:
    """8-bit sRGB (H, W, 3) as a JPEG that names its colour space."""
    return srgb_file(codes, "JPEG", quality=_QUALITY, subsampling=0)
