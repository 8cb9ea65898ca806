"""A move on the codes of a file: tables in place of formulas.

A code of 8 or 16 bits can hold few values, so the light of each and what its
curve makes of it are worked out once. A pixel then costs a few looks into tables
and a few products in single precision. The last table goes from light to codes
and is laid out over the square root of light, because encoded values rise
steeply near black: a cell of it is at most half a 16-bit code wide in sRGB.

Of 8 bits a picture holds many pixels of one colour. What became of a colour is
kept, so that each is worked out once and then costs one look.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.correction.tone_curves import (
    NEAR_END,
    Curves,
    Floats,
    clipped_share,
    settled,
)
from autocast.picture import RgbSpace

Singles = NDArray[np.float32]

_CELLS = 1 << 18
"""Cells of the table from light to codes."""
_SAFE = 1 - 1e-6
"""Root of light below which single precision cannot have hidden that it is above 1."""
_PACKED = np.dtype("<u4")
_KNOWN = np.uint32(0xFF000000)
"""The fourth byte of a known colour, and of what is opaque; the others are red, green and blue."""
_COLOUR = ~_KNOWN
_WORKED_AT_ONCE = 1 << 15
"""Pixels worked at a time: few enough for a processor's cache (project convention)."""
_LOOKED_UP_AT_ONCE = 1 << 17
"""Pixels looked up at a time: enough that new colours come many at once (project convention)."""


class Recoding:
    """Curves for codes: a function from codes of one kind to new ones of that kind.

    Parameters
    ----------
    applied : Curves
        The move in the codes' own RGB.
    """

    def __init__(self, applied: Curves) -> None:
        self._applied = applied
        self._made: dict[np.dtype[Any], Callable[[NDArray[Any]], NDArray[Any]]] = {}
        self._making = Lock()

    def __call__(self, codes: NDArray[Any]) -> NDArray[Any]:
        """Correct codes; threads may call at once.

        Parameters
        ----------
        codes : (n, 3 or more) ndarray of uint8, uint16 or floats
            Encoded RGB, and what is kept beside it, such as alpha; floats lie in 0..1.

        Returns
        -------
        (n, 3 or more) ndarray of the same type
            What the curves make of them, to within 0.51 of an 8-bit code or one
            16-bit code.
        """
        with self._making:
            if codes.dtype not in self._made:
                self._made[codes.dtype] = self._worked(codes.dtype)
        return self._made[codes.dtype](codes)

    def _worked(self, dtype: np.dtype[Any]) -> Callable[[NDArray[Any]], NDArray[Any]]:
        if dtype.kind == "f":
            return partial(_in_parts, self._by_formula)
        tables = _tables(self._applied, dtype)
        return _Colours(tables) if dtype.itemsize == 1 else partial(_in_parts, tables.apply)

    def _by_formula(self, codes: NDArray[Any], out: NDArray[Any]) -> None:
        out[...] = self._applied(codes)


def _in_parts(
    work: Callable[[NDArray[Any], NDArray[Any]], None], codes: NDArray[Any]
) -> NDArray[Any]:
    """What ``work`` makes of codes (n, 3 or more), a cache's worth at a time."""
    out = codes.copy()
    for first in range(0, len(codes), _WORKED_AT_ONCE):
        part = slice(first, first + _WORKED_AT_ONCE)
        work(codes[part, :3], out[part, :3])
    return out


def recoded(applied: Curves, codes: NDArray[Any]) -> NDArray[Any]:
    """Correct the codes of a small picture, for which nothing is worth keeping.

    Parameters
    ----------
    applied : Curves
        The move in the codes' own RGB.
    codes : (n, 3) ndarray of uint8 or uint16
        Encoded RGB.

    Returns
    -------
    (n, 3) ndarray of the same type
        As :class:`Recoding` gives.
    """
    out = np.empty_like(codes)
    _tables(applied, codes.dtype).apply(codes, out)
    return out


