"""What the pages show of a picture: itself in several sizes, corrected, its regions, readings.

Everything heavy is done by a few workers and kept as long as there is room, so that the next
picture is ready before it is asked for. Files are only read, and only those of the ledger.
"""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from autocast.archive.rows import Row, is_address
from autocast.correction import Move, curves, plan
from autocast.errors import PictureError, UnreadablePicture
from autocast.judgement import Hint, Judgement
from autocast.judging import Examination, examine
from autocast.measuring import Measured, Measuring, measure
from autocast.modelstore import Models
from autocast.picture import MEMORY, reduced_pixels, srgb_space
from autocast.picture.writing import srgb_file
from autocast.report.evidence_picture.pictures import recognised

SIDES = (160, 640, 1024, 1600, 2400)
"""Long sides in pixels that a picture is made in (these six are project conventions)."""
QUALITY = 90
"""JPEG quality."""
ROOM = 64 * 2**20
"""Bytes of pictures that are kept in memory."""
READ_PIXELS = 60_000_000
"""Most pixels of a picture that stays decoded in full while its places are read (likewise)."""
JUDGED = 64
"""Pictures whose second judgement is kept."""
WORKERS = 2
"""Pictures that are worked on at once."""
NODES = 33
"""Steps of the table by which a corrected picture is made, per channel."""

Bytes = NDArray[np.uint8]
Hints = tuple[Hint, ...]
T = TypeVar("T")


def hindrance(row: Row) -> str:
    """Why a picture cannot be looked at as it was judged; empty where it can."""
    if is_address(row.path):
        return "It is at a remote address; only local files can be shown here."
    if row.failure is not None:
        return f"It could not be judged: {row.failure}"
    if row.gone:
        return "It was gone when the archive was last walked; run autocast presort again."
    try:
        found = os.stat(row.path)  # noqa: PTH116 -- bytes
    except OSError as error:
        reason = error.strerror or str(error)
        return f"The file cannot be opened ({reason}); put it back, or run autocast presort again."
    if (found.st_size, found.st_mtime_ns) != (row.size, row.mtime):
        return "The file has changed since it was judged; run autocast presort again."
    return ""


def stamp(row: Row) -> str:
    """Changes with the content, so that nothing kept is taken for another's."""
    return f"{row.size}-{row.mtime}"


@dataclass(frozen=True, slots=True)
class Second:
    """A judgement made while a person looks, and the move that it advises."""

    judgement: Judgement
    move: Move


@dataclass(frozen=True, slots=True)
class Named:
    """A recognised thing: its words, and where they belong (0..1 of the upright picture)."""

    words: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Map:
    """The picture with its regions drawn, as a JPEG, and what they are."""

    jpeg: bytes
    named: tuple[Named, ...]


