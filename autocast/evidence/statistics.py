"""Picture-wide estimators of the light, each published, as one kind of evidence.

None knows what is in the picture; each assumes something about all pictures.
One by one they are worth little, jointly something.

Every estimator takes linear sRGB of the readable pixels and returns the colour
of the light up to a factor; the cast is what a neutral of L* 60 reads under it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.colour import (
    DARKEST_LINEAR,
    QUOTED_AT,
    RGB_TO_XYZ,
    at_60,
    lightness_to_luminance,
    linear_to_lab,
    requote,
    shift_to_cast,
)
from autocast.colour.grid import gaussian, grid
from autocast.evidence import (
    Colour,
    Feature,
    FeatureSet,
    Finding,
    KindOfEvidence,
    PictureWide,
    by_distance,
    cast_features,
    cast_values,
)
from autocast.judgement import TONE_RANGES
from autocast.judgement.things import BY_NAME, KINDS
from autocast.segmentation.likelihoods import Scene
from autocast.segmentation.regions import tone_masks

Floats = NDArray[np.floating]

FEWEST_PIXELS = 24
"""Below this many readable pixels no estimator speaks (project convention)."""
FEWEST_REGIONS = 3
"""Below this many regions a part of the picture says nothing (project convention)."""
VIVID_FROM = 15.0
"""C* at L* 60 from which a blue sky is left out of the estimators (common practice, no source)."""
SKY_HUES = (235.0, 300.0)
"""Hue angles, in degrees, of blue skies under any usual light (common practice, no source)."""
SKY_LIKE = 0.3
"""Share in its context from which a region lies and feels like sky (project convention)."""
LEAST_BESIDE_SKY = 0.2
"""Share of the frame that must be left (project convention)."""
NORM = 6  # shades_of_grey multiplies it out
"""Minkowski norm of shades of grey and grey edge (Finlayson & Trezzi 2004; van de Weijer 2007)."""


def grey_world(pixels: Floats) -> Floats:
    """The light if the mean of the scene is grey.

    Parameters
    ----------
    pixels : (n, 3) ndarray
        Linear sRGB, white = 1.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.

    References
    ----------
    Buchsbaum, J. Franklin Inst. 310, 1980.
    """
    return np.asarray(pixels.mean(axis=0))


def shades_of_grey(pixels: Floats) -> Floats:
    """The light if the Minkowski mean (of norm 6) of the scene is grey.

    Parameters
    ----------
    pixels : (n, 3) ndarray
        Linear sRGB, white = 1.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.

    References
    ----------
    Finlayson & Trezzi, CIC 12, 2004.
    """
    square = pixels * pixels
    return np.asarray((square * square * square).mean(axis=0) ** (1 / NORM))


def white_patch(pixels: Floats) -> Floats:
    """The light if the brightest of each channel is white.

    The brightest is here the 99th percentile, in common use in place of the maximum.

    Parameters
    ----------
    pixels : (n, 3) ndarray
        Linear sRGB, white = 1.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.

    References
    ----------
    Land & McCann, J. Opt. Soc. Am. 61, 1971.
    """
    rank = int(0.99 * (len(pixels) - 1))
    return np.asarray(np.partition(pixels, rank, axis=0)[rank])


def principal_axis(pixels: Floats) -> Floats:
    """The light as first principal axis of the brightest and darkest 3.5 % of pixels.

    Parameters
    ----------
    pixels : (n, 3) ndarray
        Linear sRGB, white = 1, above 0.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor; above 0.

    References
    ----------
    Cheng, Prasad & Brown, J. Opt. Soc. Am. A 31, 2014.
    """
    mean = pixels.mean(axis=0)
    along = pixels @ (mean / np.linalg.norm(mean))
    count = max(8, int(0.035 * len(pixels)))
    order = np.argpartition(along, (count, len(along) - count - 1))
    chosen = pixels[np.concatenate([order[:count], order[-count:]])]
    _, vectors = np.linalg.eigh(chosen.T @ chosen)
    return np.asarray(np.maximum(np.abs(vectors[:, -1]), DARKEST_LINEAR))


def edges(image: Floats, order: int) -> Floats:
    """Strength of a derivative, lightly smoothed.

    Parameters
    ----------
    image : (H, W, 3) ndarray
        Linear sRGB, white = 1.
    order : int
        Of the derivative, 1 or 2.

    Returns
    -------
    (H, W, 3) ndarray
        Length of the gradient, or of the unmixed second derivatives; at least 0.
    """
    padded = _framed(image)
    rows = padded[:-2] + 2 * padded[1:-1] + padded[2:]
    smooth = (rows[:, :-2] + 2 * rows[:, 1:-1] + rows[:, 2:]) / 16
    around = _framed(smooth)
    above, below = around[:-2, 1:-1], around[2:, 1:-1]
    before, after = around[1:-1, :-2], around[1:-1, 2:]
    if order == 1:
        dy, dx = below - above, after - before
    else:
        dy, dx = below + above - 2 * smooth, after + before - 2 * smooth
    return np.asarray(np.sqrt(dy**2 + dx**2))


def _framed(values: Floats) -> Floats:
    """One more pixel all round, repeating the edge."""
    return np.pad(values, ((1, 1), (1, 1), *((0, 0),) * (values.ndim - 2)), mode="edge")


def grey_edge(strength: Floats) -> Floats:
    """The light if the Minkowski mean (of norm 6) of the edges is grey.

    Parameters
    ----------
    strength : (n, 3) ndarray
        Of readable pixels, from :func:`edges`; at least 0.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor; above 0.

    References
    ----------
    van de Weijer, Gevers & Gijsenij, IEEE Trans. Image Process. 16, 2007.
    """
    return shades_of_grey(np.maximum(strength, 1e-6))


def least_chroma(pixels: Floats, lab: Floats) -> Floats:
    """The light as mean of the tenth with the least chroma among L* 30..95.

    It takes the cast to be small. Common practice, no source.

    Parameters
    ----------
    pixels : (n, 3) ndarray
        Linear sRGB, white = 1.
    lab : (n, 3) ndarray
        CIELAB D65 of the same.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.
    """
    within = (lab[:, 0] > 30) & (lab[:, 0] < 95)
    if int(within.sum()) < FEWEST_PIXELS:
        within = np.ones(len(lab), dtype=bool)
    chosen, chroma = pixels[within], np.hypot(lab[within, 1], lab[within, 2])
    count = max(8, len(chosen) // 10)
    count = min(count, len(chosen) - 1)
    return np.asarray(chosen[np.argpartition(chroma, count)[:count]].mean(axis=0))


def greyness(image: Floats) -> Floats:
    """Greyness index: the norm of the contrast of ln R - ln Y and of ln B - ln Y.

    Y is the mean of the channels.

    Parameters
    ----------
    image : (H, W, 3) ndarray
        Linear sRGB, white = 1; held at DARKEST_LINEAR or above.

    Returns
    -------
    (H, W) ndarray
        0 where local contrast is the same in all channels, larger where it is not;
        infinite in flat places, which say nothing.

    References
    ----------
    Qian, Kämäräinen, Nikkanen & Matas, CVPR 2019.
    """
    logs = np.log(np.maximum(image, DARKEST_LINEAR))
    mean = np.log(np.maximum(image.mean(axis=-1), DARKEST_LINEAR))
    contrast = [_contrast(logs[..., c] - mean) for c in (0, 2)]
    flat = np.abs(_contrast(mean)) < 0.01
    return np.where(flat, np.inf, np.hypot(contrast[0], contrast[1]))


def _contrast(values: Floats) -> Floats:
    padded = _framed(values)
    around = padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]
    return np.asarray(values - around / 4)


def grey_pixels(pixels: Floats, index: Floats) -> Floats:
    """The light as mean of the 1 % of pixels with the least greyness index.

    Parameters
    ----------
    pixels : (n, 3) ndarray
        Linear sRGB, white = 1.
    index : (n,) ndarray
        Of the same pixels, from :func:`greyness`.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.

    References
    ----------
    Qian, Kämäräinen, Nikkanen & Matas, CVPR 2019.
    """
    count = max(8, len(index) // 100)
    count = min(count, len(index) - 1)
    return np.asarray(pixels[np.argpartition(index, count)[:count]].mean(axis=0))


class Estimator(NamedTuple):
    """A published estimator of the light: its name in words, and who published it."""

    words: str
    source: str


ESTIMATORS: Mapping[str, Estimator] = {
    "grey_world": Estimator("grey world", "Buchsbaum 1980"),
    "shades_of_grey": Estimator("shades of grey", "Finlayson & Trezzi 2004"),
    "white_patch": Estimator("white patch", "Land & McCann 1971"),
    "grey_edge_1": Estimator("grey edge, first order", "van de Weijer et al. 2007"),
    "grey_edge_2": Estimator("grey edge, second order", "van de Weijer et al. 2007"),
    "principal_axis": Estimator("bright-and-dark principal axis", "Cheng et al. 2014"),
    "least_chroma": Estimator("least-chroma tenth", "common practice, no source"),
    "grey_pixels": Estimator("greyness-index pixels", "Qian et al. 2019"),
}
"""Names in the model files, the words for them, and their sources."""


def measure(scene: Scene) -> dict[str, tuple[float, float]]:
    """Every estimator's cast.

    As published but for one thing: a vivid blue sky (:func:`vivid_sky`) is left out.

    Parameters
    ----------
    scene : Scene
        Its readable pixels.

    Returns
    -------
    dict of str to (float, float)
        a*, b* at L* 60 by the names of :data:`ESTIMATORS`; empty when fewer than
        :data:`FEWEST_PIXELS` pixels are readable.
    """
    labels = scene.regions.labels
    where = labels >= 0
    if int(where.sum()) < FEWEST_PIXELS:
        return {}
    plain = ~vivid_sky(scene)
    beside = where & plain[labels]
    if scene.regions.area @ plain >= LEAST_BESIDE_SKY and int(beside.sum()) >= FEWEST_PIXELS:
        where = beside
    image = np.maximum(scene.picture.pixels, DARKEST_LINEAR)
    # Channels lie one after the other, so that means over pixels are quick.
    pixels = np.asfortranarray(image[where])
    light: dict[str, Floats] = {
        "grey_world": grey_world(pixels),
        "shades_of_grey": shades_of_grey(pixels),
        "white_patch": white_patch(pixels),
        "grey_edge_1": grey_edge(np.asfortranarray(edges(image, 1)[where])),
        "grey_edge_2": grey_edge(np.asfortranarray(edges(image, 2)[where])),
        "principal_axis": principal_axis(pixels),
        "least_chroma": least_chroma(pixels, scene.lab[where]),
        "grey_pixels": grey_pixels(pixels, greyness(image)[where]),
    }
    return _casts(light)


def vivid_sky(scene: Scene) -> NDArray[np.bool_]:
    """Regions that lie and feel like sky and are of a blue that hardly any light explains.

    No estimator's assumption holds of a blue sky, which may fill half a frame.

    Parameters
    ----------
    scene : Scene
        R regions and their context.

    Returns
    -------
    (R,) ndarray of bool
        True where an estimator should not look.
    """
    lab = scene.regions.lab
    ab = at_60(lab)
    hue = np.degrees(np.arctan2(ab[:, 1], ab[:, 0])) % 360
    blue = (np.hypot(*ab.T) > VIVID_FROM) & (hue > SKY_HUES[0]) & (hue < SKY_HUES[1])
    return np.asarray(blue & (scene.context[:, KINDS.index("sky")] > SKY_LIKE), dtype=np.bool_)


def measure_part(scene: Scene, part: NDArray[np.bool_]) -> dict[str, tuple[float, float]]:
    """The casts by those estimators in which regions can stand in for pixels.

    Parameters
    ----------
    scene : Scene
        R regions.
    part : (R,) ndarray of bool
        Which of them to read.

    Returns
    -------
    dict of str to (float, float)
        a*, b* at L* 60 by the names of :data:`ESTIMATORS`; empty for fewer than
        :data:`FEWEST_REGIONS` regions.
    """
    if int(part.sum()) < FEWEST_REGIONS:
        return {}
    regions = scene.regions
    chromaticity, lightness = regions.chromaticity[part], regions.lab[part, 0]
    level = lightness_to_luminance(lightness)
    light = np.stack(
        [np.exp(chromaticity[:, 0]), np.ones(len(level)), np.exp(chromaticity[:, 1])], axis=1
    )
    light *= (level / (light @ RGB_TO_XYZ[1]))[:, None]
    repeated = np.repeat(
        light, np.maximum(1, np.rint(regions.area[part] * 1000)).astype(int), axis=0
    )
    return _casts(
        {
            "grey_world": grey_world(repeated),
            "shades_of_grey": shades_of_grey(repeated),
            "least_chroma": least_chroma(repeated, linear_to_lab(repeated)),
        }
    )


def _casts(light: Mapping[str, Floats]) -> dict[str, tuple[float, float]]:
    logs = np.log(np.array(list(light.values()), dtype=np.float64))
    casts = shift_to_cast(np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=1))
    return {name: (float(a), float(b)) for name, (a, b) in zip(light, casts, strict=True)}


def picture_wide(scene: Scene, parts: NDArray[np.bool_]) -> PictureWide:
    """The estimators' log-likelihoods, over the whole picture and over its parts.

    Every estimator has its own bias, spread, weight and share of wild readings
    in the model file.

    Parameters
    ----------
    scene : Scene
        R regions and the readable pixels.
    parts : (P, R) ndarray of bool
        Which regions make up each part.

    Returns
    -------
    PictureWide
        (1 + P) x N log-likelihoods in nats, and the estimators' casts of the whole.
    """
    settings = scene.models.weights["statistics"]
    single = measure(scene)
    every = [single, *(measure_part(scene, part) for part in parts)]
    logs = np.zeros((len(every), len(grid())))
    for row, casts in enumerate(every):
        for name, cast in casts.items():
            one = settings[name]
            spread = np.diag(np.square(one["spread"]))
            vote = gaussian(np.subtract(cast, one["bias"]), spread, one["wild"])
            logs[row] += one["weight"] * vote
    return PictureWide(logs, single)


def find(scene: Scene, members: NDArray[np.float32]) -> Finding:
    """Statistics read the whole picture and no place in it.

    Parameters
    ----------
    scene : Scene
        R regions.
    members : (R, 9) ndarray of float32
        Not used.

    Returns
    -------
    Finding
        The readable share of the frame, 0..1; no reading and no places.
    """
    del members
    return Finding(float(scene.regions.area.sum()), None, None, ())


# --- what the trees are given: the estimators, and colours of tones and parts of the frame ----

LEAST_SHARE = 0.02
"""Share of the frame below which a part is not read (project convention)."""
FEWEST_IN_BAND = 24
"""Pixels below which a band is not read, and half of LEAST_SHARE (project convention)."""
QUANTILES = (0.05, 0.25)
"""Shares of a band's pixels, by least chroma, whose mean colour is read."""
HUE_SECTORS = 8
"""Sectors of hue among which chroma is shared out."""
CHROMA_AT = (0.1, 0.5, 0.9)
"""Quantiles of chroma that are features."""
PLANE = (-25.0, -14.0, -8.0, -4.0, -1.5, 1.5, 4.0, 8.0, 14.0, 25.0)
"""Edges, in a* and b* at L* 60, of the cells into which the whole's pixels are counted."""
TONE_PLANE = (-14.0, -6.0, -2.0, 2.0, 6.0, 14.0)
"""The same for each tone range."""
RANKS = (0.002, 0.01, 0.03, 0.08, 0.2, 0.35, 0.5, 0.65, 0.8, 0.92, 0.97, 0.99, 0.998)
"""Shares of the pixels below the values at which the channels are set against each other."""
CODES = 4096
"""Steps of the encoded scale in which ranks are counted (project convention)."""
BANDS: Mapping[str, str] = {
    **{name: f"the {name}" for name in TONE_RANGES},
    "upper": "the upper third of the frame",
    "middle": "the middle third of the frame",
    "lower": "the lower third of the frame",
    "top_farther": "the top quarter whose colour lies farther from neutral",
    "top_nearer": "the top quarter whose colour lies nearer to neutral",
    "bottom_farther": "the bottom quarter whose colour lies farther from neutral",
    "bottom_nearer": "the bottom quarter whose colour lies nearer to neutral",
    "brightest": "the brightest 3 % of the pixels",
    "darkest": "the darkest 5 % of the pixels that are not black",
}
"""Bands of pixels whose colours are features, and the words for them."""


