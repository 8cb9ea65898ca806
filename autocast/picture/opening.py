"""The first room: a file, an array or an image becomes pixels that can be trusted.

:func:`open_picture` gives small working pixels in linear sRGB, upright, without
borders; :func:`full_pixels` gives every pixel, sRGB-encoded. Originals are only
ever read. An open file is read from where it stands, put back there and left
open. Every refusal is a :class:`autocast.errors.PictureError` of one sentence.

How colour is read, first that applies: an embedded ICC profile (PNG's cICP goes
before it, as that standard asks); the file's own tags (cICP, nclx, PNG sRGB,
gAMA and cHRM, the EXIF colour space); sRGB. Profiles are applied by LittleCMS,
relative colorimetric with black-point compensation (common practice for
showing pictures): the white of the medium becomes white, and the black of a
printing profile becomes black. Colour outside sRGB is kept, not clipped.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.errors import UnsupportedPicture
from autocast.judgement import Place
from autocast.picture import borders, decoding
from autocast.picture.decoding import Decoded, Source
from autocast.picture.profiles import Coding, Reading, RgbSpace, rgb_space, to_srgb

WORKING_SIDE = 256
"""Longest side of the working pixels (project convention)."""
_LOOK_SIDE = 2 * WORKING_SIDE
"""Least long side at which borders are looked for, where the picture has as much."""
_TINY = 64
"""Long side below which a picture is remarked as tiny (project convention)."""

_WHOLE = Place(0.0, 0.0, 1.0, 1.0)

_PIXELS_AT_ONCE = 1 << 20
"""Pixels of a full picture converted at a time, to keep memory small."""
_LINES_AT_ONCE = 24
"""Rows or columns averaged at a time: few, since a product of matrices wastes work on zeros."""

Floats = NDArray[np.float32]
Edges = NDArray[np.float64]


_PLAIN = Coding("RGB", None, None, certain=True)


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """Working pixels of one picture and how they came about.

    ``pixels`` (H, W, 3) float32 is linear sRGB, upright, the border cut away,
    the long side at most WORKING_SIDE; ``encoded`` is the same, sRGB-encoded.
    Both lie in 0..1, or a little outside for colours that sRGB does not hold.
    ``opaque`` (H, W) is False where the picture is mostly transparent, or the plain
    ground that something was cut out on.
    ``frame`` is the part of the upright picture that the pixels cover;
    ``width`` and ``height`` are the full upright size. ``profile`` says how the
    numbers were read, ``remarks`` are keys of ``judgement.REMARKS``, and
    ``facts`` are hints out of EXIF (camera, taken, software), never more.
    ``coding`` says how the file holds colour, for a copy of it.
    """

    name: str
    width: int
    height: int
    pixels: Floats
    encoded: Floats
    opaque: NDArray[np.bool_]
    frame: Place
    profile: str
    remarks: tuple[str, ...]
    facts: Mapping[str, str]
    coding: Coding = _PLAIN


def open_picture(source: Source) -> Picture:
    """Open a picture and make its working pixels.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        Arrays are sRGB-encoded, (H, W), (H, W, 3) or (H, W, 4) with alpha last;
        uint8, uint16, or float in 0..1.

    Returns
    -------
    Picture
        Upright, without borders, the long side at most :data:`WORKING_SIDE` pixels.

    Raises
    ------
    PictureError
        The picture cannot be read.
    """
    name, resolved = decoding.resolve(source)
    decoded = decoding.decode(name, resolved, _LOOK_SIDE)
    box = _content(decoded)
    frame = box or _WHOLE
    full_long = max(decoded.width, decoded.height)
    content_long = max(frame.width * decoded.width, frame.height * decoded.height)
    available = max(decoded.values.shape[:2]) * content_long / full_long
    if available < _LOOK_SIDE and max(decoded.values.shape[:2]) < full_long:
        # Much was cut away: decode again, so that the rest keeps the scale it would have alone.
        side = math.ceil(_LOOK_SIDE * full_long / content_long)
        decoded = decoding.decode(name, resolved, side)
    values, opaque = _reduced(decoded, frame, WORKING_SIDE)
    if not opaque.any():
        raise UnsupportedPicture(f"{name} is transparent all over; give a picture with content.")
    reading = _read(values, decoded)
    remarks = [*decoded.remarks, *reading.remarks]
    if box is not None:
        remarks.append("border")
    if decoded.alpha is not None and (decoded.alpha < decoded.alpha_top / 2).any():
        remarks.append("transparent")
    # Whole numbers: the median of floats has numpy load its masked arrays, at every start.
    ground = borders.find_ground(np.rint(np.clip(reading.encoded, -9, 9) * 255).astype(np.int32))
    if ground is not None and (opaque & ~ground).any():
        opaque &= ~ground
        remarks.append("ground")
    if full_long < _TINY:
        remarks.append("tiny")
    return Picture(
        name=name,
        width=decoded.width,
        height=decoded.height,
        pixels=reading.linear,
        encoded=reading.encoded,
        opaque=opaque,
        frame=frame,
        profile=reading.profile,
        remarks=tuple(remarks),
        facts=MappingProxyType(dict(decoded.facts)),
        coding=Coding(decoded.space, decoded.icc, decoded.tag, certain=decoded.certain),
    )


def full_pixels(source: Source) -> Floats:
    """Every pixel of the upright picture; nothing is cut away, alpha is left aside.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`open_picture`.

    Returns
    -------
    (H, W, 3) ndarray of float32
        sRGB-encoded, 0..1, or a little outside for colours that sRGB does not hold.

    Raises
    ------
    PictureError
        The picture cannot be read.
    """
    name, resolved = decoding.resolve(source)
    decoded = decoding.decode(name, resolved, None)
    height, width = decoded.values.shape[:2]
    out = np.empty((height, width, 3), dtype=np.float32)
    rows = max(1, _PIXELS_AT_ONCE // width)
    for first in range(0, height, rows):
        band = decoded.values[first : first + rows].astype(np.float32) / np.float32(decoded.top)
        out[first : first + rows] = _read(band, decoded).encoded
    return out


def upright_size(source: Source) -> tuple[int, int]:
    """Width and height of the upright picture, without decoding more than that needs.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`open_picture`.

    Returns
    -------
    (int, int)
        In pixels.

    Raises
    ------
    PictureError
        The picture cannot be read.
    """
    name, resolved = decoding.resolve(source)
    decoded = decoding.decode(name, resolved, 1)
    return decoded.width, decoded.height


def reduced_pixels(source: Source, side: int) -> Floats:
    """The upright picture made small, for showing.

    Nothing is cut away; transparent parts keep the colour that lies under them.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`open_picture`.
    side : int
        Most pixels of the long side.

    Returns
    -------
    (H, W, 3) ndarray of float32
        sRGB-encoded, as by :func:`full_pixels`.

    Raises
    ------
    PictureError
        The picture cannot be read.
    """
    name, resolved = decoding.resolve(source)
    decoded = decoding.decode(name, resolved, side, shown=True)
    return _read(_reduced(decoded, _WHOLE, side)[0], decoded).encoded


@dataclass(frozen=True, slots=True, eq=False)
class Disc:
    """Pixels of a disc at full resolution: as the file holds them, and as linear sRGB.

    ``values`` (n, C) are on the file's own scale, on which ``top`` stands for 1;
    ``linear`` is (n, 3).
    """

    values: NDArray[Any]
    top: float
    space: str
    linear: Floats


def discs(source: Source, spots: Sequence[tuple[float, float, float]]) -> list[Disc]:
    """The pixels of discs at full resolution.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`open_picture`.
    spots : sequence of (x, y, radius)
        In pixels of the full upright picture, origin at its top left corner.

    Returns
    -------
    list of Disc
        In that order. Each holds the pixel that its middle lies in at least; parts
        beyond the picture are left away.

    Raises
    ------
    PictureError
        The picture cannot be read.
    """
    name, resolved = decoding.resolve(source)
    decoded = decoding.decode(name, resolved, None)
    out = []
    for x, y, radius in spots:
        rows, columns = decoded.values.shape[:2]
        top, left = max(0, int(y - radius)), max(0, int(x - radius))
        part = decoded.values[top : min(rows, int(y + radius) + 1)]
        part = part[:, left : min(columns, int(x + radius) + 1)]
        down, across = np.ogrid[: part.shape[0], : part.shape[1]]
        off = np.hypot(across + left + 0.5 - x, down + top + 0.5 - y)
        values = part[off <= max(radius, float(off.min()))]
        scaled = values[None].astype(np.float32) / np.float32(decoded.top)
        out.append(Disc(values, decoded.top, decoded.space, _read(scaled, decoded).linear[0]))
    return out


def own_space(picture: Picture) -> RgbSpace:
    """The RGB that the file itself holds.

    Parameters
    ----------
    picture : Picture
        Its coding says how the file holds colour.

    Returns
    -------
    RgbSpace
        Channels' curves to linear light, and a matrix to linear sRGB.

    Raises
    ------
    UnsupportedPicture
        The file holds no plain RGB.
    """
    coding = picture.coding
    if coding.space != "RGB":
        raise UnsupportedPicture(
            f"{picture.name} holds {_SPACE_WORDS[coding.space]}; convert it to RGB to correct it."
        )
    space = rgb_space(coding.icc, coding.tag, certain=coding.certain)
    if space is None:
        raise UnsupportedPicture(
            f"{picture.name} has a profile that is a table ({picture.profile}); "
            "convert it to a working space such as sRGB to correct it."
        )
    return space


_SPACE_WORDS = {"GRAY": "greys alone", "CMYK": "CMYK", "LAB": "CIELAB"}


def _read(values: Floats, decoded: Decoded) -> Reading:
    return to_srgb(values, decoded.space, decoded.icc, decoded.tag, certain=decoded.certain)


def _content(decoded: Decoded) -> Place | None:
    """Where the picture lies inside its borders, looked for at a moderate scale."""
    long = max(decoded.values.shape[:2])
    step = long // _LOOK_SIDE
    if step < 2 and decoded.alpha is None:
        return borders.find_content(decoded.values, decoded.code)
    reduced = _reduced(decoded, _WHOLE, math.ceil(long / max(step, 1)))[0]
    return borders.find_content(reduced, decoded.code / decoded.top)


def _reduced(decoded: Decoded, frame: Place, side: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Area averages over a frame, never more than there are pixels; and what is opaque.

    Averages are taken of the encoded values, not of light: JPEG's own reduced
    decoding and nearly every program that makes small copies average so, and a
    small copy must give the same pixels as its original.
    """
    rows, columns = decoded.values.shape[:2]
    top, bottom = frame.y * rows, (frame.y + frame.height) * rows
    left, right = frame.x * columns, (frame.x + frame.width) * columns
    full_height, full_width = frame.height * decoded.height, frame.width * decoded.width
    width, height = decoding.reduced_size(full_width, full_height, side)
    if decoded.alpha is None and frame == _WHOLE and (rows, columns) == (height, width):
        mean = decoded.values.astype(np.float32) / np.float32(decoded.top)
        return mean, np.ones((rows, columns), dtype=np.bool_)
    row_edges = np.linspace(top, bottom, height + 1)
    column_edges = np.linspace(left, right, width + 1)
    if decoded.alpha is None:
        mean = _area_mean(decoded.values, None, row_edges, column_edges) / np.float32(decoded.top)
        return mean, np.ones(mean.shape[:2], dtype=np.bool_)
    alpha = decoded.alpha[..., None]
    # Colour counts by its alpha and is not blended with anything.
    mean = _area_mean(decoded.values, alpha, row_edges, column_edges) / np.float32(decoded.top)
    share = _area_mean(alpha, None, row_edges, column_edges) / np.float32(decoded.alpha_top)
    scaled = np.float32(1 / decoded.alpha_top)
    mean = np.where(share > 0, mean * scaled / np.maximum(share, 1e-6), 0).astype(np.float32)
    return mean, share[..., 0] >= 0.5


