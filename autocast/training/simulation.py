"""Known casts simulated on photographs, with the whole chain that a real file goes through.

The cast copy and its uncast twin go through one chain (contrast, saturation,
darkening, the cast, exposure, clipping, rounding, recompression), so that
nothing is learned from the chain itself. The truth is what a ramp of greys
reads after the cast alone.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from autocast.colour import (
    QUOTED_AT,
    cast_to_gains,
    linear_to_lab,
    linear_to_srgb,
    requote,
    srgb_to_linear,
)
from autocast.rendering.scenes import finished
from autocast.voting.conditioning import PLACES

Floats = NDArray[np.floating[Any]]

LARGEST = 45.0
"""Largest C* simulated (at L* 60)."""
# The ranges below are this project's own, set so that a probe cannot tell uncast copies
# from untouched pictures.
FINISHED = 0.08
"""Spread of an S-curve's amount, and of ln saturation."""
DARKENED = (0.72, 0.97)
"""Factors on linear light that make room for a cast before anything clips."""
REEXPOSED = 0.06
"""Spread of ln exposure about the original's."""
BLOWN = (0.965, 0.995)
"""Least encoded channel from which a pixel begins to be blown out, and from which it is."""
CROPPED = (0.7, 1.0)
"""Share of each side that a crop keeps."""
EXPOSED = 0.12
"""Spread of ln exposure of a crop."""


@dataclass(frozen=True, slots=True)
class Simulated:
    """A cast copy (``data``, a JPEG) and its truth.

    ``whole`` and ``tones`` are (a*, b*) at L* 60 of the whole and of each tone range;
    ``part`` is the largest C* of the whole's cast over a part of the frame.
    """

    data: bytes
    whole: tuple[float, float]
    tones: tuple[tuple[float, float], ...]
    part: float


_WHERE: Mapping[str, Callable[[Floats], Floats]] = {
    # Full at the one end of the scale and gone beyond its middle, or the other way round.
    "shadows": lambda level: np.clip((0.55 - level) / 0.3, 0, 1),
    "midtones": lambda level: np.clip((0.3 - np.abs(level - 0.5)) / 0.15, 0, 1),
    "highlights": lambda level: np.clip((level - 0.45) / 0.3, 0, 1),
}
"""How much of a cast in one tone range meets each level (0..1 of the encoded scale)."""


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
        if self.kind in _WHERE:
            return np.asarray(x + amount * _WHERE[self.kind](x.mean(axis=-1, keepdims=True)))
        if self.kind == "crossed":
            return x + amount * (2 * x - 1)
        if self.kind == "faded":
            # One dye fades: its channel keeps less of its range, from the light end down.
            return x * (1 - amount) + amount
        return x


def lay_cast(
    picture: NDArray[np.uint8], rng: np.random.Generator, kind: str, size: float, angle: float
) -> Simulated:
    """Lay a cast over a picture.

    Parameters
    ----------
    picture : ndarray of uint8, (H, W, 3)
        sRGB.
    rng : numpy.random.Generator
        The source of chance; the same state gives the same bytes.
    kind : str
        One of :data:`autocast.training.gather.PLAN`; ``none`` for the uncast twin.
    size : float
        About the C* at L* 60.
    angle : float
        Hue, in radians.

    Returns
    -------
    Simulated
        The copy and its truth.

    Raises
    ------
    ValueError
        No light lays such a cast.
    """
    contrast = rng.normal(0, FINISHED)
    saturation = float(np.exp(rng.normal(0, FINISHED)))
    light = srgb_to_linear(finished(picture / 255.0, contrast, saturation))
    darkened = float(rng.uniform(*DARKENED))
    base = linear_to_srgb(light * darkened)
    changes = _changes(rng, kind, size, angle)
    # Exposed again about as it was.
    exposure = float(np.exp(rng.normal(0, REEXPOSED))) / darkened
    truths = [_truth(change, exposure) for change in changes]
    cast: Floats
    truth: Floats
    if len(changes) == 2:
        mask = _mask(base.shape[0], base.shape[1], kind, rng)
        share = float(mask.mean())
        cast = changes[0](base) * mask[..., None] + changes[1](base) * (1 - mask[..., None])
        truth = share * truths[0] + (1 - share) * truths[1]
    else:
        cast, truth = changes[0](base), truths[0]
    part = max(float(np.hypot(*each[0])) for each in truths)
    exposed = linear_to_srgb(np.clip(srgb_to_linear(np.clip(cast, 0, 1)) * exposure, 0, 1))
    # What was blown out stays white, as it does in any light a camera balances to.
    least = picture.min(axis=-1, keepdims=True) / 255.0
    blown = np.clip((least - BLOWN[0]) / (BLOWN[1] - BLOWN[0]), 0, 1)
    whole, *tones = ((float(a), float(b)) for a, b in truth)
    return Simulated(compressed(exposed * (1 - blown) + blown, rng), whole, tuple(tones), part)