@cache
def features() -> tuple[Feature, ...]:
    """Every feature of this kind.

    What gives the first stage nothing was chosen by cross-validation over groups:
    the plane is for the last stage alone.

    Returns
    -------
    tuple of Feature
        In the order of :func:`values`.
    """
    kind = "statistics"
    out: list[Feature] = []
    for name, (words, source) in ESTIMATORS.items():
        out += cast_features(f"{kind}.{name}", kind, f"cast by {words}", source)
    for share in RANKS:
        for channel in ("red", "blue"):
            what = f"{channel} less green where {share:.1%} of the pixels lie below"
            out.append(Feature(f"{kind}.rank_{share:g}.{channel}", kind, what, "encoded, -1..1"))
    for band, words in BANDS.items():
        out += cast_features(f"{kind}.{band}.mean", kind, f"mean colour of {words}")
        for quantile in QUANTILES:
            what = f"mean colour of the least chromatic {quantile:.0%} of {words}"
            out += cast_features(f"{kind}.{band}.least_{quantile:g}", kind, what)
    for share in CHROMA_AT:
        what = f"C* that {share:.0%} of the pixels lie below"
        out.append(Feature(f"{kind}.chroma_{share:g}", kind, what, "C* at L* 60"))
    for k in range(HUE_SECTORS):
        what = f"share of all chroma in hue sector {k} of {HUE_SECTORS}"
        out.append(Feature(f"{kind}.hue_{k}", kind, what, "0..1"))
    for name, edges_ in (("plane", PLANE), *((f"plane.{t}", TONE_PLANE) for t in TONE_RANGES)):
        for cell in _cells(edges_):
            what = f"share of pixels in cell {cell} of the a*b* plane"
            unit = "root of a share, 0..1"
            out.append(Feature(f"{kind}.{name}.{cell}", kind, what, unit, first=False))
    return tuple(out)


