"""What the regions of a picture were taken for, as a small map that the ledger keeps.

A judgement holds no pixels, and to examine a picture anew costs as much as to judge it. So who
judged it leaves a map of a few hundred bytes, from which pages draw without opening the picture.
"""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from autocast.errors import LedgerError
from autocast.judgement.things import CLASSES
from autocast.judging import Examination

SIDE = 48
"""Cells along the long side (project convention)."""
LEFT_OUT = "left_out"
"""Stands for what was not read: a border, what is clipped or black, what is transparent."""
_CLASS_OF = {kind: name for name, kinds in CLASSES.items() for kind in kinds}


@dataclass(frozen=True, slots=True, eq=False)
class Regions:
    """Cells (rows, columns) over the whole upright picture, each an index into ``names``.

    A name is a class of known colour, ``else``, or :data:`LEFT_OUT`.
    """

    names: tuple[str, ...]
    cells: NDArray[np.uint8]


def owners(examination: Examination) -> tuple[tuple[str, ...], NDArray[np.uint8]]:
    """What each region is most likely of, as an index into the names, the last for what has none.

    The last name is :data:`LEFT_OUT`: indexed by the examination's labels, -1 gives it.
    """
    # The kinds of a class stand or fall together against the other classes.
    groups = [_CLASS_OF.get(kind, kind) for kind in examination.kinds]
    names = tuple(dict.fromkeys(groups))
    shares = np.stack(
        [examination.memberships[:, [g == name for g in groups]].sum(axis=1) for name in names],
        axis=1,
    )
    return (*names, LEFT_OUT), np.append(shares.argmax(axis=1), len(names)).astype(np.uint8)


def regions_of(examination: Examination) -> Regions:
    """The map of an examined picture; :data:`SIDE` cells long, fewer where it has fewer pixels."""
    names, owner = owners(examination)
    judgement, frame = examination.judgement, examination.picture.frame
    longest = min(SIDE, max(examination.labels.shape))
    scale = longest / max(judgement.width, judgement.height)
    down, across = (
        (np.arange(n) + 0.5) / n
        for n in (max(1, round(judgement.height * scale)), max(1, round(judgement.width * scale)))
    )
    y, x = (down - frame.y) / frame.height, (across - frame.x) / frame.width
    inside = ((y >= 0) & (y < 1))[:, None] & ((x >= 0) & (x < 1))
    rows, columns = (
        np.clip(at * n, 0, n - 1).astype(int)
        for at, n in zip((y, x), examination.labels.shape, strict=True)
    )
    cells = np.where(inside, owner[examination.labels[rows[:, None], columns]], len(names) - 1)
    # A lone cell is a speck of a few pixels.
    smooth = Image.fromarray(cells.astype(np.uint8)).filter(ImageFilter.ModeFilter(3))
    return Regions(names, np.asarray(smooth))


def written(regions: Regions) -> str:
    """A map as the ledger keeps it: JSON, its cells deflated (RFC 1950) and in base64."""
    rows, columns = regions.cells.shape
    packed = base64.b64encode(zlib.compress(regions.cells.tobytes(), 9)).decode("ascii")
    return json.dumps({"names": regions.names, "rows": rows, "columns": columns, "cells": packed})


def read(text: str, name: str) -> Regions:
    """The map that :func:`written` wrote of the picture ``name``; else a LedgerError."""
    try:
        data = json.loads(text)
        names, size = tuple(map(str, data["names"])), (int(data["rows"]), int(data["columns"]))
        packed = base64.b64decode(data["cells"], validate=True)
        cells = np.frombuffer(zlib.decompressobj().decompress(packed, SIDE * SIDE), dtype=np.uint8)
        found = Regions(names, cells.reshape(size))
        whole = cells.size > 0 and int(cells.max()) < len(names)
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError, zlib.error) as error:
        raise _damaged(name) from error
    if not whole:
        raise _damaged(name)
    return found


def _damaged(name: str) -> LedgerError:
    return LedgerError(
        f"The ledger's map of {name} is damaged; judge it again with autocast presort --rejudge."
    )
