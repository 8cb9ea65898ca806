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
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib import import_module
from typing import TYPE_CHECKING, Any, BinaryIO, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFile

from autocast.errors import PictureError, PictureTooLarge, UnreadablePicture, UnsupportedPicture
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
    """

    def __init__(self, source: Source) -> None:
        self.name, self._source = resolve(source)
        self._whole: Decoded | None = None
        self._lock = threading.Lock()

    def decoded(self, side: int | None) -> Decoded:
        """As by :func:`decode`. Raises PictureError."""
        if side is not None and _is_jpeg(self._source):
            return decode(self.name, self._source, side)
        with self._lock:
            if self._whole is None:
                self._whole = decode(self.name, self._source, None)
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


def decode(name: str, source: Source, side: int | None, *, shown: bool = False) -> Decoded:
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
    shown : bool
        For a person's eyes alone: what a JPEG's decoder leaves is scaled to ``side`` by a
        filter, which is faster than averages over areas and gives nearly the same pixels.

    Returns
    -------
    Decoded
        Values as the file holds them, upright.

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
        return guarded(name, lambda: _from_image(source, name))
    if isinstance(source, bytes):
        return _from_file(io.BytesIO(source), name, side, shown=shown)
    return _from_path(name, side, shown=shown)


def _from_path(name: str, side: int | None, *, shown: bool = False) -> Decoded:
    try:
        with open_file(name) as file:
            return _from_file(file, name, side, shown=shown)
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


def _from_file(file: BinaryIO, name: str, side: int | None, *, shown: bool = False) -> Decoded:
    head = file.read(64)
    file.seek(0)
    kind = kind_of(head, name)
    readers: dict[str, Callable[[], Decoded]] = {
        "TIFF": lambda: _read_tiff(file, name),
        "PNG": lambda: _read_png(file, name),
        "HEIC": lambda: _read_heic(file, name),
    }
    return guarded(
        name, readers.get(kind, lambda: _read_plain(kind, file, name, side, shown=shown))
    )


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
        raise UnreadablePicture(
            f"{name} is cut short or damaged; get a whole copy of it."
        ) from error


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


def _read_plain(
    kind: str, file: BinaryIO, name: str, side: int | None, *, shown: bool = False
) -> Decoded:
    """JPEG, GIF, BMP, WebP, AVIF and the rarer kinds of TIFF, by Pillow."""
    with pillow_image(kind, file, name) as image:
        full = image.size
        scaled = None
        if kind == "JPEG" and side is not None:
            _draft(image, side)
            scaled = reduced_size(*full, side) if shown else None
        decoded = _from_image(image, name, full, scaled)
        if kind == "AVIF":
            _tag_from_nclx(decoded, file, name)
        if getattr(image, "is_animated", False) and kind in ("GIF", "WEBP", "AVIF"):
            decoded.remarks.append("animated")
        return decoded


def _draft(image: ImageFile.ImageFile, side: int) -> None:
    """Have libjpeg decode at 1/2, 1/4 or 1/8, the long side no less than ``side``."""
    width, height = image.size
    for scale in (8, 4, 2):
        if max(width, height) // scale >= side:
            image.draft(None, (max(1, width // scale), max(1, height // scale)))
            return


def reduced_size(width: float, height: float, side: int) -> tuple[int, int]:
    """Width and height with a long side of ``side``, or less where there is less."""
    scale = min(1.0, side / max(width, height))
    # Halves round up, so that 512 x 341 and its original 6000 x 4000 agree.
    return max(1, math.floor(width * scale + 0.5)), max(1, math.floor(height * scale + 0.5))


_LARGE = 50_000_000
"""Pixels beyond which an image is turned into an array in parts (project convention)."""


def _from_image(
    image: Image.Image,
    name: str,
    full: tuple[int, int] | None = None,
    scaled: tuple[int, int] | None = None,
) -> Decoded:
    image.load()
    exif = _Exif(image.getexif)
    info = image.info
    mode = image.mode
    transparent = "transparency" in info
    if mode in ("P", "PA"):
        palette_alpha = image.palette is not None and image.palette.mode.endswith("A")
        alpha_mode = mode == "PA" or transparent or palette_alpha
        image = image.convert("RGBA" if alpha_mode else "RGB")
    elif mode in ("1", "L", "RGB") and transparent:
        image = image.convert("RGBA" if mode == "RGB" else "LA")
    elif mode in _PLAIN_MODES:
        image = image.convert(_PLAIN_MODES[mode])
    width, height = full or image.size
    if scaled is not None:
        image = image.resize(scaled, Image.Resampling.HAMMING)
    space, values, alpha = _split(_array(image), image.mode, name)
    decoded = Decoded(values, space, width, height, alpha)
    decoded.icc = _profile(info["icc_profile"]) if info.get("icc_profile") else None
    _apply_exif(decoded, exif)
    return decoded


def _array(image: Image.Image) -> NDArray[Any]:
    """An image's values; a large one some rows at a time, which Pillow would hold three times."""
    if image.width * image.height <= _LARGE:
        return np.asarray(image)
    rows = max(1, _LARGE // 16 // image.width)
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


def _turn(decoded: Decoded, orientation: object) -> None:
    """Apply the EXIF orientation; the picture is not copied."""
    if orientation not in _TURNS:
        return
    turn = _TURNS[orientation]
    decoded.values = turn(decoded.values)
    if decoded.alpha is not None:
        decoded.alpha = turn(decoded.alpha)
    if orientation in (5, 6, 7, 8):
        decoded.width, decoded.height = decoded.height, decoded.width


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


def _read_png(file: BinaryIO, name: str) -> Decoded:
    chunks = dict(png_chunks(file))
    file.seek(0)
    with pillow_image("PNG", file, name) as image:
        animated = getattr(image, "is_animated", False)
        deep = chunks[b"IHDR"][8] == 16
        decoded = _read_deep_png(image, file) if deep else _from_image(image, name)
    if animated:
        decoded.remarks.append("animated")
    return _tag_from_png(decoded, chunks, name)


def _read_deep_png(image: ImageFile.ImageFile, file: BinaryIO) -> Decoded:
    """16-bit PNG: Pillow would drop the lower bits of colour."""
    import imagecodecs

    file.seek(0)
    with muted():
        values = imagecodecs.png_decode(file.read())
    decoded = _from_channels(values, image.info.get("icc_profile"))
    _apply_exif(decoded, _Exif(image.getexif))
    return decoded


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


def _read_heic(file: BinaryIO, name: str) -> Decoded:
    try:
        import pillow_heif
    except ImportError:
        raise UnsupportedPicture(
            f"{name} is HEIC, which needs an extra: install autocast[heic], or give a JPEG."
        ) from None
    heif = pillow_heif.open_heif(file, convert_hdr_to_8bit=False)
    width, height = heif.size
    _check_size(width, height, name)
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


def _read_tiff(file: BinaryIO, name: str) -> Decoded:
    import tifffile

    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages.first
        if not isinstance(page, tifffile.TiffPage):
            raise UnsupportedPicture(f"{name} holds no picture of its own; save it as JPEG.")
        if is_raw(tiff):
            raise _raw(name)
        _check_size(page.imagewidth, page.imagelength, name)
        if page.photometric in _TIFF_SPACES and page.bitspersample >= 8:
            decoded = _read_tiff_page(page, name)
            _apply_exif(decoded, _tiff_exif(file, page))
            return decoded
    file.seek(0)
    with muted():
        return _read_plain("TIFF", file, name, None)


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


def _read_tiff_page(page: tifffile.TiffPage, name: str) -> Decoded:
    """Grey, RGB, CMYK and CIELAB at their full depth; Pillow would read RGB as 8-bit."""
    space, count = _TIFF_SPACES[page.photometric]
    depths = (8, 16) if space == "LAB" else (8, 16, 32, 64)
    if page.bitspersample not in depths:
        raise UnsupportedPicture(f"{name} is an unusual TIFF; save it as 8- or 16-bit RGB.")
    values = _checked(page.asarray(buffersize=_READ_AT_ONCE), name)
    if page.planarconfig == SEPARATE and values.ndim == 3:
        values = np.moveaxis(values, 0, -1)
    if values.ndim == 2:
        values = values[..., None]
    if values.shape[:2] != (page.imagelength, page.imagewidth):
        raise ValueError("the strips hold another picture than the tags say")
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
