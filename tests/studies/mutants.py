"""Files made to be broken: small pictures of every format, and seeded edits that know formats.

Every seed is made here. An edit either knows the format (lengths, sizes, tags, checksums
made good again), spoils what is embedded (profile, EXIF, XMP), or strikes blindly.
"""

from __future__ import annotations

import io
import re
import struct
import warnings
import zlib
from collections.abc import Callable, Iterator
from functools import cache
from random import Random

import numpy as np
import tifffile
from PIL import Image, ImageCms
from PIL.PngImagePlugin import PngInfo

Edit = Callable[[bytes, Random], bytes]

SIZE = (72, 48)
_EXTREME = (0, 1, 2, 7, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 2**32 - 1)
_HEAD = 1024
"""Bytes within which numbers are looked for: headers lie in front."""
_MARKS = (b"acsp", b"Exif", b"<x:xmpmeta", b"xmpmeta", b"iCCP", b"mft", b"curv", b"para", b"desc")
"""Where embedded things begin."""
_XMP = (
    b"<?xpacket begin='' id='W5M0MpCehiHzreSzNTczkc9d'?><x:xmpmeta xmlns:x='adobe:ns:meta/'>"
    b"<rdf:RDF xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description "
    b"xmlns:tiff='http://ns.adobe.com/tiff/1.0/' tiff:Orientation='1'/></rdf:RDF></x:xmpmeta>"
    b"<?xpacket end='w'?>"
)