def _area_mean(
    values: NDArray[Any], weights: NDArray[Any] | None, rows: Edges, columns: Edges
) -> Floats:
    """Means over the cells between fractional row and column edges."""
    height, width, channels = values.shape
    tall = np.empty((len(rows) - 1, width * channels), dtype=np.float32)
    for cells, lines, shares in _shares(rows, height):
        block = values[lines].astype(np.float32, copy=False)
        if weights is not None:
            block = block * weights[lines].astype(np.float32)
        tall[cells] = shares @ block.reshape(len(block), -1)
    out = np.empty((len(tall), len(columns) - 1, channels), dtype=np.float32)
    for cells, lines, shares in _shares(columns, width):
        part = tall[:, lines.start * channels : lines.stop * channels]
        apart = shares.T[:, None, :, None] * np.eye(channels, dtype=np.float32)[:, None]
        means = part @ apart.reshape(part.shape[1], -1)
        out[:, cells] = means.reshape(len(tall), -1, channels)
    return out


def _shares(edges: Edges, count: int) -> Iterator[tuple[slice, slice, Floats]]:
    """Of a few cells at a time between edges: which cells, which of ``count`` lines they lie on.

    And by how much each line counts in each cell's mean, (cells, lines).
    """
    lows, highs = edges[:-1, None], edges[1:, None]
    step = max(1, int(_LINES_AT_ONCE * len(lows) / (edges[-1] - edges[0])))
    for start in range(0, len(lows), step):
        cells = slice(start, start + step)
        low, high = lows[cells], highs[cells]
        first, last = int(low[0, 0]), min(math.ceil(high[-1, 0]), count)
        at = np.arange(first, last)
        covered = np.maximum(np.minimum(high, at + 1) - np.maximum(low, at), 0)
        yield cells, slice(first, last), (covered / (high - low)).astype(np.float32)
