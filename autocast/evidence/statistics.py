"""Picture-wide estimators of the light, each published, as one kind of evidence.

None knows what is in the picture; each assumes something about all pictures.
They are worth little alone and something together.

Every estimator takes linear sRGB of the readable pixels and returns the colour
of the light up to a factor; the cast is what a neutral of L* 60 reads under it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from autocast.colour import (
    DARKEST_LINEAR,
    RGB_TO_XYZ,
    lightness_to_luminance,
    linear_to_lab,
    shift_to_cast,
)
from autocast.colour.grid import gaussian, grid
from autocast.evidence import Finding, KindOfEvidence, Outright
from autocast.judgement.things import BY_NAME, KINDS
from autocast.segmentation.likelihoods import Scene

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
    """The mean of the scene is grey. Buchsbaum, J. Franklin Inst. 310 (1980)."""
    return np.asarray(pixels.mean(axis=0))


def shades_of_grey(pixels: Floats) -> Floats:
    """The Minkowski mean of the scene is grey. Finlayson & Trezzi, CIC 12 (2004)."""
    square = pixels * pixels
    return np.asarray((square * square * square).mean(axis=0) ** (1 / NORM))


def white_patch(pixels: Floats) -> Floats:
    """The brightest of each channel is white: here its 99th percentile.

    Land & McCann, J. Opt. Soc. Am. 61 (1971), with the percentile in common
    use in place of the maximum.
    """
    rank = int(0.99 * (len(pixels) - 1))
    return np.asarray(np.partition(pixels, rank, axis=0)[rank])


def principal_axis(pixels: Floats) -> Floats:
    """First principal axis of the brightest and darkest 3.5 % of pixels.

    Cheng, Prasad & Brown, J. Opt. Soc. Am. A 31 (2014).
    """
    mean = pixels.mean(axis=0)
    along = pixels @ (mean / np.linalg.norm(mean))
    count = max(8, int(0.035 * len(pixels)))
    order = np.argpartition(along, (count, len(along) - count - 1))
    chosen = pixels[np.concatenate([order[:count], order[-count:]])]
    _, vectors = np.linalg.eigh(chosen.T @ chosen)
    return np.asarray(np.maximum(np.abs(vectors[:, -1]), DARKEST_LINEAR))


def edges(image: Floats, order: int) -> Floats:
    """H x W x 3 strength of the derivative of the given order (1 or 2), lightly smoothed."""
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
    """The Minkowski mean of the edges is grey. ``strength`` n x 3 from :func:`edges`.

    van de Weijer, Gevers & Gijsenij, IEEE Trans. Image Process. 16 (2007).
    """
    return shades_of_grey(np.maximum(strength, 1e-6))


def least_chroma(pixels: Floats, lab: Floats) -> Floats:
    """Mean of the tenth with the least chroma among L* 30-95.

    Common practice, no source. It takes the cast to be small.
    """
    within = (lab[:, 0] > 30) & (lab[:, 0] < 95)
    if int(within.sum()) < FEWEST_PIXELS:
        within = np.ones(len(lab), dtype=bool)
    chosen, chroma = pixels[within], np.hypot(lab[within, 1], lab[within, 2])
    count = max(8, len(chosen) // 10)
    count = min(count, len(chosen) - 1)
    return np.asarray(chosen[np.argpartition(chroma, count)[:count]].mean(axis=0))


def greyness(image: Floats) -> Floats:
    """H x W greyness index: 0 where local contrast is the same in all channels.

    Qian, Kämäräinen, Nikkanen & Matas, CVPR 2019: the norm of the contrast of
    ln R - ln Y and of ln B - ln Y, Y the mean of the channels. Flat places say
    nothing and are infinite here.
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
    """Mean of the 1 % of pixels with the least :func:`greyness` index (n values)."""
    count = max(8, len(index) // 100)
    count = min(count, len(index) - 1)
    return np.asarray(pixels[np.argpartition(index, count)[:count]].mean(axis=0))


ESTIMATORS: Mapping[str, str] = {
    "grey_world": "grey world",
    "shades_of_grey": "shades of grey",
    "white_patch": "white patch",
    "grey_edge_1": "grey edge, first order",
    "grey_edge_2": "grey edge, second order",
    "principal_axis": "bright-and-dark principal axis",
    "least_chroma": "least-chroma tenth",
    "grey_pixels": "greyness-index pixels",
}
"""Names in the model files and the words for them."""


def measure(scene: Scene) -> dict[str, tuple[float, float]]:
    """Every estimator's cast (a*, b* at L* 60); empty when too few pixels are readable.

    As published but for one thing: a vivid blue sky (:func:`vivid_sky`) is left out.
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
    """R: regions that lie and feel like sky and are of a blue that hardly any light explains.

    No estimator's assumption holds of a blue sky, which may fill half a frame.
    """
    lab = scene.regions.lab
    at_60 = lab[:, 1:] * (76.0 / (lab[:, :1] + 16))
    hue = np.degrees(np.arctan2(at_60[:, 1], at_60[:, 0])) % 360
    blue = (np.hypot(*at_60.T) > VIVID_FROM) & (hue > SKY_HUES[0]) & (hue < SKY_HUES[1])
    return np.asarray(blue & (scene.context[:, KINDS.index("sky")] > SKY_LIKE), dtype=np.bool_)


def measure_part(scene: Scene, part: NDArray[np.bool_]) -> dict[str, tuple[float, float]]:
    """The estimators that regions can stand in for pixels in, over the regions ``part`` (R)."""
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


def outright(scene: Scene, parts: NDArray[np.bool_]) -> Outright:
    """The estimators' word on the whole picture and on P x R parts.

    Every estimator has its own bias, spread, weight and share of wild readings
    in the model file.
    """
    settings = scene.weights["statistics"]
    single = measure(scene)
    every = [single, *(measure_part(scene, part) for part in parts)]
    logs = np.zeros((len(every), len(grid())))
    for row, casts in enumerate(every):
        for name, cast in casts.items():
            one = settings[name]
            spread = np.diag(np.square(one["spread"]))
            vote = gaussian(np.subtract(cast, one["bias"]), spread, one["wild"])
            logs[row] += one["weight"] * vote
    return Outright(logs, single)


def find(scene: Scene, members: NDArray[np.float32]) -> Finding:
    """Statistics read the whole picture and no place in it."""
    del members
    return Finding(float(scene.regions.area.sum()), None, None, ())


EVIDENCE = KindOfEvidence(
    kind="statistics", label=BY_NAME["statistics"].plural, find=find, outright=outright
)