class Kept(Generic[T]):
    """Results by key: what is being made is waited for, what was asked for longest ago goes."""

    def __init__(
        self, pool: ThreadPoolExecutor, room: int, size: Callable[[T], int] = lambda _: 1
    ) -> None:
        self._pool = pool
        self._room = room
        self._size = size
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, T] = OrderedDict()
        self._used = 0
        self._making: dict[Hashable, Future[T]] = {}

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """What ``make`` gives, made by a worker where it is not there."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            future = self._begun(key, make)
        return future.result()

    def ahead(self, key: Hashable, make: Callable[[], T]) -> None:
        """Begin with what will be asked for."""
        with self._lock:
            if key not in self._kept:
                self._begun(key, make)

    def _begun(self, key: Hashable, make: Callable[[], T]) -> Future[T]:
        if key not in self._making:
            self._making[key] = self._pool.submit(self._made, key, make)
        return self._making[key]

    def _made(self, key: Hashable, make: Callable[[], T]) -> T:
        try:
            made = make()
        except BaseException:
            with self._lock:
                self._making.pop(key, None)
            raise
        with self._lock:
            self._making.pop(key, None)
            self._kept[key] = made
            self._used += self._size(made)
            while self._used > self._room and len(self._kept) > 1:
                self._used -= self._size(self._kept.popitem(last=False)[1])
        return made


class Pictures:
    """Makes what the pages show; for many threads.

    ``models`` judge again; ``memory`` is what opening one picture may take, in bytes.
    """

    def __init__(self, models: Models, memory: int = MEMORY) -> None:
        self.models = models
        self._memory = memory
        self._pool = ThreadPoolExecutor(WORKERS, "picture")
        self._second_pool = ThreadPoolExecutor(WORKERS, "judging")
        self._jpegs: Kept[bytes] = Kept(self._pool, ROOM, len)
        self._maps: Kept[Map] = Kept(self._pool, JUDGED)
        self._seconds: Kept[Second] = Kept(self._second_pool, JUDGED)
        # Who reads one place often reads another.
        self._read: Kept[Measuring] = Kept(self._second_pool, 1)

    def close(self) -> None:
        """End the workers; what waits is called off."""
        for pool in (self._pool, self._second_pool):
            pool.shutdown(wait=True, cancel_futures=True)

    def shown(self, row: Row, side: int) -> bytes:
        """The picture as a JPEG (sRGB), upright, ``side`` pixels long. Raises PictureError."""
        return self._jpegs.get((row.id, stamp(row), side), partial(self._shown, row, side))

    def proposed(self, row: Row, side: int, hints: Hints) -> bytes:
        """The same with the proposed move. Raises PictureError or HintError."""
        move = self.second(row, hints).move
        key = (row.id, stamp(row), side, hints, "proposed")
        return self._jpegs.get(key, lambda: _jpeg(moved(self._reduced(row, side), move)))

    def ahead(self, row: Row, side: int) -> None:
        """Begin with a picture that will be asked for."""
        if not hindrance(row):
            self._jpegs.ahead((row.id, stamp(row), side), partial(self._shown, row, side))

    def second(self, row: Row, hints: Hints) -> Second:
        """The picture judged again, with what a person said. Raises PictureError or HintError."""

        def make() -> Second:
            examination = self._examined(row, hints)
            return Second(examination.judgement, plan(examination))

        return self._seconds.get((row.id, stamp(row), hints), make)

    def regions(self, row: Row, side: int) -> Map:
        """What each region is taken for. Raises PictureError."""

        def make() -> Map:
            return _map(self._reduced(row, side), self._examined(row, ()))

        return self._maps.get((row.id, stamp(row), side), make)

    def read(self, row: Row, x: float, y: float) -> Measured:
        """The place at full resolution. Raises PictureError or HintError."""
        path = _opened(row)
        if (row.width or 0) * (row.height or 0) > READ_PIXELS:
            return measure(path, [(x, y)], models=self.models, memory=self._memory).spots[0]
        measuring = self._read.get(
            (row.id, stamp(row)), lambda: Measuring(path, self.models, self._memory)
        )
        return measuring.at([(x, y)]).spots[0]

    def _examined(self, row: Row, hints: Hints) -> Examination:
        return examine(_opened(row), hints, models=self.models, explain=False, memory=self._memory)

    def _shown(self, row: Row, side: int) -> bytes:
        return _jpeg(self._reduced(row, side))

    def _reduced(self, row: Row, side: int) -> Bytes:
        """8-bit sRGB (H, W, 3), upright."""
        try:
            return _codes(reduced_pixels(_opened(row), side, self._memory))
        except MemoryError as error:
            raise PictureError(
                "There is not enough memory to show it; close other programs."
            ) from error


def _opened(row: Row) -> str:
    """The path to read; refused where the file is not the one that was judged."""
    why = hindrance(row)
    if why:
        raise UnreadablePicture(why)
    return os.fsdecode(row.path)


def _codes(encoded: NDArray[np.float32]) -> Bytes:
    return np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8)


def _jpeg(codes: Bytes) -> bytes:
    return srgb_file(codes, "JPEG", quality=QUALITY, subsampling=0)


def moved(codes: Bytes, move: Move) -> Bytes:
    """A picture corrected for showing, by way of a table of colours.

    Parameters
    ----------
    codes : (H, W, 3) ndarray of uint8
        8-bit sRGB.
    move : Move
        What to take away.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        8-bit sRGB, as the move itself gives but for what lies between the table's nodes.
    """
    steps = np.linspace(0.0, 1.0, NODES)
    # Pillow's table has red change fastest, then green.
    blue, green, red = np.meshgrid(steps, steps, steps, indexing="ij")
    nodes = np.stack([red, green, blue], axis=-1).reshape(-1, 3)
    table = ImageFilter.Color3DLUT(NODES, curves(move, srgb_space())(nodes).ravel().tolist())
    return np.asarray(Image.fromarray(codes).filter(table))


def _map(codes: Bytes, examination: Examination) -> Map:
    """The part of the picture that was judged, drawn over; the rest is darkened."""
    frame = examination.picture.frame
    rows, columns = codes.shape[:2]
    top, left = round(frame.y * rows), round(frame.x * columns)
    part = codes[top:, left:]
    part = part[: max(1, round(frame.height * rows)), : max(1, round(frame.width * columns))]
    size = (part.shape[1], part.shape[0])
    drawn, anchors = recognised(examination, part, size)
    out = (codes.mean(axis=-1, keepdims=True).repeat(3, axis=-1) * 0.3).astype(np.uint8)
    out[top : top + size[1], left : left + size[0]] = drawn
    named = (Named(a.text, (left + a.x) / columns, (top + a.y) / rows) for a in anchors)
    return Map(_jpeg(out), tuple(named))
