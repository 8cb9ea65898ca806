"""Files, arrays and images to plain values: the decoders behind ``autocast.picture.opening``.

What comes out is a :class:`Decoded`: values as the file holds them (no colour
conversion yet), upright, alpha apart, with everything that says how to read them.
The kind of file is recognised by its content, never by its name.
"""

from __future__ import annotations

import errno
import io
import logging
import math
import os
import struct
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING, Any, BinaryIO, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFile

from autocast.errors import PictureError, PictureTooLarge, UnreadablePicture, UnsupportedPicture
from autocast.picture import budget, strips
from autocast.picture.lzw import unpacked_by_libtiff
from autocast.picture.profiles import (
    DCF_OPTIONAL,
    EXIF_SRGB,
    HDR_TRANSFERS,
    Space,
    Tag,
    tag_from_code_points,
    tag_from_png,
)
from autocast.picture.reading import NoFile, open_file
from autocast.picture.writing import NotWritten

if TYPE_CHECKING:
    import tifffile

T = TypeVar("T")


class DecodedOnce:
    """A source that is decoded in full once, for readers that come together or one by one.

    At reduced size a JPEG is decoded apart, so that its small pixels are what they always are.
    What is read in parts is read anew each time.
    """

    def __init__(self, source: Source, memory: int | None = None) -> None:
        self.name, self._source = resolve(source)
        self._memory = memory
        self._whole: Decoded | None = None
        self._lock = threading.Lock()

    def decode_beside(self) -> None:
        """Decode in full while others ask for a reduced size.

        What has no room for both is decoded later, when it is asked for. Raises PictureError.
        """
        memory = self._memory
        if memory is not None and _is_jpeg(self._source):
            memory //= 2
        with self._lock, suppress(PictureTooLarge):
            if self._whole is None:
                self._whole = decode(self.name, self._source, None, memory)

    def decoded(self, side: int | None) -> Decoded:
        """As by :func:`decode`. Raises PictureError."""
        if side is not None and _is_jpeg(self._source):
            return decode(self.name, self._source, side, self._memory)
        with self._lock:
            if self._whole is None:
                self._whole = decode(self.name, self._source, None, self._memory)
            return self._whole


Source = str | os.PathLike[str] | bytes | BinaryIO | Image.Image | NDArray[Any] | DecodedOnce

# What it notes of a damaged file stands in our sentence; a caller's own logging still gets it.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

PIXEL_LIMIT = 300_000_000
"""Most pixels a picture may have (project convention)."""
SIDE_LIMIT = 1_000_000
"""Most pixels of its width and of its height: what libpng takes unless told otherwise."""


@dataclass(slots=True)
class Decoded:
    """Values as the file holds them, upright.

    ``values`` is (H, W, C) with C = 1, 3 or 4 by ``space`` and no alpha;
    ``top`` is the value that stands for 1 (CIELAB values are plain L*, a*, b*,
    white point D50). ``alpha`` is (H, W) on a scale of its own, ``alpha_top``.
    ``width`` and ``height`` are those of the full upright picture, of which
    ``values`` may be a reduced decoding.

    Where ``parts`` is given, the picture is read in parts: that gives all rows from the top
    down, as they are stored, and ``orientation`` is still to be applied; ``values`` and
    ``alpha`` then hold one row at least, for what they are.
    """

    values: NDArray[Any]
    space: Space
    width: int
    height: int
    alpha: NDArray[Any] | None = None
    icc: bytes | None = None
    tag: Tag | None = None
    certain: bool = False
    remarks: list[str] = field(default_factory=list)
    facts: dict[str, str] = field(default_factory=dict)
    parts: Callable[[], Iterator[Decoded]] | None = None
    orientation: object = 1

    @property
    def stored_size(self) -> tuple[int, int]:
        """Rows and columns as they are stored, of what is decoded."""
        if self.parts is None:
            rows, columns = self.values.shape[:2]
            return rows, columns
        if self.orientation in SIDEWAYS:
            return self.width, self.height
        return self.height, self.width

    def rows(self) -> Iterator[Decoded]:
        """All rows from the top down, as they are stored: at once, or in parts."""
        return iter((self,)) if self.parts is None else self.parts()

    @property
    def top(self) -> float:
        """The value that stands for 1."""
        return 1.0 if self.space == "LAB" else top_of(self.values)

    @property
    def code(self) -> float:
        """What one 8-bit code is in these values."""
        return (100.0 if self.space == "LAB" else self.top) / 255

    @property
    def alpha_top(self) -> float:
        """The alpha that stands for opaque."""
        return 1.0 if self.alpha is None else top_of(self.alpha)


def resolve(source: Source) -> tuple[str, Source]:
    """The name of a source, and the source in a form that can be decoded twice.

    A stream is read from where it stands, put back there where that can be,
    and left open. Raises a PictureError.
    """
    if isinstance(source, DecodedOnce):
        return source.name, source
    if isinstance(source, np.ndarray):
        if isinstance(source, np.ma.MaskedArray):
            raise UnsupportedPicture("array is masked; give one without a mask.")
        return "array", np.asarray(source)  # no matrix, whose rows have two dimensions
    if isinstance(source, Image.Image):
        return "image", source
    if isinstance(source, bytes):
        return "bytes", source
    if isinstance(source, (str, os.PathLike)):
        name = os.fspath(source)
        if not isinstance(name, str):
            raise UnsupportedPicture(f"{name!r} is not a path in text; give a str or a Path.")
        return name, name
    if hasattr(source, "read"):
        return _drained(source)
    raise UnsupportedPicture(
        f"A {type(source).__name__} is not a picture; give a path, bytes, an open binary file, "
        "a PIL image or a numpy array."
    )


