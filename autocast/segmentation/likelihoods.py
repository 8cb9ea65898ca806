"""What all evidence looks at: regions explained by classes under every cast.

For region r and cast c the class model says

    p(r | c) = sum over kinds k of  share(k | context of r) * density_k(chromaticity_r - shift(c))

The shift is a subtraction in log-chromaticity, so each density is one table
that slides over the grid of casts. ``else`` is broad: it lets any object have
any colour, at a price.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocast.colour import at_60
from autocast.colour.grid import grid
from autocast.judgement.limits import NEUTRAL_CHROMA, SKY_BELOW
from autocast.judgement.things import CLASSES, ELSE, KINDS, NEUTRALS, SKY
from autocast.modelstore.models import Densities, Models
from autocast.picture import Picture
from autocast.segmentation.regions import Regions, segment

Floats = NDArray[np.floating]

CONTEXT = ("bias", "height", "fine", "coarse")
"""What the share of a kind depends on, beside its lightness."""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One picture, its R regions, and how well each class explains them under N casts.

    ``lab`` 3 x (H W) is CIELAB D65 of the working pixels, row by row.
    ``explained`` maps each class, and ``else``, to R x N likelihoods; ``context``
    R x 9 holds the shares of the kinds by :func:`context_shares`; ``weight`` R is how
    much each region counts; ``models`` are those that explained them.
    """

    picture: Picture
    lab: NDArray[np.float64]
    regions: Regions
    explained: Mapping[str, NDArray[np.float32]]
    context: NDArray[np.float32]
    weight: NDArray[np.float64]
    models: Models


def look(picture: Picture, lab: NDArray[np.float64], models: Models) -> Scene:
    """Lay out the picture and explain its regions under every cast.

    Parameters
    ----------
    picture : Picture
        What is looked at.
    lab : (3, H * W) ndarray
        CIELAB D65 of its working pixels.
    models : Models
        Their densities and context weights are used.

    Returns
    -------
    Scene
        Its R regions, and the likelihoods R x N of each class.
    """
    regions = segment(picture)
    context = context_shares(regions, models)
    table = models.densities.table
    place = nodes_of(models.densities, regions.chromaticity)

    def likelihood(
        kind: str, out: NDArray[np.float32]
    ) -> NDArray[np.float32]:  # numpydoc ignore=GL08
        k = KINDS.index(kind)
        # No place lies outside: "clip" only spares numpy the search for one.
        table[k].take(place, out=out, mode="clip")
        out *= context[:, k, None]
        return out

    explained = {}
    another = np.empty(place.shape, dtype=np.float32)
    for name, (first, *rest) in (*CLASSES.items(), (ELSE, (ELSE,))):
        explained[name] = likelihood(first, np.empty_like(another))
        for kind in rest:
            explained[name] += likelihood(kind, another)
    return Scene(
        picture,
        lab,
        regions,
        explained,
        context,
        _weight(regions, models.weights["regions"]),
        models,
    )


def context_shares(regions: Regions, models: Models) -> NDArray[np.float32]:
    """How likely each kind is at a place of this height, texture and lightness.

    Parameters
    ----------
    regions : Regions
        R regions.
    models : Models
        Their context weights and densities of lightness are used.

    Returns
    -------
    (R, 9) ndarray of float32
        Shares in the order of :data:`KINDS`, 0..1; each row sums to 1.
    """
    context = models.weights["context"]
    traits = np.stack(
        [
            np.ones(len(regions)),
            regions.height - 0.5,
            np.log(regions.fine + 0.002) + 4.0,
            np.log(regions.coarse + 0.004) + 3.0,
        ],
        axis=1,
    )
    slopes = np.array([[context[k][name] for name in CONTEXT] for k in KINDS])
    lightness = models.densities.lightness
    level = np.clip(regions.lab[:, 0] / 5, 0, lightness.shape[1] - 1).astype(np.intp)
    logits = traits @ slopes.T + lightness[:, level].T
    shares = np.exp(logits - logits.max(axis=1, keepdims=True, initial=-np.inf))
    shares[:, _kinds_of(NEUTRALS)] *= _colourless(regions)[:, None]
    shares[:, _kinds_of(SKY)] *= _reaches_top(regions, models.weights["regions"]["alike"])[:, None]
    return np.asarray(shares / shares.sum(axis=1, keepdims=True), dtype=np.float32)


def _kinds_of(name: str) -> list[int]:
    return [KINDS.index(kind) for kind in CLASSES[name]]


