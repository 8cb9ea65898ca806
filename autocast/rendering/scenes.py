"""Small pictures rendered from published spectra: truth that no photograph's history can blur.

Surfaces, lights and observers are measured or of a standard (materials.py,
cameras.py); layouts, textures and shading are invented (stage.py, recipes.py,
canvas.py; common practice, no source). Every picture is balanced to the light of
its scene, and then off by a known cast, laid as one gain per channel of linear
sRGB; other kinds of cast are laid on the finished pixels by simulation.lay_cast.

The truth is what a ramp of greys in full light reads after the cast alone, as in
simulation.py: contrast and saturation, which keep greys grey, come after it.
Shadows are lit by the sky and are bluer than the truth, as in photographs.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import RGB_TO_XYZ, at_60, cast_to_gains, linear_to_lab, linear_to_srgb
from autocast.rendering.cameras import (
    EYES,
    NAMED,
    OBSERVER,
    Light,
    Lighting,
    any_light,
    any_skylight,
    eye,
    named_light,
)
from autocast.rendering.canvas import THINGS, Canvas
from autocast.rendering.materials import ITA_GROUPS, STUDIES, palette
from autocast.rendering.recipes import RECIPES
from autocast.rendering.stage import Stage

__all__ = [
    "ITA_GROUPS",
    "RECIPES",
    "STUDIES",
    "THINGS",
    "Rendered",
    "misbalanced",
    "portrait",
    "render",
]

Floats = NDArray[np.floating[Any]]

LONG_SIDE = 256
"""Pixels; the side that pictures are judged at."""
SHAPES = (1.0, 4 / 3, 3 / 2, 16 / 9)
UPRIGHT_SHARE = 0.3
PORTRAIT_UPRIGHT_SHARE = 0.7

# Common practice, no source.
FILL = (0.12, 0.45)
"""Light in open shadow, as a share of full light; indoors, where walls return light, more."""
INDOOR_FILL = (0.4, 0.75)
WHITE_LEVEL = (0.55, 1.0)
"""Where the brightest twentieth of the pixels comes to lie, full scale being 1."""
NOISE = (1e-5, 6e-4)
"""Variance of light noise at full scale, as a small copy of a photograph keeps it."""
CONTRAST = (0.12, 0.10)
SATURATION = (0.06, 0.12)
"""Mean and spread of an S-curve's amount, and of ln saturation, as cameras render."""


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """A rendered picture and its truth.

    ``pixels`` H x W x 3 uint8 sRGB; ``things`` H x W uint8 numbers what each
    pixel is of, by THINGS. ``light`` and ``seen_by`` are names; ``ita`` is the
    individual typology angle in degrees of the skin shown last, None without
    skin. ``studies`` are those whose spectra were used. ``whole`` is the cast laid, (a*,
    b*) at L* 60; ``tones`` the same by tone range, all quoted at L* 60: a gain is
    the same in each.
    """

    pixels: NDArray[np.uint8]
    things: NDArray[np.uint8]
    recipe: str
    light: str
    seen_by: str
    ita: float | None
    studies: frozenset[str]
    whole: tuple[float, float]
    tones: tuple[tuple[float, float], ...]


def render(
    rng: np.random.Generator,
    studies: Collection[str],
    recipe: str | None = None,
    cast: tuple[float, float] = (0.0, 0.0),
) -> Rendered:
    """A scene of a recipe of RECIPES, or of any, made of the spectra of these studies.

    ``studies`` is one half of STUDIES or both. The same ``rng`` state gives the
    same picture. Raises ValueError for an unknown study or where no light lays
    the cast, KeyError for an unknown recipe.
    """
    name = str(rng.choice(list(RECIPES))) if recipe is None else recipe
    return _rendered(rng, studies, name, cast, None)


def portrait(
    rng: np.random.Generator,
    ita_group: str,
    studies: Collection[str],
    cast: tuple[float, float] = (0.0, 0.0),
) -> Rendered:
    """A portrait of somebody whose skin is of a group of ITA_GROUPS.

    From the same ``rng`` state the groups' portraits differ by skin alone.
    Raises ValueError for an unknown group or study.
    """
    return _rendered(rng, studies, "portrait", cast, ita_group)


def misbalanced(
    rng: np.random.Generator, studies: Collection[str], recipe: str, light: str, balance: str
) -> Rendered:
    """A scene lit by one CIE illuminant and balanced to another.

    The cast is what the observer, adapted to ``balance``, sees of a grey under
    ``light``. Raises as ``render`` does, and KeyError for no illuminant.
    """
    lit, adapted = named_light(light), named_light(balance)
    a, b = at_60(linear_to_lab(Lighting(eye(OBSERVER), adapted, adapted, 1.0).glow(lit.power)))
    return _rendered(rng, studies, recipe, (float(a), float(b)), None, lit)