def _cells(cuts: Sequence[float]) -> Iterator[str]:
    side = len(cuts) + 1
    return (f"{k // side}_{k % side}" for k in range(side * side))


def values(scene: Scene, found: PictureWide) -> Iterator[tuple[str, float]]:
    """The value of every feature of this kind for one picture.

    Parameters
    ----------
    scene : Scene
        The readable pixels.
    found : PictureWide
        What :func:`picture_wide` gave for it.

    Yields
    ------
    tuple of str and float
        Name and value, in the order of :func:`features`; NaN where nothing could be read.
    """
    for name in ESTIMATORS:
        yield from cast_values(f"statistics.{name}", found.single.get(name))
    yield from _ranks(scene)
    labels = scene.regions.labels
    good = labels >= 0
    lab = np.asfortranarray(scene.lab[good])
    lightness = lab[:, 0]
    held = np.maximum(lightness, 0)
    ab = (requote(lab[:, 1], QUOTED_AT, held), requote(lab[:, 2], QUOTED_AT, held))
    chroma = np.hypot(*ab)
    tones = tone_masks(lightness)
    yield from _bands(ab, chroma, _masks(tones, lightness, labels.shape, good), labels.size)
    yield from _hues(ab, chroma)
    yield from _plane("plane", ab, PLANE)
    for name, within in tones.items():
        yield from _plane(f"plane.{name}", (ab[0][within], ab[1][within]), TONE_PLANE)