def _drained(stream: BinaryIO) -> tuple[str, bytes]:
    label = getattr(stream, "name", None)
    name = label if isinstance(label, str) else "file"
    try:
        start = _standing(stream)
        data: Any = stream.read()
        if start is not None:
            stream.seek(start)
    except Exception as error:  # a caller's own object raises what it likes
        raise UnreadablePicture(f"{name} cannot be read: {error!r}.") from error
    if isinstance(data, bytearray | memoryview):
        data = bytes(data)
    if not isinstance(data, bytes):
        raise UnsupportedPicture(f"{name} was opened as text; open it as binary ('rb').")
    return name, data


def _standing(stream: BinaryIO) -> int | None:
    """Where a stream stands; None where it cannot be put back there."""
    try:
        return stream.tell() if stream.seekable() else None
    except AttributeError:  # all that is asked of a stream is to be read
        return None


def decode(
    name: str,
    source: Source,
    side: int | None,
    memory: int | None = None,
    *,
    shown: bool = False,
) -> Decoded:
    """The values of a resolved source.

    Parameters
    ----------
    name : str
        What to call it in messages.
    source : path, bytes, PIL image or array
        As :func:`resolve` gave it.
    side : int or None
        Pixels to which the long side may be reduced, and no further, where the decoder
        does that for free; None decodes in full.
    memory : int, optional
        Bytes that this may take. What takes more is read in parts, where it can be; without
        it all is decoded at once.
    shown : bool
        For a person's eyes alone: what a JPEG's decoder leaves is scaled to ``side`` by a
        filter, which is faster than averages over areas and gives nearly the same pixels.

    Returns
    -------
    Decoded
        Values as the file holds them, upright unless they are read in parts.

    Raises
    ------
    PictureError
        One sentence that names the source.
    """
    if isinstance(source, DecodedOnce):
        return source.decoded(side)
    if isinstance(source, np.ndarray):
        return _from_array(source)
    if isinstance(source, Image.Image):
        _check_size(*source.size, name)
        budget.allow(name, _image_cost(source), memory)
        return guarded(name, lambda: _from_image(source, name))
    again = partial(_opened, name, source)
    with again() as file:
        return _from_file(file, _Asked(name, side, memory, again, shown=shown))


Again = Callable[[], AbstractContextManager[BinaryIO]]


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked of a file; ``again`` opens it once more, to read it in parts."""

    name: str
    side: int | None
    memory: int | None
    again: Again
    shown: bool = False

    def allow(self, needs: int) -> None:
        """Refuse what takes more bytes than are allowed. Raises PictureTooLarge."""
        budget.allow(self.name, needs, self.memory)

    def fits(self, needs: int) -> bool:
        """Whether so many bytes are allowed."""
        return self.memory is None or needs <= self.memory

    def read_in_parts(self, like: Decoded, read: Callable[[BinaryIO], Iterator[Decoded]]) -> None:
        """Have a picture read in parts, of which ``like`` tells all but the rows."""

        def parts() -> Iterator[Decoded]:
            with self.again() as file:
                rows = read(file)
                while (part := guarded(self.name, lambda: next(rows, None))) is not None:
                    yield part

        like.parts = parts


@contextmanager
def _opened(name: str, source: Source) -> Iterator[BinaryIO]:
    """The bytes of a resolved source, open to be read. Raises UnreadablePicture."""
    if isinstance(source, bytes):
        yield io.BytesIO(source)
        return
    try:
        with open_file(name) as file:
            yield file
    except FileNotFoundError:
        raise UnreadablePicture(f"{name} does not exist; check the path.") from None
    except IsADirectoryError:
        raise UnreadablePicture(f"{name} is a folder; give the pictures in it.") from None
    except NoFile as error:
        raise UnreadablePicture(f"{name} cannot be read: {error.strerror}; give a file.") from error
    except PermissionError:
        raise UnreadablePicture(
            f"{name} may not be read by this user; change its permissions."
        ) from None
    except (OSError, ValueError) as error:  # ValueError: a NUL byte in the path
        reason = getattr(error, "strerror", None) or error
        raise UnreadablePicture(f"{name!r} cannot be opened: {reason}.") from error


def _from_file(file: BinaryIO, asked: _Asked) -> Decoded:
    head = file.read(64)
    file.seek(0)
    kind = kind_of(head, asked.name)
    readers: dict[str, Callable[[], Decoded]] = {
        "TIFF": lambda: _read_tiff(file, asked),
        "PNG": lambda: _read_png(file, asked),
        "HEIC": lambda: _read_heic(file, asked),
        "WEBP": lambda: _read_webp(file, asked),
    }
    return guarded(asked.name, readers.get(kind, lambda: _read_plain(kind, file, asked)))


def guarded(name: str, read: Callable[[], T]) -> T:
    """What ``read`` gives; whatever a decoder raises becomes a PictureError.

    Errors of writing, where ``read`` writes as well, are let through.
    """
    try:
        return read()
    except (PictureError, NotWritten):
        raise
    except MemoryError:
        raise PictureTooLarge(f"{name} does not fit into memory; give a smaller copy.") from None
    except Image.DecompressionBombError:  # some readers of Pillow hold on to its own limit
        raise PictureTooLarge(
            f"{name} has more pixels than its decoder takes; give a smaller copy."
        ) from None
    except Exception as error:  # decoders raise anything on damaged data
        failed = _of_the_system(error)
        if failed is not None:
            raise unreadable(name, failed) from error
        for words, sentence in _NOT_READ.items():
            if words in str(error):
                raise UnsupportedPicture(f"{name} {sentence}") from error
        raise UnreadablePicture(
            f"{name} is cut short or damaged; get a whole copy of it."
        ) from error


_NOT_READ = {
    "Unsupported BMP": "is of a kind of BMP that is not read; save it as PNG.",
    "MAX_TEXT_CHUNK": "holds more text beside its pixels than is read; save it without metadata.",
}
"""What Pillow says of files that are whole, and what there is to say of them."""

_NO_FAULT_OF_THE_FILE = {
    errno.EIO, errno.ENXIO, errno.ENODEV, errno.ESTALE, errno.ETIMEDOUT, errno.EACCES, errno.EPERM,
    errno.ENOMEM, errno.EMFILE, errno.ENFILE, errno.ENOTCONN, errno.ECONNRESET, errno.EHOSTDOWN,
}  # fmt: skip
"""Errors of the system by which nothing is said of what a file holds."""


def _of_the_system(error: BaseException | None) -> OSError | None:
    """The error of the system behind what a decoder raised, if there is one."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in _NO_FAULT_OF_THE_FILE:
            return error
        error = error.__cause__ or error.__context__
    return None


