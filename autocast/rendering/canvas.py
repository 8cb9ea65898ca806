"""Painting a small scene in linear sRGB: shapes with soft edges, texture, light and shadow.

A surface shows two spectra of one material, mottled; its lightness carries noise
of all scales; relief and form turn parts of it from the light, and those, like
cast shadows, are reached by the skylight alone. All of it is common practice, no
source, but for the noise: amplitude falls with spatial frequency f as f to a
power of about -1, as in photographs of nature (Field, J. Opt. Soc. Am. A 4, 1987,
from memory, not verified).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.rendering.cameras import NANOMETRES, Lighting, daylight, luminance

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]
Depth = Callable[[Floats, Floats], Floats]

THINGS = (
    *("else", "sky", "cloud", "vegetation", "pavement", "white", "dark", "metal", "skin"),
    *("snow", "ground", "water", "object", "lamp"),
)
"""What a pixel can be of; ``Canvas.things`` numbers them in this order."""

_TILE = 512
_TILES = 6
_FALLS = {"fine": 0.5, "even": 1.0, "soft": 1.6}
"""Power by which a noise's amplitude falls with frequency."""


@dataclass(frozen=True, slots=True)
class Shape:
    """A place on the canvas in pixels: how far inside it a pixel lies, and its bounds."""

    left: float
    top: float
    right: float
    bottom: float
    depth: Depth


@dataclass(frozen=True, slots=True, eq=False)
class Stuff:
    """What a surface is made of.

    ``thing`` is one of THINGS; ``spectra`` (2, 39). ``rough`` is the spread of
    ln lightness by texture, ``grain`` the kind of its noise, ``mottle`` how far
    the spectra part (0 even .. 1), ``relief`` how far the grain shades itself,
    ``gloss`` the share of mirrored light where the form faces it.
    """

    thing: str
    spectra: Array
    rough: float = 0.06
    grain: str = "even"
    mottle: float = 0.6
    relief: float = 0.0
    gloss: float = 0.0


@cache
def _tiles(grain: str) -> Floats:
    """Noise (_TILES, _TILE, _TILE), mean 0 and deviation 1; the same in every process."""
    rng = np.random.default_rng([len(grain), round(_FALLS[grain] * 10)])
    frequency = np.hypot(np.fft.fftfreq(_TILE)[:, None], np.fft.rfftfreq(_TILE)[None, :])
    # Nothing coarser than half the canvas: that belongs to the light, not to the surface.
    envelope = np.where(frequency < 4 / _TILE, 0, np.maximum(frequency, 1e-9) ** -_FALLS[grain])
    white = rng.standard_normal((_TILES, _TILE, _TILE))
    noise = np.fft.irfft2(np.fft.rfft2(white) * envelope, s=(_TILE, _TILE))
    noise /= noise.std(axis=(1, 2), keepdims=True)
    return np.asarray(noise, dtype=np.float32)