def _masks(
    tones: Mapping[str, NDArray[np.bool_]],
    lightness: Floats,
    shape: tuple[int, ...],
    good: NDArray[np.bool_],
) -> dict[str, NDArray[np.bool_]]:
    """Which readable pixels lie in each band; quarters by their sides."""
    tall, wide = shape
    row = np.broadcast_to(np.arange(tall)[:, None] / tall, shape)[good]
    column = np.broadcast_to(np.arange(wide)[None, :] / wide, shape)[good]
    return {
        **tones,
        "upper": row < 1 / 3,
        "middle": (row >= 1 / 3) & (row < 2 / 3),
        "lower": row >= 2 / 3,
        **{
            f"{end}_{side}": (row < 0.5 if end == "top" else row >= 0.5)
            & (column < 0.5 if side == "left" else column >= 0.5)
            for end in ("top", "bottom")
            for side in ("left", "right")
        },
        "brightest": _beyond(lightness, 0.97),
        "darkest": ~_beyond(lightness, 0.05) & (lightness > 5),
    }


def _bands(
    ab: tuple[Floats, Floats], chroma: Floats, masks: Mapping[str, NDArray[np.bool_]], size: int
) -> Iterator[tuple[str, float]]:
    """Mean and least-chroma colours of every band; the sides by distance from neutral."""
    fewest = max(FEWEST_IN_BAND, LEAST_SHARE * 0.5 * size)
    colours = {name: list(_colours(ab, chroma, mask, fewest)) for name, mask in masks.items()}
    names = ("mean", *(f"least_{quantile:g}" for quantile in QUANTILES))
    for band in BANDS:
        end, _, place = band.partition("_")
        if place:
            sides = zip(colours[f"{end}_left"], colours[f"{end}_right"], strict=True)
            found: Sequence[Colour | None] = [by_distance(*s)[place == "nearer"] for s in sides]
        else:
            found = colours[band]
        for name, colour in zip(names, found, strict=True):
            yield from cast_values(f"statistics.{band}.{name}", colour)


