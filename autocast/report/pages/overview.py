"""What an archive looks like from above: where its casts lie, as a whole and by folder."""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from autocast.archive.rows import Row, is_address
from autocast.judgement import EVIDENT_FROM, describe
from autocast.report.pages.cards import PLANE_MARGIN, swatches
from autocast.report.text import cast_figures, percent, printable, typeset

MOST_POINTS = 1500
"""Points drawn on the plane of the whole archive; beyond that an even share of them."""
FOLDER_POINTS = 150
"""The same on the plane of one folder."""
MOST_PLANES = 24
"""Folders that get a plane of their own, those with the most likely casts first."""
CLUSTER_WITHIN = 4.0
"""Distance from a folder's middle cast up to which pictures count as sharing it."""
CLUSTER_SHARE = 0.6
"""Share of a folder's pictures from which the shared cast is pointed out."""
CLUSTER_LEAST = 5
"""Pictures that a folder must hold for that (these six are project conventions)."""


class Point(NamedTuple):
    """One picture on a plane."""

    a: float
    b: float
    verdict: str
    fill: str


@dataclass(frozen=True, slots=True)
class Folder:
    """One folder in figures; ``key`` is its number in the filter."""

    key: int
    name: str
    total: int
    cast: int
    ask: int
    clear: int
    failed: int
    middle: str
    words: str
    near: str
    clustered: bool
    points: tuple[Point, ...]


@dataclass(slots=True)
class Gathered:
    """What is kept of every row while the pages are written."""

    root: bytes = b""
    folders: dict[bytes, int] = field(default_factory=dict)
    verdicts: list[str] = field(default_factory=list)
    where: list[int] = field(default_factory=list)
    casts: list[tuple[float, float]] = field(default_factory=list)

    def add(self, row: Row) -> int:
        """Take in one row; the number of its folder."""
        number = self.folders.setdefault(row.folder, len(self.folders))
        self.where.append(number)
        self.verdicts.append(row.verdict or "failed")
        plain = row.a is None or row.b is None or "monochrome" in row.remarks
        self.casts.append((math.nan, math.nan) if plain else (row.a or 0.0, row.b or 0.0))
        return number

    def tree(self) -> tuple[list[int], list[tuple[int, str]]]:
        """For each folder the number of the one above it, or -1; and what a filter offers.

        Folders that hold only folders are numbered as well, up to the root. The
        offers are (number, name), in order of name.
        """
        root = self.root
        for name in list(self.folders):
            while not is_address(name) and len(name) > len(root) > 0:
                name = os.path.dirname(name)  # noqa: PLW2901, PTH120 -- climbs; bytes
                self.folders.setdefault(name, len(self.folders))
        above = [self._above(name) for name in self.folders]
        offers = [(n, below(name, root)) for name, n in self.folders.items()]
        return above, sorted(offers, key=lambda offer: offer[1])

    def _above(self, name: bytes) -> int:
        while b"/" in name:
            name = name.rpartition(b"/")[0]
            if name in self.folders:
                return self.folders[name]
        return -1

    def points(self, chosen: Sequence[int], most: int) -> tuple[Point, ...]:
        """Up to ``most`` of the pictures ``chosen`` that have a cast, evenly picked."""
        drawn = [i for i in chosen if not math.isnan(self.casts[i][0])]
        step = max(1.0, len(drawn) / most)
        picked = [drawn[int(k * step)] for k in range(min(len(drawn), most))]
        # The likely casts are drawn last, on top.
        picked.sort(key=lambda i: ("clear", "ask", "cast").index(self.verdicts[i]))
        casts = [self.casts[i] for i in picked]
        fills = swatches([(68.0, a, b) for a, b in casts])
        return tuple(
            Point(a, b, self.verdicts[i], fill)
            for i, (a, b), fill in zip(picked, casts, fills, strict=True)
        )

    def everything(self) -> tuple[Point, ...]:
        """The points of the whole archive."""
        return self.points(range(len(self.casts)), MOST_POINTS)

    def by_folder(self) -> list[Folder]:
        """Every folder, those with the most likely casts first."""
        rows: dict[int, list[int]] = {}
        for i, number in enumerate(self.where):
            rows.setdefault(number, []).append(i)
        names = list(self.folders)
        counted = {n: Counter(self.verdicts[i] for i in rows[n]) for n in rows}
        order = sorted(rows, key=lambda n: (-counted[n]["cast"], -counted[n]["ask"], names[n]))
        root = self.root
        return [
            self._folder(n, below(names[n], root), rows[n], counted[n], drawn=place < MOST_PLANES)
            for place, n in enumerate(order)
        ]

    def _folder(
        self, number: int, name: str, rows: list[int], counted: Counter[str], *, drawn: bool
    ) -> Folder:
        casts = np.array([self.casts[i] for i in rows])
        casts = casts[~np.isnan(casts[:, 0])]
        middle = words = near = ""
        clustered = False
        if len(casts):
            a, b = (float(v) for v in np.median(casts, axis=0))
            close = np.hypot(*(casts - (a, b)).T) <= CLUSTER_WITHIN
            middle, words = typeset(cast_figures(a, b)), describe(a, b)
            near = percent(float(close.mean()))
            clustered = (
                len(casts) >= CLUSTER_LEAST
                and float(close.mean()) >= CLUSTER_SHARE
                and math.hypot(a, b) >= EVIDENT_FROM
            )
        return Folder(
            key=number,
            name=name,
            total=len(rows),
            cast=counted["cast"],
            ask=counted["ask"],
            clear=counted["clear"],
            failed=counted["failed"],
            middle=middle,
            words=words,
            near=near,
            clustered=clustered,
            points=self.points(rows, FOLDER_POINTS) if drawn else (),
        )


def below(folder: bytes, root: bytes) -> str:
    """A folder's name below ``root``, in full where there is no root."""
    if folder == root:
        return printable(os.fsdecode(folder.rpartition(b"/")[2] or folder))
    return printable(os.fsdecode(folder[len(root) + 1 :] if root else folder))


def reach(points: Sequence[Point]) -> float:
    """How far a plane must reach to hold every mark, clear of the words along its edges."""
    return PLANE_MARGIN * max([12.0, *(max(abs(p.a), abs(p.b)) for p in points)])
