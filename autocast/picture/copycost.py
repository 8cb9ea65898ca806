"""What writing a copy of a file takes of memory, told before any work is done.

The kinds differ: a TIFF is changed strip by strip, of a PNG, a JPEG and a WebP all pixels are
held, and their encoders hold more. Factors are measured (``tests/studies/memory.py``).
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import BinaryIO

from autocast.picture import budget, decoding, strips
from autocast.picture.reading import open_file

_WEBP = 54
"""Bytes of a pixel that the encoder of WebP takes, with the image (measured)."""
_CODED = 3
"""How often the coded bytes are there at a time: read, written, put together (measured)."""
_STRIP = 6
"""How often the values of a strip or tile are there while it is changed (measured)."""


def check_memory(source: Path, memory: int) -> None:
    """Refuse to copy a file where that takes more bytes than are allowed.

    Raises PictureTooLarge; what is wrong with a file is for those who read it to say.
    """
    try:
        with open_file(source) as file:
            needs = _needs(file, str(source))
    except Exception:  # noqa: BLE001 -- a decoder's, of a damaged file
        return
    budget.allow(str(source), needs, memory, "to copy")


def _needs(file: BinaryIO, name: str) -> int:
    kind = decoding.kind_of(file.read(64), name)
    length = file.seek(0, os.SEEK_END)
    file.seek(0)
    if kind == "TIFF":
        return _tiff(file)
    with decoding.pillow_image(kind, file, name) as image:
        pixels, samples = image.width * image.height, budget.samples(image.mode)
        coded = _CODED * length + budget.BESIDE
        if kind == "JPEG":
            # Twice: it is judged while it is decoded for the copy.
            return 4 * pixels + 2 * budget.jpeg_coefficients(file) + coded
        if kind == "WEBP":
            return _WEBP * pixels + coded
        header = strips.png_header(file)
        if header[8] == 16:
            return 2 * strips.SAMPLES[header[9]] * pixels + coded
        held = 8 if image.mode in ("P", "PA") else 4
        return (held + 2 * samples) * pixels + coded


def _tiff(file: BinaryIO) -> int:
    import tifffile

    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages.first
        if not isinstance(page, tifffile.TiffPage):
            raise ValueError("no picture of its own")  # noqa: TRY004 -- as of damage
        if page.compression == 1:
            return budget.BESIDE  # changed some rows at a time
        rows, columns = strips.tiff_cell(page)
        each = min(rows, page.shaped[2]) * columns * page.samplesperpixel * page.bitspersample // 8
        most = min(len(page.dataoffsets), (os.cpu_count() or 1) + 2)
        return _STRIP * each * most + budget.BESIDE
