"""Scenes rendered from published reflectances under CIE lights, for the invented archive.

Sources: observer CIE 1931 2 degree, CIE illuminants, the 24-patch chart and CIE
test colour samples as carried by colour-science; pavement, canopy, metal,
paint, wood and soil as carried by earthlib. The camera is balanced to CIE D65
and stays so: every other light lies over the picture as a cast. Layout,
shading, texture and what the places are called are made up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from autocast.colour import XYZ_TO_RGB, cast_to_gains, linear_to_srgb, srgb_to_linear
from autocast.rendering import spectra

Array = NDArray[np.float64]
Codes = NDArray[np.uint8]
Where = Callable[[Array, Array], NDArray[np.bool_]]
Which = tuple[str, str, float]

HEIGHT, WIDTH = 380, 570

_WAVELENGTHS = np.arange(400.0, 781.0, 10.0)

# Spectra by (set, kind, rank by lightness 0..1), and shading: mean and spread of its logarithm.
_MATERIALS: dict[str, tuple[Sequence[Which], float, float]] = {
    "sky": ([("chart", "blue sky", 0)], 0.75, 0.03),
    "cloud": ([("chart", "white 9.5 (.05 D)", 0), ("chart", "neutral 8 (.23 D)", 0)], 0.0, 0.08),
    "overcast": ([("chart", "neutral 8 (.23 D)", 0), ("chart", "white 9.5 (.05 D)", 0)], 0.1, 0.05),
    "snow": ([("chart", "white 9.5 (.05 D)", 0)], 0.0, 0.10),
    "white": ([("chart", "white 9.5 (.05 D)", 0)], -0.15, 0.05),
    "plaster": ([("chart", "neutral 8 (.23 D)", 0), ("earth", "sidewalk", 0.9)], 0.0, 0.08),
    "stone": ([("chart", "neutral 5 (.70 D)", 0), ("earth", "sidewalk", 0.4)], 0.1, 0.14),
    "concrete": ([("earth", "sidewalk", 0.4), ("earth", "sidewalk", 0.7)], 0.0, 0.13),
    "road": ([("earth", "road", 0.3), ("earth", "parking_lot", 0.5)], 0.0, 0.18),
    "water": ([("chart", "neutral 3.5 (1.05 D)", 0), ("chart", "blue sky", 0)], -0.2, 0.25),
    "hill": ([("earth", "canopy", 0.4), ("earth", "canopy", 0.7)], -0.1, 0.30),
    "grass": ([("cie", "TCS14", 0), ("earth", "canopy", 0.8)], 0.1, 0.25),
    "tree": ([("earth", "canopy", 0.3), ("chart", "foliage", 0)], -0.2, 0.45),
    "face": ([("cie", "TCS13", 0), ("chart", "light skin", 0)], -0.1, 0.10),
    "dark face": ([("chart", "dark skin", 0)], 0.1, 0.12),
    "metal": ([("earth", "metal", 0.5), ("chart", "neutral 6.5 (.44 D)", 0)], -0.1, 0.14),
    "slate": ([("chart", "neutral 3.5 (1.05 D)", 0), ("earth", "comp_shingle", 0.4)], 0.0, 0.15),
    "window": ([("chart", "black 2 (1.5 D)", 0), ("chart", "neutral 3.5 (1.05 D)", 0)], 0.0, 0.3),
    "wood": ([("earth", "wood", 0.4), ("earth", "bark", 0.6)], 0.0, 0.15),
    "blue paint": ([("chart", "blue", 0)], 0.5, 0.10),
    "red paint": ([("chart", "red", 0)], 0.3, 0.10),
    "yellow paint": ([("chart", "yellow", 0)], 0.0, 0.10),
    "green paint": ([("chart", "green", 0)], 0.2, 0.10),
    "purple paint": ([("chart", "purple", 0)], 0.5, 0.12),
    "orange paint": ([("chart", "orange", 0)], 0.1, 0.12),
    "dark cloth": (
        [("chart", "black 2 (1.5 D)", 0), ("chart", "neutral 3.5 (1.05 D)", 0)],
        0.1,
        0.2,
    ),
    "grey cloth": (
        [("chart", "neutral 6.5 (.44 D)", 0), ("chart", "neutral 5 (.70 D)", 0)],
        0.0,
        0.15,
    ),
}


@dataclass(frozen=True)
class Layer:
    """A material and where it stands; later layers stand in front."""

    material: str
    where: Where


def box(left: float, top: float, right: float, bottom: float) -> Where:
    """A rectangle, in parts of the frame."""
    return lambda x, y: (x >= left) & (x < right) & (y >= top) & (y < bottom)


def disc(x0: float, y0: float, across: float, tall: float) -> Where:
    """An ellipse by its middle and half axes."""
    return lambda x, y: ((x - x0) / across) ** 2 + ((y - y0) / tall) ** 2 < 1


def gable(left: float, top: float, right: float, bottom: float) -> Where:
    """A triangle with its tip in the middle of the top."""
    middle, half = (left + right) / 2, (right - left) / 2
    return lambda x, y: (
        (y >= top) & (y < bottom) & (np.abs(x - middle) < half * (y - top) / (bottom - top))
    )


def ridge(height: float, swing: float, phase: float) -> Where:
    """Everything below a rolling line."""
    return lambda x, y: (
        y > height - swing * (np.sin(5 * x + phase) + 0.4 * np.sin(13 * x + 2 * phase)) / 1.4
    )


EVERYWHERE = box(-1, -1, 2, 2)


def _house(rng: np.random.Generator, left: float, width: float, ground: float) -> Iterator[Layer]:
    tall = rng.uniform(0.24, 0.34)
    top = ground - tall
    yield Layer(
        str(rng.choice(["plaster", "white", "stone"])), box(left, top, left + width, ground)
    )
    yield Layer("slate", gable(left - 0.015, top - 0.11, left + width + 0.015, top))
    count = max(1, round(width / 0.08))
    for k in range(count):
        at = left + width * (k + 0.5) / count
        for level in (0.28, 0.66):
            y = top + tall * level
            yield Layer("window", box(at - 0.016, y - 0.035, at + 0.016, y + 0.035))


def _person(rng: np.random.Generator, x: float, feet: float, tall: float) -> Iterator[Layer]:
    cloth = str(rng.choice(["dark cloth", "grey cloth", "white", "dark cloth"]))
    face = str(rng.choice(["face", "dark face"]))
    yield Layer("dark cloth", box(x - tall * 0.075, feet - tall * 0.5, x + tall * 0.075, feet))
    yield Layer(cloth, disc(x, feet - tall * 0.6, tall * 0.11, tall * 0.25))
    yield Layer(face, disc(x, feet - tall * 0.91, tall * 0.06, tall * 0.10))


def _trees(rng: np.random.Generator, x: float, ground: float, size: float) -> Iterator[Layer]:
    yield Layer("wood", box(x - size * 0.05, ground - size, x + size * 0.05, ground))
    for _ in range(6):
        dx, dy = rng.uniform(-0.35, 0.35, 2) * size
        yield Layer("tree", disc(x + 0.7 * dx, ground - size * 1.1 + dy, size * 0.3, size * 0.38))


def _boat(x: float, y: float, size: float, material: str) -> Iterator[Layer]:
    yield Layer(material, lambda u, v: disc(x, y, size, size * 0.55)(u, v) & (v > y))
    yield Layer("white", box(x - size * 0.4, y - size * 0.3, x + size * 0.15, y))
    yield Layer("wood", box(x - 0.004, y - size * 1.6, x + 0.004, y))


def _van(x: float, ground: float, long: float, material: str) -> Iterator[Layer]:
    yield Layer(material, box(x - long / 2, ground - 0.3, x + long / 2, ground - 0.04))
    yield Layer("window", box(x + long * 0.2, ground - 0.27, x + long * 0.44, ground - 0.16))
    yield Layer("white", box(x - long * 0.4, ground - 0.2, x + long * 0.1, ground - 0.14))
    for wheel in (-0.3, 0.3):
        yield Layer("dark cloth", disc(x + long * wheel, ground - 0.04, 0.04, 0.06))


def harbour(rng: np.random.Generator) -> list[Layer]:
    """A quay with boats, a hill behind."""
    layers = [
        Layer("sky", EVERYWHERE),
        Layer("cloud", disc(rng.uniform(0.1, 0.8), 0.12, 0.28, 0.07)),
        Layer("cloud", disc(rng.uniform(0.2, 0.9), 0.22, 0.22, 0.05)),
        Layer("hill", ridge(0.38, 0.05, rng.uniform(0, 6))),
        Layer("water", box(-1, 0.44, 2, 2)),
    ]
    layers += _house(rng, rng.uniform(0.0, 0.1), 0.22, 0.47)
    layers += _house(rng, rng.uniform(0.3, 0.36), 0.16, 0.46)
    layers += _boat(rng.uniform(0.5, 0.6), 0.55, 0.09, "dark cloth")
    layers += _boat(rng.uniform(0.75, 0.9), 0.52, 0.07, "white")
    layers += [
        Layer("concrete", ridge(0.72, 0.01, rng.uniform(0, 6))),
        Layer("road", box(-1, 0.86, 2, 2)),
        Layer("metal", box(0.72, 0.62, 0.78, 0.8)),
    ]
    for _ in range(2):
        layers += _person(rng, rng.uniform(0.15, 0.65), rng.uniform(0.84, 0.92), 0.26)
    return layers


def street(rng: np.random.Generator) -> list[Layer]:
    """A row of houses, a pavement, a tree, people."""
    layers = [Layer("overcast", EVERYWHERE)]
    left = rng.uniform(-0.1, 0.0)
    while left < 1.0:
        width = rng.uniform(0.18, 0.28)
        layers += _house(rng, left, width, 0.66)
        left += width + 0.005
    layers += _trees(rng, rng.uniform(0.2, 0.8), 0.7, 0.26)
    layers += [Layer("concrete", box(-1, 0.66, 2, 0.78)), Layer("road", box(-1, 0.78, 2, 2))]
    for _ in range(3):
        layers += _person(rng, rng.uniform(0.05, 0.95), rng.uniform(0.78, 0.84), 0.22)
    layers.append(Layer("metal", disc(rng.uniform(0.3, 0.7), 0.86, 0.13, 0.06)))
    return layers


def winter(rng: np.random.Generator) -> list[Layer]:
    """Snow, a shed, bare stone."""
    layers = [
        Layer("overcast", EVERYWHERE),
        Layer("stone", ridge(0.42, 0.07, rng.uniform(0, 6))),
        Layer("snow", ridge(0.55, 0.03, rng.uniform(0, 6))),
    ]
    layers += _house(rng, rng.uniform(0.1, 0.6), 0.26, 0.66)
    layers += [
        Layer("metal", disc(rng.uniform(0.7, 0.9), 0.7, 0.06, 0.08)),
        Layer("road", ridge(0.84, 0.02, rng.uniform(0, 6))),
    ]
    layers += _person(rng, rng.uniform(0.3, 0.7), 0.86, 0.27)
    return layers


def garden(rng: np.random.Generator) -> list[Layer]:
    """Grass and trees under a sky, with a path and a wall."""
    layers = [
        Layer("sky", EVERYWHERE),
        Layer("cloud", disc(rng.uniform(0.2, 0.8), 0.14, 0.25, 0.07)),
        Layer("hill", ridge(0.40, 0.06, rng.uniform(0, 6))),
        Layer("grass", box(-1, 0.5, 2, 2)),
    ]
    layers += _house(rng, rng.uniform(0.4, 0.7), 0.24, 0.56)
    for x in rng.uniform(0.05, 0.95, 3):
        layers += _trees(rng, float(x), 0.62, 0.22)
    layers.append(Layer("stone", box(-1, 0.62, 0.35, 0.74)))
    layers.append(Layer("concrete", gable(0.3, 0.5, 0.9, 1.05)))
    layers += _person(rng, rng.uniform(0.2, 0.5), 0.92, 0.34)
    return layers


def hall(rng: np.random.Generator) -> list[Layer]:
    """A room with plastered walls, windows, a table and people."""
    layers = [
        Layer("plaster", EVERYWHERE),
        Layer("white", box(-1, -1, 2, 0.12)),
        Layer("wood", box(-1, 0.78, 2, 2)),
        Layer("stone", box(-1, 0.74, 2, 0.78)),
    ]
    for x in (0.12, 0.42, 0.72):
        layers.append(Layer("white", box(x - 0.01, 0.19, x + 0.17, 0.55)))
        layers.append(Layer("cloud", box(x, 0.21, x + 0.16, 0.53)))
    for _ in range(4):
        layers += _person(rng, rng.uniform(0.1, 0.9), rng.uniform(0.88, 0.96), 0.42)
    layers.append(Layer("white", box(0.3, 0.74, 0.72, 0.80)))
    layers.append(Layer("grey cloth", box(0.32, 0.80, 0.70, 0.95)))
    return layers


def painted(rng: np.random.Generator) -> list[Layer]:
    """A painted screen that fills the frame: no surface of known colour."""
    colours = ["purple paint", "orange paint", "green paint", "red paint", "yellow paint"]
    layers = [Layer(str(rng.choice(colours)), EVERYWHERE)]
    for _ in range(7):
        x, y = rng.uniform(0, 1, 2)
        layers.append(Layer(str(rng.choice(colours)), disc(x, y, 0.22, 0.25)))
    return layers


SCENES: dict[str, Callable[[np.random.Generator], list[Layer]]] = {
    "harbour": harbour,
    "street": street,
    "winter": winter,
    "garden": garden,
    "hall": hall,
    "painted": painted,
}


def scene(name: str, seed: int, light: str = "D65", thing: str | None = None) -> Array:
    """Linear sRGB (HEIGHT, WIDTH, 3) of a scene under a CIE illuminant.

    ``thing`` is a paint: one large object of it stands in front.
    """
    rng = np.random.default_rng(seed)
    layers = SCENES[name](rng)
    if thing is not None:
        x = rng.uniform(0.35, 0.65)
        layers += _van(x, 0.9, 0.42, thing) if name == "street" else _boat(x, 0.68, 0.26, thing)
    return _exposed(_rendered(layers, light, rng))


def two_lights(name: str, seed: int, first: str, second: str) -> Array:
    """A scene lit from the left by one CIE illuminant and from the right by another."""
    one, other = scene(name, seed, first), scene(name, seed, second)
    share = np.clip((np.linspace(0, 1, WIDTH) - 0.5) / 0.2 + 0.5, 0, 1)[None, :, None]
    return np.asarray(one * (1 - share) + other * share)


def under(linear: Array, cast: tuple[float, float]) -> Array:
    """Under a light that makes a neutral of L* 60 read ``cast``."""
    return linear * cast_to_gains(cast)


def toned(linear: Array, tone: tuple[float, float]) -> Codes:
    """A print in one ink: a* and b* follow lightness, strongest in the middle."""
    from autocast.colour import lab_to_linear, linear_to_lab

    lab = linear_to_lab(np.repeat((linear @ [0.2126, 0.7152, 0.0722])[..., None], 3, axis=-1))
    strength = 4 * lab[..., 0] / 100 * (1 - lab[..., 0] / 100)
    lab[..., 1], lab[..., 2] = tone[0] * strength, tone[1] * strength
    return developed(lab_to_linear(lab), 0)


def developed(linear: Array, seed: int) -> Codes:
    """What a camera would write: photon and read noise, a little blur, sRGB, 8 bits."""
    rng = np.random.default_rng(seed + 1000)
    lit = np.clip(linear, 0, None)
    noisy = lit + rng.normal(size=lit.shape) * np.sqrt(0.0003 * lit + 2e-6)
    encoded = linear_to_srgb(np.clip(noisy, 0, 1))
    image = Image.fromarray(np.rint(encoded * 255).astype(np.uint8))
    return np.asarray(image.filter(ImageFilter.GaussianBlur(0.7)))


def encoded(linear: Array) -> Codes:
    """Linear light as 8-bit sRGB, clipped."""
    return np.asarray(np.rint(linear_to_srgb(np.clip(linear, 0, 1)) * 255).astype(np.uint8))


def neutral_under(light: str) -> tuple[float, float]:
    """(a*, b*) that a perfect neutral of L* 60 reads under a CIE illuminant."""
    from autocast.colour import QUOTED_AT, lightness_to_luminance, linear_to_lab

    white = _lit(np.ones((1, len(_WAVELENGTHS))), light)[0] @ XYZ_TO_RGB.T
    lab = linear_to_lab(white * float(lightness_to_luminance(QUOTED_AT)))
    return float(lab[1]), float(lab[2])


def linear_of(codes: Codes) -> Array:
    """A photograph's 8-bit sRGB as linear light."""
    return srgb_to_linear(codes / 255)


