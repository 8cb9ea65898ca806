"""Small copies for the pages, made once: a report written again takes what is there."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from autocast.archive.rows import Row, is_address
from autocast.errors import AutocastError
from autocast.picture.writing import srgb_file, write_whole
from autocast.report.pages.cards import Shown

if TYPE_CHECKING:
    from numpy.typing import NDArray

SIDE = 320
"""Long side of a small copy in pixels (project convention)."""
_QUALITY = 82
"""JPEG quality (project convention)."""
FOLDER = "small"


class Thumbnails:
    """Makes small copies in ``to``; thread-safe. ``used`` are the files the report refers to."""

    def __init__(self, to: Path) -> None:
        self.to = to
        self.used: set[str] = set()

    def of(self, row: Row) -> Shown:
        """The small copies of one picture; none for what cannot be opened from here."""
        if row.failure is not None or is_address(row.path):
            return Shown()
        stem = f"{FOLDER}/{row.id % 100:02d}/{row.id}-{_stamp(row)}"
        before = f"{stem}.jpg"
        place = self.to / before
        if not place.exists():
            try:
                pixels = _opened(row)
            except AutocastError:
                return Shown()
            place.parent.mkdir(parents=True, exist_ok=True)
            write_whole(place, jpeg(pixels))
        self.used.add(before)
        width, height = _size(place)
        return Shown(before, self._moved(row, stem), width, height)

    def _moved(self, row: Row, stem: str) -> str | None:
        """The same with the proposed move, for a likely cast."""
        if row.verdict != "cast":
            return None
        after = f"{stem}-{row.model}.jpg"
        place = self.to / after
        if not place.exists():
            try:
                write_whole(place, jpeg(_corrected(row)))
            except AutocastError:
                return None
        self.used.add(after)
        return after

    def sweep(self) -> None:
        """Remove the small copies that the report no longer shows."""
        for place in (self.to / FOLDER).glob("*/*.jpg"):
            if place.relative_to(self.to).as_posix() not in self.used:
                place.unlink(missing_ok=True)


def _stamp(row: Row) -> str:
    """Changes with the picture: a small copy of other content is not taken for its own."""
    seed = b"\0".join([row.path, str(row.size).encode(), str(row.mtime).encode()])
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


def _size(place: Path) -> tuple[int, int]:
    from PIL import Image

    with Image.open(place) as image:
        return image.size


def jpeg(encoded: NDArray[np.float32]) -> bytes:
    """SRGB values (H, W, 3) of 0..1 as a JPEG that names its colour space."""
    codes = np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8)
    return srgb_file(codes, "JPEG", quality=_QUALITY, subsampling=0)
