"""What spots of a picture read at full resolution, and what they should read."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.colour import linear_to_lab, log_chromaticity
from autocast.errors import HintError
from autocast.evidence import columns
from autocast.judgement import Reading
from autocast.judgement.given import is_number, number
from autocast.judgement.things import BY_NAME, CLASSES, Thing
from autocast.judging import Examination, examine
from autocast.modelstore import Models
from autocast.picture import DISC_SHARE, MEMORY, DecodedOnce, Disc, Picture, Source, discs
from autocast.segmentation import BURIED_BELOW, CLIPPED_FROM, likely_casts, memberships

LEAST_RADIUS = 2.0
"""Least such radius, in pixels (project convention)."""
SURE_FROM = 0.5
"""Membership from which a place is taken to be of a class (project convention)."""
DETAIL_WITHIN = 2
"""Working pixels around a proposed end of the scale that must all hold detail (likewise)."""
SAME_PLACE = 0.02
"""Distance, as a share of the long side, below which two proposals are one (likewise)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One spot. ``x``, ``y``, ``radius`` are pixels of the full upright picture.

    ``values`` and ``values_spread`` are mean and standard deviation in the
    file's own colours, on a scale that ends at ``top`` (255, 65535 or 1);
    ``reads`` and ``spread`` the same in CIELAB, white point D65. ``clipped``
    and ``buried`` are the shares of pixels with a channel at the top and at the
    bottom of the scale. ``what`` is what it is taken for; ``expected`` what
    such a thing reads at its lightness, None where that is not known, and ``should``
    the figures that pass as right, in words.
    """

    number: int
    x: float
    y: float
    radius: float
    values: tuple[float, ...]
    values_spread: tuple[float, ...]
    top: float
    reads: Reading
    spread: tuple[float, float, float]
    clipped: float
    buried: float
    what: str
    expected: Reading | None
    should: str


@dataclass(frozen=True, slots=True)
class Measures:
    """Spots of one picture, from light to dark. ``colours`` names the file's own colours."""

    name: str
    width: int
    height: int
    colours: str
    white_point: str
    proposed: bool
    spots: tuple[Measured, ...]

    def to_json(self) -> str:
        """One JSON document, in ASCII.

        Returns
        -------
        str
            All fields, with the version of their schema.
        """
        data: dict[str, Any] = {"schema": 1, **asdict(self)}
        for spot in data["spots"]:
            for key in ("reads", "expected"):
                if spot[key] is not None:
                    spot[key] = spot[key]._asdict()
        return json.dumps(data, allow_nan=False)


def measure(
    source: Source,
    at: Sequence[tuple[float, float]] = (),
    radius: float | None = None,
    models: Models | None = None,
    *,
    memory: int = MEMORY,
) -> Measures:
    """Read small discs of a picture at full resolution, from light to dark.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`autocast.judge`.
    at : sequence of (x, y)
        Pixels of the full upright picture, origin at its top left corner. Without
        it the spots that a careful person would pick are proposed.
    radius : float, optional
        In pixels; 1 % of the long side, as a judgement reads its places, unless given.
    models : Models, optional
        Those that autocast came with unless given.
    memory : int
        Bytes that opening the picture may take, beside what the process holds already.

    Returns
    -------
    Measures
        What each disc reads, and what it should read.

    Raises
    ------
    PictureError
        The picture cannot be judged, or takes more memory to open.
    HintError
        A spot lies outside the picture, or a disc has no pixels.
    """
    return Measuring(source, models, memory).at(at, radius)