def cropped(picture: NDArray[np.uint8], rng: np.random.Generator) -> bytes:
    """Most of a picture, a little brighter or darker: the same judgement of its colour holds.

    Parameters
    ----------
    picture : ndarray of uint8, (H, W, 3)
        sRGB.
    rng : numpy.random.Generator
        The source of chance.

    Returns
    -------
    bytes
        A JPEG.
    """
    height, width = picture.shape[:2]
    share = rng.uniform(*CROPPED)
    tall, wide = int(height * share), int(width * share)
    top, left = rng.integers(0, height - tall + 1), rng.integers(0, width - wide + 1)
    part = srgb_to_linear(picture[top : top + tall, left : left + wide] / 255.0)
    exposed = linear_to_srgb(np.clip(part * np.exp(rng.normal(0, EXPOSED)), 0, 1))
    return compressed(exposed, rng)


def compressed(encoded: Floats, rng: np.random.Generator) -> bytes:
    """A JPEG, at a quality and colour sampling as files have them.

    Parameters
    ----------
    encoded : ndarray, (H, W, 3)
        Encoded sRGB, 0..1.
    rng : numpy.random.Generator
        The source of chance.

    Returns
    -------
    bytes
        The file.
    """
    out = io.BytesIO()
    Image.fromarray(np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8)).save(
        out, "JPEG", quality=int(rng.integers(80, 97)), subsampling=int(rng.integers(0, 3))
    )
    return out.getvalue()


def _changes(rng: np.random.Generator, kind: str, size: float, angle: float) -> list[_Change]:
    if kind == "none":
        return [_Change("none", np.zeros(3))]
    cast = np.array([np.cos(angle), np.sin(angle)]) * size
    if kind in {"two_lights", "part"}:
        other = float(rng.choice([-0.5, 0.0])) if kind == "two_lights" else 0.0
        return [_Change("gain", cast_to_gains(cast * scale)) for scale in (1.0, other)]
    gains = cast_to_gains(cast)
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
        "shadows": moved * 0.7,
        "highlights": moved,
        "midtones": moved,
        "faded": np.clip(moved - moved.min(), 0, 0.6) / (1 - grey),
    }
    return [_Change(kind, amounts[kind])]


def _mask(height: int, width: int, kind: str, rng: np.random.Generator) -> Floats:
    """H x W, 1 in the first light and 0 in the second: a fade across, or a soft blot."""
    y, x = (np.arange(height)[:, None] + 0.5) / height, (np.arange(width)[None, :] + 0.5) / width
    if kind == "two_lights":
        along = x + 0 * y if rng.random() < 0.7 else y + 0 * x
        return np.asarray(np.clip((along - rng.uniform(0.35, 0.65)) / 0.15 + 0.5, 0, 1))
    off = np.hypot(x - rng.uniform(0.1, 0.9), y - rng.uniform(0.1, 0.9))
    return np.asarray(np.clip((rng.uniform(0.28, 0.5) - off) / 0.1 + 0.5, 0, 1))


def _truth(change: _Change, exposure: float) -> Floats:
    """What greys read at :data:`PLACES` (4, 2), quoted at L* 60."""
    ramp = np.linspace(0.02, 0.98, 400)[:, None] * np.ones(3)
    lab = linear_to_lab(srgb_to_linear(np.clip(change(ramp), 0, 1)) * exposure)
    lab = lab[np.argsort(lab[:, 0])]
    read = np.stack([np.interp(PLACES, lab[:, 0], lab[:, c]) for c in (1, 2)], axis=1)
    return requote(read, QUOTED_AT, np.array(PLACES)[:, None])