def _colourless(regions: Regions) -> Floats:
    """How far each region may be neutral at all, 0..1: skin under a lamp is not stone."""
    low, high = NEUTRAL_CHROMA
    chroma = np.hypot(*at_60(regions.lab).T)
    return np.asarray(np.clip((high - chroma) / (high - low), 0.0, 1.0))


def _reaches_top(regions: Regions, alike: float) -> Floats:
    """How far each region may be sky by its place, 0..1: sky goes on to the top of the frame.

    A garment or a poster of the same blue is cut off from it by something of another colour.
    """
    top = regions.box[:, 1] <= 0.0
    off = regions.chromaticity[:, None] - regions.chromaticity[None, top]
    near = np.exp(-(off**2).sum(axis=-1) / (2 * alike**2)).max(axis=1, initial=0.0)
    return np.asarray(SKY_BELOW + (1 - SKY_BELOW) * near)


LIKELY_CASTS = 24
"""Casts of a posterior that memberships are averaged over (project convention)."""


def likely_casts(posterior: Floats) -> tuple[NDArray[np.intp], Floats]:
    """The likeliest casts of a posterior.

    Parameters
    ----------
    posterior : (N,) ndarray
        Over the grid, of sum 1.

    Returns
    -------
    tuple of ((n,) ndarray of int, (n,) ndarray)
        Numbers of the :data:`LIKELY_CASTS` likeliest nodes, and their weights, of sum 1.
    """
    likely = np.argsort(-posterior)[:LIKELY_CASTS]
    return likely, posterior[likely] / posterior[likely].sum()


def memberships(
    densities: Densities,
    chromaticity: Floats,
    context: NDArray[np.float32],
    casts: NDArray[np.intp],
    share: Floats,
) -> NDArray[np.float32]:
    """What colours in their surroundings are taken for, averaged over casts.

    Parameters
    ----------
    densities : Densities
        The densities of the kinds.
    chromaticity : (R, 2) ndarray
        Log-chromaticities (ln R/G, ln B/G).
    context : (R, 9) ndarray
        How likely each kind is in the surroundings of each, 0..1.
    casts : (n,) ndarray of int
        Numbers of the grid's nodes to average over.
    share : (n,) ndarray
        Weight of each, of sum 1.

    Returns
    -------
    (R, 9) ndarray of float32
        Memberships in the order of :data:`KINDS`, 0..1; each row sums to 1.
    """
    place = nodes_of(densities, chromaticity, casts)
    parts = densities.table[:, place] * context.T[:, :, None]
    return np.asarray(((parts / parts.sum(axis=0)) @ share).T, dtype=np.float32)


def nodes_of(
    densities: Densities, chromaticity: Floats, which: slice | NDArray[np.intp] = slice(None)
) -> NDArray[np.intp]:
    """The density node that each colour falls on once each cast is taken away.

    Parameters
    ----------
    densities : Densities
        Their grid of log-chromaticity.
    chromaticity : (R, 2) ndarray
        ln R/G and ln B/G of the colours.
    which : slice or (N,) ndarray of int, optional
        Nodes of the grid of casts; all unless given.

    Returns
    -------
    (R, N) ndarray of int
        Columns of ``densities.table``; what lies beyond falls on its rim.
    """
    index = []
    for axis, size in enumerate(densities.shape):
        region = (chromaticity[:, axis] - densities.origin[axis]) / densities.step
        shift = grid().shifts[which, axis] / densities.step
        place = np.subtract.outer(region.astype(np.float32), shift.astype(np.float32))
        index.append(np.clip(np.rint(place, out=place), 0, size - 1, out=place))
    return np.asarray(index[0] * densities.shape[1] + index[1]).astype(np.intp)


def _weight(regions: Regions, settings: Mapping[str, float]) -> NDArray[np.float64]:
    """R: area, shared out among regions of like colour, so that one wall is not ten votes."""
    if not len(regions):
        return np.zeros(0)
    red, blue = (np.subtract.outer(each, each) for each in regions.chromaticity.T)
    alike = np.exp(-(red**2 + blue**2) / (2 * settings["alike"] ** 2))
    crowd = alike @ regions.area
    weight = regions.area / crowd ** settings["crowding"]
    # L* below 10 carries little chromaticity that an 8-bit file could hold.
    weight = weight * np.clip((regions.lab[:, 0] - 4) / 8, 0, 1)
    return np.asarray(settings["total"] * weight / regions.area.sum())