class Measuring:
    """A picture that is decoded and examined once, for spots that are read one after the other.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`autocast.judge`.
    models : Models, optional
        Those that autocast came with unless given.
    memory : int
        As for :func:`measure`.

    Raises
    ------
    PictureError
        The picture cannot be judged, or takes more memory to open.
    """

    def __init__(self, source: Source, models: Models | None = None, memory: int = MEMORY) -> None:
        self._source = DecodedOnce(source, memory)
        with ThreadPoolExecutor(1) as pool:
            # Both at once: a JPEG is decoded at two sizes.
            whole = pool.submit(self._source.decode_beside)
            self._examination = examine(self._source, models=models, explain=False)
            whole.result()

    def at(self, at: Sequence[tuple[float, float]] = (), radius: float | None = None) -> Measures:
        """Read small discs at full resolution; see :func:`measure`.

        Parameters
        ----------
        at : sequence of (x, y)
            Pixels of the full upright picture; proposed where there are none.
        radius : float, optional
            In pixels; as a judgement reads its places, unless given.

        Returns
        -------
        Measures
            From light to dark.

        Raises
        ------
        PictureError
            The picture cannot be decoded in full.
        HintError
            A spot lies outside the picture, or a disc has no pixels.
        """
        at = _places(at)
        examination, picture = self._examination, self._examination.picture
        if radius is None:
            radius = max(LEAST_RADIUS, DISC_SHARE * max(picture.width, picture.height))
        if not 0 < number(radius) < math.inf:
            raise HintError(
                f"A disc of radius {radius!r:.40} makes no sense; give pixels, more than 0."
            )
        for x, y in at:
            if not (0 <= x < picture.width and 0 <= y < picture.height):
                raise HintError(
                    f"{x:g},{y:g} lies outside {picture.name}, "
                    f"which is {picture.width} x {picture.height} pixels."
                )
        places = [_Wanted(x, y) for x, y in at] or list(_proposed(examination))
        read = discs(self._source, [(place.x, place.y, radius) for place in places])
        spots = [
            _measured(examination, place, disc, radius)
            for place, disc in zip(places, read, strict=True)
        ]
        spots.sort(key=lambda spot: -spot.reads.lightness)
        return Measures(
            name=picture.name,
            width=picture.width,
            height=picture.height,
            colours=picture.profile,
            white_point="D65",
            proposed=not at,
            spots=tuple(_numbered(spots)),
        )


