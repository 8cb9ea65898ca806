"""Picture-wide estimators of the light, each published, as one kind of evidence.

None knows what is in the picture; each assumes something about all pictures.
One by one they are worth little, jointly something.

Every estimator takes linear sRGB of the readable pixels and returns the colour
of the light up to a factor; the cast is what a neutral of L* 60 reads under it.
Channels lie on the first axis, one after the other, in which numpy is far quicker.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.colour import (
    DARKEST_LINEAR,
    QUOTED_AT,
    RGB_TO_XYZ,
    at_60,
    lightness_to_luminance,
    linear_to_lab,
    log_chromaticity,
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
from autocast.segmentation.regions import planes, seen, tone_masks

Floats = NDArray[np.floating]

FEWEST_PIXELS = 24
"""Below this many readable pixels no estimator speaks (project convention)."""
LEAST_CHROMA_AT = (30.0, 95.0)
"""L* between which the least chroma is looked for (common practice, no source)."""
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
NORM = 6  # _norm multiplies it out
"""Minkowski norm of shades of grey and grey edge (Finlayson & Trezzi 2004; van de Weijer 2007)."""


def grey_world(pixels: Floats) -> Floats:
    """The light if the mean of the scene is grey.

    Parameters
    ----------
    pixels : (3, n) ndarray
        Linear sRGB, white = 1.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.

    References
    ----------
    Buchsbaum, J. Franklin Inst. 310, 1980.
    """
    return np.asarray(pixels.mean(axis=1))


def shades_of_grey(pixels: Floats) -> Floats:
    """The light if the Minkowski mean (of norm 6) of the scene is grey.

    Parameters
    ----------
    pixels : (3, n) ndarray
        Linear sRGB, white = 1.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.

    References
    ----------
    Finlayson & Trezzi, CIC 12, 2004.
    """
    return _norm(pixels * pixels)


def white_patch(pixels: Floats) -> Floats:
    """The light if the brightest of each channel is white.

    The brightest is here the 99th percentile, in common use in place of the maximum.

    Parameters
    ----------
    pixels : (3, n) ndarray
        Linear sRGB, white = 1.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.

    References
    ----------
    Land & McCann, J. Opt. Soc. Am. 61, 1971.
    """
    rank = int(0.99 * (pixels.shape[1] - 1))
    return np.asarray(np.partition(pixels, rank, axis=1)[:, rank])


def principal_axis(pixels: Floats) -> Floats:
    """The light as first principal axis of the brightest and darkest 3.5 % of pixels.

    Parameters
    ----------
    pixels : (3, n) ndarray
        Linear sRGB, white = 1, above 0.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor; above 0.

    References
    ----------
    Cheng, Prasad & Brown, J. Opt. Soc. Am. A 31, 2014.
    """
    mean = pixels.mean(axis=1)
    along = (mean / np.linalg.norm(mean)) @ pixels
    count = max(8, int(0.035 * len(along)))
    order = np.argpartition(along, (count, len(along) - count - 1))
    chosen = pixels.take(np.concatenate([order[:count], order[-count:]]), axis=1)
    _, vectors = np.linalg.eigh(chosen @ chosen.T)
    return np.asarray(np.maximum(np.abs(vectors[:, -1]), DARKEST_LINEAR))


def edges(channel: Floats) -> tuple[Floats, Floats]:
    """Squared strength of the first and of the second derivative, lightly smoothed.

    Parameters
    ----------
    channel : (H, W) ndarray
        Linear light, white = 1.

    Returns
    -------
    gradient : (H, W) ndarray
        Square of its length; at least 0.
    curvature : (H, W) ndarray
        Sum of the squares of the unmixed second derivatives; at least 0.
    """
    padded = _framed(channel)
    rows = padded[:-2] + 2 * padded[1:-1] + padded[2:]
    smooth = (rows[:, :-2] + 2 * rows[:, 1:-1] + rows[:, 2:]) / 16
    around = _framed(smooth)
    above, below = around[:-2, 1:-1], around[2:, 1:-1]
    before, after = around[1:-1, :-2], around[1:-1, 2:]
    twice = 2 * smooth
    return (
        np.square(below - above) + np.square(after - before),
        np.square(below + above - twice) + np.square(after + before - twice),
    )


def _length(one: Floats, other: Floats) -> Floats:
    """As np.hypot, which guards against overflow and takes four times as long."""
    return np.asarray(np.sqrt(one * one + other * other))


def _framed(values: Floats) -> Floats:
    """One more pixel all round, repeating the edge."""
    out = np.empty((*values.shape[:-2], values.shape[-2] + 2, values.shape[-1] + 2), values.dtype)
    out[..., 1:-1, 1:-1] = values
    out[..., 0, :], out[..., -1, :] = out[..., 1, :], out[..., -2, :]
    out[..., :, 0], out[..., :, -1] = out[..., :, 1], out[..., :, -2]
    return out


def grey_edge(square: Floats) -> Floats:
    """The light if the Minkowski mean (of norm 6) of the edges is grey.

    Parameters
    ----------
    square : (..., n) ndarray
        Squared strength of the edges of readable pixels, from :func:`edges`; at least 0.

    Returns
    -------
    (...,) ndarray
        Linear sRGB of the light, up to a factor; above 0.

    References
    ----------
    van de Weijer, Gevers & Gijsenij, IEEE Trans. Image Process. 16, 2007.
    """
    return _norm(np.maximum(square, 1e-12))


def _norm(square: Floats) -> Floats:
    """Minkowski mean along the last axis, of what was squared."""
    return np.asarray((square * square * square).mean(axis=-1) ** (1 / NORM))


def least_chroma(pixels: Floats, lab: Floats) -> Floats:
    """The light as mean of the tenth with the least chroma among L* 30 to 95.

    It takes the cast to be small. Common practice, no source.

    Parameters
    ----------
    pixels : (3, n) ndarray
        Linear sRGB, white = 1.
    lab : (3, n) ndarray
        CIELAB D65 of the same.

    Returns
    -------
    (3,) ndarray
        Linear sRGB of the light, up to a factor.
    """
    within = np.flatnonzero((lab[0] > LEAST_CHROMA_AT[0]) & (lab[0] < LEAST_CHROMA_AT[1]))
    if len(within) < FEWEST_PIXELS:
        within = np.arange(lab.shape[1])
    count = min(max(8, len(within) // 10), len(within) - 1)
    chroma = _length(lab[1], lab[2]).take(within)
    least = within.take(np.argpartition(chroma, count)[:count])
    return np.asarray(pixels.take(least, axis=1).mean(axis=1))


def greyness(image: Floats) -> Floats:
    """Greyness index: the norm of the contrast of ln R - ln Y and of ln B - ln Y.

    Y is the mean of the channels.

    Parameters
    ----------
    image : (3, H, W) ndarray
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
    red, blue = np.log(np.maximum(image[::2], DARKEST_LINEAR))
    mean = np.log(np.maximum(image.mean(axis=0), DARKEST_LINEAR))
    flat = np.abs(_contrast(mean)) < 0.01
    return np.where(flat, np.inf, _length(_contrast(red - mean), _contrast(blue - mean)))