class Canvas:
    """H x W pixels of linear sRGB, a perfect white in full light being 1.

    ``things`` (H, W) uint8 numbers what each pixel is of, by THINGS.
    """

    def __init__(
        self, rng: np.random.Generator, height: int, width: int, lighting: Lighting
    ) -> None:
        self.rng = rng
        self.height = height
        self.width = width
        self.lighting = lighting
        self.pixels: Floats = np.zeros((height, width, 3), dtype=np.float32)
        self.things = np.zeros((height, width), dtype=np.uint8)
        # Where the light comes from: sideways (-1 left .. 1), from above, and towards the viewer.
        side = rng.uniform(-0.9, 0.9)
        self.sun = np.array([side, -0.55, 0.6]) / np.hypot(np.hypot(side, 0.55), 0.6)
        self.haze: Floats = self.lighting.seen(np.full((1, 39), 0.85))[0]

    # Shapes, in fractions of the canvas ----------------------------------------------------

    def box(self, left: float, top: float, right: float, bottom: float) -> Shape:
        """An upright rectangle."""
        x0, x1, y0, y1 = self._pixels(left, right, top, bottom)

        def depth(x: Floats, y: Floats) -> Floats:
            return np.asarray(np.minimum(np.minimum(x - x0, x1 - x), np.minimum(y - y0, y1 - y)))

        return Shape(x0, y0, x1, y1, depth)

    def oval(self, x: float, y: float, across: float, tall: float) -> Shape:
        """An ellipse about (x, y) with these half-axes, all in fractions of width and height."""
        x0, x1, y0, y1 = self._pixels(x - across, x + across, y - tall, y + tall)
        a, b = max((x1 - x0) / 2, 0.5), max((y1 - y0) / 2, 0.5)

        def depth(u: Floats, v: Floats) -> Floats:
            inside = 1 - np.sqrt(((u - x0 - a) / a) ** 2 + ((v - y0 - b) / b) ** 2)
            return np.asarray(inside * min(a, b))

        return Shape(x0, y0, x1, y1, depth)

    def gable(self, left: float, top: float, right: float, bottom: float) -> Shape:
        """A triangle with its ridge in the middle of the top."""
        x0, x1, y0, y1 = self._pixels(left, right, top, bottom)
        middle, slope = (x0 + x1) / 2, (y1 - y0) / max((x1 - x0) / 2, 1.0)

        def depth(x: Floats, y: Floats) -> Floats:
            return np.asarray(np.minimum(y - y0 - np.abs(x - middle) * slope, y1 - y))

        return Shape(x0, y0, x1, y1, depth)

    def below(self, top: float, swing: float = 0.0, bottom: float = 1.1) -> Shape:
        """Everything under a skyline at ``top`` that swings by about ``swing`` of the height."""
        y0, y1 = top * self.height, bottom * self.height
        line = self.noise("soft", (1, self.width))[0] * swing * self.height

        def depth(x: Floats, y: Floats) -> Floats:
            across = np.clip(x.astype(int), 0, self.width - 1)
            return np.asarray(np.minimum(y - y0 - line[across], y1 - y))

        rise = 3 * swing * self.height
        return Shape(0, y0 - rise, self.width, y1, depth)

    # Noise and shadows ---------------------------------------------------------------------

    def noise(self, grain: str, shape: tuple[int, int] | None = None) -> Floats:
        """Noise (H, W) of a kind, mean about 0 and deviation about 1."""
        height, width = shape or (self.height, self.width)
        tile = _tiles(grain)[self.rng.integers(_TILES)]
        top, left = self.rng.integers(_TILE - height + 1), self.rng.integers(_TILE - width + 1)
        part = tile[top : top + height, left : left + width]
        return np.asarray(part[:: self.rng.choice([-1, 1]), :: self.rng.choice([-1, 1])])

    def open_light(self) -> Floats:
        """A map (H, W) of full light, for ``cast_shadow`` to darken."""
        return np.ones((self.height, self.width), dtype=np.float32)

    def cast_shadow(self, lit: Floats, shape: Shape, soft: float, ragged: float = 0.0) -> None:
        """Take the light away from a map within a shape whose edge is ``soft`` pixels wide."""
        rows, columns = self._window(shape, soft + 3 * ragged)
        if rows.stop > rows.start and columns.stop > columns.start:
            lit[rows, columns] *= 1 - self._cover(shape, rows, columns, soft, ragged)

    # Painting ------------------------------------------------------------------------------

    def paint(  # noqa: PLR0913 -- what, where, and how light falls on it
        self,
        shape: Shape,
        stuff: Stuff,
        *,
        form: str = "flat",
        lit: Floats | None = None,
        level: float = 1.0,
        soft: float = 1.2,
        ragged: float = 0.0,
        veil: float = 0.0,
    ) -> None:
        """Lay a surface over what is there.

        ``form`` is ``flat``, ``ball`` or ``column``; ``lit`` (H, W) is what cast
        shadows leave of the light; ``level`` multiplies light of both sorts;
        ``soft`` is the edge's width and ``ragged`` how far it strays, in pixels;
        ``veil`` is the share of haze before it.
        """
        rows, columns = self._window(shape, soft + 3 * ragged)
        if rows.stop <= rows.start or columns.stop <= columns.start:
            return
        cover = self._cover(shape, rows, columns, soft, ragged)
        light, gloss = self._form(form, shape, rows, columns)
        size = cover.shape
        grain = self.noise(stuff.grain, size)
        if stuff.relief:
            step = np.roll(grain, 1, axis=0) - grain
            step += np.sign(self.sun[0]) * (np.roll(grain, 1, axis=1) - grain)
            light = light * np.clip(0.78 + stuff.relief * step, 0, 1)
        if lit is not None:
            light = light * lit[rows, columns]
        mix = np.clip(0.5 + 0.35 * stuff.mottle * self.noise("soft", size), 0, 1)
        tone = np.exp(stuff.rough * grain) * np.float32(level)
        parts = np.empty((*size, 5), dtype=np.float32)
        parts[..., 0] = tone * light
        parts[..., 2] = tone - parts[..., 0]
        parts[..., 1] = parts[..., 0] * mix
        parts[..., 0] -= parts[..., 1]
        parts[..., 3] = parts[..., 2] * mix
        parts[..., 2] -= parts[..., 3]
        parts[..., 4] = stuff.gloss * gloss * light * level
        colours = np.concatenate(
            [
                self.lighting.seen(stuff.spectra),
                self.lighting.shaded(stuff.spectra),
                np.ones((1, 3)),
            ]
        ).astype(np.float32)
        self._blend(parts @ colours, cover, rows, columns, stuff.thing, veil)

    def sky(self, horizon: float, clouds: float) -> None:
        """Blue sky down to ``horizon``, and clouds over about the share ``clouds`` of it.

        Blue is the skylight, or the light scattered by wavelength to the power
        -1.5 to -4 (4 is Rayleigh's law); haze of the light's own colour grows
        towards the horizon.
        """
        rng, light = self.rng, self.lighting.light.power
        if rng.random() < 0.5:
            blue = daylight(rng.uniform(10000, 25000)).power
        else:
            blue = light * (NANOMETRES / 560) ** -rng.uniform(1.5, 4)
        blue = blue / luminance(blue)
        zenith, edge = rng.uniform(0.18, 0.45), rng.uniform(0.5, 0.95)
        white = rng.uniform(0.2, 0.8)
        colours = self.lighting.glow(
            np.array([blue * zenith, (white * light + (1 - white) * blue) * edge])
        )
        rows, columns, size = self._above(horizon)
        fall = (np.linspace(0, 1, size[0]) ** rng.uniform(1, 2.2))[:, None, None]
        tilt = 1 + rng.uniform(-0.2, 0.2) * np.linspace(-1, 1, size[1])[None, :, None]
        sky = ((1 - fall) * colours[0] + fall * colours[1]) * tilt
        self._blend(sky.astype(np.float32), np.ones(size, np.float32), rows, columns, "sky", 0)
        self.haze = colours[1]
        if clouds > 0:
            self._clouds(rows, columns, clouds, colours[1])

    def overcast(self, horizon: float) -> None:
        """A covered sky: the light's own colour throughout."""
        rows, columns, size = self._above(horizon)
        level = self.rng.uniform(0.75, 1.1) * np.exp(
            self.rng.uniform(0.03, 0.15) * self.noise("soft", size)
        )
        sky = (level[..., None] * np.ones(3)).astype(np.float32)
        self.haze = np.full(3, self.rng.uniform(0.7, 0.95))
        self._blend(sky, np.ones(size, np.float32), rows, columns, "cloud", 0)

    def shine(self, shape: Shape, level: float, soft: float) -> None:
        """A lamp or a bright opening in the light's own colour."""
        rows, columns = self._window(shape, soft)
        if rows.stop <= rows.start or columns.stop <= columns.start:
            return
        cover = self._cover(shape, rows, columns, soft, 0.0)
        self._blend(np.full((*cover.shape, 3), level, np.float32), cover, rows, columns, "lamp", 0)

    # How it is done ------------------------------------------------------------------------

    def _above(self, horizon: float) -> tuple[slice, slice, tuple[int, int]]:
        """The window down to ``horizon``, and its size."""
        rows, columns = self._window(self.box(-0.1, -0.1, 1.1, horizon + 0.02), 2)
        return rows, columns, (rows.stop - rows.start, columns.stop - columns.start)

    def _clouds(self, rows: slice, columns: slice, share: float, edge: Floats) -> None:
        size = (rows.stop - rows.start, columns.stop - columns.start)
        body = self.noise("soft", size) + 0.2 * self.noise("even", size)
        threshold = np.quantile(body[::4, ::4], 1 - share)
        cover = np.clip((body - threshold) / self.rng.uniform(0.8, 2.2), 0, 1)
        # Lit from above; undersides take the colour of the sky about them.
        lit = np.clip(0.75 + 0.25 * self.noise("soft", size), 0, 1)[..., None]
        base = 0.55 * np.ones(3) + 0.25 * edge
        colour = lit * self.rng.uniform(0.85, 1.15) + (1 - lit) * base
        self._blend(colour.astype(np.float32), cover.astype(np.float32), rows, columns, "cloud", 0)

    def _blend(  # noqa: PLR0913, PLR0917 -- one stroke
        self, new: Floats, cover: Floats, rows: slice, columns: slice, thing: str, veil: float
    ) -> None:
        if veil:
            new = (1 - veil) * new + veil * self.haze.astype(np.float32)
        there = self.pixels[rows, columns]
        there += cover[..., None] * (new - there)
        self.things[rows, columns][cover > 0.5] = THINGS.index(thing)

    def _form(self, form: str, shape: Shape, rows: slice, columns: slice) -> tuple[Floats, Floats]:
        """How far each pixel of a window faces the light, and where it mirrors it (0..1)."""
        if form == "flat":
            flat = np.ones((rows.stop - rows.start, columns.stop - columns.start), np.float32)
            return flat, np.float32(0.3) * flat
        y, x = self._grid(rows, columns)
        u = (2 * x - shape.left - shape.right) / max(shape.right - shape.left, 1)
        v = (2 * y - shape.top - shape.bottom) / max(shape.bottom - shape.top, 1)
        v = v if form == "ball" else np.zeros_like(v)
        towards = np.sqrt(np.clip(1 - u**2 - v**2, 0, 1))
        facing = u * self.sun[0] + v * self.sun[1] + towards * self.sun[2]
        if form == "column":
            facing = facing + 0.2
        # Light wraps around: lamps and sky have size.
        light = np.clip(0.25 + 0.85 * facing, 0, 1)
        return light.astype(np.float32), (np.clip(facing, 0, 1) ** 24).astype(np.float32)

    def _cover(
        self, shape: Shape, rows: slice, columns: slice, soft: float, ragged: float
    ) -> Floats:
        y, x = self._grid(rows, columns)
        depth = shape.depth(x, y)
        if ragged:
            depth = depth + ragged * self.noise("even", depth.shape)
        return np.asarray(np.clip(0.5 + depth / soft, 0, 1), dtype=np.float32)

    @staticmethod
    def _grid(rows: slice, columns: slice) -> tuple[Floats, Floats]:
        y = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None] + np.float32(0.5)
        x = np.arange(columns.start, columns.stop, dtype=np.float32)[None, :] + np.float32(0.5)
        return y, x

    def _window(self, shape: Shape, margin: float) -> tuple[slice, slice]:
        top, bottom = (
            int(np.clip(edge, 0, self.height))
            for edge in (shape.top - margin, shape.bottom + margin + 1)
        )
        left, right = (
            int(np.clip(edge, 0, self.width))
            for edge in (shape.left - margin, shape.right + margin + 1)
        )
        return slice(top, bottom), slice(left, right)

    def _pixels(
        self, left: float, right: float, top: float, bottom: float
    ) -> tuple[float, float, float, float]:
        return left * self.width, right * self.width, top * self.height, bottom * self.height
