"""Pictures made in code: known surfaces, shaded, textured, noisy, under a known light.

A surface is CIELAB D65, or a published reflectance that colour-science carries
and sees under the light of the scene. The Labs of the first group are means of
measured spectra of the ECOSTRESS library (asphalt, concrete, tar, marble,
galvanised steel, snow, grass, foliage, soil), to the nearest half unit;
recomputing them needs the library's spectra, which are not at hand here, so they
are copied, not verified. All others are invented and say so. A scene stays in
linear light until it is developed, so that a cast is laid as a change of light
is. Nothing of autocast.rendering takes part.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from autocast.colour import (
    cast_to_gains,
    lab_to_linear,
    linear_to_lab,
    linear_to_srgb,
    srgb_to_linear,
)

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Lab = tuple[float, float, float]
D65 = (0.3127, 0.3290)
Where = Callable[[Floats, Floats], NDArray[np.bool_]]

HEIGHT, WIDTH = 320, 480

# ECOSTRESS library, spectra under D65 (middle of the measured range of each kind).
ASPHALT: Lab = (32.5, 1.0, 5.0)
CONCRETE: Lab = (57.0, 2.5, 8.0)
TAR: Lab = (29.5, -0.2, -1.0)
MARBLE: Lab = (91.0, -0.8, 7.9)
STEEL: Lab = (60.0, -1.8, -1.7)
SNOW: Lab = (99.0, -0.5, -0.3)
GRASS: Lab = (44.0, -11.0, 20.0)
FOLIAGE: Lab = (38.0, -8.0, 12.0)
SOIL: Lab = (50.0, 7.0, 26.0)

# Invented. A cloud's lightest parts are nearly neutral (common practice, no source).
CLOUD: Lab = (86.0, -0.3, -0.5)
BOAT_BLUE: Lab = (40.0, 8.0, -40.0)
OCHRE: Lab = (55.0, 22.0, 48.0)
BRICK: Lab = (42.0, 34.0, 28.0)
PURPLE: Lab = (36.0, 36.0, -32.0)
ORANGE: Lab = (62.0, 42.0, 58.0)
TEAL: Lab = (52.0, -22.0, -12.0)


@dataclass(frozen=True)
class Reflectance:
    """A published spectrum by its name: a patch of the 24-patch chart, or TCS01 to TCS15.

    The chart is "BabelColor Average", the samples those of CIE 13.3-1995 with the
    Japanese fifteenth, all as carried by colour-science.
    """

    name: str

    def seen(self, light: str) -> Lab:
        """CIELAB D65 under a CIE illuminant, to a camera that stays balanced to D65."""
        return _seen(self.name, light)


@cache
def _seen(name: str | None, light: str) -> Lab:
    """The same; without a name, of a perfect white."""
    import colour  # it takes seconds, and most scenes do without

    every = {
        **colour.SDS_COLOURCHECKERS["BabelColor Average"],
        **colour.quality.SDS_TCS["CIE 2024"],
    }
    shape = colour.SpectralShape(380, 780, 5)
    spectrum = colour.sd_ones(shape) if name is None else every[name].copy().align(shape)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    illuminant = colour.SDS_ILLUMINANTS[light].copy().align(shape)
    xyz = colour.sd_to_XYZ(spectrum, observer, illuminant, method="Integration") / 100
    lightness, a, b = (float(v) for v in colour.XYZ_to_Lab(xyz, D65))
    return lightness, a, b


def neutral_under(light: str) -> tuple[float, float]:
    """(a*, b*) that a perfect neutral of L* 60 reads under a CIE illuminant."""
    # Of one chromaticity, a* and b* go as L* + 16 (CIE 15:2018, above the linear part).
    lightness, a, b = _seen(None, light)
    return a * 76 / (lightness + 16), b * 76 / (lightness + 16)


@dataclass(frozen=True)
class Layer:
    """A thing: its colour, where it lies (x, y from 0 to 1), how rough and how mottled it is."""

    surface: Lab | Reflectance
    where: Where
    rough: float = 0.10
    mottle: float = 0.6


CHART = (
    "dark skin", "light skin", "blue sky", "foliage", "blue flower", "bluish green",
    "orange", "purplish blue", "moderate red", "purple", "yellow green", "orange yellow",
    "blue", "green", "red", "yellow", "magenta", "cyan",
    "white 9.5 (.05 D)", "neutral 8 (.23 D)", "neutral 6.5 (.44 D)", "neutral 5 (.70 D)",
    "neutral 3.5 (1.05 D)", "black 2 (1.5 D)",
)  # fmt: skip
"""The patches of the chart, row by row."""


def box(left: float, top: float, right: float, bottom: float) -> Where:
    return lambda x, y: (x >= left) & (x < right) & (y >= top) & (y < bottom)


def disc(x0: float, y0: float, across: float, tall: float) -> Where:
    return lambda x, y: ((x - x0) / across) ** 2 + ((y - y0) / tall) ** 2 < 1


EVERYWHERE = box(-1, -1, 2, 2)


def cloudy(rng: np.random.Generator, shape: tuple[int, int], coarsest: int) -> Floats:
    """Noise of all scales from ``coarsest`` pixels down, mean 0, deviation 1."""
    total = np.zeros(shape)
    side = coarsest
    while side >= 1:
        grid = rng.normal(size=(shape[0] // side + 2, shape[1] // side + 2)).astype(np.float32)
        smooth = Image.fromarray(grid).resize(shape[::-1], Image.Resampling.BICUBIC)
        total += np.asarray(smooth) * side**0.5
        side //= 2
    return np.asarray((total - total.mean()) / (total.std() or 1.0))


def scene(
    layers: Sequence[Layer], seed: int, shape: tuple[int, int] = (HEIGHT, WIDTH), light: str = "D65"
) -> Floats:
    """Linear light (H, W, 3) of layers, the last on top, under a CIE illuminant.

    Under another than D65 every surface has to be a reflectance.
    """
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    across, down = (x + 0.5) / shape[1], (y + 0.5) / shape[0]
    # Edges in a photograph are never ruled.
    across = across + 0.006 * cloudy(rng, shape, 16)
    down = down + 0.006 * cloudy(rng, shape, 16)
    linear = np.zeros((*shape, 3))
    for layer in layers:
        here = layer.where(across, down)
        lab = np.tile(_colour(layer.surface, light), (int(here.sum()), 1))
        if layer.mottle:
            lab[:, 1] += layer.mottle * cloudy(rng, shape, 32)[here]
            lab[:, 2] += layer.mottle * cloudy(rng, shape, 32)[here]
        linear[here] = lab_to_linear(lab)
        if layer.rough:
            linear[here] *= np.exp(layer.rough * cloudy(rng, shape, 16)[here])[:, None]
    # Light falls off smoothly over the frame, and nothing reaches paper white.
    shade = 0.86 * np.exp(0.10 * cloudy(rng, shape, 128))
    return np.asarray(np.maximum(linear, 0) * shade[..., None])


def _colour(surface: Lab | Reflectance, light: str) -> Floats:
    if isinstance(surface, Reflectance):
        return np.array(surface.seen(light), dtype=np.float64)
    if light != "D65":
        raise ValueError("a Lab says nothing of another light; give a reflectance")
    return np.array(surface, dtype=np.float64)


def exposed(linear: Floats) -> Floats:
    """The scene with one pixel in two hundred at 0.95 of the range in its largest channel."""
    return np.asarray(linear * 0.95 / np.quantile(linear.max(axis=-1), 0.995))


def under(linear: Floats, cast: tuple[float, float]) -> Floats:
    """The scene under a light that makes a neutral of L* 60 read ``cast``."""
    return linear * cast_to_gains(cast)


def under_where(linear: Floats, cast: tuple[float, float], where: Where) -> Floats:
    """The same in one part of the frame only, with a soft edge."""
    y, x = np.mgrid[0 : linear.shape[0], 0 : linear.shape[1]]
    inside = where((x + 0.5) / linear.shape[1], (y + 0.5) / linear.shape[0])
    mask = Image.fromarray((inside * 255).astype(np.uint8))
    soft = np.asarray(mask.filter(ImageFilter.GaussianBlur(8)))[..., None] / 255
    return np.asarray(linear * (1 - soft) + under(linear, cast) * soft)


def under_tones(linear: Floats, cast: tuple[float, float], low: float, high: float) -> Floats:
    """The same between two lightnesses L* only, fading over 5 units beyond either."""
    lightness = linear_to_lab(linear)[..., :1]
    inside = np.minimum(lightness - (low - 5), (high + 5) - lightness) / 5
    share = np.clip(inside, 0, 1)
    return np.asarray(linear * (1 - share) + under(linear, cast) * share)


def developed(linear: Floats, seed: int = 0) -> Bytes:
    """What a camera would write: photon and read noise, a little blur, sRGB, 8 bits."""
    rng = np.random.default_rng(seed + 1000)
    lit = np.clip(linear, 0, None)
    noisy = lit + rng.normal(size=lit.shape) * np.sqrt(0.0004 * lit + 2e-6)
    encoded = linear_to_srgb(np.clip(noisy, 0, 1))
    image = Image.fromarray(np.rint(encoded * 255).astype(np.uint8))
    return np.array(image.filter(ImageFilter.GaussianBlur(0.6)))


def crossed(picture: Bytes, codes: float) -> Bytes:
    """Red lowered in the shadows and raised in the lights by ``codes``, blue the other way."""
    values = picture.astype(np.float64)
    slope = (values - 127.5) / 127.5 * codes
    values[..., 0] += slope[..., 0]
    values[..., 2] -= slope[..., 2]
    return np.asarray(np.rint(np.clip(values, 0, 255)).astype(np.uint8))


def toned(picture: Bytes, tone: tuple[float, float]) -> Bytes:
    """A toned print: grey by luminance, then a*b* as a function of lightness alone."""
    grey = srgb_to_linear(picture / 255) @ np.array([0.2126, 0.7152, 0.0722])
    lightness = 116 * np.cbrt(np.maximum(grey, 0.009)) - 16
    # The tone is strongest in the middle: paper stays nearly white, ink nearly black.
    strength = 4 * lightness / 100 * (1 - lightness / 100)
    lab = np.stack([lightness, tone[0] * strength, tone[1] * strength], axis=-1)
    encoded = linear_to_srgb(np.clip(lab_to_linear(lab), 0, 1))
    return np.asarray(np.rint(encoded * 255).astype(np.uint8))


# --- what stands in the scenes ----------------------------------------------

QUAY = (
    Layer(CLOUD, EVERYWHERE, rough=0.04, mottle=0.3),
    Layer(CONCRETE, box(-0.1, 0.38, 0.55, 1.1), rough=0.12),
    Layer(MARBLE, box(0.55, 0.22, 0.78, 0.72), rough=0.03),
    Layer(STEEL, box(0.78, 0.30, 1.1, 0.72), rough=0.06),
    Layer(ASPHALT, box(-0.1, 0.72, 1.1, 1.1), rough=0.15),
    Layer(TAR, box(0.05, 0.50, 0.16, 0.72), rough=0.10),
    Layer(TAR, box(0.60, 0.36, 0.68, 0.52), rough=0.05),
)
WINTER = (
    Layer(CLOUD, EVERYWHERE, rough=0.05, mottle=0.3),
    Layer(STEEL, box(-0.1, 0.30, 0.40, 0.60), rough=0.05),
    Layer(CONCRETE, box(0.40, 0.20, 0.75, 0.60), rough=0.10),
    Layer((92.0, -0.5, -0.3), box(-0.1, 0.60, 1.1, 1.1), rough=0.06, mottle=0.3),
    Layer(TAR, box(0.15, 0.68, 0.65, 0.88), rough=0.12),
    Layer(ASPHALT, disc(0.85, 0.55, 0.10, 0.22), rough=0.15),
)
YARD = (
    Layer(MARBLE, EVERYWHERE, rough=0.05),
    Layer(CONCRETE, box(-0.1, 0.45, 1.1, 1.1), rough=0.14),
    Layer(TAR, box(0.10, 0.10, 0.30, 0.60), rough=0.08),
    Layer(STEEL, disc(0.65, 0.35, 0.16, 0.20), rough=0.08),
    Layer(ASPHALT, box(0.45, 0.70, 1.1, 1.1), rough=0.15),
    Layer(FOLIAGE, disc(0.90, 0.30, 0.10, 0.16), rough=0.35, mottle=1.5),
)
NEUTRAL_SCENES = {"quay": QUAY, "winter": WINTER, "yard": YARD}

BOAT = Layer(BOAT_BLUE, disc(0.42, 0.72, 0.24, 0.14), rough=0.06)

PAINTED = (
    Layer(BRICK, EVERYWHERE, rough=0.08, mottle=1.5),
    Layer(PURPLE, box(0.00, 0.0, 0.35, 0.45), rough=0.08, mottle=1.5),
    Layer(ORANGE, box(0.55, 0.2, 1.1, 0.60), rough=0.08, mottle=1.5),
    Layer(TEAL, box(0.20, 0.55, 0.60, 1.1), rough=0.08, mottle=1.5),
)
"""Painted walls, none of known colour."""


def fair(sky: Lab, neutral: Lab = CONCRETE) -> tuple[Layer, ...]:
    """A sky over trees, grass and a pavement."""
    return (
        Layer(sky, EVERYWHERE, rough=0.04, mottle=0.4),
        Layer(FOLIAGE, box(-0.1, 0.38, 1.1, 0.56), rough=0.35, mottle=1.5),
        Layer(GRASS, box(-0.1, 0.56, 1.1, 0.68), rough=0.2, mottle=1.5),
        Layer(neutral, box(-0.1, 0.66, 1.1, 1.1), rough=0.10),
    )


def _chart(left: float, top: float, width: float, height: float) -> tuple[Layer, ...]:
    """The 24-patch chart, four rows of six."""
    return tuple(
        Layer(
            Reflectance(name),
            box(
                left + k % 6 * width / 6,
                top + k // 6 * height / 4,
                left + (k % 6 + 1) * width / 6,
                top + (k // 6 + 1) * height / 4,
            ),
            rough=0,
            mottle=0,
        )
        for k, name in enumerate(CHART)
    )


STREET = (
    Layer(Reflectance("blue sky"), EVERYWHERE, rough=0.04),
    Layer(Reflectance("white 9.5 (.05 D)"), box(0.12, 0.04, 0.62, 0.24), rough=0.08),
    Layer(Reflectance("neutral 6.5 (.44 D)"), box(-0.1, 0.22, 0.38, 0.70), rough=0.12),
    Layer(Reflectance("black 2 (1.5 D)"), box(0.05, 0.32, 0.14, 0.52), rough=0.20),
    Layer(Reflectance("black 2 (1.5 D)"), box(0.22, 0.32, 0.31, 0.52), rough=0.20),
    Layer(Reflectance("neutral 8 (.23 D)"), box(0.38, 0.36, 0.72, 0.68), rough=0.15),
    Layer(Reflectance("TCS14"), box(0.72, 0.12, 1.1, 0.68), rough=0.45),
    Layer(Reflectance("foliage"), box(-0.1, 0.58, 0.30, 0.70), rough=0.35),
    Layer(Reflectance("neutral 3.5 (1.05 D)"), box(-0.1, 0.68, 1.1, 1.1), rough=0.20),
    Layer(Reflectance("neutral 5 (.70 D)"), box(-0.1, 0.68, 1.1, 0.78), rough=0.15),
    Layer(Reflectance("dark skin"), box(0.55, 0.62, 0.60, 0.72), rough=0.12),
    Layer(Reflectance("TCS13"), box(0.55, 0.42, 0.66, 0.62), rough=0.12),
    *_chart(0.70, 0.80, 0.28, 0.18),
)
"""A street of published reflectances, the chart in its corner."""


def portrait(skin: Lab) -> tuple[Layer, ...]:
    """A head before a plain grey wall, in a white shirt and a dark jacket (both invented)."""
    return (
        Layer((66.0, 0.2, 1.0), EVERYWHERE, rough=0.03, mottle=0.3),
        Layer((24.0, 0.0, -0.5), disc(0.50, 1.05, 0.34, 0.42), rough=0.10),
        Layer((90.0, 0.0, 0.5), disc(0.50, 0.82, 0.09, 0.16), rough=0.04, mottle=0.3),
        Layer(skin, disc(0.50, 0.42, 0.14, 0.28), rough=0.07),
        Layer((18.0, 1.0, 2.0), disc(0.50, 0.18, 0.15, 0.10), rough=0.20),
    )


def drawing() -> Bytes:
    """A diagram: flat colours and ruled lines."""
    image = Image.new("RGB", (WIDTH, HEIGHT), (246, 240, 214))
    pen = ImageDraw.Draw(image)
    pen.rectangle((40, 60, 200, 280), fill=(196, 60, 48))
    pen.ellipse((240, 80, 420, 250), fill=(52, 96, 168))
    pen.polygon([(60, 300), (460, 300), (430, 262)], fill=(70, 150, 90))
    for x in range(20, WIDTH, 60):
        pen.line((x, 10, x, 40), fill=(20, 20, 20), width=3)
    return np.array(image)
