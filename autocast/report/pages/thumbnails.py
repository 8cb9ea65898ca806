"""Small copies for the pages, made once: a report written again takes what is there."""

from __future__ import annotations

import hashlib
import os
from functools import cache

import numpy as np
from numpy.typing import NDArray

from autocast.archive.rows import Row, is_address
from autocast.errors import AutocastError
from autocast.judgement import Judgement
from autocast.picture import RgbSpace
from autocast.picture.writing import srgb_file
from autocast.report.pages.cards import Shown
from autocast.report.pages.written import Written

Bytes = NDArray[np.uint8]

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
        """The small copies of one picture; none for what cannot be opened from here.

        A likely cast has a second one, with the move that its judgement proposes.
        """
        if row.failure is not None or is_address(row.path):
            return Shown()
        stem = f"{FOLDER}/{row.id % 100:02d}/{row.id}-{_stamp(row)}"
        before, after = f"{stem}.jpg", None
        if row.verdict == "cast":
            after = f"{stem}-{_short((row.model or '').encode('utf-8', 'replace'))}.jpg"
        size = self._size(before)
        moved = after is not None and self._size(after) is not None
        if size is None or (after is not None and not moved):
            try:
                codes = _opened(row)
            except AutocastError:
                return Shown() if size is None else Shown(before, None, *size)
            if size is None:
                self._written.write(before, jpeg(codes))
                size = (codes.shape[1], codes.shape[0])
            if after is not None and not moved:
                moved = self._move(row, codes, after)
        return Shown(before, after if moved else None, *size)

    def _move(self, row: Row, codes: Bytes, to: str) -> bool:
        """Write the same with the move that its judgement proposes, if that can be read."""
        from autocast.correction import curves, proposed, recoded

        try:
            judgement = Judgement.from_json(row.document or "")
        except AutocastError:
            return False
        applied = curves(proposed(judgement), _srgb())
        new = recoded(applied, codes.reshape(-1, 3)).reshape(codes.shape)
        self._written.write(to, jpeg(new))
        return True

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


def _opened(row: Row) -> Bytes:
    """8-bit sRGB (H, W, 3), upright."""
    from autocast.picture import reduced_pixels

    encoded = reduced_pixels(os.fsdecode(row.path), SIDE)
    return np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8)


@cache
def _srgb() -> RgbSpace:
    """One for all small copies, so that what is worked out of it is kept, too."""
    from autocast.picture import srgb_space

    return srgb_space()


def jpeg(codes: Bytes) -> bytes:
    """8-bit sRGB (H, W, 3) as a JPEG that names its colour space."""
    return srgb_file(codes, "JPEG", quality=_QUALITY, subsampling=0)