@cache
def scene() -> Image.Image:
    """A sky, a wall and grass with grain, under a slight cast."""
    rng = np.random.default_rng(1)
    width, height = SIZE
    parts = np.array([(150, 180, 220), (170, 168, 160), (90, 110, 60)])
    rows = np.repeat(parts, height // 3, axis=0)[:, None].repeat(width, axis=1)
    slope = np.linspace(0.7, 1.1, width)[None, :, None]
    codes = rows * slope + rng.normal(0, 6, (height, width, 3)) + (6, 0, -4)
    return Image.fromarray(np.clip(codes, 0, 255).astype(np.uint8))


@cache
def profile() -> bytes:
    """An ICC profile of sRGB."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


@cache
def exif() -> bytes:
    """EXIF with an orientation, a camera, a time and a colour space."""
    tags = Image.Exif()
    tags[0x0112], tags[0x010F], tags[0x0110] = 1, "Harbour", "Mole 3"
    tags.get_ifd(0x8769).update({0x9003: "2021:03:04 05:06:07", 0xA001: 1, 0x9204: -0.3})
    return tags.tobytes()


def _saved(kind: str, image: Image.Image | None = None, **options: object) -> bytes:
    out = io.BytesIO()
    (image or scene()).save(out, kind, **options)
    return out.getvalue()


def _tiff(codes: np.ndarray, **options: object) -> bytes:
    out = io.BytesIO()
    tifffile.imwrite(out, codes, **options)  # type: ignore[arg-type]
    return out.getvalue()


def _with(kind: str, icc: bytes, tags: bytes, xmp: bytes) -> bytes:
    """The scene with what is embedded as given."""
    if kind == "PNG":
        info = PngInfo()
        info.add_itxt("XML:com.adobe.xmp", xmp.decode("latin-1"))
        return _saved(kind, icc_profile=icc, exif=tags, pnginfo=info)
    return _saved(kind, icc_profile=icc, exif=tags, xmp=xmp)


@cache
def seeds() -> dict[str, bytes]:
    """Whole files by a name of their own; the part before the dash is the suffix."""
    image = scene()
    codes = np.asarray(image)
    deep = codes.astype(np.uint16) * 257
    alpha = np.dstack([codes, np.full(codes.shape[:2], 200, np.uint8)])
    frames = [image, image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)]
    made = {
        "jpg-plain": _saved("JPEG", quality=85),
        "jpg-progressive": _saved("JPEG", quality=85, progressive=True),
        "jpg-grey": _saved("JPEG", image.convert("L")),
        "jpg-cmyk": _saved("JPEG", image.convert("CMYK")),
        "jpg-embedded": _with("JPEG", profile(), exif(), _XMP),
        "png-plain": _saved("PNG"),
        "png-palette": _saved("PNG", image.quantize(64)),
        "png-grey": _saved("PNG", image.convert("LA")),
        "png-alpha": _saved("PNG", Image.fromarray(alpha)),
        "png-sixteen": _saved("PNG", Image.fromarray(deep[..., 0])),
        "png-embedded": _with("PNG", profile(), exif(), _XMP),
        "webp-plain": _saved("WEBP"),
        "webp-lossless": _saved("WEBP", Image.fromarray(alpha), lossless=True),
        "webp-animated": _saved("WEBP", frames[0], save_all=True, append_images=frames[1:]),
        "webp-embedded": _with("WEBP", profile(), exif(), _XMP),
        "gif-plain": _saved("GIF", image.quantize(64)),
        "gif-animated": _saved("GIF", frames[0], save_all=True, append_images=frames[1:]),
        "bmp-plain": _saved("BMP"),
        "avif-plain": _saved("AVIF"),
        "avif-embedded": _with("AVIF", profile(), exif(), _XMP),
        "tif-plain": _tiff(codes, photometric="rgb"),
        "tif-sixteen": _tiff(deep, photometric="rgb", iccprofile=profile()),
        "tif-planar": _tiff(deep.transpose(2, 0, 1), photometric="rgb", planarconfig="separate"),
        "tif-float": _tiff(codes.astype(np.float32) / 255, photometric="rgb"),
        "tif-tiled": _tiff(codes, photometric="rgb", tile=(16, 16), compression="adobe_deflate"),
        "tif-lzw": _tiff(codes, photometric="rgb", compression="lzw", predictor=2),
        "tif-big": _tiff(codes, photometric="rgb", bigtiff=True, byteorder=">"),
        "tif-inks": _tiff(np.asarray(image.convert("CMYK")), photometric="separated"),
        "tif-embedded": _with("TIFF", profile(), exif(), _XMP),
    }
    try:
        import pillow_heif
    except ImportError:
        return made
    pillow_heif.register_heif_opener()
    return {
        **made,
        "heic-plain": _saved("HEIF"),
        "heic-embedded": _with("HEIF", profile(), exif(), _XMP),
    }


def mutant(number: int, seed: int) -> tuple[str, bytes]:
    """The file of a number: its suffix and its bytes; the same for the same seed."""
    rng = Random(f"{seed}:{number}")  # noqa: S311 -- repeatable, not secret
    name = rng.choice(sorted(seeds()))
    suffix = name.partition("-")[0]
    data = seeds()[name]
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        edits: list[Edit] = [*_BLIND, *_KNOWING.get(suffix, ()), _at_mark]
        data = rng.choice(edits)(data, rng) or data[:1]
    if suffix in ("jpg", "png", "webp", "tif", "avif") and rng.random() < 0.15:
        data = _spoilt_inside(suffix, rng)
    return suffix, data


def _spoilt_inside(suffix: str, rng: Random) -> bytes:
    """A sound file around a spoilt profile, EXIF or XMP."""
    inside = [profile(), exif(), _XMP]
    which = rng.randrange(3)
    for _ in range(rng.randint(1, 4)):
        inside[which] = rng.choice(_BLIND)(inside[which] or b"\0", rng)
    kind = {"jpg": "JPEG", "tif": "TIFF"}.get(suffix, suffix.upper())
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _with(kind, *inside)
    except Exception:  # noqa: BLE001 -- a writer may refuse it; the plain file will do
        return seeds()[f"{suffix}-plain"]


def _flip(data: bytes, rng: Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 4, 32))):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _cut(data: bytes, rng: Random) -> bytes:
    return data[: rng.randrange(len(data))]


def _drop(data: bytes, rng: Random) -> bytes:
    at, length = rng.randrange(len(data)), rng.choice((1, 2, 4, 16, 256))
    return data[:at] + data[at + length :]


def _repeat(data: bytes, rng: Random) -> bytes:
    at, length = rng.randrange(len(data)), rng.choice((1, 4, 64, 512))
    return data[:at] + data[at : at + length] * rng.choice((1, 3, 40)) + data[at:]


def _blank(data: bytes, rng: Random) -> bytes:
    at, length = rng.randrange(len(data)), rng.choice((4, 64, 1024))
    filler = rng.choice((b"\0", b"\xff", b"A"))
    return data[:at] + filler * min(length, len(data) - at) + data[at + length :]


def _number(data: bytes, rng: Random) -> bytes:
    """A 1-, 2-, 4- or 8-byte number near the head becomes an extreme one."""
    size = rng.choice((1, 2, 4, 4, 8))
    at = rng.randrange(min(len(data), _HEAD))
    value = rng.choice(_EXTREME) % (1 << (8 * size))
    return data[:at] + value.to_bytes(size, rng.choice(("big", "little"))) + data[at + size :]


def _at_mark(data: bytes, rng: Random) -> bytes:
    """A blind edit of what follows the beginning of something embedded."""
    found = [m.start() for mark in _MARKS for m in re.finditer(re.escape(mark), data)]
    if not found:
        return _number(data, rng)
    at = max(rng.choice(found) - 36, 0)
    part = data[at : at + rng.choice((64, 256, 1024))]
    return data[:at] + rng.choice((_flip, _number, _blank))(part, rng) + data[at + len(part) :]


def _segments(data: bytes) -> Iterator[tuple[int, int]]:
    """Begin and end of a JPEG's segments before its first scan (ITU-T T.81, annex B)."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        yield at, min(end, len(data))
        if data[at + 1] == 0xDA:
            return
        at = end


def _jpeg(data: bytes, rng: Random) -> bytes:
    found = list(_segments(data))
    if not found:
        return _number(data, rng)
    at, end = rng.choice(found)
    part = data[at:end]
    how = rng.randrange(5)
    if how == 0:
        part = b""
    elif how == 1:
        part *= rng.choice((2, 20))
    elif how == 2:
        part = part[:2] + rng.choice(_EXTREME).to_bytes(4, "big")[2:] + part[4:]
    elif how == 3:
        part = part[:4] + _number(part[4:] or b"\0", rng)
    else:
        part = part[:1] + bytes([rng.randrange(256)]) + part[2:]
    return data[:at] + part + data[end:]


def _chunks(data: bytes) -> Iterator[tuple[int, int]]:
    """Begin and end of a PNG's chunks (ISO/IEC 15948, 5.3)."""
    at = 8
    while at + 12 <= len(data):
        end = at + 12 + int.from_bytes(data[at : at + 4], "big")
        yield at, min(end, len(data))
        at = end


def _png(data: bytes, rng: Random) -> bytes:
    """A chunk dropped, doubled, renamed or spoilt, with its length and checksum made good."""
    found = list(_chunks(data))
    if not found:
        return _number(data, rng)
    at, end = rng.choice(found)
    kind, body = data[at + 4 : at + 8], data[at + 8 : end - 4]
    how = rng.randrange(5)
    if how == 0:
        return data[:at] + data[end:]
    if how == 1:
        return data[:end] + data[at:end] * rng.choice((1, 30)) + data[end:]
    if how == 2:
        kind = rng.choice((b"IHDR", b"PLTE", b"tRNS", b"gAMA", b"cHRM", b"sBIT", b"eXIf", b"cICP"))
    elif how == 3:
        body = _number(body or b"\0", rng)
    else:
        body = _flip(body or b"\0", rng)
    made = kind + body
    framed = struct.pack(">I", len(body)) + made + struct.pack(">I", zlib.crc32(made))
    return data[:at] + framed + data[end:]


def _tiff_edit(data: bytes, rng: Random) -> bytes:
    """An entry of the first directory (TIFF 6.0, section 2) becomes another."""
    order = "<" if data[:2] == b"II" else ">"
    if len(data) < 8 or data[2:4] not in (b"*\0", b"\0*"):
        return _number(data, rng)
    first = struct.unpack_from(f"{order}I", data, 4)[0]
    if first + 2 > len(data):
        return _number(data, rng)
    count = struct.unpack_from(f"{order}H", data, first)[0]
    out = bytearray(data)
    at = first + 2 + 12 * rng.randrange(count + 1)
    if at + 12 > len(data):
        return _number(data, rng)
    field, form = rng.choice(((0, "H"), (2, "H"), (4, "I"), (8, "I")))
    kinds = {0: (*range(254, 300), 320, 322, 323, 34377, 34665, 34675, 700), 2: range(20)}
    choices = kinds.get(field, (*_EXTREME, first, len(data)))
    struct.pack_into(f"{order}{form}", out, at + field, rng.choice(list(choices)))
    return bytes(out)


def _boxes(data: bytes, rng: Random) -> bytes:
    """A box's or chunk's size or name (ISO/IEC 14496-12, 4.2; RIFF) becomes another."""
    named = [m.start() for m in re.finditer(rb"[A-Za-z][A-Za-z0-9 ]{3}", data[: 4 * _HEAD])]
    if not named:
        return _number(data, rng)
    at = rng.choice(named)
    out = bytearray(data)
    if rng.random() < 0.3:
        out[at : at + 4] = data[(other := rng.choice(named)) : other + 4]
        return bytes(out)
    where = at - 4 if data[:4] != b"RIFF" else at + 4
    if where < 0:
        return _number(data, rng)
    value = rng.choice((*_EXTREME, len(data), 8, 16))
    out[where : where + 4] = value.to_bytes(4, "little" if data[:4] == b"RIFF" else "big")
    return bytes(out)


_BLIND: tuple[Edit, ...] = (_flip, _flip, _number, _number, _cut, _drop, _repeat, _blank)
_KNOWING: dict[str, tuple[Edit, ...]] = {
    "jpg": (_jpeg,) * 4,
    "png": (_png,) * 4,
    "tif": (_tiff_edit,) * 6,
    "webp": (_boxes,) * 4,
    "avif": (_boxes,) * 4,
    "heic": (_boxes,) * 4,
}