def unreadable(name: str, error: OSError) -> UnreadablePicture:
    """The sentence for a file that the system does not let one read to its end."""
    reason = error.strerror or error
    return UnreadablePicture(f"{name} cannot be read ({reason}); see to its disk and try again.")


# First bytes of files, from the formats' own documents.
_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"\xff\xd8\xff", "JPEG"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"GIF87a", "GIF"),
    (b"GIF89a", "GIF"),
    (b"BM", "BMP"),
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
)
# Camera raw that is no plain TIFF (CR2, CRW, ORF, RW2, RAF, X3F, MRW): from memory, not verified.
_RAW_MAGIC = (
    b"II\x1a\0\0\0HEAPCCDR",
    b"IIRO",
    b"IIRS",
    b"MMOR",
    b"IIU\0",
    b"FUJIFILMCCD-RAW",
    b"FOVb",
    b"\0MRM",
)
_OTHER_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"8BPS", "a layered PSD file"),
    (b"\xff\x0a", "a JPEG XL file"),
    (b"\0\0\0\x0cJXL ", "a JPEG XL file"),
    (b"\0\0\0\x0cjP  ", "a JPEG 2000 file"),
    (b"\xff\x4f\xff\x51", "a JPEG 2000 file"),
    (b"%PDF", "a PDF document"),
    (b"v/1\x01", "an OpenEXR file"),
    (b"#?RADIANCE", "a Radiance HDR file"),
)
_AVIF_BRANDS = {b"avif", b"avis"}
_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs"}


def _is_jpeg(source: Source) -> bool:
    """By its first bytes; False for what has none, or cannot be read."""
    if isinstance(source, (str, os.PathLike)):
        try:
            with open_file(os.fspath(source)) as file:
                return file.read(3) == _MAGIC[0][0]
        except (OSError, ValueError):
            return False
    return isinstance(source, bytes) and source.startswith(_MAGIC[0][0])


def _raw(name: str) -> UnsupportedPicture:
    return UnsupportedPicture(
        f"{name} is camera raw, which has no colour of its own until it is developed; "
        "give a developed JPEG or TIFF."
    )


def kind_of(head: bytes, name: str) -> str:
    """The kind of a file by its first 64 bytes. Raises a PictureError for what is not taken."""
    if not head:
        raise UnreadablePicture(f"{name} is empty; get a whole copy of it.")
    if head.startswith(_RAW_MAGIC) or (head[:4] == b"II*\0" and head[8:10] == b"CR"):
        raise _raw(name)
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return kind
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WEBP"
    if head[4:8] == b"ftyp":
        return _brand(head, name)
    for magic, what in _OTHER_MAGIC:
        if head.startswith(magic):
            raise UnsupportedPicture(f"{name} is {what}; save it as JPEG, PNG or TIFF.")
    raise UnreadablePicture(
        f"{name} is not a picture of a known kind; "
        "give a JPEG, PNG, TIFF, WebP, AVIF, HEIC, GIF or BMP."
    )


def is_picture(head: bytes) -> bool:
    """Whether a file with these first 64 bytes is a still picture, whether or not it is taken."""
    if head.startswith(b"%PDF") or (head[:2] == b"BM" and head[6:10] != b"\0\0\0\0"):
        return False  # a document; a text that happens to begin as a BMP does
    try:
        kind_of(head, "")
    except UnreadablePicture:
        return False
    except UnsupportedPicture:
        return head[4:8] != b"ftyp" or head[8:12] == b"crx "  # films are none
    return True


def _brand(head: bytes, name: str) -> str:
    """The kind of an ISO base media file, by its brands (ISO/IEC 14496-12, 23008-12)."""
    end = min(int.from_bytes(head[:4], "big"), len(head))
    brands = [head[8:12], *(head[i : i + 4] for i in range(16, end - 3, 4))]
    if brands[0] == b"crx ":
        raise _raw(name)
    if _AVIF_BRANDS.intersection(brands):
        return "AVIF"
    if _HEIC_BRANDS.intersection(brands) or brands[0] in (b"mif1", b"msf1"):
        return "HEIC"
    raise UnsupportedPicture(f"{name} is a film or an unknown container; give a still picture.")


def _check_size(width: int, height: int, name: str) -> None:
    if min(width, height) < 1:
        raise UnsupportedPicture(f"{name} has no pixels; give a picture with content.")
    if width * height > PIXEL_LIMIT:
        raise PictureTooLarge(
            f"{name} has {width} x {height} = {width * height / 1e6:.0f} million pixels; "
            f"at most {PIXEL_LIMIT / 1e6:.0f} million are taken, so give a smaller copy."
        )
    if max(width, height) > SIDE_LIMIT:
        raise PictureTooLarge(
            f"{name} is {width} x {height} pixels; at most {SIDE_LIMIT} are taken on a side, "
            "so give a part of it."
        )


# Pillow's module and class of each kind.
_READERS = {
    "JPEG": "Jpeg",
    "PNG": "Png",
    "GIF": "Gif",
    "BMP": "Bmp",
    "WEBP": "WebP",
    "AVIF": "Avif",
    "TIFF": "Tiff",
}