class _Colours:
    """What became of each of the 2^24 colours of 8 bits; 0 where that is not known yet.

    Threads that meet a new colour at once write the same there.
    """

    def __init__(self, tables: _Tables) -> None:
        self._tables = tables
        # Pages that no colour falls into are never touched, and take no memory.
        self._known = np.zeros(1 << 24, dtype=np.uint32)

    def __call__(self, codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
        out = codes.copy()
        for first in range(0, len(codes), _LOOKED_UP_AT_ONCE):
            part = out[first : first + _LOOKED_UP_AT_ONCE]
            if part.shape[1] == 4:
                part[...] = self._changed(part)
                continue
            packed = np.zeros((len(part), 4), dtype=np.uint8)
            for c in range(3):  # numpy is slow at rows of three
                packed[:, c] = part[:, c]
            packed = self._changed(packed)
            for c in range(3):
                part[:, c] = packed[:, c]
        return out

    def _changed(self, codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """New colours of codes (n, 4) of one block, whose fourth are kept."""
        packed = codes.view(_PACKED)[:, 0]
        made = self._known.take((packed & _COLOUR).astype(np.intp), mode="clip")
        unknown = np.flatnonzero(made < _KNOWN)
        if len(unknown):
            met = packed[unknown] & _COLOUR
            given = met.astype(_PACKED, copy=False).view(np.uint8).reshape(-1, 4)
            new = np.full_like(given, 255)
            self._tables.apply(given[:, :3], new[:, :3])
            made[unknown] = self._known[met] = new.view(_PACKED)[:, 0]
        if packed.min() < _KNOWN:
            made &= packed | _COLOUR
        return made.astype(_PACKED, copy=False).view(np.uint8).reshape(-1, 4)


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """One row a channel: of each code the light ``held``, and ``curved``, what its curve makes.

    ``singles`` are the first, and the root of the second, in single precision. ``codes``
    are those of the middles of even cells of the root of light. ``near`` is how far each
    counts as clipped; ``lowered`` are the channels that the curves make darker there.
    """

    held: Floats
    curved: Floats
    singles: tuple[Singles, Singles]
    codes: NDArray[Any]
    near: Singles
    lowered: tuple[int, ...]
    weights: Floats
    top: int

    def apply(self, codes: NDArray[Any], out: NDArray[Any]) -> None:
        at = codes.T.astype(np.intp, order="C")
        held, root = (_looked_up(table, at) for table in self.singles)
        self._raise_clipped(at, held, root)
        after = self._luminance(root * root)
        with np.errstate(divide="ignore", invalid="ignore"):
            root *= np.sqrt(self._luminance(held) / after)
        # What is black, or may leave the range, takes all of the formula.
        special = ~(root.max(axis=0) < _SAFE)
        which = np.flatnonzero(special)
        if len(which):
            light, _ = settled(
                _looked_up(self.curved, at[:, which]).T,
                _looked_up(self.held, at[:, which]).T,
                codes.take(which, axis=0) / self.top,
                self.weights,
            )
            root[:, which] = np.sqrt(np.maximum(light.T, 0))
        root *= _CELLS
        at[...] = root
        for c in range(3):
            out[:, c] = self.codes[c].take(at[c], mode="clip")

    def _raise_clipped(self, at: NDArray[np.intp], held: Singles, root: Singles) -> None:
        """What :func:`settled` does first; no other than the lowest channel can rise."""
        if not self.lowered:
            return
        lowest = root.min(axis=0)
        for c in self.lowered:
            which = np.flatnonzero((at[c] > NEAR_END * self.top) & (root[c] <= lowest))
            others = (root[k].take(which) for k in range(3) if k != c)
            light = np.square(root[c].take(which))
            room = np.minimum(np.square(np.minimum(*others)), held[c].take(which)) - light
            light += self.near.take(at[c].take(which)) * np.maximum(room, 0)
            root[c, which] = np.sqrt(light)

    def _luminance(self, light: Singles) -> Singles:
        red, green, blue = self.weights.astype(np.float32)
        return np.asarray(red * light[0] + green * light[1] + blue * light[2])


def _looked_up(table: NDArray[Any], at: NDArray[np.intp]) -> NDArray[Any]:
    out = np.empty(at.shape, dtype=table.dtype)
    for c in range(3):
        table[c].take(at[c], out=out[c], mode="clip")
    return out


def _tables(applied: Curves, dtype: np.dtype[Any]) -> _Tables:
    top = int(np.iinfo(dtype).max)
    values = np.repeat(np.linspace(0.0, 1.0, top + 1)[:, None], 3, axis=1)
    held = np.ascontiguousarray(applied.space.decode(values).T)
    curved = np.ascontiguousarray(applied.curved(values).T)
    near = clipped_share(values[:, 0])
    return _Tables(
        held=held,
        curved=curved,
        singles=(held.astype(np.float32), np.sqrt(curved).astype(np.float32)),
        codes=_codes(applied.space, dtype),
        near=near.astype(np.float32),
        lowered=tuple(c for c in range(3) if (curved[c, near > 0] < held[c, near > 0]).any()),
        weights=applied.space.luminance,
        top=top,
    )


@lru_cache(maxsize=2)
def _codes(space: RgbSpace, dtype: np.dtype[Any]) -> NDArray[Any]:
    """The codes of each channel at the middles of the cells."""
    codes = np.empty((3, _CELLS), dtype=dtype)
    for first in range(0, _CELLS, _WORKED_AT_ONCE):
        middles = (np.arange(first, first + _WORKED_AT_ONCE) + 0.5) / _CELLS
        encoded = space.encode(np.repeat(middles[:, None] ** 2, 3, axis=1))
        codes[:, first : first + _WORKED_AT_ONCE] = np.rint(encoded.T * np.iinfo(dtype).max)
    return codes
