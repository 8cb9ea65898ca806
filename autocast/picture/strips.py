"""Rows of a picture some at a time, from the top down, as a file stores them.

Only of files whose rows can be had so: a TIFF in strips or tiles, or plain; a PNG that is
not interlaced. Values are those that a decoder gives of the whole.
"""

from __future__ import annotations

import contextlib
import math
import os
import struct
import zlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from autocast.picture.budget import AT_ONCE

if TYPE_CHECKING:
    import tifffile

# --- TIFF ------------------------------------------------------------------

_AS_STORED = (1, 1, 1)
"""Compression, predictor and fill order of rows that lie as they are (TIFF 6.0)."""


def is_plain(page: tifffile.TiffPage) -> bool:
    """Whether any rows can be read by themselves, however few strips there are."""
    stored = (int(page.compression), int(page.predictor), int(page.fillorder))
    return bool(page.is_contiguous) and stored == _AS_STORED


def tiff_cell(page: tifffile.TiffPage) -> tuple[int, int]:
    """Rows and columns of a strip or tile, as it is coded."""
    if page.is_tiled:
        return page.tilelength, page.tilewidth
    return page.rowsperstrip, page.shaped[3]


def tiff_rows(page: tifffile.TiffPage) -> int:
    """Rows that are read at a time: whole strips or tiles, where they are coded."""
    _, _, height, width, _ = page.shaped
    few = max(1, AT_ONCE // width)
    if is_plain(page):
        return min(few, height)
    each, _ = tiff_cell(page)
    return min(max(1, few // each) * each, height)


def tiff_parts(page: tifffile.TiffPage) -> Iterator[NDArray[Any]]:
    """The rows (H, W, samples) of a picture of one layer, some at a time."""
    planes, _, height, width, samples = page.shaped
    rows = tiff_rows(page)
    read = _stored if is_plain(page) else _decoded
    for first in range(0, height, rows):
        count = min(rows, height - first)
        part = np.empty((planes, count, width, samples), dtype=page.dtype)
        read(page, first, part)
        yield np.moveaxis(part, 0, -2).reshape(count, width, planes * samples)


def _stored(page: tifffile.TiffPage, first: int, part: NDArray[Any]) -> None:
    _, _, height, width, samples = page.shaped
    file = page.parent.filehandle
    kind = np.dtype(page.parent.byteorder + part.dtype.char)
    row = width * samples * kind.itemsize
    for plane, rows in enumerate(part):
        file.seek(page.dataoffsets[0] + (plane * height + first) * row)
        data = file.read(len(rows) * row)
        rows[:] = np.frombuffer(data, kind).reshape(rows.shape)


def _decoded(page: tifffile.TiffPage, first: int, part: NDArray[Any]) -> None:
    _, _, height, width, _ = page.shaped
    tall, wide = tiff_cell(page)
    down, across = math.ceil(height / tall), math.ceil(width / wide)
    file = page.parent.filehandle
    tables: dict[str, Any] = {}
    if page.jpegtables is not None:
        tables = {"jpegtables": page.jpegtables}
    for plane, rows in enumerate(part):
        for below in range(first, first + len(rows), tall):
            for column in range(across):
                index = (plane * down + below // tall) * across + column
                size = page.databytecounts[index]
                file.seek(page.dataoffsets[index])
                data = file.read(size) if size else None
                values, (_, _, top, left, _), _ = page.decode(data, index, **tables)
                room = rows[top - first : top - first + tall, left : left + wide]
                room[:] = page.nodata if values is None else values[0, : len(room), : room.shape[1]]


# --- PNG -------------------------------------------------------------------

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_READ = 1 << 20
"""Bytes of packed pixels that are in memory at a time."""
SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
"""Samples of a pixel by colour type (PNG, third edition, table 12)."""
_ALIKE = {1: (8, 0), 2: (8, 4), 3: (8, 2), 4: (8, 6), 6: (16, 2), 8: (16, 6)}
"""A depth and colour type whose pixels take so many bytes: filters know bytes alone (9.2)."""
_FILTERS = 4
"""The last type of filter."""


def png_header(file: BinaryIO) -> bytes:
    """What IHDR holds."""
    file.seek(16)
    return file.read(13)


def png_is_in_rows(header: bytes) -> bool:
    """Whether rows stand from top to bottom, not interlaced."""
    return header[12] == 0


def png_bare(file: BinaryIO) -> bytes:
    """A PNG of one row with all that stands beside the pixels of another."""
    header = png_header(file)
    row = zlib.compress(bytes(1 + _row_bytes(header)))
    parts = [_SIGNATURE, _chunk(b"IHDR", header[:4] + struct.pack(">I", 1) + header[8:12] + b"\0")]
    file.seek(33)
    before = True
    while len(head := file.read(8)) == 8:
        length, kind = struct.unpack(">I4s", head)
        if kind == b"IDAT":
            parts += [_chunk(b"IDAT", row)] if before else []
            before = False
            file.seek(length + 4, os.SEEK_CUR)
            continue
        parts.append(_chunk(kind, file.read(length)))
        file.seek(4, os.SEEK_CUR)
        if kind == b"IEND":
            break
    return b"".join(parts)


def png_parts(file: BinaryIO) -> Iterator[bytes]:
    """Some rows at a time, each as a PNG of its own, less what stands beside pixels.

    Filters are undone by the decoder: rows are handed to it below the row that went
    before them, as pixels of any kind that take as many bytes.
    """
    import imagecodecs

    header = png_header(file)
    width, height, depth, colour = struct.unpack(">IIBB", header[:10])
    row = _row_bytes(header)
    pixel = max(1, SAMPLES[colour] * depth // 8)
    alike = struct.pack(">BB", *_ALIKE[pixel]) + bytes(3)
    wide = row // pixel
    packed = _Packed(file)
    above = bytes(1 + row)
    for first in range(0, height, rows := max(1, AT_ONCE // width)):
        count = min(rows, height - first)
        lines = packed.take(count * (1 + row))
        if np.frombuffer(lines, np.uint8)[:: 1 + row].max() > _FILTERS:
            raise ValueError("no such filter")
        size = struct.pack(">II", wide, 1 + count)
        bare = imagecodecs.png_decode(_png(size + alike, {}, above + lines))
        bare = bare.astype(bare.dtype.newbyteorder(">"), copy=False)
        bytes_of = np.ascontiguousarray(bare).view(np.uint8).reshape(1 + count, row)[1:]
        plain = np.zeros((count, 1 + row), np.uint8)
        plain[:, 1:] = bytes_of
        above = plain[-1].tobytes()
        size = struct.pack(">II", width, count)
        yield _png(size + header[8:], packed.colours, plain.tobytes())
    packed.end()


def _row_bytes(header: bytes) -> int:
    """Bytes of a row, less that of its filter."""
    width, _, depth, colour = struct.unpack(">IIBB", header[:10])
    return int(width * SAMPLES[colour] * depth + 7) // 8


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", len(body), kind) + body + struct.pack(">I", zlib.crc32(kind + body))


def _png(header: bytes, colours: dict[bytes, bytes], lines: bytes) -> bytes:
    """A PNG of rows with their filters; they are not packed, only wrapped."""
    chunks = [_chunk(b"IHDR", header), *(_chunk(*each) for each in colours.items())]
    return b"".join((_SIGNATURE, *chunks, _chunk(b"IDAT", zlib.compress(lines, 0)), _END))


_END = _chunk(b"IEND", b"")


class _Packed:
    """The packed pixels of a PNG, unpacked as far as is asked for; ``colours`` say what they are.

    Raises EOFError where there are fewer, zlib.error where they are damaged.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._flow = zlib.decompressobj()
        self._left = 0
        self.colours: dict[bytes, bytes] = {}
        file.seek(33)
        while (kind := self._next()) != b"IDAT":
            body = file.read(self._left)
            if kind in (b"PLTE", b"tRNS"):
                self.colours[kind] = body
            file.seek(4, os.SEEK_CUR)

    def take(self, count: int) -> bytes:
        """So many bytes of them."""
        out = bytearray()
        data = self._flow.unconsumed_tail
        while len(out) < count:
            more = self._flow.decompress(data, count - len(out))  # the last call's, where empty
            out += more
            if self._flow.eof and len(out) < count:
                raise EOFError("there are fewer rows than the header says")
            data = self._flow.unconsumed_tail or (b"" if more else self._read())
        return bytes(out)

    def end(self) -> None:
        """Have the sum over all of them compared, where it is there (RFC 1950, 2.2)."""
        if not self._flow.eof:
            with contextlib.suppress(EOFError):
                self._flow.decompress(self._flow.unconsumed_tail or self._read(), 1)

    def _next(self) -> bytes:
        head = self._file.read(8)
        if len(head) < 8:
            raise EOFError("there are fewer rows than the header says")
        self._left, kind = struct.unpack(">I4s", head)
        return bytes(kind)

    def _read(self) -> bytes:
        while self._left == 0:
            self._file.seek(4, os.SEEK_CUR)
            if self._next() != b"IDAT":
                raise EOFError("there are fewer rows than the header says")
        data = self._file.read(min(_READ, self._left))
        if not data:
            raise EOFError("there are fewer bytes than the chunk says")
        self._left -= len(data)
        return data