def _exposed(linear: Array) -> Array:
    """One pixel in two hundred reaches 0.92 of full scale in its largest channel."""
    return np.asarray(linear * 0.92 / np.quantile(linear.max(axis=-1), 0.995))


def _rendered(layers: Sequence[Layer], light: str, rng: np.random.Generator) -> Array:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    grains = [_cloudy(rng, side) for side in (8, 16, 32, 64)]
    # Edges in a photograph are never ruled.
    across = (x + 0.5) / WIDTH + 0.002 * _smooth(grains[0])
    down = (y + 0.5) / HEIGHT + 0.002 * _smooth(grains[1])
    xyz = np.zeros((HEIGHT, WIDTH, 3))
    for number, layer in enumerate(layers):
        here = layer.where(across, down)
        listed, mean, spread = _MATERIALS[layer.material]
        seen = _seen(tuple(listed), light)
        grain = np.roll(grains[number % 3], 53 * number + 11, axis=1)[here][:, None]
        mix = np.clip(0.5 + 0.3 * np.roll(grains[2], 31 * number, axis=0)[here], 0, 1)[:, None]
        xyz[here] = (seen[0] * mix + seen[-1] * (1 - mix)) * np.exp(mean + spread * grain)
    # Light falls off smoothly over the frame.
    fall = np.exp(0.07 * grains[3])[..., None]
    return np.asarray(np.maximum(xyz @ XYZ_TO_RGB.T, 0) * fall)


