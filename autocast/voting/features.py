"""What the fitted models are told of a picture: one flat list of named figures.

A name begins with the kind of evidence it comes from (``statistics.``,
``neutrals.`` ...), with ``together.`` for the joint count, with ``scene.`` for
plain facts, or with ``content.`` for what the picture seems to show. Figures
that cannot be read are NaN, which the fitted trees know how to pass on. Casts
and colours are a*, b* quoted at L* 60.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.evidence import columns
from autocast.judgement import TONE_RANGES
from autocast.judgement.things import BY_NAME, CLASSES, CONTENT, KINDS
from autocast.segmentation.content import see
from autocast.voting.analysis import Case, gap
from autocast.voting.posterior import (
    COLUMNS,
    FREE_TONES,
    HALVES,
    QUARTERS,
    ROWS,
    Estimate,
    Part,
    count,
)

Floats = NDArray[np.floating[Any]]

HEARD = (*BY_NAME, CONTENT)
"""What can be withheld from the trees, by the first word of its figures."""
LEAST_SHARE = 0.02
"""Share of the frame below which a band's pixels are not read (project convention)."""
QUANTILES = (0.05, 0.25)
"""Shares of a band's pixels, by least chroma, whose mean colour is read."""
SIDES = ("left", "right")
"""Words in a name that tell a side of the frame."""
HUE_SECTORS = 8
"""Sectors of hue among which chroma is shared out."""
PLANE = (-25.0, -14.0, -8.0, -4.0, -1.5, 1.5, 4.0, 8.0, 14.0, 25.0)
"""Edges, in a* and b* at L* 60, of the cells into which the whole's pixels are counted."""
TONE_PLANE = (-14.0, -6.0, -2.0, 2.0, 6.0, 14.0)
"""The same for each tone range."""
RANKS = (0.002, 0.01, 0.03, 0.08, 0.2, 0.35, 0.5, 0.65, 0.8, 0.92, 0.97, 0.99, 0.998)
"""Shares of the pixels below the values at which the channels are set against each other."""
CODES = 4096
"""Steps of the encoded scale in which ranks are counted (project convention)."""
LEVEL = {
    "columns": tuple(itertools.combinations(COLUMNS, 2)),
    "quarters": (("top_left", "top_right"), ("bottom_left", "bottom_right")),
    "rows": tuple(itertools.combinations(ROWS, 2)),
    "tones": tuple(itertools.combinations(FREE_TONES, 2)),
}
"""Parts whose casts are set against each other."""


def features(case: Case) -> dict[str, float]:
    """Every figure, in a fixed order."""
    told: dict[str, float] = {}
    told.update(_scene(case))
    told.update(_together(case.estimate))
    told["together.conflict"] = case.conflict
    for kind in CLASSES:
        told.update(_class(case, kind))
    told.update(_support(case))
    told.update(_statistics(case))
    told.update(see(case.scene.picture))
    return mirrored_alike(told)


def leave_out(told: Mapping[str, float], case: Case, kind: str) -> dict[str, float]:
    """The same figures as if ``kind``, one of :data:`HEARD`, had not been heard."""
    rest = {
        name: float("nan") if name.startswith(f"{kind}.") else figure
        for name, figure in told.items()
    }
    # What the picture shows knows no casts: the count is the same without it.
    estimate = case.estimate if kind == CONTENT else count(case.counted, without=kind)
    return rest | mirrored_alike(dict(_together(estimate)))


def mirrored_alike(told: Mapping[str, float]) -> dict[str, float]:
    """The same figures with left and right told as farther and nearer from neutral.

    A mirrored picture then tells the same.
    """
    out: dict[str, float] = {}
    for name, figure in told.items():
        words = name.replace(".", "_").split("_")
        side = next((s for s in SIDES if s in words), None)
        if side is None:
            out[name] = figure
        elif side == "left" and name.endswith(".a"):
            base = name.removesuffix(".a")
            pairs = [_colour(told, base), _colour(told, base.replace("left", "right"))]
            # What could not be read counts as nearest.
            pairs.sort(key=lambda ab: -1.0 if np.isnan(ab[0]) else np.hypot(*ab), reverse=True)
            for end, ab in zip(("farther", "nearer"), pairs, strict=True):
                out.update(_pair(base.replace("left", end), ab))
    return out


def _colour(told: Mapping[str, float], name: str) -> tuple[float, float]:
    return told[f"{name}.a"], told[f"{name}.b"]