def pillow_image(kind: str, file: BinaryIO, name: str) -> ImageFile.ImageFile:
    """An image of one kind by Pillow, its size checked and nothing decoded yet.

    The reader is called directly rather than through ``Image.open``, whose own
    limit is a module global with a warning.
    """
    module = import_module(f"PIL.{_READERS[kind]}ImagePlugin")
    reader: type[ImageFile.ImageFile] = getattr(module, f"{_READERS[kind]}ImageFile")
    with _quiet():
        image = reader(file)
    _check_size(*image.size, name)
    _check_length(kind, file, image.size)
    return image


_MOST_PIXELS = {"JPEG": 512, "PNG": 8 * 1032}
"""Pixels that one byte of a whole file stands for at most.

A block of 8 x 8 takes a bit at least where Huffman codes it (ITU-T T.81, F.1.2 and G.1.2);
deflate packs 1032 bytes into one at most (RFC 1951: a length of 258 in two bits).
"""
_ARITHMETIC = (b"\xff\xc9", b"\xff\xca", b"\xff\xcb")
"""Frames of a JPEG that has no Huffman codes (ITU-T T.81, table B.1)."""


def _check_length(kind: str, file: BinaryIO, size: tuple[int, int]) -> None:
    """Refuse a file that is far too short for its size before gigabytes are taken for it.

    libjpeg would fill what is missing with grey.
    """
    at = file.tell()
    length = file.seek(0, os.SEEK_END)
    file.seek(0)
    if size[0] * size[1] > _MOST_PIXELS.get(kind, math.inf) * length:
        head = file.read(1 << 16)
        if not (kind == "JPEG" and any(mark in head for mark in _ARITHMETIC)):
            raise EOFError("there are fewer bytes than its pixels take")
    file.seek(at)


_QUIET = threading.Lock()


@contextmanager
def _quiet() -> Iterator[None]:
    """Pillow's warnings about metadata kept from the user; the pixels are read all the same.

    Filters belong to the whole process, so one thread at a time, and only for
    the short reading of headers.
    """
    with _QUIET, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


_MUTED = threading.Lock()


@contextmanager
def muted() -> Iterator[None]:
    """What libtiff and libpng print of damage kept from the user; they can be told no other way.

    Standard error belongs to the whole process, so one thread at a time, and only for the
    rarer kinds of TIFF and for PNG of 16 bits.
    """
    with _MUTED:
        if sys.stderr is not None:
            sys.stderr.flush()
        try:
            kept = os.dup(2)
        except OSError:  # there is none to be kept quiet
            yield
            return
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(nowhere)
            os.close(kept)


if hasattr(os, "register_at_fork"):
    # A process forked while another thread holds a lock would wait for it for ever. The last of
    # them is taken first, as where one reads within the other.
    for _lock in (_QUIET, _MUTED):
        os.register_at_fork(
            before=_lock.acquire, after_in_parent=_lock.release, after_in_child=_lock.release
        )


def _read_plain(kind: str, file: BinaryIO, asked: _Asked) -> Decoded:
    """JPEG, GIF, BMP, AVIF, moving WebP and the rarer kinds of TIFF, by Pillow."""
    with pillow_image(kind, file, asked.name) as image:
        full = image.size
        scaled = None
        if kind == "JPEG" and asked.side is not None:
            _draft(image, asked.side)
            scaled = reduced_size(*full, asked.side) if asked.shown else None
        beside = full[0] * full[1] * _BESIDE.get(kind, 0)
        if kind == "JPEG":
            at = file.tell()
            beside = budget.jpeg_coefficients(file)
            file.seek(at)
        asked.allow(_image_cost(image) + beside)
        decoded = _from_image(image, asked.name, full, scaled)
        if kind == "AVIF":
            _tag_from_nclx(decoded, file, asked.name)
        if getattr(image, "is_animated", False) and kind in ("GIF", "WEBP", "AVIF"):
            decoded.remarks.append("animated")
        return decoded


_PNG_COPIES = 16
"""How often rows of a PNG are there while they are read in parts (measured)."""
_BESIDE = {"AVIF": 6, "WEBP": 12}
"""Bytes of a pixel that decoders hold beside the image that Pillow makes of it (measured)."""


def _image_cost(image: Image.Image) -> int:
    return budget.image(image.mode, *image.size, transparent=_has_key(image))