def _places(at: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Places as a caller gave them, each two finite numbers. Raises HintError."""
    given: Any = at
    if not isinstance(given, Iterable):
        raise HintError(f"{given!r:.80} holds no places; give a list of them.")
    found = []
    for place in given:
        pair = tuple(place) if isinstance(place, Iterable) else (place,)
        if len(pair) != 2 or not all(map(is_number, pair)):
            raise HintError(f"{place!r:.80} is not a place; give x and y in pixels.")
        found.append(pair)
    return found


class _Wanted(NamedTuple):
    """A place to measure, why it was proposed, and the class it was proposed for."""

    x: float
    y: float
    words: str = ""
    kind: str = ""


def _numbered(spots: Sequence[Measured]) -> Iterator[Measured]:
    for k, spot in enumerate(spots, start=1):
        yield replace(spot, number=k)


def _measured(examination: Examination, place: _Wanted, disc: Disc, radius: float) -> Measured:
    values = disc.values.astype(np.float64)
    lab = linear_to_lab(disc.linear)
    linear = disc.linear.astype(np.float64).mean(axis=0)
    mean = linear_to_lab(linear)
    share = values / disc.top
    kind, what = place.kind, place.words
    if not kind:
        kind, taken = _taken_for(examination, place.x, place.y, linear)
        what = f"{what}, {taken}" if what else taken
    thing = BY_NAME.get(kind)
    return Measured(
        number=0,
        x=round(place.x, 1),
        y=round(place.y, 1),
        radius=round(radius, 1),
        values=_rounded(values.mean(axis=0), disc.top),
        values_spread=_rounded(values.std(axis=0), disc.top),
        top=disc.top,
        reads=Reading(*(round(float(v), 2) for v in mean)),
        spread=tuple(round(float(v), 2) for v in lab.std(axis=0)),  # type: ignore[arg-type]
        clipped=round(float((share >= CLIPPED_FROM).any(axis=1).mean()), 4),
        buried=round(float((share <= BURIED_BELOW).any(axis=1).mean()), 4),
        what=what,
        expected=None if thing is None else _expected(thing, float(mean[0])),
        should="" if thing is None else thing.should,
    )


def _rounded(values: NDArray[np.float64], top: float) -> tuple[float, ...]:
    return tuple(round(float(v), 1 if top > 1 else 4) for v in values)


def _taken_for(
    examination: Examination, x: float, y: float, mean: NDArray[np.float64]
) -> tuple[str, str]:
    """What the place is taken for under the estimated cast: a class, or none, and words."""
    row, column = _working(examination.picture, x, y)
    region = int(examination.labels[row, column])
    if region < 0:
        return "", "nothing to go by (clipped, black or left out)"
    # The spot's own colour in its region's surroundings: a region may hold several things.
    scene, counted = examination.analysis.scene, examination.analysis.count
    members = memberships(
        scene.models.densities,
        log_chromaticity(mean)[None],
        scene.context[region][None],
        *likely_casts(counted.posterior),
    )
    shares = {name: float(members[0, columns(name)].sum()) for name in CLASSES}
    best = max(shares, key=lambda name: shares[name])
    if shares[best] < SURE_FROM:
        return "", "of no known colour"
    return best, BY_NAME[best].singular


def _expected(thing: Thing, lightness: float) -> Reading | None:
    if thing.target is None:
        return None
    return Reading(*(round(v, 1) for v in thing.target.at(lightness)))


def _working(picture: Picture, x: float, y: float) -> tuple[int, int]:
    """The working pixel at a place of the full picture; the nearest one inside the frame."""
    rows, columns = picture.opaque.shape
    frame = picture.frame
    across = (x / picture.width - frame.x) / frame.width * columns
    down = (y / picture.height - frame.y) / frame.height * rows
    return min(max(int(down), 0), rows - 1), min(max(int(across), 0), columns - 1)


def _proposed(examination: Examination) -> Iterator[_Wanted]:
    """The lightest and darkest that hold detail, then what the judgement would look at."""
    picture = examination.picture
    taken: list[_Wanted] = []
    apart = SAME_PLACE * max(picture.width, picture.height)
    for place in (*_ends(examination), *_looked_at(examination)):
        if all(np.hypot(place.x - other.x, place.y - other.y) > apart for other in taken):
            taken.append(place)
            yield place


def _looked_at(examination: Examination) -> Iterator[_Wanted]:
    picture = examination.picture
    for spot in examination.judgement.look_at:
        kind = spot.kind if spot.kind in BY_NAME else ""
        yield _Wanted(spot.x * picture.width, spot.y * picture.height, spot.what, kind)


def _ends(examination: Examination) -> Iterator[_Wanted]:
    """The lightest and the darkest place where all pixels around hold detail."""
    scene, picture = examination.analysis.scene, examination.picture
    side = 2 * DETAIL_WITHIN + 1
    if min(examination.labels.shape) < side:
        return
    around = np.lib.stride_tricks.sliding_window_view(examination.labels, (side, side))
    good = (around >= 0).all(axis=(2, 3))
    if not good.any():
        return
    lightness = scene.lab[0].reshape(picture.opaque.shape)
    levels = np.lib.stride_tricks.sliding_window_view(lightness, (side, side))
    mean = levels.mean(axis=(2, 3))
    rows, columns = picture.opaque.shape
    for sign, words in ((1, "lightest with detail"), (-1, "darkest with detail")):
        best = np.where(good, sign * mean, -np.inf)
        row, column = np.unravel_index(int(best.argmax()), best.shape)
        across = picture.frame.x + (column + DETAIL_WITHIN + 0.5) / columns * picture.frame.width
        down = picture.frame.y + (row + DETAIL_WITHIN + 0.5) / rows * picture.frame.height
        yield _Wanted(float(across * picture.width), float(down * picture.height), words)
