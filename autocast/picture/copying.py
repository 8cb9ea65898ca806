"""A copy of a file with its colours changed and everything else kept.

Every kind keeps its own container: pixels are exchanged, and what stands beside
them (ICC profile, EXIF, XMP, IPTC, resolution, orientation, comments) is carried
over as bytes. The original is only read. What is changed is one function of
colour, so pixels are taken as they are stored, in strips, and not turned.
"""

from __future__ import annotations

import io
import os
import shutil
import struct
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFile

from autocast.errors import OutputError, PictureError, UnreadablePicture, UnsupportedPicture
from autocast.picture import decoding
from autocast.picture.decoding import ASSOCIATED, SEPARATE, top_of
from autocast.picture.lzw import unpacked_by_libtiff
from autocast.picture.opening import open_picture
from autocast.picture.reading import NoFile, open_file
from autocast.picture.writing import check_free, whole, writing

if TYPE_CHECKING:
    import tifffile

T = TypeVar("T")
Made = TypeVar("Made")
Floats = NDArray[np.float64]
Change = Callable[[NDArray[Any]], NDArray[Any]]
"""Codes (n, 3) in the file's own RGB to new ones of their type: 8 or 16 bits, or floats 0..1.

Of (n, 4) and more, what lies beyond the third is kept. It is called by several threads at once.
"""
Read = Callable[[int, int], bytes]
"""A number of bytes from an offset."""
Ahead = Future[ImageFile.ImageFile] | None
"""A picture that is being decoded, by :func:`decoding_ahead`."""
Report = Callable[[int, int], None]
"""Called with how much of the copy is done, and of how much."""

WRITTEN = {
    "JPEG": (".jpg", ".jpeg", ".jpe"),
    "PNG": (".png",),
    "TIFF": (".tif", ".tiff"),
    "WEBP": (".webp",),
}
"""Kinds that a copy is written of, and the endings of their names."""
_AT_ONCE = 1 << 17
"""Pixels changed at a time, to keep memory small (project convention)."""
_MOST_AHEAD = 50_000_000
"""Pixels of a picture that is decoded before a copy is sure to be made (project convention)."""
_READ_AHEAD = 1 << 22
"""Bytes decoded at a time there: after each, a thread asks for the interpreter again."""
_WEBP_QUALITY = 92
"""Quality of a copy of a lossy WebP, which does not tell its own (project convention)."""
_SEGMENT_END = 0xDA


