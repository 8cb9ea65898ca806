"""What the fitted models are given of a picture: one flat list of named numbers.

:func:`dictionary` says of each what it is. A name begins with the kind of
evidence that it comes from, with ``joint.`` for the joint count, with ``scene.``
for plain facts, or with ``content.`` for what the picture seems to show. What
cannot be read is NaN, which the trees know how to pass on. Left and right are
given as farther from and nearer to neutral, so that a mirrored picture gives the
same.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import at_60
from autocast.evidence import (
    Feature,
    by_distance,
    cast_features,
    cast_values,
    columns,
    kinds,
)
from autocast.judgement import TONE_RANGES
from autocast.judgement.limits import LEAST_COUNTED
from autocast.judgement.things import BY_NAME, CLASSES, CONTENT, KINDS, NEUTRALS
from autocast.segmentation.content import CHANNELS, see
from autocast.voting.analysis import Analysis, gaps
from autocast.voting.posterior import (
    COLUMNS,
    FREE_TONES,
    QUARTERS,
    ROWS,
    Count,
    Part,
    count,
    counts,
)

Floats = NDArray[np.floating[Any]]

ABLATED = (*BY_NAME, CONTENT)
"""What can be withheld from the trees, by the kind of its features."""
PLAIN_PARTS = (*TONE_RANGES, *FREE_TONES)
SIDES = ("farther", "nearer")
"""The left and the right half, by how far from neutral their casts lie."""
REST = ("top", "bottom", *ROWS)
APART = {
    "columns": tuple(itertools.combinations(COLUMNS, 2)),
    "quarters": (("top_left", "top_right"), ("bottom_left", "bottom_right")),
    "rows": tuple(itertools.combinations(ROWS, 2)),
    "tones": tuple(itertools.combinations(FREE_TONES, 2)),
}
"""Parts whose casts are set against each other."""
_COMPARED = tuple(pair for pairs in APART.values() for pair in pairs)
SHARE = "share of the frame, 0..1"


@cache
def dictionary() -> Mapping[str, Feature]:
    """Every feature by its name.

    Returns
    -------
    mapping of str to Feature
        In the order in which :func:`extract` gives them.
    """
    every = [*_scene_features(), *_joint_features()]
    every.append(Feature("joint.conflict", "joint", "largest distance of two votes", "deviations"))
    for name, thing in ((name, BY_NAME[name]) for name in CLASSES):
        found = f"where {thing.plural} were found"
        every += cast_features(f"{name}.vote", name, f"cast that the class votes for, {found}")
        every.append(Feature(f"{name}.spread", name, f"its spread, {found}", "a*b* at L* 60"))
        every += cast_features(f"{name}.reads", name, f"mean colour {found}")
        every.append(Feature(f"{name}.share", name, f"share of the class, {thing.plural}", SHARE))
    for tone in TONE_RANGES:
        every += cast_features(f"{NEUTRALS}.{tone}", NEUTRALS, f"mean neutral of the {tone}")
    for kind in kinds():
        every += kind.own.features() if kind.own is not None else ()
    every += [
        Feature(f"{CONTENT}.{k:03d}", CONTENT, f"mean of network channel {k}", "1", first=False)
        for k in range(CHANNELS)
    ]
    return {feature.name: feature for feature in every}


def extract(analysis: Analysis) -> dict[str, float]:
    """The value of every feature of one picture.

    Parameters
    ----------
    analysis : Analysis
        Without hints.

    Returns
    -------
    dict of str to float
        By name, in the order and the units of :func:`dictionary`; NaN where
        nothing could be read.
    """
    found: dict[str, float] = {}
    found.update(_scene(analysis))
    found.update(_joint(analysis.count))
    found["joint.conflict"] = analysis.conflict
    for kind in CLASSES:
        found.update(_class(analysis, kind))
    for name in TONE_RANGES:
        found.update(cast_values(f"{NEUTRALS}.{name}", analysis.support.casts.get(name)))
    for each in kinds():
        if each.own is not None:
            wide = analysis.log_likelihoods.picture_wide[each.kind]
            found.update(each.own.values(analysis.scene, wide))
    found.update(see(analysis.scene.picture, analysis.scene.models.network))
    return found


def leave_out(found: Mapping[str, float], analysis: Analysis, kind: str) -> dict[str, float]:
    """The same features as if one kind of evidence had not been there.

    Parameters
    ----------
    found : mapping of str to float
        What :func:`extract` gave.
    analysis : Analysis
        Of the same picture.
    kind : str
        One of :data:`ABLATED`.

    Returns
    -------
    dict of str to float
        NaN for the features of that kind, and a count without it.
    """
    # What the picture shows knows no casts: the count is the same without it.
    unmoved = kind == CONTENT
    return _less(found, kind, None if unmoved else count(analysis.log_likelihoods, kind))


def leave_each_out(found: Mapping[str, float], analysis: Analysis) -> dict[str, dict[str, float]]:
    """As :func:`leave_out`, for every kind at once, which is quicker.

    Parameters
    ----------
    found : mapping of str to float
        What :func:`extract` gave.
    analysis : Analysis
        Of the same picture.

    Returns
    -------
    dict of str to dict of str to float
        By the kinds of :data:`ABLATED`.
    """
    counted = dict(zip(BY_NAME, counts(analysis.log_likelihoods, [*BY_NAME]), strict=True))
    return {kind: _less(found, kind, counted.get(kind)) for kind in ABLATED}


def _less(found: Mapping[str, float], kind: str, counted: Count | None) -> dict[str, float]:
    """The features without those of a kind, and with another count where there is one."""
    own = dict.fromkeys(_of_kind(kind) & found.keys(), math.nan)
    return {**found, **own, **dict(_joint(counted) if counted is not None else ())}


@cache
def _of_kind(kind: str) -> frozenset[str]:
    return frozenset(name for name, feature in dictionary().items() if feature.kind == kind)


def _scene_features() -> Iterator[Feature]:
    for name, meaning, unit in (
        ("readable", "share of the frame that can be read", "0..1"),
        ("clipped", "share of pixels that are clipped", "0..1"),
        ("fine", "mean difference of encoded luminance at 1 pixel", "0..1"),
        ("coarse", "mean difference of encoded luminance at 4 pixels", "0..1"),
        ("lightness", "mean lightness", "L*"),
        ("contrast", "standard deviation of lightness", "L*"),
        *((f"share.{kind}", f"share that is taken for {kind}", "0..1") for kind in KINDS),
        ("coloured", "share of the thing of strong colour", "0..1"),
    ):
        yield Feature(f"scene.{name}", "scene", meaning, unit)


def _scene(analysis: Analysis) -> Iterator[tuple[str, float]]:
    regions = analysis.scene.regions
    yield "scene.readable", float(regions.area.sum())
    yield "scene.clipped", analysis.character.clipped
    yield "scene.fine", float(regions.area @ regions.fine)
    yield "scene.coarse", float(regions.area @ regions.coarse)
    area = regions.area / max(float(regions.area.sum()), 1e-9)
    lightness = float(area @ regions.lab[:, 0])
    yield "scene.lightness", lightness
    yield "scene.contrast", float(np.sqrt(area @ (regions.lab[:, 0] - lightness) ** 2))
    share = analysis.members.T @ area
    for k, kind in enumerate(KINDS):
        yield f"scene.share.{kind}", float(share[k])
    coloured = analysis.coloured
    yield "scene.coloured", 0.0 if coloured is None else coloured.share


def _joint_features() -> Iterator[Feature]:
    yield from cast_features("joint", "joint", "cast by the joint count")
    yield Feature("joint.spread", "joint", "its spread", "a*b* at L* 60")
    yield Feature("joint.information", "joint", "narrowing of the prior", "nats")
    yield Feature("joint.second", "joint", "share of the second mode", "0..1")
    for name in (*PLAIN_PARTS, *SIDES, *REST):
        yield from cast_features(f"joint.{name}", "joint", f"cast by the count of part {name}")
        if name not in SIDES:
            yield Feature(f"joint.{name}.share", "joint", f"share of part {name}", SHARE)
    for name in APART:
        what = f"largest distance of two {name}' casts"
        yield Feature(f"joint.apart.{name}", "joint", what, "a*b* at L* 60")
        yield Feature(f"joint.apart.{name}.deviations", "joint", what, "deviations")
    what = "largest C* of a column or a quarter"
    yield Feature("joint.worst_area", "joint", what, "C* at L* 60")


def _joint(counted: Count) -> Iterator[tuple[str, float]]:
    yield from cast_values("joint", counted.mean)
    yield "joint.spread", float(np.sqrt(np.trace(counted.covariance) / 2))
    yield "joint.information", counted.information
    yield "joint.second", counted.modes[1][2] if len(counted.modes) > 1 else 0.0
    for name in PLAIN_PARTS:
        yield from _part(name, counted.parts[name])
    left, right = (_counted(counted.parts[name]) for name in ("left", "right"))
    for name, cast in zip(SIDES, by_distance(left, right), strict=True):
        yield from cast_values(f"joint.{name}", cast)
    for name in REST:
        yield from _part(name, counted.parts[name])
    yield from _apart(counted.parts)
    areas = [counted.parts[name] for name in (*COLUMNS, *QUARTERS)]
    worst = [math.hypot(*part.mean) for part in areas if part.share >= LEAST_COUNTED]
    yield "joint.worst_area", max(worst, default=math.nan)


def _counted(part: Part) -> Floats | None:
    return part.mean if part.share >= LEAST_COUNTED else None


def _part(name: str, part: Part) -> Iterator[tuple[str, float]]:
    yield from cast_values(f"joint.{name}", _counted(part))
    yield f"joint.{name}.share", part.share


def _apart(parts: Mapping[str, Part]) -> Iterator[tuple[str, float]]:
    """Largest distance of two parts' casts, and the largest in standard deviations."""
    distances, deviations = gaps([(parts[one], parts[other]) for one, other in _COMPARED])
    read = {name: part.share >= LEAST_COUNTED for name, part in parts.items()}
    within = [read[one] and read[other] for one, other in _COMPARED]
    at = 0
    for name, pairs in APART.items():
        own = [k for k in range(at, at + len(pairs)) if within[k]]
        at += len(pairs)
        for suffix, values in (("", distances), (".deviations", deviations)):
            widest = float(values[own].max()) if own else math.nan
            yield f"joint.apart.{name}{suffix}", widest


def _class(analysis: Analysis, kind: str) -> Iterator[tuple[str, float]]:
    """A class's vote and its mean reading, where it was found."""
    belongs = analysis.members[:, columns(kind)].sum(axis=1)
    weight = belongs * analysis.scene.regions.area
    found = float(weight.sum()) >= LEAST_COUNTED
    mean, covariance = analysis.votes[kind].reading
    yield from cast_values(f"{kind}.vote", mean if found else None)
    yield f"{kind}.spread", float(np.sqrt(np.trace(covariance) / 2)) if found else float("nan")
    colours = at_60(analysis.scene.regions.lab)
    yield from cast_values(f"{kind}.reads", weight @ colours / weight.sum() if found else None)
    yield f"{kind}.share", float(weight.sum())