def _colours(
    ab: tuple[Floats, Floats], chroma: Floats, mask: NDArray[np.bool_], fewest: float
) -> Iterator[tuple[float, float] | None]:
    where = np.flatnonzero(mask)
    enough = len(where) >= fewest
    yield (float(ab[0][where].mean()), float(ab[1][where].mean())) if enough else None
    for quantile in QUANTILES:
        yield _least(ab, chroma, where, quantile) if enough else None


def _ranks(scene: Scene) -> Iterator[tuple[str, float]]:
    """How far red and blue lie from green at equal ranks, encoded -1..1.

    A rising curve laid over a channel leaves its ranks alone: it moves these
    values as it moves a ramp of greys, from the darkest to the lightest. (Green
    itself is no feature: it would betray copies that casts are laid on.)
    """
    picture = scene.picture
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
    name: str, ab: tuple[Floats, Floats], edges: Sequence[float]
) -> Iterator[tuple[str, float]]:
    """How the pixels spread over the a*b* plane: the square root of each cell's share."""
    side = len(edges) + 1
    cell = np.searchsorted(edges, ab[0]) * side + np.searchsorted(edges, ab[1])
    share = np.sqrt(np.bincount(cell, minlength=side * side) / max(len(cell), 1))
    for k, value in enumerate(share):
        yield f"statistics.{name}.{k // side}_{k % side}", float(value)


