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
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.errors import UnsupportedPicture
from autocast.judgement import Place
from autocast.picture import borders, decoding
from autocast.picture.budget import (
    AT_ONCE,
    LINES_AT_ONCE,
    LOOK_SIDE,
    MEMORY,
    VALUES_AT_ONCE,
    WORKING_SIDE,
)
from autocast.picture.decoding import Decoded, Source
from autocast.picture.profiles import Coding, Reading, RgbSpace, rgb_space, to_srgb

_TINY = 64
"""Long side below which a picture is remarked as tiny (project convention)."""

_WHOLE = Place(0.0, 0.0, 1.0, 1.0)

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


def open_picture(source: Source, memory: int = MEMORY) -> Picture:
    """Open a picture and make its working pixels.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        Arrays are sRGB-encoded, (H, W), (H, W, 3) or (H, W, 4) with alpha last;
        uint8, uint16, or float in 0..1.
    memory : int
        Bytes that this may take, beside what the process holds already.

    Returns
    -------
    Picture
        Upright, without borders, the long side at most :data:`WORKING_SIDE` pixels.

    Raises
    ------
    PictureError
        The picture cannot be read, or takes more memory.
    """
    name, resolved = decoding.resolve(source)
    decoded = decoding.decode(name, resolved, LOOK_SIDE, memory)
    box, working = _content(decoded)
    frame = box or _WHOLE
    full_long = max(decoded.width, decoded.height)
    content_long = max(frame.width * decoded.width, frame.height * decoded.height)
    available = max(decoded.stored_size) * content_long / full_long
    if available < LOOK_SIDE and max(decoded.stored_size) < full_long:
        # Much was cut away: decode again, so that the rest keeps the scale it would have alone.
        side = math.ceil(LOOK_SIDE * full_long / content_long)
        decoded = decoding.decode(name, resolved, side, memory)
    if working is None:
        (working,) = _reduced(decoded, (frame, WORKING_SIDE))
    values, opaque, transparent = working
    if not opaque.any():
        raise UnsupportedPicture(f"{name} is transparent all over; give a picture with content.")
    reading = _read(values, decoded)
    remarks = [*decoded.remarks, *reading.remarks]
    if box is not None:
        remarks.append("border")
    if transparent:
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
    rows = max(1, AT_ONCE // width)
    for first in range(0, height, rows):
        band = decoded.values[first : first + rows].astype(np.float32) / np.float32(decoded.top)
        out[first : first + rows] = _read(band, decoded).encoded
    return out


def upright_size(source: Source, memory: int = MEMORY) -> tuple[int, int]:
    """Width and height of the upright picture, without decoding more than that needs.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`open_picture`.
    memory : int
        Bytes that this may take.

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
    decoded = decoding.decode(name, resolved, 1, memory)
    return decoded.width, decoded.height


def reduced_pixels(source: Source, side: int, memory: int = MEMORY) -> Floats:
    """The upright picture made small, for showing.

    Nothing is cut away; transparent parts keep the colour that lies under them.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`open_picture`.
    side : int
        Most pixels of the long side.
    memory : int
        Bytes that this may take.

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
    decoded = decoding.decode(name, resolved, side, memory, shown=True)
    (reduced,) = _reduced(decoded, (_WHOLE, side))
    return _read(reduced.values, decoded).encoded


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


def discs(
    source: Source, spots: Sequence[tuple[float, float, float]], memory: int = MEMORY
) -> list[Disc]:
    """The pixels of discs at full resolution.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`open_picture`.
    spots : sequence of (x, y, radius)
        In pixels of the full upright picture, origin at its top left corner.
    memory : int
        Bytes that this may take.

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
    decoded = decoding.decode(name, resolved, None, memory)
    boxes = []
    for x, y, radius in spots:
        top, left = max(0, int(y - radius)), max(0, int(x - radius))
        bottom = min(decoded.height, int(y + radius) + 1)
        boxes.append((top, bottom, left, min(decoded.width, int(x + radius) + 1)))
    out = []
    for spot, box, part in zip(spots, boxes, _crops(decoded, boxes), strict=True):
        (x, y, radius), (top, _, left, _) = spot, box
        down, across = np.ogrid[: part.shape[0], : part.shape[1]]
        off = np.hypot(across + left + 0.5 - x, down + top + 0.5 - y)
        values = part[off <= max(radius, float(off.min()))]
        scaled = values[None].astype(np.float32) / np.float32(decoded.top)
        out.append(Disc(values, decoded.top, decoded.space, _read(scaled, decoded).linear[0]))
    return out


def _crops(decoded: Decoded, boxes: Sequence[Box]) -> list[NDArray[Any]]:
    """The values in boxes of the upright picture."""
    if decoded.parts is None:
        return [decoded.values[top:bottom, left:right] for top, bottom, left, right in boxes]
    places = [_as_stored(decoded, box) for box in boxes]
    like = decoded.values
    crops = [
        np.empty((bottom - top, right - left, like.shape[2]), like.dtype)
        for top, bottom, left, right in places
    ]
    first = 0
    for part in decoded.rows():
        last = first + len(part.values)
        for crop, (top, bottom, left, right) in zip(crops, places, strict=True):
            rows = slice(max(top, first), max(top, first, min(bottom, last)))
            crop[rows.start - top : rows.stop - top] = part.values[
                rows.start - first : rows.stop - first, left:right
            ]
        first = last
    return [decoding.upright(crop, decoded.orientation) for crop in crops]


Box = tuple[int, int, int, int]
"""Top, bottom, left and right."""
_FROM_UPRIGHT: dict[object, tuple[bool, bool, bool]] = {
    2: (False, False, True),
    3: (False, True, True),
    4: (False, True, False),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}
"""Whether stored rows are upright columns, run upwards, and run to the left, by orientation."""


def _as_stored(decoded: Decoded, box: Box) -> Box:
    """A box of the upright picture, in rows and columns as they are stored."""
    swapped, upwards, leftwards = _FROM_UPRIGHT.get(decoded.orientation, (False,) * 3)
    rows, columns = decoded.stored_size
    top, bottom, left, right = box
    if swapped:
        top, bottom, left, right = left, right, top, bottom
    if upwards:
        top, bottom = rows - bottom, rows - top
    if leftwards:
        left, right = columns - right, columns - left
    return top, bottom, left, right


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


class _Reduced(NamedTuple):
    """Small pixels, what of them is opaque, and whether any of the picture is not."""

    values: Floats
    opaque: NDArray[np.bool_]
    transparent: bool


def _content(decoded: Decoded) -> tuple[Place | None, _Reduced | None]:
    """Where the picture lies inside its borders, looked for at a moderate scale.

    With it the working pixels, where it has none and was gone through once to learn that.
    """
    long = max(decoded.stored_size)
    step = long // LOOK_SIDE
    if step < 2 and decoded.alpha is None and decoded.parts is None:
        return borders.find_content(decoded.values, decoded.code), None
    wanted = [(_WHOLE, math.ceil(long / max(step, 1)))]
    if decoded.parts is not None:
        wanted.append((_WHOLE, WORKING_SIDE))
    look, *working = _reduced(decoded, *wanted)
    box = borders.find_content(look.values, decoded.code / decoded.top)
    return box, next(iter(working), None) if box is None else None


def _reduced(decoded: Decoded, *wanted: tuple[Place, int]) -> list[_Reduced]:
    """Area averages over frames, by how long their long side may be; see :class:`_Averages`."""
    if decoded.parts is None and decoded.alpha is None and [w[0] for w in wanted] == [_WHOLE]:
        size = decoding.reduced_size(decoded.width, decoded.height, wanted[0][1])
        if size[::-1] == decoded.values.shape[:2]:  # nothing is left to average
            mean = decoded.values.astype(np.float32) / np.float32(decoded.top)
            return [_Reduced(mean, np.ones(mean.shape[:2], dtype=np.bool_), transparent=False)]
    averages = [_Averages(decoded, *each) for each in wanted]
    for part in decoded.rows():
        for each in averages:
            each.take(part)
    return [each.reduced() for each in averages]


class _Averages:
    """Area averages over a frame, never more than there are pixels; and what is opaque.

    Averages are taken of the encoded values, not of light: JPEG's own reduced
    decoding and nearly every program that makes small copies average so, and a
    small copy must give the same pixels as its original.
    """

    def __init__(self, decoded: Decoded, frame: Place, side: int) -> None:
        self._like = decoded
        swapped, upwards, leftwards = _FROM_UPRIGHT.get(decoded.orientation, (False,) * 3)
        stored = decoded.stored_size
        rows, columns = stored[::-1] if swapped else stored
        full_height, full_width = frame.height * decoded.height, frame.width * decoded.width
        width, height = decoding.reduced_size(full_width, full_height, side)
        down = np.linspace(frame.y * rows, (frame.y + frame.height) * rows, height + 1)
        across = np.linspace(frame.x * columns, (frame.x + frame.width) * columns, width + 1)
        if swapped:
            down, across = across, down
        if upwards:
            down = stored[0] - down[::-1]
        if leftwards:
            across = stored[1] - across[::-1]
        self._colour = _Means((*stored, decoded.values.shape[2]), down, across)
        self._alpha = None
        if decoded.alpha is not None:
            self._alpha = _Means((*stored, 1), down, across)
        self._transparent = False

    def take(self, part: Decoded) -> None:
        """The next rows."""
        if self._alpha is None or part.alpha is None:
            self._colour.take(part.values, None)
            return
        alpha = part.alpha[..., None]
        # Colour counts by its alpha and is not blended with anything.
        self._colour.take(part.values, alpha)
        self._alpha.take(alpha, None)
        self._transparent |= bool((alpha < part.alpha_top / 2).any())

    def reduced(self) -> _Reduced:
        """The averages, once all rows were taken."""
        like = self._like
        mean = self._colour.means() / np.float32(like.top)
        if self._alpha is None:
            opaque = np.ones(mean.shape[:2], dtype=np.bool_)
        else:
            share = self._alpha.means() / np.float32(like.alpha_top)
            scaled = np.float32(1 / like.alpha_top)
            mean = np.where(share > 0, mean * scaled / np.maximum(share, 1e-6), 0)
            mean, opaque = mean.astype(np.float32), share[..., 0] >= 0.5
        mean = np.ascontiguousarray(decoding.upright(mean, like.orientation))
        opaque = np.ascontiguousarray(decoding.upright(opaque, like.orientation))
        return _Reduced(mean, opaque, self._transparent)


class _Means:
    """Means over the cells between fractional row and column edges, while rows come."""

    def __init__(self, shape: tuple[int, int, int], rows: Edges, columns: Edges) -> None:
        height, self._width, self._channels = shape
        self._columns = columns
        self._tall = np.zeros((len(rows) - 1, self._width * self._channels), dtype=np.float32)
        self._pieces = _pieces(rows, height, self._tall.shape[1])
        self._piece = next(self._pieces, None)
        self._rest: Floats = np.empty((0, self._width, self._channels), dtype=np.float32)
        self._taken = 0

    def take(self, values: NDArray[Any], weights: NDArray[Any] | None) -> None:
        """The next rows."""
        first = self._taken
        self._taken += len(values)
        while self._piece is not None:
            cells, lines, shares = self._piece
            block = values[max(lines.start - first, 0) : lines.stop - first]
            block = block.astype(np.float32, copy=False)
            if weights is not None:
                counted = weights[max(lines.start - first, 0) : lines.stop - first]
                block = block * counted.astype(np.float32)
            if lines.start < first:
                block = np.concatenate([self._rest[lines.start - first :], block])
            if lines.stop > self._taken:
                self._rest = block.copy()
                return
            self._tall[cells] += shares @ block.reshape(len(block), -1)
            self._piece = next(self._pieces, None)

    def means(self) -> Floats:
        """The means (rows, columns, channels), once all rows were taken."""
        channels = self._channels
        shape = (len(self._tall), len(self._columns) - 1, channels)
        out = np.empty(shape, dtype=np.float32)
        for cells, lines, shares in _shares(self._columns, self._width):
            part = self._tall[:, lines.start * channels : lines.stop * channels]
            apart = shares.T[:, None, :, None] * np.eye(channels, dtype=np.float32)[:, None]
            means = part @ apart.reshape(part.shape[1], -1)
            out[:, cells] = means.reshape(len(part), -1, channels)
        return out


def _pieces(edges: Edges, count: int, values: int) -> Iterator[tuple[slice, slice, Floats]]:
    """As :func:`_shares`, long lines of so many values in few at a time."""
    step = max(1, VALUES_AT_ONCE // values)
    for cells, lines, shares in _shares(edges, count):
        for start in range(lines.start, lines.stop, step):
            stop = min(start + step, lines.stop)
            yield cells, slice(start, stop), shares[:, start - lines.start : stop - lines.start]


def _shares(edges: Edges, count: int) -> Iterator[tuple[slice, slice, Floats]]:
    """Of a few cells at a time between edges: which cells, which of ``count`` lines they lie on.

    And by how much each line counts in each cell's mean, (cells, lines).
    """
    lows, highs = edges[:-1, None], edges[1:, None]
    step = max(1, int(LINES_AT_ONCE * len(lows) / (edges[-1] - edges[0])))
    for start in range(0, len(lows), step):
        cells = slice(start, start + step)
        low, high = lows[cells], highs[cells]
        first, last = int(low[0, 0]), min(math.ceil(high[-1, 0]), count)
        at = np.arange(first, last)
        covered = np.maximum(np.minimum(high, at + 1) - np.maximum(low, at), 0)
        yield cells, slice(first, last), (covered / (high - low)).astype(np.float32)