def _draft(image: ImageFile.ImageFile, side: int) -> None:
    """Have libjpeg decode at 1/2, 1/4 or 1/8, the long side no less than ``side``."""
    width, height = image.size
    for scale in (8, 4, 2):
        if max(width, height) // scale >= side:
            image.draft(None, (max(1, width // scale), max(1, height // scale)))
            return


def _read_webp(file: BinaryIO, asked: _Asked) -> Decoded:
    """WebP: Pillow, made for moving ones, would hold five times the pixels."""
    import imagecodecs

    with pillow_image("WEBP", file, asked.name) as image:
        if getattr(image, "is_animated", False):
            file.seek(0)
            return _read_plain("WEBP", file, asked)
        file.seek(0)
        data = file.read()
        channels = len(image.getbands())
        # Lossless pixels are decoded apart (RFC 9649); so is the alpha of others.
        each = 2 * channels if channels == 4 or b"VP8L" in data[: 1 << 16] else channels
        asked.allow(budget.array(*image.size, channels, each) + 3 * len(data))
        values = imagecodecs.webp_decode(data)
        if values.shape[:2] != (image.height, image.width):
            raise ValueError("the frame is not the canvas")
        decoded = _from_channels(values, None)
        decoded.icc = _profile_of(image)
        _apply_exif(decoded, _Exif(image.getexif))
        return decoded


def reduced_size(width: float, height: float, side: int) -> tuple[int, int]:
    """Width and height with a long side of ``side``, or less where there is less."""
    scale = min(1.0, side / max(width, height))
    # Halves round up, so that 512 x 341 and its original 6000 x 4000 agree.
    return max(1, math.floor(width * scale + 0.5)), max(1, math.floor(height * scale + 0.5))


_LARGE = 4_000_000
"""Pixels beyond which an image is turned into an array in parts (project convention)."""


def _from_image(
    image: Image.Image,
    name: str,
    full: tuple[int, int] | None = None,
    scaled: tuple[int, int] | None = None,
) -> Decoded:
    image.load()
    exif = _Exif(image.getexif)
    decoded = _image_values(image, name, scaled)
    decoded.icc = _profile_of(image)
    if full is not None:
        decoded.width, decoded.height = full
    _apply_exif(decoded, exif)
    return decoded


def _profile_of(image: Image.Image) -> bytes | None:
    found = image.info.get("icc_profile")
    return _profile(found) if found else None


def _has_key(image: Image.Image) -> bool:
    """Whether one colour of it, or some of its palette, is transparent."""
    return "transparency" in image.info


def _image_values(image: Image.Image, name: str, scaled: tuple[int, int] | None = None) -> Decoded:
    """Values of an image that is loaded, with nothing of what stands beside them."""
    mode = image.mode
    transparent = _has_key(image)
    if mode in ("P", "PA"):
        palette_alpha = image.palette is not None and image.palette.mode.endswith("A")
        alpha_mode = mode == "PA" or transparent or palette_alpha
        image = image.convert("RGBA" if alpha_mode else "RGB")
    elif mode in ("1", "L", "RGB") and transparent:
        image = image.convert("RGBA" if mode == "RGB" else "LA")
    elif mode in _PLAIN_MODES:
        image = image.convert(_PLAIN_MODES[mode])
    if scaled is not None:
        image = image.resize(scaled, Image.Resampling.HAMMING)
    space, values, alpha = _split(_array(image), image.mode, name)
    return Decoded(values, space, *image.size, alpha)


def _array(image: Image.Image) -> NDArray[Any]:
    """An image's values; a large one some rows at a time, which Pillow would hold three times."""
    if image.width * image.height <= _LARGE:
        return np.asarray(image)
    rows = max(1, _LARGE // 4 // image.width)
    out: NDArray[Any] | None = None
    for top in range(0, image.height, rows):
        below = min(image.height, top + rows)
        band = np.asarray(image.crop((0, top, image.width, below)))
        if out is None:
            out = np.empty((image.height, *band.shape[1:]), dtype=band.dtype)
        out[top:below] = band
    assert out is not None  # noqa: S101 -- it has rows
    return out


_PLAIN_MODES = {
    "1": "L",
    "La": "LA",
    "RGBa": "RGBA",
    "RGBX": "RGB",
    "YCbCr": "RGB",
    "HSV": "RGB",
}


def _split(
    values: NDArray[Any], mode: str, name: str
) -> tuple[Space, NDArray[Any], NDArray[Any] | None]:
    """Space, values (H, W, C) and alpha of a PIL array of one mode."""
    if mode in ("L", "I;16", "I;16L", "I;16B", "I;16N"):
        return "GRAY", values.astype(values.dtype.newbyteorder("="), copy=False)[..., None], None
    if mode == "LA":
        return "GRAY", values[..., :1], values[..., 1]
    if mode == "RGB":
        return "RGB", values, None
    if mode == "RGBA":
        return "RGB", values[..., :3], values[..., 3]
    if mode == "CMYK":
        return "CMYK", values, None
    if mode == "LAB":
        ab = np.ascontiguousarray(values[..., 1:]).view(np.int8)
        lab = np.concatenate([values[..., :1] / np.float32(2.55), ab], axis=-1)
        return "LAB", lab.astype(np.float32), None
    if mode == "I" and values.min() >= 0 and values.max() <= 65535:
        return "GRAY", values.astype(np.uint16)[..., None], None
    if mode == "F":
        return "GRAY", _checked(values, name)[..., None], None
    raise UnsupportedPicture(f"{name} has pixels of kind {mode}; give 8- or 16-bit RGB or grey.")


class _Exif:
    """The few EXIF entries that are used; empty where EXIF is missing or broken."""

    def __init__(self, read: Callable[[], Image.Exif]) -> None:
        self.main: dict[int, Any] = {}
        self.photo: dict[int, Any] = {}
        self.interop: dict[int, Any] = {}
        try:
            with _quiet():
                exif = read()
                self.main = dict(exif)
                if self.main:
                    self.photo = dict(exif.get_ifd(0x8769))
                    self.interop = dict(exif.get_ifd(0xA005))
        except Exception:  # noqa: BLE001 - broken EXIF says nothing; the pixels may be fine
            return


def _apply_exif(decoded: Decoded, exif: _Exif) -> None:
    """Turn upright; take facts and the colour-space tag (CIPA DC-008 / JEITA CP-3451)."""
    _turn(decoded, exif.main.get(0x0112, 1))
    texts = {
        "camera": f"{exif.main.get(0x010F, '')} {exif.main.get(0x0110, '')}",
        "software": exif.main.get(0x0131, ""),
        "taken": exif.photo.get(0x9003, ""),
    }
    for key, value in texts.items():
        text = " ".join(str(value).replace("\0", " ").split())
        if text:
            decoded.facts[key] = text[:80]
    space = exif.photo.get(0xA001)
    if space == 1:
        decoded.tag = EXIF_SRGB
    elif space == 0xFFFF and str(exif.interop.get(1, "")).startswith("R03"):
        decoded.tag = DCF_OPTIONAL


_EXIF_MAIN = (0x010F, 0x0110, 0x0112, 0x0131)  # Make, Model, Orientation, Software


SIDEWAYS = (5, 6, 7, 8)
"""Orientations whose rows stand as columns."""


def _turn(decoded: Decoded, orientation: object) -> None:
    """Apply the EXIF orientation, or note it where rows are still to come; nothing is copied."""
    if orientation not in _TURNS:
        return
    if decoded.parts is None:
        decoded.values = upright(decoded.values, orientation)
        if decoded.alpha is not None:
            decoded.alpha = upright(decoded.alpha, orientation)
    else:
        decoded.orientation = orientation
    if orientation in SIDEWAYS:
        decoded.width, decoded.height = decoded.height, decoded.width


def upright(values: NDArray[Any], orientation: object) -> NDArray[Any]:
    """Rows and columns turned by an EXIF orientation; a view."""
    return _TURNS[orientation](values) if orientation in _TURNS else values


_TURNS: dict[object, Callable[[NDArray[Any]], NDArray[Any]]] = {
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: np.rot90(a, -1),
    7: lambda a: a[::-1, ::-1].swapaxes(0, 1),
    8: lambda a: np.rot90(a, 1),
}


# --- PNG -------------------------------------------------------------------


def _read_png(file: BinaryIO, asked: _Asked) -> Decoded:
    chunks = dict(png_chunks(file))
    file.seek(0)
    with pillow_image("PNG", file, asked.name) as image:
        animated = getattr(image, "is_animated", False)
        decoded = _png_decoded(image, file, asked, animated=animated)
    if animated:
        decoded.remarks.append("animated")
    return _tag_from_png(decoded, chunks, asked.name)


def _png_decoded(
    image: ImageFile.ImageFile, file: BinaryIO, asked: _Asked, *, animated: bool
) -> Decoded:
    header = strips.png_header(file)
    deep = header[8] == 16
    if deep:  # Pillow would drop the lower bits of colour
        samples = strips.SAMPLES[header[9]]
        needs = budget.array(*image.size, samples, 2 * samples) + file.seek(0, os.SEEK_END)
    else:
        samples = budget.samples(image.mode, transparent=_has_key(image))
        needs = _image_cost(image)
    in_parts = not asked.fits(needs) and strips.png_is_in_rows(header) and not animated
    if in_parts:
        needs = min(
            needs, budget.in_parts(*image.size, samples, _PNG_COPIES * (2 if deep else 1) * samples)
        )
    asked.allow(needs)
    file.seek(0)
    if not (deep or in_parts):
        return _from_image(image, asked.name)
    data = strips.png_bare(file)  # Pillow decodes all pixels to tell what stands behind them
    with pillow_image("PNG", io.BytesIO(data), asked.name) as bare:
        exif = _Exif(bare.getexif)
        if in_parts:
            decoded = _png_rows(data, asked.name, deep=deep)
            decoded.width, decoded.height = image.size
            asked.read_in_parts(
                decoded,
                lambda again: (
                    _png_rows(part, asked.name, deep=deep) for part in strips.png_parts(again)
                ),
            )
        else:
            file.seek(0)
            decoded = _png_rows(file.read(), asked.name, deep=True)
    decoded.icc = _profile_of(image)
    _apply_exif(decoded, exif)
    return decoded


def _png_rows(data: bytes, name: str, *, deep: bool) -> Decoded:
    """Values of a PNG, with nothing of what stands beside them."""
    if deep:
        import imagecodecs

        with muted():
            return _from_channels(imagecodecs.png_decode(data), None)
    with pillow_image("PNG", io.BytesIO(data), name) as image:
        image.load()
        return _image_values(image, name)


def _from_channels(array: NDArray[Any], icc: bytes | None) -> Decoded:
    """Grey or RGB, with or without alpha, by the number of channels."""
    height, width = array.shape[:2]
    values = array.reshape(height, width, -1)
    channels = values.shape[2]
    alpha = values[..., -1] if channels in (2, 4) else None
    space: Space = "GRAY" if channels < 3 else "RGB"
    return Decoded(values[..., : 1 if channels < 3 else 3], space, width, height, alpha, icc)


def png_chunks(file: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    """The chunks before the pixels (PNG, third edition, 5)."""
    file.seek(8)
    while len(header := file.read(8)) == 8:
        length, kind = struct.unpack(">I4s", header)
        if kind in (b"IDAT", b"IEND"):
            return
        yield kind, file.read(length)
        file.seek(4, os.SEEK_CUR)


def _tag_from_png(decoded: Decoded, chunks: dict[bytes, bytes], name: str) -> Decoded:
    """Order of trust: cICP, iCCP, sRGB, then gAMA with cHRM (PNG, third edition, 4.3)."""
    if b"cICP" in chunks:
        primaries, transfer = chunks[b"cICP"][:2]
        tag = _tag_from_code_points("cICP", (primaries, transfer), name)
        if tag is not None:
            decoded.tag, decoded.icc = tag, None
            return decoded
    if b"sRGB" in chunks:
        decoded.tag = Tag("PNG sRGB chunk")
    elif b"gAMA" in chunks or b"cHRM" in chunks:
        decoded.tag = tag_from_png(chunks.get(b"gAMA"), chunks.get(b"cHRM"))
    return decoded


def _tag_from_code_points(where: str, points: tuple[int, int], name: str) -> Tag | None:
    primaries, transfer = points
    if transfer in HDR_TRANSFERS:
        raise UnsupportedPicture(
            f"{name} is a high-dynamic-range picture ({HDR_TRANSFERS[transfer]}); "
            "give a standard-range copy."
        )
    return tag_from_code_points(where, primaries, transfer)


# --- AVIF, HEIC ------------------------------------------------------------


def _tag_from_nclx(decoded: Decoded, file: BinaryIO, name: str) -> None:
    if decoded.icc is not None:
        return
    points = _nclx(file)
    if points is not None:
        decoded.tag = _tag_from_code_points("nclx", points, name) or decoded.tag


def _nclx(file: BinaryIO) -> tuple[int, int] | None:
    """Colour primaries and transfer of the first nclx box (ISO/IEC 14496-12, 12.1.5)."""
    file.seek(0)
    while len(header := file.read(8)) == 8:
        length, kind = struct.unpack(">I4s", header)
        if kind == b"meta":
            meta = file.read(min(length, 1 << 24) - 8)
            at = meta.find(b"colrnclx")
            return struct.unpack(">HH", meta[at + 8 : at + 12]) if at >= 0 else None
        if length < 8:
            return None
        file.seek(length - 8, os.SEEK_CUR)
    return None


def _read_heic(file: BinaryIO, asked: _Asked) -> Decoded:
    name = asked.name
    try:
        import pillow_heif
    except ImportError:
        raise UnsupportedPicture(
            f"{name} is HEIC, which needs an extra: install autocast[heic], or give a JPEG."
        ) from None
    heif = pillow_heif.open_heif(file, convert_hdr_to_8bit=False)
    width, height = heif.size
    _check_size(width, height, name)
    samples = len(heif.mode.partition(";")[0])
    each = samples * (4 if ";16" in heif.mode else 2.7)  # measured
    asked.allow(budget.array(width, height, samples, each))
    # Copied: before pillow-heif 1.8 the array does not keep the memory that it shows.
    values = np.array(heif)[:, :width]
    decoded = _from_channels(values, heif.info.get("icc_profile"))

    def stored() -> Image.Exif:
        exif = Image.Exif()
        exif.load(heif.info.get("exif") or b"")
        return exif

    exif = _Exif(stored)
    exif.main.pop(0x0112, None)  # the decoder has turned the picture already
    _apply_exif(decoded, exif)
    _tag_from_nclx(decoded, file, name)
    return decoded


# --- TIFF ------------------------------------------------------------------


def _read_tiff(file: BinaryIO, asked: _Asked) -> Decoded:
    import tifffile

    name = asked.name
    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages.first
        if not isinstance(page, tifffile.TiffPage):
            raise UnsupportedPicture(f"{name} holds no picture of its own; save it as JPEG.")
        if is_raw(tiff):
            raise _raw(name)
        _check_size(page.imagewidth, page.imagelength, name)
        unpacked_by_libtiff(page)
        if page.photometric in _TIFF_SPACES and page.bitspersample >= 8:
            decoded = _read_tiff_page(page, asked)
            _apply_exif(decoded, _tiff_exif(file, page))
            return decoded
    file.seek(0)
    with muted():
        return _read_plain("TIFF", file, asked)


def is_raw(tiff: tifffile.TiffFile) -> bool:
    """True for a DNG or any TIFF that holds sensor data (photometric CFA or LinearRaw)."""
    import tifffile

    first = tiff.pages.first
    if 50706 in first.tags:  # DNGVersion
        return True
    pages: list[Any] = [first]
    try:
        pages += list(first.pages or ())
    except Exception:  # noqa: BLE001 - broken SubIFDs cannot hold sensor data that matters
        return False
    raw = (tifffile.PHOTOMETRIC.CFA, tifffile.PHOTOMETRIC.LINEAR_RAW)
    return any(getattr(page, "photometric", None) in raw for page in pages)


def _tiff_exif(file: BinaryIO, page: tifffile.TiffPage) -> _Exif:
    def stored() -> Image.Exif:
        file.seek(0)
        exif = Image.Exif()
        exif.load_from_fp(file)
        return exif

    exif = _Exif(stored)
    # What is read of a BigTIFF, whose header Pillow's EXIF does not know.
    exif.main |= {code: page.tags[code].value for code in _EXIF_MAIN if code in page.tags}
    return exif


def _profile(value: object) -> bytes:
    """The bytes of a profile; those of none, which is broken, where a tag holds anything else."""
    return value if isinstance(value, bytes) and value else b"\0"


def _read_tiff_page(page: tifffile.TiffPage, asked: _Asked) -> Decoded:
    """Grey, RGB, CMYK and CIELAB at their full depth; Pillow would read RGB as 8-bit."""
    space, _ = _TIFF_SPACES[page.photometric]
    depths = (8, 16) if space == "LAB" else (8, 16, 32, 64)
    if page.bitspersample not in depths:
        raise UnsupportedPicture(f"{asked.name} is an unusual TIFF; save it as 8- or 16-bit RGB.")
    planes, depth, height, width, each = page.shaped
    samples, computed = planes * each, _tiff_computed(page)
    stored = samples * page.bitspersample // 8
    needs = budget.array(width, height, samples, stored + computed) + _tiff_coded(page)
    rows = strips.tiff_rows(page)
    if not asked.fits(needs) and depth == 1 and stored <= 2 * samples and rows < height:
        in_parts = budget.in_parts(width, height, samples, 3 * stored + computed, rows)
        asked.allow(min(needs, in_parts))
        decoded = _tiff_values(page, next(strips.tiff_parts(page)), asked.name)
        asked.read_in_parts(decoded, lambda again: _tiff_in_parts(again, asked.name))
        return decoded
    asked.allow(needs)
    values = page.asarray(buffersize=_READ_AT_ONCE)
    if page.planarconfig == SEPARATE and values.ndim == 3:
        values = np.moveaxis(values, 0, -1)
    if values.ndim == 2:
        values = values[..., None]
    if values.shape[:2] != (page.imagelength, page.imagewidth):
        raise ValueError("the strips hold another picture than the tags say")
    return _tiff_values(page, values, asked.name)


def _tiff_in_parts(file: BinaryIO, name: str) -> Iterator[Decoded]:
    import tifffile

    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages.first
        if not isinstance(page, tifffile.TiffPage):
            raise ValueError("it was another file before")  # noqa: TRY004 -- as of damage
        unpacked_by_libtiff(page)
        for rows in strips.tiff_parts(page):
            yield _tiff_values(page, rows, name)


def _tiff_computed(page: tifffile.TiffPage) -> int:
    """Bytes of a pixel that is computed with before it is averaged (measured)."""
    _, count = _TIFF_SPACES[page.photometric]
    computed = 8 * count if page.bitspersample > 16 else 0  # wide floats are made narrow
    if page.photometric == _MIN_IS_WHITE:
        computed += 8
    if _TIFF_SPACES[page.photometric][0] == "LAB":
        computed += 40
    if next(iter(page.extrasamples), 0) == ASSOCIATED:
        computed += 16 * (count + 1)
    return computed


def _tiff_coded(page: tifffile.TiffPage) -> int:
    """Bytes of coded strips or tiles, and of those decoded last, beside the pixels."""
    if page.is_contiguous:
        return 0
    _, _, height, _, each = page.shaped
    rows, columns = strips.tiff_cell(page)
    decoded = min(rows, height) * columns * each * page.bitspersample // 8
    copies = 1 if page.predictor == 1 else 2
    return 2 * _READ_AT_ONCE + copies * decoded + max(page.databytecounts, default=0)


def _tiff_values(page: tifffile.TiffPage, values: NDArray[Any], name: str) -> Decoded:
    """Rows (H, W, samples) as colour and alpha."""
    space, count = _TIFF_SPACES[page.photometric]
    values = _checked(values, name)
    if values.ndim != 3 or values.shape[2] < count:
        raise UnsupportedPicture(f"{name} is a stack of pictures; give one of them.")
    colour, alpha = values[..., :count], None
    extra = next(iter(page.extrasamples), 0)
    if extra in (ASSOCIATED, UNASSOCIATED):
        alpha = values[..., count]
        if extra == ASSOCIATED:
            colour = _unpremultiplied(colour, alpha)
    if page.photometric == _MIN_IS_WHITE:
        colour = (top_of(colour) - colour).astype(colour.dtype)
    if space == "LAB":
        colour = _lab(colour, signed=page.photometric == _CIELAB)
    profile = page.tags.get(34675)
    icc = None if profile is None else _profile(profile.value)
    return Decoded(colour, space, page.imagewidth, page.imagelength, alpha, icc)


_READ_AT_ONCE = 1 << 22
"""Bytes of coded strips that are in memory beside the pixels (project convention)."""
# TIFF 6.0: values of ExtraSamples, PlanarConfiguration and PhotometricInterpretation.
ASSOCIATED, UNASSOCIATED = 1, 2
SEPARATE = 2
_MIN_IS_WHITE, _CIELAB = 0, 8
_TIFF_SPACES: dict[int, tuple[Space, int]] = {
    _MIN_IS_WHITE: ("GRAY", 1),
    1: ("GRAY", 1),
    2: ("RGB", 3),
    5: ("CMYK", 4),
    _CIELAB: ("LAB", 3),
    9: ("LAB", 3),
}


def _unpremultiplied(colour: NDArray[Any], alpha: NDArray[Any]) -> NDArray[Any]:
    top = top_of(colour)
    share = np.maximum(alpha[..., None], 1e-6 if colour.dtype.kind == "f" else 1) / top
    return np.asarray(np.minimum(colour / share, top), dtype=colour.dtype)


def _lab(codes: NDArray[Any], *, signed: bool) -> NDArray[np.float32]:
    """CIELAB (signed a*, b*) or ICCLAB (offset) codes of 8 or 16 bits to L*, a*, b*.

    Source: TIFF 6.0, section 23, and TIFF Technical Note 4 for ICCLAB.
    """
    wide = codes.dtype.itemsize == 2
    lightness = codes[..., :1] * np.float32(100 / top_of(codes))
    pair = np.ascontiguousarray(codes[..., 1:])
    if signed:
        ab = pair.view(np.int16 if wide else np.int8).astype(np.float32) / (256 if wide else 1)
    else:
        ab = pair.astype(np.float32) / (257 if wide else 1) - 128
    return np.concatenate([lightness, ab], axis=-1).astype(np.float32)


# --- arrays ----------------------------------------------------------------


def _from_array(array: NDArray[Any]) -> Decoded:
    """uint8, uint16 or float 0..1; (H, W), (H, W, 1), (H, W, 3) or (H, W, 4)."""
    channels = 1 if array.ndim == 2 else array.shape[2] if array.ndim == 3 else 0
    if channels not in (1, 3, 4) or array.size == 0:
        shape = " x ".join(map(str, array.shape)) or "that of a single number"
        raise UnsupportedPicture(
            f"array has the shape {shape}; give height x width, or height x width x 3 or 4."
        )
    _check_size(array.shape[1], array.shape[0], "array")
    decoded = _from_channels(_checked(array, "array"), None)
    decoded.certain = True
    return decoded


def _checked(values: NDArray[Any], name: str) -> NDArray[Any]:
    """uint8 and uint16 as they are, floats from 0 to 1 as float32; all else is refused."""
    if values.dtype.kind == "u" and values.dtype.itemsize <= 2:
        return values.astype(np.uint8 if values.dtype.itemsize == 1 else np.uint16, copy=False)
    if values.dtype.kind != "f":
        raise UnsupportedPicture(
            f"{name} holds {values.dtype} values; give 8- or 16-bit unsigned integers, "
            "or floats from 0 to 1."
        )
    low, high = float(values.min()), float(values.max())
    if not (math.isfinite(low) and math.isfinite(high)):  # a NaN anywhere makes both NaN
        raise UnsupportedPicture(f"{name} holds NaN or infinite values; give floats from 0 to 1.")
    if low < 0 or high > 1:
        raise UnsupportedPicture(
            f"{name} holds floats from {low:.3g} to {high:.3g}; scale them to 0 to 1."
        )
    return np.asarray(values, dtype=np.float32)


def top_of(values: NDArray[Any]) -> float:
    """The value that stands for 1.

    Parameters
    ----------
    values : ndarray
        Encoded values, unsigned integers or floats.

    Returns
    -------
    float
        255, 65535 or 1.
    """
    return float(np.iinfo(values.dtype).max) if values.dtype.kind == "u" else 1.0
