"""Known casts laid over photographs, with the whole chain that a real file goes through.

The cast copy and its uncast twin go through one chain (exposure, contrast,
saturation, clipping, rounding, recompression), so that nothing is learned from
the chain itself. The truth is what a ramp of greys reads after the cast alone.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from autocast.colour import cast_to_gains, linear_to_lab, linear_to_srgb, srgb_to_linear
from autocast.judgement import TONE_RANGES

Floats = NDArray[np.floating[Any]]

KINDS_OF_CAST = ("none", "gain", "encoded", "offset", "power", "crossed", "two_lights", "faded")
LARGEST = 45.0
"""Largest C* laid (at L* 60)."""


@dataclass(frozen=True, slots=True)
class Laid:
    """A cast copy and its truth: (a*, b*) at L* 60 for the whole and for each tone range."""

    data: bytes
    kind: str
    whole: tuple[float, float]
    tones: tuple[tuple[float, float], ...]
    part: float


@dataclass(frozen=True, slots=True)
class _Change:
    """One cast as a change of encoded or linear values, in channel order R, G, B."""

    kind: str
    amount: Floats

    def __call__(self, encoded: Floats) -> Floats:
        x, amount = encoded, self.amount
        if self.kind == "gain":
            return linear_to_srgb(np.clip(srgb_to_linear(x) * amount, 0, 1))
        if self.kind == "encoded":
            return x * (1 + amount)
        if self.kind == "offset":
            return x + amount
        if self.kind == "power":
            return np.clip(x, 0, 1) ** (1 + amount)
        if self.kind == "crossed":
            return x + amount * (2 * x - 1)
        if self.kind == "faded":
            # One dye fades: its channel keeps less of its range, from the light end down.
            return x * (1 - amount) + amount
        return x


def lay(
    picture: NDArray[np.uint8], rng: np.random.Generator, kind: str, size: float, angle: float
) -> Laid:
    """Lay a cast of ``kind``, about ``size`` C* at L* 60 towards hue ``angle`` (radians).

    ``picture`` is H x W x 3 sRGB. Raises ValueError where no light lays such a cast.
    """
    base = linear_to_srgb(srgb_to_linear(picture / 255.0) * rng.uniform(0.72, 0.97))
    changes = _changes(rng, kind, size, angle)
    if len(changes) == 2:
        cast = _across(base, changes, rng)
    else:
        cast = changes[0](base)
    cast = np.clip(cast, 0, 1)
    truth = np.mean([_truth(change) for change in changes], axis=0)
    part = max(float(np.hypot(*_truth(change)[0])) for change in changes)
    finished = _developed(cast, rng)
    out = io.BytesIO()
    Image.fromarray(np.rint(finished * 255).astype(np.uint8)).save(
        out, "JPEG", quality=int(rng.integers(80, 97)), subsampling=int(rng.integers(0, 3))
    )
    rows = [(float(a), float(b)) for a, b in truth]
    return Laid(out.getvalue(), kind, rows[0], tuple(rows[1:]), part)


def _changes(rng: np.random.Generator, kind: str, size: float, angle: float) -> list[_Change]:
    if kind == "none":
        return [_Change("none", np.zeros(3))]
    if kind == "two_lights":
        return [
            _Change("gain", cast_to_gains(np.array([np.cos(angle), np.sin(angle)]) * size * sign))
            for sign in (1.0, float(rng.choice([-0.5, 0.0])))
        ]
    gains = cast_to_gains(np.array([np.cos(angle), np.sin(angle)]) * size)
    if kind == "gain":
        return [_Change(kind, gains)]
    # What the gains do to a middle grey sets the amounts of the other kinds.
    grey = 0.5
    moved = linear_to_srgb(srgb_to_linear(np.full(3, grey)) * gains) - grey
    amounts: dict[str, Floats] = {
        "encoded": moved / grey,
        "offset": moved,
        "power": np.log(np.clip(grey + moved, 0.02, 0.98)) / np.log(grey) - 1,
        "crossed": moved,
        "faded": np.clip(moved - moved.min(), 0, 0.6) / (1 - grey),
    }
    return [_Change(kind, amounts[kind])]


def _across(base: Floats, changes: list[_Change], rng: np.random.Generator) -> Floats:
    """Two lights: one fades into the other across the frame."""
    length = base.shape[1] if rng.random() < 0.7 else base.shape[0]
    at = np.clip((np.arange(length) / length - rng.uniform(0.35, 0.65)) / 0.15 + 0.5, 0, 1)
    ramp = at[None, :, None] if length == base.shape[1] else at[:, None, None]
    return changes[0](base) * ramp + changes[1](base) * (1 - ramp)


def _truth(change: _Change) -> Floats:
    """4 x 2: what greys read at L* 60, and in the tone ranges (quoted at L* 60 as well)."""
    ramp = np.linspace(0.02, 0.98, 400)[:, None] * np.ones(3)
    lab = linear_to_lab(srgb_to_linear(np.clip(change(ramp), 0, 1)))
    order = np.argsort(lab[:, 0])
    lab = lab[order]
    rows = []
    for at in (60.0, *(quoted for _, _, quoted in TONE_RANGES.values())):
        scale = 76.0 / (at + 16)
        rows.append([np.interp(at, lab[:, 0], lab[:, c]) * scale for c in (1, 2)])
    return np.array(rows)


def _developed(encoded: Floats, rng: np.random.Generator) -> Floats:
    """Contrast and saturation as a camera or an editor would set them, greys kept grey."""
    contrast = rng.normal(0, 0.08)
    x = encoded + contrast * (encoded - 0.5) * 4 * encoded * (1 - encoded)
    grey = x @ np.array([0.2126, 0.7152, 0.0722])
    saturation = float(np.exp(rng.normal(0, 0.08)))
    return np.asarray(np.clip(grey[..., None] + saturation * (x - grey[..., None]), 0, 1))