def _cloudy(rng: np.random.Generator, coarsest: int) -> Array:
    """Noise of all scales from ``coarsest`` pixels down, mean 0, deviation 1."""
    total = np.zeros((HEIGHT, WIDTH))
    side = coarsest
    while side >= 1:
        cells = rng.normal(size=(HEIGHT // side + 2, WIDTH // side + 2)).astype(np.float32)
        smooth = Image.fromarray(cells).resize((WIDTH, HEIGHT), Image.Resampling.BICUBIC)
        total += np.asarray(smooth) * side**0.5
        side //= 2
    return np.asarray((total - total.mean()) / total.std())


def _smooth(noise: Array) -> Array:
    image = Image.fromarray(noise.astype(np.float32))
    small = image.resize((WIDTH // 6, HEIGHT // 6), Image.Resampling.BOX)
    return np.asarray(small.resize((WIDTH, HEIGHT), Image.Resampling.BICUBIC), dtype=np.float64)


@cache
def _sets() -> dict[str, spectra.Spectra]:
    return {"earth": spectra.earth(), "chart": spectra.chart(), "cie": spectra.cie_samples()}


@cache
def _seen(listed: tuple[Which, ...], light: str) -> Array:
    return _lit(np.array([_reflectance(*which) for which in listed]), light)


def _lit(reflectances: Array, light: str) -> Array:
    """XYZ (n, 3) of reflectances under a CIE illuminant; a perfect white has Y = 1."""
    import colour

    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    bars = [np.interp(_WAVELENGTHS, cmfs.wavelengths, cmfs.values[:, i]) for i in range(3)]
    power = colour.SDS_ILLUMINANTS[light]
    lit = np.stack(bars, axis=1) * np.interp(_WAVELENGTHS, power.wavelengths, power.values)[:, None]
    return np.asarray(reflectances @ lit / lit[:, 1].sum())


def _reflectance(source: str, kind: str, rank: float) -> Array:
    """The spectrum of a kind that stands at ``rank`` (0..1) when ordered by lightness."""
    chosen = _sets()[source].of(kind).reflectance
    order = np.argsort(chosen.mean(axis=1))
    return np.asarray(chosen[order[round(rank * (len(order) - 1))]])