def _pair(name: str, ab: Floats | tuple[float, ...] | None) -> Iterator[tuple[str, float]]:
    a, b = (float("nan"), float("nan")) if ab is None else (float(ab[0]), float(ab[1]))
    yield f"{name}.a", a
    yield f"{name}.b", b


def _scene(case: Case) -> Iterator[tuple[str, float]]:
    regions = case.scene.regions
    yield "scene.readable", float(regions.area.sum())
    yield "scene.clipped", case.character.clipped
    yield "scene.fine", float(regions.area @ regions.fine)
    yield "scene.coarse", float(regions.area @ regions.coarse)
    area = regions.area / max(float(regions.area.sum()), 1e-9)
    lightness = float(area @ regions.lab[:, 0])
    yield "scene.lightness", lightness
    yield "scene.contrast", float(np.sqrt(area @ (regions.lab[:, 0] - lightness) ** 2))
    share = case.members.T @ area
    for k, kind in enumerate(KINDS):
        yield f"scene.share.{kind}", float(share[k])
    coloured = case.coloured
    yield "scene.coloured", 0.0 if coloured is None else coloured.share


def _together(estimate: Estimate) -> Iterator[tuple[str, float]]:
    yield from _pair("together", estimate.mean)
    yield "together.spread", float(np.sqrt(np.trace(estimate.covariance) / 2))
    yield "together.information", estimate.information
    yield "together.second", estimate.modes[1][2] if len(estimate.modes) > 1 else 0.0
    for name in (*TONE_RANGES, *FREE_TONES, *HALVES, *ROWS):
        part = estimate.parts[name]
        heard = part.mean if part.share >= LEAST_SHARE else None
        yield from _pair(f"together.{name}", heard)
        yield f"together.{name}.share", part.share
    for name, pairs in LEVEL.items():
        apart, deviations = _widest(estimate.parts, pairs)
        yield f"together.apart.{name}", apart
        yield f"together.apart.{name}.deviations", deviations
    areas = [estimate.parts[name] for name in (*COLUMNS, *QUARTERS)]
    worst = [np.hypot(*part.mean) for part in areas if part.share >= LEAST_SHARE]
    yield "together.worst_area", float(max(worst, default=np.nan))


def _widest(parts: Mapping[str, Part], pairs: Sequence[tuple[str, str]]) -> tuple[float, float]:
    """Largest distance of two parts' casts, and the largest in standard deviations."""
    gaps = [
        gap([parts[one], parts[other]])
        for one, other in pairs
        if min(parts[one].share, parts[other].share) >= LEAST_SHARE
    ]
    if not gaps:
        return float("nan"), float("nan")
    return max(g[0] for g in gaps), max(g[1] for g in gaps)


def _class(case: Case, kind: str) -> Iterator[tuple[str, float]]:
    """A class's vote and its mean reading, where it was found."""
    belongs = case.members[:, columns(kind)].sum(axis=1)
    weight = belongs * case.scene.regions.area
    found = float(weight.sum()) >= LEAST_SHARE
    mean, covariance = case.votes[kind].reading
    yield from _pair(f"{kind}.vote", mean if found else None)
    yield f"{kind}.spread", float(np.sqrt(np.trace(covariance) / 2)) if found else float("nan")
    yield from _pair(f"{kind}.reads", weight @ _at_60(case) / weight.sum() if found else None)
    yield f"{kind}.share", float(weight.sum())


def _support(case: Case) -> Iterator[tuple[str, float]]:
    for name in TONE_RANGES:
        yield from _pair(f"neutrals.{name}", case.support.casts.get(name))


def _at_60(case: Case) -> Floats:
    lab = case.scene.regions.lab
    return lab[:, 1:] * (76.0 / (lab[:, :1] + 16))


