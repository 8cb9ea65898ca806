"""What a person says of a spot, as evidence with its own weight.

*Neutral* is a vote for the cast that the spot reads, as wide as the spot's own
spread and as greys differ; *sky*, *foliage* and *skin* vote by the density of
their class, as if the spot were surely of it. What *really has this colour*, and
what *stands in another light*, is taken out of the picture before it is read.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import (
    QUOTED_AT,
    at_60,
    linear_to_lab,
    linear_to_srgb,
    log_chromaticity,
    requote,
)
from autocast.colour.grid import gaussian, mean_and_covariance, posterior
from autocast.errors import HintError
from autocast.judgement import HINTS, Hint, Place, Reading
from autocast.judgement.given import is_number, number
from autocast.judgement.limits import GREYS_DIFFER, MISTAKEN
from autocast.judgement.things import HINTED, KINDS, NEUTRALS, OTHER_LIGHT
from autocast.modelstore.models import Densities
from autocast.picture import Picture
from autocast.segmentation.likelihoods import nodes_of
from autocast.segmentation.regions import BURIED_BELOW, CLIPPED_FROM

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

SPOT_SHARE = 0.01
"""Radius of a spot as a share of the long side, where none is given (project convention)."""
SAME_COLOUR = 0.25
"""Log-chromaticity within which touching pixels are one coloured thing.