def _contrast(values: Floats) -> Floats:
    padded = _framed(values)
    around = padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]
    return np.asarray(values - around / 4)


def grey_pixels(pixels: Floats, index: Floats) -> Floats:
    """The light as mean of the 1 % of pixels with the least greyness index.

    Parameters
    ----------
    pixels : (3, n) ndarray
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
    least = np.argpartition(index, count)[:count]
    return np.asarray(pixels.take(least, axis=1).mean(axis=1))


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
    where = scene.regions.where
    if len(where) < FEWEST_PIXELS:
        return {}
    plain = ~vivid_sky(scene)
    beside = where[plain.take(scene.regions.labels.take(where))]
    if scene.regions.area @ plain >= LEAST_BESIDE_SKY and len(beside) >= FEWEST_PIXELS:
        where = beside
    image = np.maximum(planes(scene.picture.pixels), DARKEST_LINEAR)
    frame = image.reshape(3, *scene.picture.opaque.shape)
    pixels = image.take(where, axis=1)
    strength = np.array(
        [[grey_edge(each.take(where)) for each in edges(channel)] for channel in frame]
    )
    light: dict[str, Floats] = {
        "grey_world": grey_world(pixels),
        "shades_of_grey": shades_of_grey(pixels),
        "white_patch": white_patch(pixels),
        "grey_edge_1": strength[:, 0],
        "grey_edge_2": strength[:, 1],
        "principal_axis": principal_axis(pixels),
        "least_chroma": least_chroma(pixels, scene.lab.take(where, axis=1)),
        "grey_pixels": grey_pixels(pixels, greyness(frame).take(where)),
    }
    casts = _casts(np.array(list(light.values()), dtype=np.float64))
    return {name: (float(a), float(b)) for name, (a, b) in zip(light, casts, strict=True)}


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


PART_ESTIMATORS = ("grey_world", "shades_of_grey", "least_chroma")
"""Those of :data:`ESTIMATORS` in which regions can stand in for pixels."""


def measure_parts(scene: Scene, parts: NDArray[np.bool_]) -> Floats:
    """The casts of parts by :data:`PART_ESTIMATORS`.

    A region counts as one pixel for every thousandth of the frame that it fills.

    Parameters
    ----------
    scene : Scene
        R regions.
    parts : (P, R) ndarray of bool
        Which regions to read for each part.

    Returns
    -------
    (P, 3, 2) ndarray
        a*, b* at L* 60; NaN for fewer than :data:`FEWEST_REGIONS` regions.
    """
    regions = scene.regions
    light = np.exp(np.insert(regions.chromaticity, 1, 0.0, axis=1))
    light *= (lightness_to_luminance(regions.lab[:, 0]) / (light @ RGB_TO_XYZ[1]))[:, None]
    read = parts.sum(axis=1) >= FEWEST_REGIONS
    counts = parts[read] * np.maximum(1, np.rint(regions.area * 1000))
    total = counts.sum(axis=1, keepdims=True)
    found = np.stack(
        [
            counts @ light / total,
            (counts @ light**NORM / total) ** (1 / NORM),
            _least_chroma_of(light, counts),
        ],
        axis=1,
    )
    out = np.full((len(parts), *found.shape[1:-1], 2), np.nan)
    out[read] = _casts(found)
    return out


def _least_chroma_of(light: Floats, counts: Floats) -> Floats:
    """As :func:`least_chroma`, of R colours (R, 3) that are there ``counts`` (P, R) times."""
    lightness, a, b = linear_to_lab(light).T
    order = np.argsort(np.hypot(a, b))
    low, high = LEAST_CHROMA_AT
    within = counts * ((lightness > low) & (lightness < high))
    few = within.sum(axis=1) < FEWEST_PIXELS
    within[few] = counts[few]
    total = within.sum(axis=1, keepdims=True)
    wanted = np.minimum(np.maximum(8, total // 10), total - 1)
    ordered = within[:, order]
    taken = np.clip(wanted - ordered.cumsum(axis=1) + ordered, 0, ordered)
    return np.asarray(taken @ light[order] / wanted)


def _casts(light: Floats) -> Floats:
    """The casts (..., 2) that a neutral reads under lights (..., 3)."""
    return shift_to_cast(log_chromaticity(light))


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
    logs = np.zeros((1 + len(parts), len(grid())))
    if single:
        logs[0] = _vote(settings, [*single], np.array([*single.values()]))
    logs[1:] = _vote(settings, PART_ESTIMATORS, measure_parts(scene, parts))
    return PictureWide(logs, single)


def _vote(settings: Mapping[str, Any], names: Sequence[str], casts: Floats) -> Floats:
    """Log-likelihoods (..., N) of what E estimators say (..., E, 2), NaN for the silent."""
    each = [settings[name] for name in names]
    bias, weight, wild = (
        np.array([one[what] for one in each]) for what in ("bias", "weight", "wild")
    )
    spread = np.array([np.diag(np.square(one["spread"])) for one in each])
    logs = gaussian(casts - bias, spread, wild[:, None])
    logs[np.isnan(casts).any(axis=-1)] = 0
    return np.asarray(weight @ logs)


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
    shape, where = scene.regions.labels.shape, scene.regions.where
    lab = scene.lab.take(where, axis=1)
    lightness = lab[0]
    colours = np.empty_like(lab)
    ab, chroma = colours[:2], colours[2]
    np.multiply(lab[1:], requote(1.0, QUOTED_AT, np.maximum(lightness, 0)), out=ab)
    chroma[:] = _length(*ab)
    members = _members(lightness, where, shape)
    yield from _bands(colours, members, scene.regions.labels.size)
    yield from _hues(ab, chroma)
    yield from _plane("plane", _cells_of(ab, PLANE), PLANE)
    cells = _cells_of(ab, TONE_PLANE)
    for name in TONE_RANGES:
        yield from _plane(f"plane.{name}", cells.take(members[name]), TONE_PLANE)


def _members(
    lightness: Floats, where: NDArray[np.intp], shape: tuple[int, ...]
) -> dict[str, NDArray[np.intp]]:
    """The numbers of the pixels in each band, among the readable; quarters by their sides."""
    tall, wide = shape
    # Pixels are counted row by row, so that whole rows follow each other.
    third, half, two_thirds = np.searchsorted(
        where, wide * np.ceil(tall * np.array([1 / 3, 1 / 2, 2 / 3]) - 1e-9)
    )
    left = np.tile(2 * np.arange(wide) < wide, tall).take(where)
    every = np.arange(len(where))
    bands = {name: np.flatnonzero(within) for name, within in tone_masks(lightness).items()}
    bands |= {
        "upper": every[:third],
        "middle": every[third:two_thirds],
        "lower": every[two_thirds:],
    }
    for end, first, rows in (("top", 0, left[:half]), ("bottom", half, left[half:])):
        bands[f"{end}_left"] = first + np.flatnonzero(rows)
        bands[f"{end}_right"] = first + np.flatnonzero(~rows)
    bands["brightest"] = np.flatnonzero(_beyond(lightness, 0.97))
    bands["darkest"] = np.flatnonzero(~_beyond(lightness, 0.05) & (lightness > 5))
    return bands


def _bands(
    colours: Floats, members: Mapping[str, NDArray[np.intp]], size: int
) -> Iterator[tuple[str, float]]:
    """Mean and least-chroma colours of every band; the sides by distance from neutral.

    ``colours`` 3 x n are a*, b* and C* at L* 60 of the readable pixels.
    """
    fewest = max(FEWEST_IN_BAND, LEAST_SHARE * 0.5 * size)
    means = {
        name: _means(colours.take(which, axis=1)) if len(which) >= fewest else (None,) * 3
        for name, which in members.items()
    }
    names = ("mean", *(f"least_{quantile:g}" for quantile in QUANTILES))
    for band in BANDS:
        end, _, place = band.partition("_")
        if place:
            sides = zip(means[f"{end}_left"], means[f"{end}_right"], strict=True)
            found: Sequence[Colour | None] = [by_distance(*s)[place == "nearer"] for s in sides]
        else:
            found = means[band]
        for name, colour in zip(names, found, strict=True):
            yield from cast_values(f"statistics.{band}.{name}", colour)


def _means(colours: Floats) -> tuple[Colour, ...]:
    """Mean a*, b* of all pixels, and of the least chromatic of them."""
    ab, chroma = colours[:2], colours[2]
    counts = [max(8, int(quantile * len(chroma))) for quantile in QUANTILES]
    order = np.argpartition(chroma, [count - 1 for count in counts])
    ordered = ab.take(order[: max(counts)], axis=1)
    return (ab.mean(axis=1), *(ordered[:, :count].mean(axis=1) for count in counts))


def _ranks(scene: Scene) -> Iterator[tuple[str, float]]:
    """How far red and blue lie from green at equal ranks, encoded -1..1.

    A rising curve laid over a channel leaves its ranks alone: it moves these
    values as it moves a ramp of greys, from the darkest to the lightest. (Green
    itself is no feature: it would betray copies that casts are laid on.)
    """
    picture = scene.picture
    values = []
    for channel in seen(picture, planes(picture.encoded)):
        code = np.rint(np.clip(channel, 0, 1) * (CODES - 1)).astype(np.intp)
        below = np.bincount(code, minlength=CODES).cumsum()
        rank = np.searchsorted(below, np.array(RANKS) * (len(code) - 1), side="right")
        values.append(rank / (CODES - 1))
    for share, red, green, blue in zip(RANKS, *values, strict=True):
        yield f"statistics.rank_{share:g}.red", float(red - green)
        yield f"statistics.rank_{share:g}.blue", float(blue - green)


def _cells_of(ab: Floats, cuts: Sequence[float]) -> NDArray[np.intp]:
    """The cell of the a*b* plane in which each pixel lies."""
    # Comparing with few cuts is far quicker than searching among them.
    a, b = (sum((each > cut).view(np.uint8) for cut in cuts) for each in ab)
    return np.asarray(np.asarray(a, dtype=np.intp) * (len(cuts) + 1) + b)


def _plane(
    name: str, cells: NDArray[np.intp], cuts: Sequence[float]
) -> Iterator[tuple[str, float]]:
    """How the pixels spread over the a*b* plane: the square root of each cell's share."""
    names = _plane_names(name, tuple(cuts))
    share = np.sqrt(np.bincount(cells, minlength=len(names)) / max(len(cells), 1))
    yield from zip(names, share.tolist(), strict=True)