@contextmanager
def _opened(source: Path) -> Iterator[BinaryIO]:
    """The original, open to be read. Raises UnreadablePicture."""
    try:
        file = open_file(source)
    except IsADirectoryError:
        raise UnreadablePicture(f"{source} is a folder; give the pictures in it.") from None
    except NoFile as error:
        raise UnreadablePicture(
            f"{source} cannot be read: {error.strerror}; give a file."
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise UnreadablePicture(f"{source} cannot be read ({reason}); check the path.") from error
    with file:
        yield file


def _written_kind(source: Path) -> str:
    """The kind of the original, once it is sure that copies of it are written.

    Raises PictureError.
    """
    with _opened(source) as file:
        kind = decoding.kind_of(file.read(64), str(source))
    if kind not in WRITTEN:
        raise UnsupportedPicture(
            f"{source} is {kind}, of which no copy is written; "
            "save it as TIFF, PNG, JPEG or WebP and correct that."
        )
    return kind


def check_target(  # noqa: PLR0913 -- what differs between files, by name
    source: Path,
    to: Path,
    *,
    force: bool,
    suffixes: Sequence[str] = (),
    what: str = "",
    source_is: str = "the original, which is never changed",
) -> None:
    """Refuse, before any work is done, a place where a file must not be written.

    ``what`` says what the file is, such as ``The pair is a PNG``, where its name has
    to end in one of ``suffixes``. Raises OutputError.
    """
    if suffixes and to.is_dir():
        end = source.suffix if source.suffix.lower() in suffixes else suffixes[0]
        named = to / f"{source.stem}{end}"
        if named.exists():
            named = to / f"{source.stem}-new{end}"
        raise OutputError(f"{to} is a folder; name a file in it, such as {named}.")
    if suffixes and to.suffix.lower() not in suffixes:
        raise OutputError(f"{what}; give {to} a name that ends in {suffixes[0]}.")
    if _is_same(to, source):
        raise OutputError(f"{to} is {source_is}; give another name.")
    check_free(to, force=force)


def _is_same(one: Path, other: Path) -> bool:
    """Whether two paths lead to one file, which need not be there yet."""
    try:
        return one.samefile(other)
    except OSError:
        return os.path.realpath(one) == os.path.realpath(other)
    except ValueError as error:
        raise OutputError(f"{str(one)!r} can be no path ({error}); give another.") from error


def check_copy(source: Path, to: Path, *, force: bool) -> str:
    """The kind of a copy, once it may be written; before any work is done.

    Raises PictureError or OutputError.
    """
    kind = _written_kind(source)
    what = f"A copy stays {kind} like its original"
    check_target(source, to, force=force, suffixes=WRITTEN[kind], what=what)
    return kind


@contextmanager
def decoding_ahead(source: Path) -> Iterator[Ahead]:
    """Within, a JPEG is decoded by a thread of its own, for a copy whose move is still sought.

    What fails there fails once the copy is made. None of other kinds, of which not all is
    decoded at once, and where one processor has to do all.
    """
    if (os.cpu_count() or 1) == 1 or _written_kind(source) != "JPEG":
        yield None
        return
    with _opened(source) as file, ThreadPoolExecutor(1) as pool:
        yield pool.submit(_decoded, file, str(source))


def _decoded(file: BinaryIO, name: str) -> ImageFile.ImageFile:
    image = decoding.pillow_image("JPEG", file, name)
    if image.width * image.height <= _MOST_AHEAD:
        image.decodermaxblock = _READ_AHEAD
        image.load()
    return image


def copy_picture(  # noqa: PLR0913 -- what differs between copies, by name
    source: Path,
    to: Path,
    change: Change,
    report: Report,
    *,
    force: bool,
    read_back: Callable[[Path], object] = open_picture,
    ahead: Ahead = None,
) -> None:
    """Write a copy of ``source`` with its colours changed.

    It takes its place once ``read_back`` has read it. Raises PictureError or OutputError.
    """
    kind = check_copy(source, to, force=force)
    writers: dict[str, Callable[[BinaryIO, str, Path, Change, Report], None]] = {
        "JPEG": partial(_copy_jpeg, ahead=ahead),
        "PNG": _copy_png,
        "WEBP": _copy_webp,
        "TIFF": _copy_tiff,
    }
    write = writers[kind]
    with whole(to, force=force) as beside:
        with _opened(source) as file:
            decoding.guarded(str(source), lambda: write(file, str(source), beside, change, report))
        try:
            read_back(beside)
        except PictureError as error:
            raise OutputError(
                f"The copy of {source} could not be read back and was not kept: what the "
                "original holds beside its pixels is damaged. Save it anew and correct that."
            ) from error


def _in_order(work: Callable[[T], Made], given: Iterable[T]) -> Iterator[Made]:
    """What ``work`` makes of each, in order, by a thread a processor; few wait to be taken."""
    threads = os.cpu_count() or 1
    waiting: deque[Future[Made]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for each in given:
                waiting.append(pool.submit(work, each))
                if len(waiting) > threads:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


def _recoded(values: NDArray[Any], change: Change) -> NDArray[Any]:
    """Pixels (..., 3 or more) with new colours; alpha is kept."""
    return change(values.reshape(-1, values.shape[-1])).reshape(values.shape)


def _strips(width: int, height: int) -> Iterator[tuple[int, int]]:
    """First row, and the row after the last, of strips of :data:`_AT_ONCE` pixels at most."""
    rows = max(1, _AT_ONCE // width)
    for first in range(0, height, rows):
        yield first, min(height, first + rows)


def _change_array(values: NDArray[Any], change: Change, report: Report) -> None:
    """A whole picture (H, W, 3 or 4) changed in place."""
    height, width = values.shape[:2]

    def work(rows: tuple[int, int]) -> int:
        values[slice(*rows)] = _recoded(values[slice(*rows)], change)
        return rows[1]

    for done in _in_order(work, _strips(width, height)):
        report(done * width, height * width)


def _change_image(image: Image.Image, change: Change, report: Report) -> None:
    """A whole image of 8-bit RGB or RGBA changed in place: it is never there twice.

    By one thread: where colours are only looked up, several wait for the interpreter.
    """
    width, height = image.size
    stored = "RGBA" if image.mode == "RGBA" else "RGBX"  # four bytes, as Pillow holds both
    for first, last in _strips(width, height):
        strip = image.crop((0, first, width, last))
        codes = np.frombuffer(strip.tobytes("raw", stored), dtype=np.uint8)
        new = change(codes.reshape(-1, 4))
        made = Image.frombuffer(strip.mode, strip.size, new, "raw", stored, 0, 1)
        image.paste(made, (0, first))
        report(last * width, height * width)


def _rgb(image: Image.Image, name: str) -> Image.Image:
    """An image as 8-bit RGB or RGBA."""
    if getattr(image, "is_animated", False):
        raise UnsupportedPicture(f"{name} is animated; give one frame of it.")
    image.load()  # a chunk on transparency may follow the pixels
    if image.mode in ("P", "PA") or "transparency" in image.info:
        image = image.convert("RGBA" if "transparency" in image.info else "RGB")
    if image.mode not in ("RGB", "RGBA"):
        raise UnsupportedPicture(f"{name} holds {image.mode} pixels; save it as RGB.")
    return image


# --- JPEG ------------------------------------------------------------------


def _copy_jpeg(  # noqa: PLR0913 -- as the other kinds, and what was begun
    file: BinaryIO, name: str, to: Path, change: Change, report: Report, *, ahead: Ahead
) -> None:
    """Same quantisation tables and subsampling; marker segments carried over (ITU-T T.81, B)."""
    from PIL import JpegImagePlugin

    # Closed, so that no pixel is in memory while the copy is read.
    with closing(_decoded(file, name) if ahead is None else ahead.result()) as image:
        colour = _rgb(image, name)
        _change_image(colour, change, report)
        sampling = JpegImagePlugin.get_sampling(image)
        progressive = bool(image.info.get("progressive"))
        image.info.clear()  # else Pillow writes a comment that is carried over below
        out = io.BytesIO()
        colour.save(
            out,
            "JPEG",
            qtables=image.quantization,  # type: ignore[attr-defined]
            subsampling=max(sampling, 0),
            progressive=progressive,
        )
    file.seek(0)
    kept = [raw for marker, raw in _segments(file) if _carried(marker, raw)]
    out.seek(0)
    fresh = [raw for marker, raw in _segments(out) if marker != 0xE0]
    with writing(), to.open("wb") as target:
        target.writelines([b"\xff\xd8", *kept, *fresh])
        shutil.copyfileobj(out, target)


def _segments(file: BinaryIO) -> Iterator[tuple[int, bytes]]:
    """Marker segments before the first scan; the file is left at that scan."""
    file.seek(2)
    while True:
        at = file.tell()
        while (lead := file.read(1)) == b"\xff":
            at = file.tell() - 1
        marker = lead[0] if lead else _SEGMENT_END
        if marker == _SEGMENT_END:
            file.seek(at)
            return
        (length,) = struct.unpack(">H", file.read(2))
        yield marker, b"\xff" + lead + struct.pack(">H", length) + file.read(length - 2)


def _carried(marker: int, raw: bytes) -> bool:
    """Application data and comments, but what describes the old coding or other pictures."""
    adobe = marker == 0xEE
    several = marker == 0xE2 and raw[4:8] == b"MPF\0"
    return (0xE0 <= marker <= 0xEF or marker == 0xFE) and not adobe and not several


# --- PNG -------------------------------------------------------------------

# Chunks that describe the old coding of pixels, or a palette (PNG, third edition, 11.3).
_PNG_CODING = {b"IHDR", b"PLTE", b"tRNS", b"hIST", b"bKGD", b"sBIT", b"IDAT", b"IEND"}


def _copy_png(file: BinaryIO, name: str, to: Path, change: Change, report: Report) -> None:
    """8 or 16 bits as in the original; other chunks carried over."""
    import imagecodecs

    chunks = list(_every_chunk(file))
    kinds = {kind for kind, _ in chunks}
    if b"acTL" in kinds:
        raise UnsupportedPicture(f"{name} is animated; give one frame of it.")
    if chunks[0][1][8] == 16:
        file.seek(0)
        with decoding.muted():
            values = imagecodecs.png_decode(file.read())
        if values.ndim < 3 or values.shape[2] < 3:
            raise UnsupportedPicture(f"{name} is grey; save it as RGB.")
        _change_array(values, change, report)
    else:
        file.seek(0)
        with decoding.pillow_image("PNG", file, name) as image:
            colour = _rgb(image, name)
            _change_image(colour, change, report)
            values = np.asarray(colour)
    data = imagecodecs.png_encode(values, level=6)
    fresh = [(k, b) for k, b in _every_chunk(io.BytesIO(data)) if k in _PNG_CODING]
    before = [(k, b) for k, b in _until_pixels(chunks) if k not in _PNG_CODING]
    after = [c for c in chunks if c[0] not in _PNG_CODING and c not in before]
    with writing(), to.open("wb") as target:
        target.write(b"\x89PNG\r\n\x1a\n")
        for kind, body in [fresh[0], *before, *fresh[1:-1], *after, fresh[-1]]:
            target.write(struct.pack(">I4s", len(body), kind) + body)
            target.write(struct.pack(">I", _crc(kind + body)))


def _every_chunk(file: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    file.seek(8)
    while len(header := file.read(8)) == 8:
        length, kind = struct.unpack(">I4s", header)
        yield kind, file.read(length)
        file.seek(4, os.SEEK_CUR)


def _until_pixels(chunks: list[tuple[bytes, bytes]]) -> Iterator[tuple[bytes, bytes]]:
    for chunk in chunks:
        if chunk[0] == b"IDAT":
            return
        yield chunk


def _crc(data: bytes) -> int:
    import zlib

    return zlib.crc32(data)


# --- WebP ------------------------------------------------------------------


def _copy_webp(file: BinaryIO, name: str, to: Path, change: Change, report: Report) -> None:
    lossless = b"VP8L" in file.read(1 << 16)
    file.seek(0)
    with decoding.pillow_image("WEBP", file, name) as image:
        info = image.info
        kept = {key: info[key] for key in ("icc_profile", "exif", "xmp") if info.get(key)}
        colour = _rgb(image, name)
        _change_image(colour, change, report)
        out = io.BytesIO()
        colour.save(
            out, "WEBP", lossless=lossless, quality=_WEBP_QUALITY, method=4, exact=True, **kept
        )
    with writing():
        to.write_bytes(out.getbuffer())


# --- TIFF ------------------------------------------------------------------

# TIFF 6.0 and its supplements: compressions whose strips are coded alone and without loss.
_LOSSLESS = {1, 5, 8, 32946, 50000}


@dataclass(slots=True)
class _Room:
    """Where new strips go in the copy: into the room of the old ones, then behind its end."""

    spans: list[list[int]]
    end: int

    def take(self, size: int) -> int:
        for span in self.spans:
            if span[1] - span[0] >= size:
                span[0] += size
                return span[0] - size
        at = self.end + self.end % 2  # offsets are even (TIFF 6.0, section 2)
        self.end = at + size
        return at


def _copy_tiff(file: BinaryIO, name: str, to: Path, change: Change, report: Report) -> None:
    """Exchange the strips or tiles of the first picture; every tag of the file stays."""
    import tifffile

    with tifffile.TiffFile(file) as tiff:
        page = _plain_page(tiff, name)
        with writing(), to.open("wb") as target:
            target.writelines(_chunks(file, name))
        read = partial(_read_at, file, name)
        with writing(), to.open("r+b") as made:
            if _uncoded(page):
                _exchange_values(page, read, made, change, report)
                return
            offsets, counts = _exchange_segments(page, read, made, change, report)
        tiled = page.is_tiled
    with writing(), to.open("r+b") as made, tifffile.TiffFile(made) as tiff:
        tags = tiff.pages.first.tags
        tags["TileOffsets" if tiled else "StripOffsets"].overwrite(tuple(offsets))
        tags["TileByteCounts" if tiled else "StripByteCounts"].overwrite(tuple(counts))


def _uncoded(page: tifffile.TiffPage) -> bool:
    """Strips or tiles that hold whole pixels, one after the other, as they are."""
    plain = page.compression == 1 and page.predictor == 1
    one = page.planarconfig != SEPARATE and next(iter(page.extrasamples), 0) != ASSOCIATED
    return plain and one and not any(count % _pixel(page) for count in page.databytecounts)


def _pixel(page: tifffile.TiffPage) -> int:
    """Bytes of one."""
    return page.samplesperpixel * page.bitspersample // 8


def _exchange_values(
    page: tifffile.TiffPage, read: Read, target: BinaryIO, change: Change, report: Report
) -> None:
    """New values in the places of the old ones, however long a strip may be."""
    most = _AT_ONCE * _pixel(page)
    spans = _spans(list(page.dataoffsets), list(page.databytecounts))
    if any(end > os.fstat(target.fileno()).st_size for _, end in spans):
        raise EOFError("a strip goes on beyond the file")
    parts = [(at, min(most, end - at)) for start, end in spans for at in range(start, end, most)]
    stored = np.dtype(f"{page.parent.byteorder}{np.dtype(page.dtype).str[1:]}")

    def work(part: tuple[int, bytes]) -> tuple[int, bytes]:
        at, raw = part
        values = np.frombuffer(raw, stored).reshape(-1, page.samplesperpixel)
        native = values.astype(stored.newbyteorder("="), copy=False)
        return at, _recoded(native, change).astype(stored, copy=False).tobytes()

    given = ((at, read(at, count)) for at, count in parts)
    for done, (at, raw) in enumerate(_in_order(work, given), start=1):
        target.seek(at)
        target.write(raw)
        report(done, len(parts))


def _exchange_segments(
    page: tifffile.TiffPage, read: Read, target: BinaryIO, change: Change, report: Report
) -> tuple[list[int], list[int]]:
    """Offsets and byte counts of the strips or tiles that were coded anew."""
    offsets, counts = list(page.dataoffsets), list(page.databytecounts)
    room = _Room(_spans(offsets, counts), os.fstat(target.fileno()).st_size)
    planes = 3 if page.planarconfig == SEPARATE else 1
    groups = len(offsets) // (page.samplesperpixel if planes == 3 else 1)
    numbers = [[k + plane * groups for plane in range(planes)] for k in range(groups)]
    unpacked_by_libtiff(page)
    decode = page.decode

    def work(given: tuple[list[int], list[bytes]]) -> list[bytes]:
        return _new_segments(page, decode, *given, change)

    given = ((which, [read(offsets[n], counts[n]) for n in which]) for which in numbers)
    made = _in_order(work, given)
    for done, (which, segments) in enumerate(zip(numbers, made, strict=True), start=1):
        for n, data in zip(which, segments, strict=True):
            offsets[n], counts[n] = room.take(len(data)), len(data)
            target.seek(offsets[n])
            target.write(data)
        report(done, groups)
    return offsets, counts


def _plain_page(tiff: tifffile.TiffFile, name: str) -> tifffile.TiffPage:
    """The first page, where its strips can be exchanged. Raises UnsupportedPicture."""
    import tifffile

    page = tiff.pages.first
    if not isinstance(page, tifffile.TiffPage):
        raise UnsupportedPicture(f"{name} holds no picture of its own; save it as plain TIFF.")
    if decoding.is_raw(tiff):
        raise UnsupportedPicture(f"{name} holds no picture of its own; save it as plain TIFF.")
    # A page that is a reduced picture or a mask belongs to the first one.
    if any(not getattr(other, "is_reduced", True) for other in tiff.pages[1:]):
        raise UnsupportedPicture(f"{name} holds several pictures; give one of them.")
    deep = page.dtype is not None and page.dtype.str[1:] in ("u1", "u2", "f4")
    plain = page.photometric == tifffile.PHOTOMETRIC.RGB and page.samplesperpixel >= 3
    packed = page.bitspersample not in (8, 16, 32) or page.compression not in _LOSSLESS
    if not (deep and plain) or packed or page.fillorder != 1 or page.subfiletype:
        raise UnsupportedPicture(
            f"{name} is a TIFF of a kind that is not written; save it as RGB of 8 or 16 bits, "
            "uncompressed, LZW or deflate."
        )
    return page


def _spans(offsets: list[int], counts: list[int]) -> list[list[int]]:
    """The room that the old strips take, neighbours joined."""
    spans: list[list[int]] = []
    for offset, count in sorted(zip(offsets, counts, strict=True)):
        if spans and spans[-1][1] == offset:
            spans[-1][1] += count
        else:
            spans.append([offset, offset + count])
    return spans


def _chunks(file: BinaryIO, name: str) -> Iterator[bytes]:
    """All of a file, some at a time. Raises UnreadablePicture."""
    file.seek(0)
    while data := _some(file, name, 1 << 20):
        yield data


def _some(file: BinaryIO, name: str, count: int) -> bytes:
    try:
        return file.read(count)
    except OSError as error:
        raise decoding.unreadable(name, error) from error


def _read_at(file: BinaryIO, name: str, offset: int, count: int) -> bytes:
    try:
        file.seek(offset)
    except OSError as error:
        raise EOFError("a strip lies nowhere") from error
    data = _some(file, name, count)
    if len(data) != count:
        raise EOFError("a strip ends before its length")
    return data


def _new_segments(
    page: tifffile.TiffPage,
    decode: Callable[..., Any],
    numbers: list[int],
    raw: list[bytes],
    change: Change,
) -> list[bytes]:
    """The coded strips or tiles ``numbers``, which hold the same pixels, with colours changed."""
    decoded = [decode(data, n)[0] for data, n in zip(raw, numbers, strict=True)]
    if any(segment is None for segment in decoded):
        return raw  # never written: an empty tile stays empty
    values = decoded[0] if len(decoded) == 1 else np.concatenate(decoded, axis=-1)
    values = values.astype(values.dtype.newbyteorder("="), copy=False)
    share = _premultiplied(page, values)
    new = _recoded(values, change) if share is None else _recoded_under(share, values, change)
    parts = [new[..., n : n + 1] for n in range(3)] if len(decoded) == 3 else [new]
    return [_coded(page, part) for part in parts]


def _recoded_under(share: Floats, values: NDArray[Any], change: Change) -> NDArray[Any]:
    """Pixels (..., 4 or more) whose colours are stored multiplied by ``share`` (n, 1)."""
    colour = values[..., :3].reshape(-1, 3) / top_of(values)
    new = change(np.minimum(colour / np.maximum(share, 1e-6), 1.0)) * share
    out = values.copy()
    out[..., :3] = _codes(new, values.dtype).reshape(*values.shape[:-1], 3)
    return out


def _codes(values: Floats, dtype: np.dtype[Any]) -> NDArray[Any]:
    if dtype.kind == "f":
        return values.astype(dtype)
    return np.rint(np.clip(values, 0, 1) * np.iinfo(dtype).max).astype(dtype)


def _premultiplied(page: tifffile.TiffPage, values: NDArray[Any]) -> Floats | None:
    """Alpha (n, 1) as a share where colours are stored multiplied by it, else None."""
    if next(iter(page.extrasamples), 0) != ASSOCIATED or values.shape[-1] < 4:
        return None
    return np.asarray(values[..., 3:4].reshape(-1, 1) / top_of(values), dtype=np.float64)


def _coded(page: tifffile.TiffPage, values: NDArray[Any]) -> bytes:
    """Predictor, byte order and compression as the page has them."""
    import tifffile

    ordered = values.astype(values.dtype.newbyteorder(page.parent.byteorder), copy=False)
    if page.predictor > 1:
        ordered = tifffile.TIFF.PREDICTORS[page.predictor](ordered, axis=-2)
    if page.compression == 1:
        return ordered.tobytes()
    packed = tifffile.TIFF.COMPRESSORS[page.compression](ordered.tobytes())
    return bytes(packed)