def _rendered(  # noqa: PLR0913, PLR0917 -- what the public functions leave open
    rng: np.random.Generator,
    studies: Collection[str],
    recipe: str,
    cast: tuple[float, float],
    ita_group: str | None,
    light: Light | None = None,
) -> Rendered:
    gains = cast_to_gains(np.array(cast))
    skin_rng = np.random.default_rng(int(rng.integers(2**63)))
    where = RECIPES[recipe].where
    if where == "anywhere":
        where = str(rng.choice(list(NAMED)))
    lighting = _lighting(rng, where, light)
    canvas = Canvas(rng, *_size(rng, recipe), lighting)
    stage = Stage(canvas, palette(studies), skin_rng, where == "outdoor", ita_group)
    RECIPES[recipe].paint(stage)
    return Rendered(
        pixels=_developed(stage.canvas.pixels, rng, gains),
        things=stage.canvas.things,
        recipe=recipe,
        light=lighting.light.name,
        seen_by=lighting.eye.name,
        ita=stage.ita,
        studies=frozenset(stage.used),
        whole=cast,
        tones=(cast,) * 3,
    )


def _lighting(rng: np.random.Generator, where: str, light: Light | None) -> Lighting:
    light = light or any_light(rng, where)
    who = eye(str(rng.choice(EYES)))
    if where == "outdoor":
        return Lighting(who, light, any_skylight(rng, light), float(rng.uniform(*FILL)))
    # Indoors what the lamp does not reach is lit by what the walls return of it.
    return Lighting(who, light, light, float(rng.uniform(*INDOOR_FILL)))


def _size(rng: np.random.Generator, recipe: str) -> tuple[int, int]:
    short = round(LONG_SIDE / float(rng.choice(SHAPES)))
    share = PORTRAIT_UPRIGHT_SHARE if recipe == "portrait" else UPRIGHT_SHARE
    return (LONG_SIDE, short) if rng.random() < share else (short, LONG_SIDE)


def _developed(linear: Floats, rng: np.random.Generator, gains: Floats) -> NDArray[np.uint8]:
    """Exposure, noise and the cast; then contrast and saturation, and sRGB in 8 bits."""
    exposed = _exposed(linear, rng, gains)
    contrast, saturation = rng.normal(*CONTRAST), np.exp(rng.normal(*SATURATION))
    # Rounded as they were in the scenes that the shipped trees were grown on.
    contrast, saturation = float(np.float32(contrast)), float(np.float32(saturation))
    return np.asarray(np.rint(finished(exposed, contrast, saturation) * 255), dtype=np.uint8)


def finished(encoded: Floats, contrast: float, saturation: float) -> Floats:
    """Contrast and saturation as a camera or an editor sets them; greys stay grey.

    Parameters
    ----------
    encoded : ndarray, (H, W, 3)
        Encoded sRGB, 0..1.
    contrast : float
        Amount of an S-curve; 0 leaves tones alone.
    saturation : float
        Factor on the distance from grey.

    Returns
    -------
    ndarray, (H, W, 3)
        The same, 0..1.
    """
    curved = np.clip(encoded + contrast * (encoded - 0.5) * 4 * encoded * (1 - encoded), 0, 1)
    grey = (curved @ _LUMINANCE)[..., None]
    return np.asarray(np.clip(grey + saturation * (curved - grey), 0, 1))


def _exposed(linear: Floats, rng: np.random.Generator, gains: Floats) -> Floats:
    """Linear light as encoded sRGB (0..1): exposed, noisy, under the cast."""
    bright = float(np.quantile(linear[::2, ::2] @ _LUMINANCE, 0.95))
    exposed = linear * np.float32(rng.uniform(*WHITE_LEVEL) / max(bright, 1e-3))
    variance = np.float32(np.exp(rng.uniform(*np.log(NOISE))))
    grain = rng.standard_normal(exposed.shape, dtype=np.float32)
    exposed += grain * np.sqrt(variance * np.clip(exposed, 0, 1) + np.float32(1e-6))
    return _encoded(np.clip(exposed * gains.astype(np.float32), 0, 1))


_LUMINANCE = RGB_TO_XYZ[1].astype(np.float32)
_STEPS = 4096
_CURVE = linear_to_srgb(np.linspace(0, 1, _STEPS + 1)).astype(np.float32)


def _encoded(linear: Floats) -> Floats:
    """The sRGB curve by table, fine enough for 8 bits but in the deepest shadows."""
    place = linear * np.float32(_STEPS)
    low = np.minimum(place.astype(np.int32), _STEPS - 1)
    return np.asarray(_CURVE[low] + (place - low) * (_CURVE[low + 1] - _CURVE[low]))
