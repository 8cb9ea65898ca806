"""What opening a picture takes of memory, told before it is taken, and what is allowed.

Costs are bytes beside what the process holds already, by what a file's header says: pixels as
the decoder holds them, as an array, and what averaging takes. Factors follow from how the
decoders store pixels; those of libraries that do not tell are marked as measured, and
``tests/studies/memory.py`` compares all with what is taken.
"""

from __future__ import annotations

import math
import re
from typing import BinaryIO

from autocast.errors import PictureTooLarge

MEMORY = 1_000_000_000
"""Bytes that a picture may take unless told otherwise (project convention)."""
LOOK_SIDE = 512
"""Least long side at which borders are looked for, where the picture has as much."""
WORKING_SIDE = 256
"""Longest side of the working pixels (project convention)."""
LINES_AT_ONCE = 24
"""Rows or columns averaged at a time: few, since a product of matrices wastes work on zeros."""
VALUES_AT_ONCE = 1 << 23
"""Values averaged at a time, at most (project convention)."""
BESIDE = 16_000_000
"""What small things take together: libraries at first use, one strip, tables (measured)."""

AT_ONCE = 1 << 20
"""Pixels read at a time, where a file lets one (project convention)."""
_HELD = {"1": 1, "L": 1, "P": 1, "I;16": 2, "I;16L": 2, "I;16B": 2, "I;16N": 2}
"""Bytes of a pixel as Pillow holds it, by mode; all others take 4."""
_CONVERTED = {"1": 1, "P": 4, "PA": 4, "La": 4, "RGBa": 4, "RGBX": 4, "YCbCr": 4, "HSV": 4}
"""Bytes of a pixel that it holds beside, in another mode."""
_SAMPLES = {
    "1": 1, "L": 1, "P": 3, "LA": 2, "La": 2, "RGB": 3, "RGBX": 3, "YCbCr": 3, "HSV": 3,
    "PA": 4, "RGBA": 4, "RGBa": 4, "CMYK": 4,
}  # fmt: skip
"""Values of a pixel as an array, by mode, where they are bytes."""
_COMPUTED = 32
"""Bytes of a pixel as an array where its values are computed or compared (measured)."""