def _statistics(case: Case) -> Iterator[tuple[str, float]]:
    """The classical estimators, and the least-chroma colours of tones and bands of height."""
    single = case.counted.outright["statistics"].single
    for name in case.scene.weights["statistics"]:
        yield from _pair(f"statistics.{name}", single.get(name))
    yield from _ranks(case)
    labels = case.scene.regions.labels
    good = labels >= 0
    lab = np.asfortranarray(case.scene.lab[good])
    lightness = lab[:, 0]
    scale = 76.0 / (np.maximum(lightness, 0) + 16)
    at_60 = (lab[:, 1] * scale, lab[:, 2] * scale)
    chroma = np.hypot(*at_60)
    tall, wide = labels.shape
    row = np.broadcast_to(np.arange(tall)[:, None] / tall, labels.shape)[good]
    column = np.broadcast_to(np.arange(wide)[None, :] / wide, labels.shape)[good]
    bands = {
        name: (lightness >= low) & (lightness < high)
        for name, (low, high, _) in TONE_RANGES.items()
    } | {
        "upper": row < 1 / 3,
        "middle": (row >= 1 / 3) & (row < 2 / 3),
        "lower": row >= 2 / 3,
        **{
            f"{side}_{end}": (row < 0.5 if side == "top" else row >= 0.5)
            & (column < 0.5 if end == "left" else column >= 0.5)
            for side in ("top", "bottom")
            for end in ("left", "right")
        },
        "brightest": _beyond(lightness, 0.97),
        "darkest": ~_beyond(lightness, 0.05) & (lightness > 5),
    }
    fewest = max(24, LEAST_SHARE * 0.5 * labels.size)
    for name, band in bands.items():
        where = np.flatnonzero(band)
        enough = len(where) >= fewest
        mean = tuple(float(axis[where].mean()) for axis in at_60) if enough else None
        yield from _pair(f"statistics.{name}.mean", mean)
        for quantile in QUANTILES:
            least = _least(at_60, chroma, where, quantile) if enough else None
            yield from _pair(f"statistics.{name}.least_{quantile:g}", least)
    yield from _hues(at_60, chroma)
    yield from _plane("plane", at_60, PLANE)
    for name, (low, high, _) in TONE_RANGES.items():
        within = (lightness >= low) & (lightness < high)
        yield from _plane(f"plane.{name}", (at_60[0][within], at_60[1][within]), TONE_PLANE)


def _ranks(case: Case) -> Iterator[tuple[str, float]]:
    """How far red and blue lie from green at equal ranks, encoded -1..1.

    A rising curve laid over a channel leaves its ranks alone: it moves these
    values as it moves a ramp of greys, from the darkest to the lightest. (Green
    itself is not told: it would betray copies that casts are laid on.)
    """
    picture = case.scene.picture
    values = []
    for channel in np.moveaxis(picture.encoded, -1, 0):
        held = np.clip(channel[picture.opaque], 0, 1)
        code = np.rint(held * (CODES - 1)).astype(np.intp)
        below = np.bincount(code, minlength=CODES).cumsum()
        rank = np.searchsorted(below, np.array(RANKS) * (len(code) - 1), side="right")
        values.append(rank / (CODES - 1))
    for share, red, green, blue in zip(RANKS, *values, strict=True):
        yield f"statistics.rank_{share:g}.red", float(red - green)
        yield f"statistics.rank_{share:g}.blue", float(blue - green)


def _plane(
    name: str, at_60: tuple[Floats, Floats], edges: Sequence[float]
) -> Iterator[tuple[str, float]]:
    """How the pixels spread over the a*b* plane: the square root of each cell's share."""
    side = len(edges) + 1
    cell = np.searchsorted(edges, at_60[0]) * side + np.searchsorted(edges, at_60[1])
    share = np.sqrt(np.bincount(cell, minlength=side * side) / max(len(cell), 1))
    for k, value in enumerate(share):
        yield f"statistics.{name}.{k // side}_{k % side}", float(value)


def _beyond(values: Floats, share: float) -> NDArray[np.bool_]:
    if not len(values):
        return np.zeros(0, dtype=np.bool_)
    rank = int(share * (len(values) - 1))
    return np.asarray(values >= np.partition(values, rank)[rank], dtype=np.bool_)


def _least(
    at_60: tuple[Floats, Floats], chroma: Floats, where: NDArray[np.intp], share: float
) -> tuple[float, float]:
    """Mean colour of the least chromatic ``share`` of the pixels ``where``."""
    fewest = max(8, int(share * len(where)))
    least = where[np.argpartition(chroma[where], fewest - 1)[:fewest]]
    return float(at_60[0][least].mean()), float(at_60[1][least].mean())


def _hues(at_60: tuple[Floats, Floats], chroma: Floats) -> Iterator[tuple[str, float]]:
    """Chroma's quantiles, and its share in each sector of hue."""
    total = float(chroma.sum())
    for share in (0.1, 0.5, 0.9):
        rank = int(share * (len(chroma) - 1))
        value = float(np.partition(chroma, rank)[rank]) if len(chroma) else float("nan")
        yield f"statistics.chroma_{share:g}", value
    angle = np.arctan2(at_60[1], at_60[0])
    sector = ((angle / (2 * np.pi) % 1.0) * HUE_SECTORS).astype(np.intp) % HUE_SECTORS
    shared = np.bincount(sector, chroma, HUE_SECTORS) / max(total, 1e-9)
    for k in range(HUE_SECTORS):
        yield f"statistics.hue_{k}", float(shared[k])