def _beyond(values: Floats, share: float) -> NDArray[np.bool_]:
    if not len(values):
        return np.zeros(0, dtype=np.bool_)
    rank = int(share * (len(values) - 1))
    return np.asarray(values >= np.partition(values, rank)[rank], dtype=np.bool_)


def _least(
    ab: tuple[Floats, Floats], chroma: Floats, where: NDArray[np.intp], share: float
) -> tuple[float, float]:
    """Mean colour of the least chromatic ``share`` of the pixels ``where``."""
    fewest = max(8, int(share * len(where)))
    least = where[np.argpartition(chroma[where], fewest - 1)[:fewest]]
    return float(ab[0][least].mean()), float(ab[1][least].mean())


def _hues(ab: tuple[Floats, Floats], chroma: Floats) -> Iterator[tuple[str, float]]:
    """Chroma's quantiles, and its share in each sector of hue."""
    total = float(chroma.sum())
    for share in (0.1, 0.5, 0.9):
        rank = int(share * (len(chroma) - 1))
        value = float(np.partition(chroma, rank)[rank]) if len(chroma) else float("nan")
        yield f"statistics.chroma_{share:g}", value
    angle = np.arctan2(ab[1], ab[0])
    sector = ((angle / (2 * np.pi) % 1.0) * HUE_SECTORS).astype(np.intp) % HUE_SECTORS
    shared = np.bincount(sector, chroma, HUE_SECTORS) / max(total, 1e-9)
    for k in range(HUE_SECTORS):
        yield f"statistics.hue_{k}", float(shared[k])


EVIDENCE = KindOfEvidence(
    kind="statistics",
    label=BY_NAME["statistics"].plural,
    find=find,
    picture_wide=picture_wide,
    own=FeatureSet(features, values),
)