That of regions which share their vote (``alike`` in the model file weights.json)."""


@dataclass(frozen=True, slots=True, eq=False)
class HintVote:
    """A hint that votes: what it reads, where, and its log-likelihood (N,) over casts.

    ``reading`` is the cast (2,) that explains it and that cast's covariance
    (2, 2) at L* 60, if the hint is not mistaken.
    """

    hint: Hint
    reads: Reading
    expected: Reading | None
    log_likelihood: Floats
    where: Place
    reading: tuple[Floats, Floats]


def left_out(picture: Picture, hints: Sequence[Hint]) -> Picture:
    """The picture without what its owner vouches for or calls differently lit.

    Parameters
    ----------
    picture : Picture
        The working pixels.
    hints : sequence of Hint
        In pixels of the full upright picture.

    Returns
    -------
    Picture
        What is left out is no longer opaque.

    Raises
    ------
    HintError
        A hint cannot be read, or nothing is left.
    """
    opaque = picture.opaque.copy()
    for hint in hints:
        spot = _spot(picture, hint)
        if hint.what == "own_colour":
            opaque &= ~_thing(picture, spot)
        elif hint.what == OTHER_LIGHT:
            opaque &= ~spot
    if not opaque.any():
        raise HintError(f"The hints leave nothing of {picture.name} to judge; mark less of it.")
    return replace(picture, opaque=opaque)


def apart(picture: Picture, hint: Hint) -> Picture:
    """Only what a hint says stands in another light.

    Parameters
    ----------
    picture : Picture
        The working pixels.
    hint : Hint
        In pixels of the full upright picture.

    Returns
    -------
    Picture
        Opaque in the hint's disc alone.

    Raises
    ------
    HintError
        The hint cannot be read.
    """
    return replace(picture, opaque=picture.opaque & _spot(picture, hint))


def checked(hints: Iterable[Hint]) -> tuple[Hint, ...]:
    """Hints as a caller gave them, each of a known kind and with finite numbers.

    Parameters
    ----------
    hints : iterable of Hint
        In pixels of the full upright picture.

    Returns
    -------
    tuple of Hint
        The same.

    Raises
    ------
    HintError
        They are no hints.
    """
    given: object = hints
    if not isinstance(given, Iterable) or isinstance(given, str | bytes):
        raise HintError(f"{given!r:.80} holds no hints; give a list of them.")
    found: list[Hint] = []
    for each in given:
        hint: Any = each
        if not isinstance(hint, Hint):
            raise HintError(f"{hint!r:.80} is no hint; give a Hint with its kind and place.")
        what: object = hint.what
        if not isinstance(what, str) or what not in HINTS:
            raise HintError(f"{what!r:.80} is no kind of hint; give one of {', '.join(HINTS)}.")
        if not (is_number(hint.x) and is_number(hint.y)):
            raise HintError(f"{hint.x!r:.40},{hint.y!r:.40} is not a place; give pixels.")
        if hint.radius is not None and not 0 < number(hint.radius) < math.inf:
            raise HintError(
                f"A spot of radius {hint.radius!r:.40} makes no sense; give pixels, more than 0."
            )
        found.append(hint)
    return tuple(found)


def hint_votes(
    picture: Picture, hints: Sequence[Hint], densities: Densities
) -> tuple[HintVote, ...]:
    """The votes of the hints that name a thing.

    Parameters
    ----------
    picture : Picture
        The working pixels.
    hints : sequence of Hint
        In pixels of the full upright picture; those that name no thing cast no vote.
    densities : Densities
        By them sky, foliage and skin vote.

    Returns
    -------
    tuple of HintVote
        In the order of the hints.

    Raises
    ------
    HintError
        A hint or its spot cannot be read.
    """
    return tuple(_hint_vote(picture, hint, densities) for hint in hints if hint.what in HINTED)


def _hint_vote(picture: Picture, hint: Hint, densities: Densities) -> HintVote:
    spot = _spot(picture, hint)
    inside = picture.encoded[spot]
    good = ((inside < CLIPPED_FROM) & (inside > BURIED_BELOW)).all(axis=1)
    if not good.any():
        raise HintError(
            f"Nothing can be read at {hint.x:g},{hint.y:g} of {picture.name}: it is clipped, "
            "black or transparent; give another spot."
        )
    pixels = picture.pixels[spot][good].astype(np.float64)
    mean = pixels.mean(axis=0)
    lab = linear_to_lab(mean)
    reads = Reading(*(float(v) for v in lab))
    thing = HINTED[hint.what]
    if thing.name == NEUTRALS:
        colours = at_60(linear_to_lab(pixels))
        # Pixels of one spot share its texture: their mean is surer than each, but not by much.
        own = colours.var(axis=0) / np.sqrt(len(colours))
        covariance = np.diag(own + GREYS_DIFFER**2)
        cast = requote(lab[1:], QUOTED_AT, reads.lightness)
        vote = gaussian(cast, covariance, MISTAKEN)
        reading: tuple[Floats, Floats] = (cast, covariance)
        expected: Reading | None = Reading(reads.lightness, 0.0, 0.0)
    else:
        table = densities.table[KINDS.index(thing.kinds[0])]
        vote = np.log(
            table[nodes_of(densities, log_chromaticity(mean)[None])[0]].astype(np.float64)
        )
        reading = mean_and_covariance(posterior(vote))
        expected = None if thing.target is None else thing.target.at(reads.lightness)
    return HintVote(hint, reads, expected, vote, place_of(picture, hint), reading)


def _radius(picture: Picture, hint: Hint) -> float:
    if hint.radius is not None:
        return hint.radius
    return max(1.0, SPOT_SHARE * max(picture.width, picture.height))


def place_of(picture: Picture, hint: Hint) -> Place:
    """The box of a hint's disc.

    Parameters
    ----------
    picture : Picture
        Its full size counts.
    hint : Hint
        In pixels of the full upright picture.

    Returns
    -------
    Place
        Fractions of the upright picture, 0..1, cut at its edges.
    """
    radius = _radius(picture, hint)
    left, top = max(0.0, hint.x - radius), max(0.0, hint.y - radius)
    right, bottom = min(picture.width, hint.x + radius), min(picture.height, hint.y + radius)
    return Place(
        left / picture.width,
        top / picture.height,
        (right - left) / picture.width,
        (bottom - top) / picture.height,
    )


def _spot(picture: Picture, hint: Hint) -> Mask:
    """H x W of the working pixels that lie in a hint's disc; the nearest one at least."""
    if not (0 <= hint.x < picture.width and 0 <= hint.y < picture.height):
        raise HintError(
            f"{hint.x:g},{hint.y:g} lies outside {picture.name}, "
            f"which is {picture.width} x {picture.height} pixels."
        )
    rows, columns = picture.opaque.shape
    frame = picture.frame
    x = (frame.x + (np.arange(columns) + 0.5) / columns * frame.width) * picture.width
    y = (frame.y + (np.arange(rows) + 0.5) / rows * frame.height) * picture.height
    off = np.hypot(x[None, :] - hint.x, y[:, None] - hint.y)
    spot = off <= _radius(picture, hint)
    if not spot.any():
        spot = off <= off.min()
    return np.asarray(spot, dtype=np.bool_)


def _thing(picture: Picture, spot: Mask) -> Mask:
    """The spot and all touching pixels of its colour."""
    colour = log_chromaticity(picture.pixels)
    alike = np.hypot(*np.moveaxis(colour - np.median(colour[spot], axis=0), -1, 0)) < SAME_COLOUR
    # Where it is nearly black every colour looks alike.
    alike &= (linear_to_srgb(picture.pixels) > BURIED_BELOW).any(axis=-1)
    thing = spot.copy()
    while True:
        padded = np.pad(thing, 1)
        wider = padded[1:-1, 1:-1].copy()
        for dy, dx in ((0, 1), (2, 1), (1, 0), (1, 2)):
            wider |= padded[dy : dy + thing.shape[0], dx : dx + thing.shape[1]] & alike
        if (wider == thing).all():
            return thing
        thing = wider
