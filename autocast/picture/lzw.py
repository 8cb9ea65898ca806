"""LZW of TIFF is unpacked by libtiff.

The decoder that tifffile takes by itself (``lzw_decode`` of imagecodecs, up to 2026.3.6 at least)
looks codes of a damaged strip up in memory that nobody wrote: what it finds there differs from
run to run, and may end the process. libtiff refuses such codes.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any

from autocast.picture.strips import tiff_cell

if TYPE_CHECKING:
    import numpy as np
    import tifffile
    from numpy.typing import NDArray

_SHORT, _LONG = 3, 4
_LZW = 5
_BLACK_IS_ZERO = 1


def unpacked_by_libtiff(page: tifffile.TiffPage) -> None:
    """Let all that decodes this page's strips or tiles have them unpacked by libtiff.

    Pages that are not LZW stay as they are. The rest, such as the predictor, is left to
    tifffile, for which the page is then one that is not packed.
    """
    if page.compression != _LZW or "decode" in vars(page):
        return
    order = page.fillorder
    none, first_bit_high = type(page.compression)(1), type(order)(1)
    page.compression, page.fillorder = none, first_bit_high
    try:
        plain = page.decode
    finally:
        page.compression, page.fillorder = type(none)(_LZW), order

    def decode(data: bytes | None, index: int, **rest: Any) -> Any:  # noqa: ANN401 -- as tifffile's
        if data is None:
            return plain(data, index, **rest)
        _, _, height, _, each = page.shaped
        tall, wide = tiff_cell(page)
        row = (wide * each * page.bitspersample + 7) // 8
        down = -(-height // tall)
        rows = tall if page.is_tiled else min(tall, height - index % down * tall)
        return plain(_unpacked(data, rows, row, order), index, **rest)

    vars(page)["decode"] = decode


def _unpacked(data: bytes, rows: int, row: int, order: int) -> NDArray[np.uint8]:
    """The bytes (rows, row) of a strip, read as a TIFF of its own (TIFF 6.0, sections 2 and 13)."""
    import imagecodecs

    at = 8
    fields = [
        (256, _LONG, row),  # ImageWidth
        (257, _LONG, rows),  # ImageLength
        (258, _SHORT, 8),  # BitsPerSample
        (259, _SHORT, _LZW),  # Compression
        (262, _SHORT, _BLACK_IS_ZERO),  # PhotometricInterpretation
        (266, _SHORT, order),  # FillOrder
        (273, _LONG, at),  # StripOffsets
        (277, _SHORT, 1),  # SamplesPerPixel
        (278, _LONG, rows),  # RowsPerStrip
        (279, _LONG, len(data)),  # StripByteCounts
    ]
    even = b"\0" * (len(data) % 2)
    parts = [
        struct.pack("<2sHI", b"II", 42, at + len(data) + len(even)),
        data,
        even,
        struct.pack("<H", len(fields)),
        *(struct.pack("<HHII", code, kind, 1, value) for code, kind, value in fields),
        struct.pack("<I", 0),
    ]
    return imagecodecs.tiff_decode(b"".join(parts))