@cache
def _plane_names(name: str, cuts: tuple[float, ...]) -> tuple[str, ...]:
    return tuple(f"statistics.{name}.{cell}" for cell in _cells(cuts))


def _beyond(values: Floats, share: float) -> NDArray[np.bool_]:
    if not len(values):
        return np.zeros(0, dtype=np.bool_)
    rank = int(share * (len(values) - 1))
    return np.asarray(values >= np.partition(values, rank)[rank], dtype=np.bool_)


def _hues(ab: Floats, chroma: Floats) -> Iterator[tuple[str, float]]:
    """Chroma's quantiles, and its share in each sector of hue."""
    ranks = [int(share * (len(chroma) - 1)) for share in CHROMA_AT]
    ordered = np.partition(chroma, ranks) if len(chroma) else np.full(1, np.nan)
    for share, rank in zip(CHROMA_AT, ranks, strict=True):
        yield f"statistics.chroma_{share:g}", float(ordered[rank])
    turn = np.arctan2(ab[1], ab[0]) / (2 * np.pi)
    sector = np.floor((turn + (turn < 0)) * HUE_SECTORS).astype(np.intp)
    shared = np.bincount(sector, chroma, HUE_SECTORS)[:HUE_SECTORS] / max(float(chroma.sum()), 1e-9)
    for k in range(HUE_SECTORS):
        yield f"statistics.hue_{k}", float(shared[k])


EVIDENCE = KindOfEvidence(
    kind="statistics",
    label=BY_NAME["statistics"].plural,
    find=find,
    picture_wide=picture_wide,
    own=FeatureSet(features, values),
)
