"""The map of a card: what each region was taken for, drawn from what the ledger keeps of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocast.archive.regions import LEFT_OUT, Regions
from autocast.judgement.things import BY_NAME, ELSE


@dataclass(frozen=True, slots=True)
class Taken:
    """One class: the cells that were taken for it, as an SVG path of lines along rows."""

    name: str
    words: str
    path: str


@dataclass(frozen=True, slots=True)
class Map:
    """A map of ``columns`` x ``rows`` cells over the whole upright picture."""

    columns: int
    rows: int
    taken: tuple[Taken, ...]
    rest: bool

    @property
    def words(self) -> str:
        """What is on it."""
        return ", ".join(each.words for each in self.taken) or "nothing of known colour"


def drawn(regions: Regions) -> Map:
    """The classes that are on a map; ``rest`` where some of it is of none."""
    rows, columns = regions.cells.shape
    found = set(np.unique(regions.cells).tolist())
    names = {number: name for number, name in enumerate(regions.names) if number in found}
    return Map(
        columns,
        rows,
        tuple(
            Taken(name, words(name), "".join(_runs(regions.cells == number)))
            for number, name in names.items()
            if name != ELSE
        ),
        ELSE in names.values(),
    )


def words(name: str) -> str:
    """What a class is called."""
    if name == LEFT_OUT:
        return "left out"
    return BY_NAME[name].plural if name in BY_NAME else name


def _runs(inside: NDArray[np.bool_]) -> Iterator[str]:
    """A line along each run of cells in a row."""
    edges = np.diff(np.pad(inside.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    starts, ends = np.argwhere(edges == 1), np.argwhere(edges == -1)
    for (row, first), (_, last) in zip(starts.tolist(), ends.tolist(), strict=True):
        yield f"M{first} {row}h{last - first}"
