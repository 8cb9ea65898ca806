"""Small copies for the pages, made once: a report written again takes what is there."""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

import numpy as np

from autocast.archive.rows import Row, is_address
from autocast.errors import AutocastError
from autocast.picture.writing import srgb_file
from autocast.report.pages.cards import Shown
from autocast.report.pages.written import Written

if TYPE_CHECKING:
    from numpy.typing import NDArray

SIDE = 320
"""Long side of a small copy in pixels (project convention)."""
_QUALITY = 82
"""JPEG quality (project convention)."""
FOLDER = "small"
_END = b"\xff\xd9"
"""How a JPEG ends (ITU-T T.81, table B.1)."""


class Thumbnails:
    """Makes the small copies of a report; thread-safe."""

    def __init__(self, written: Written) -> None:
        self._written = written

    def of(self, row: Row) -> Shown:
        """The small copies of one picture; none for what cannot be opened from here."""
        if row.failure is not None or is_address(row.path):
            return Shown()
        stem = f"{FOLDER}/{row.id % 100:02d}/{row.id}-{_stamp(row)}"
        before = f"{stem}.jpg"
        size = self._size(before)
        if size is None:
            try:
                pixels = _opened(row)
            except AutocastError:
                return Shown()
            self._written.write(before, jpeg(pixels))
            size = (pixels.shape[1], pixels.shape[0])
        return Shown(before, self._moved(row, stem), *size)

    def _moved(self, row: Row, stem: str) -> str | None:
        """The same with the proposed move, for a likely cast."""
        if row.verdict != "cast":
            return None
        after = f"{stem}-{_short((row.model or '').encode('utf-8', 'replace'))}.jpg"
        if self._size(after) is None:
            try:
                pixels = _corrected(row)
            except AutocastError:
                return None
            self._written.write(after, jpeg(pixels))
        return after

    def _size(self, name: str) -> tuple[int, int] | None:
        """Width and height of a small copy that is there whole; None where it is to be made."""
        if not self._written.has(name):
            return None
        from PIL import Image

        place = self._written.to / name
        try:
            with place.open("rb") as file:
                file.seek(-len(_END), os.SEEK_END)
                whole = file.read() == _END
            with Image.open(place, formats=["JPEG"]) as image:
                size = image.size
        except (OSError, ValueError, SyntaxError):
            return None
        if not whole:
            return None
        self._written.keep(name)
        return size


def _stamp(row: Row) -> str:
    """Changes with the picture: a small copy of other content is not taken for its own."""
    return _short(b"\0".join([row.path, str(row.size).encode(), str(row.mtime).encode()]))


def _short(seed: bytes) -> str:
    return hashlib.blake2b(seed, digest_size=6).hexdigest()


def _opened(row: Row) -> NDArray[np.float32]:
    from autocast.picture import reduced_pixels

    return reduced_pixels(os.fsdecode(row.path), SIDE)


def _corrected(row: Row) -> NDArray[np.float32]:
    from autocast.correction import curves, plan
    from autocast.judging import examine
    from autocast.picture import srgb_space

    pixels = _opened(row)
    move = curves(plan(examine(os.fsdecode(row.path))), srgb_space())
    return move(pixels.reshape(-1, 3)).astype(np.float32).reshape(pixels.shape)


def jpeg(encoded: NDArray[np.float32]) -> bytes:
    """SRGB values (H, W, 3) of 0..1 as a JPEG that names its colour space."""
    codes = np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8)
    return srgb_file(codes, "JPEG", quality=_QUALITY, subsampling=0)