def averaging(width: int, height: int, samples: int, *, both: bool = False) -> int:
    """Bytes that averaging takes beside the pixels.

    Parameters
    ----------
    width, height : int
        Of the pixels that are averaged, as they are stored.
    samples : int
        Values of a pixel, alpha among them.
    both : bool
        Whether averages to look at and averages to work with are made in one pass.

    Returns
    -------
    int
        Columns keep their length until rows are averaged; values are 4 bytes.
    """
    long = max(width, height)
    side = math.ceil(long / max(1, long // LOOK_SIDE)) + (WORKING_SIDE if both else 0)
    rows = math.ceil(side * height / long) + 2
    tall = max(LINES_AT_ONCE, math.ceil(2 * height / WORKING_SIDE))
    block = min(tall * width * samples, VALUES_AT_ONCE)
    # Those that wait for more rows, and those that are counted.
    return 4 * (rows * width * samples + (4 if both else 2) * block) + BESIDE


def image(mode: str, width: int, height: int, *, transparent: bool = False) -> int:
    """Bytes of an image that Pillow decodes in full and that becomes an array.

    Parameters
    ----------
    mode : str
        Pillow's name of its kind of pixels.
    width, height : int
        In pixels.
    transparent : bool
        Whether one colour or entry of the palette is transparent.

    Returns
    -------
    int
        Pixels as Pillow holds them, once more where they are converted, and the array.
    """
    count = samples(mode, transparent=transparent)
    held = _HELD.get(mode, 4) + (4 if transparent else _CONVERTED.get(mode, 0))
    each = count if mode in _SAMPLES else _COMPUTED
    return width * height * (held + each) + averaging(width, height, count)


def samples(mode: str, *, transparent: bool = False) -> int:
    """Values of a pixel of an image, alpha among them.

    Parameters
    ----------
    mode : str
        Pillow's name of its kind of pixels.
    transparent : bool
        Whether one colour or entry of the palette is transparent.

    Returns
    -------
    int
        1 to 4.
    """
    if transparent:
        return 2 if mode in ("1", "L") else 4
    return _SAMPLES.get(mode, 4)


def array(width: int, height: int, samples: int, each: float) -> int:
    """Bytes of a picture that is decoded into an array at once.

    Parameters
    ----------
    width, height : int
        In pixels.
    samples : int
        Values of a pixel, alpha among them.
    each : float
        Bytes that a pixel takes.

    Returns
    -------
    int
        With what averaging takes.
    """
    return math.ceil(width * height * each) + averaging(width, height, samples)


def in_parts(width: int, height: int, samples: int, each: int, rows: int = 1) -> int:
    """Bytes of a picture that is read in parts.

    Parameters
    ----------
    width, height : int
        In pixels, as they are stored.
    samples : int
        Values of a pixel, alpha among them.
    each : int
        Bytes that a pixel takes while it is read.
    rows : int
        Least number that can be read at a time.

    Returns
    -------
    int
        With what averaging takes.
    """
    return max(AT_ONCE, rows * width) * each + averaging(width, height, samples, both=True)


_FRAMES = (*range(0xC0, 0xC4), *range(0xC5, 0xC8), *range(0xC9, 0xCC), *range(0xCD, 0xD0))
"""Markers that begin a frame (ITU-T T.81, table B.1)."""
_SEQUENTIAL = (0xC0, 0xC1, 0xC9)
"""Those whose coefficients need not be kept, where one scan holds all colours."""


def jpeg_coefficients(file: BinaryIO) -> int:
    """Bytes of the coefficients that a decoder keeps until it has met all scans.

    Parameters
    ----------
    file : binary file
        A JPEG; it is left anywhere.

    Returns
    -------
    int
        Two bytes each, in blocks of 8 x 8; 0 where there is one scan, which is decoded as it
        comes.
    """
    file.seek(2)
    frame, sequential = b"", False
    while len(head := file.read(4)) == 4 and head[0] == 0xFF:
        marker, length = head[1], int.from_bytes(head[2:], "big")
        if marker == 0xFF:  # fill
            file.seek(-3, 1)
            continue
        body = file.read(max(0, length - 2))
        if marker in _FRAMES and len(body) >= 6:
            frame, sequential = body, marker in _SEQUENTIAL
        elif marker == 0xDA and frame and body:
            return 0 if sequential and body[0] == frame[5] else _blocks(frame)
    return 0


def _blocks(frame: bytes) -> int:
    height, width = int.from_bytes(frame[1:3], "big"), int.from_bytes(frame[3:5], "big")
    parts = [(each >> 4 or 1, each & 15 or 1) for each in frame[7 : 6 + 3 * frame[5] : 3]]
    wide, tall = (max((part[k] for part in parts), default=1) for k in (0, 1))
    across, down = math.ceil(width / (8 * wide)), math.ceil(height / (8 * tall))
    return sum(2 * 64 * across * each[0] * down * each[1] for each in parts)


def in_words(size: int, *, up: bool = True) -> str:
    """A number of bytes in words.

    Parameters
    ----------
    size : int
        Bytes.
    up : bool
        Round up, as what is needed; down, as what is there.

    Returns
    -------
    str
        ``800 MB`` or ``2.9 GB``, of 10^6 and 10^9 bytes.

    Examples
    --------
    >>> in_words(800_000_000), in_words(2_810_000_000), in_words(2_810_000_000, up=False)
    ('800 MB', '2.9 GB', '2.8 GB')
    """
    rounded = math.ceil if up else math.floor
    megabytes = rounded(size / 1e6)
    return f"{megabytes} MB" if megabytes < 1000 else f"{rounded(size / 1e8) / 10:g} GB"


_SIZE = re.compile(r"(\d{1,9}(?:\.\d{1,9})?) ?([mg])b", re.IGNORECASE | re.ASCII)


def size_of(text: str) -> int | None:
    """The bytes that a text names.

    Parameters
    ----------
    text : str
        A number and ``MB`` or ``GB``, of 10^6 and 10^9 bytes.

    Returns
    -------
    int or None
        At least one; None where the text names no such size.

    Examples
    --------
    >>> size_of("1.5GB"), size_of("800 mb"), size_of("800"), size_of("0GB")
    (1500000000, 800000000, None, None)
    """
    found = _SIZE.fullmatch(text.strip())
    if found is None:
        return None
    return round(float(found[1]) * (1e9 if found[2] in "gG" else 1e6)) or None


def allow(name: str, needs: int, memory: int | None, purpose: str = "to read") -> None:
    """Refuse a picture that takes more memory than is allowed.

    Parameters
    ----------
    name : str
        What to call it.
    needs : int
        Bytes that opening it takes.
    memory : int or None
        Bytes that are allowed; None allows all.
    purpose : str
        What the memory is for.

    Raises
    ------
    PictureTooLarge
        It takes more.
    """
    if memory is not None and needs > memory:
        raise PictureTooLarge(refusal(name, needs, memory, purpose=purpose), needs)


def refusal(
    name: str, needs: int, memory: int, remedy: str = "", *, purpose: str = "to read"
) -> str:
    """The sentence for a picture that takes more memory than is allowed.

    Parameters
    ----------
    name : str
        What to call it.
    needs, memory : int
        Bytes that it takes, and that are allowed.
    remedy : str
        How it is allowed more; by ``--memory`` unless given.
    purpose : str
        What the memory is for.

    Returns
    -------
    str
        What it would take, what is allowed, and what to do.
    """
    much = in_words(needs)
    remedy = remedy or f"allow it with --memory {much.replace(' ', '')}"
    return (
        f"{name} takes {much} of memory {purpose}, where {in_words(memory, up=False)} is allowed; "
        f"{remedy}, or give a smaller copy."
    )
