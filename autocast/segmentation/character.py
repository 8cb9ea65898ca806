"""What kind of picture this is, before its light is asked after.

A black-and-white, a toned print, a drawing or an almost black frame must not be
judged as a colour photograph is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocast.judgement.limits import (
    DARK_LIGHTNESS,
    GRAPHIC_COLOURS,
    GRAPHIC_FLAT,
    GRAPHIC_LIT,
    MONOCHROME_CHROMA,
    TONED_CHROMA,
    TONED_RANGE,
    TONED_RESIDUE,
    TONED_SHARE,
)
from autocast.picture import Picture
from autocast.segmentation.regions import planes, seen

Floats = NDArray[np.float64]

TONE_BINS = 12
"""Bins of L* along which the tone curve is read."""


@dataclass(frozen=True, slots=True)
class Character:
    """What kind of picture it is.

    ``monochrome``: hardly any colour. ``toned``: a*b* follows L*, as in a toned print.
    ``graphic``: mostly flat, in few colours. ``dark``: almost black. ``clipped`` is the
    share (0..1) of opaque pixels whose brightest channel lies at an end of the scale.
    """

    monochrome: bool
    toned: bool
    graphic: bool
    dark: bool
    clipped: float


def character(picture: Picture, pixel_lab: Floats) -> Character:
    """Look at all opaque pixels of the working picture.

    Parameters
    ----------
    picture : Picture
        With one opaque pixel at least.
    pixel_lab : (3, H * W) ndarray
        CIELAB D65 of its working pixels.

    Returns
    -------
    Character
        What kind of picture it is.
    """
    lightness, a, b = seen(picture, pixel_lab)
    chroma = np.sqrt(a * a + b * b)
    monochrome = _reached(chroma) < MONOCHROME_CHROMA
    encoded = planes(picture.encoded)
    red, green, blue = seen(picture, encoded)
    brightest = np.maximum(np.maximum(red, green), blue)
    clipped = (brightest > 0.995) | (brightest < 0.005)
    return Character(
        monochrome=monochrome,
        toned=not monochrome and _toned(lightness, (a, b), chroma),
        graphic=not monochrome and _graphic(picture, encoded),
        dark=_reached(lightness) < DARK_LIGHTNESS,
        clipped=float(clipped.mean()),
    )


def _reached(values: Floats) -> float:
    """What all but 2 % of the values lie below."""
    at = 0.98 * (len(values) - 1)
    low = int(at)
    ordered = np.partition(values, low)
    below, above = ordered[low], ordered[low + 1 :].min(initial=ordered[low:].max())
    return float(below + (at - low) * (above - below))


def _toned(lightness: Floats, ab: tuple[Floats, Floats], chroma: Floats) -> bool:
    """Is a*b* a function of L* alone, and not that of grey?"""
    if float(chroma.mean()) < TONED_CHROMA or float(lightness.std()) < TONED_RANGE:
        return False
    level = np.clip(lightness / 100 * TONE_BINS, 0, TONE_BINS - 1).astype(np.intp)
    total = np.maximum(np.bincount(level, minlength=TONE_BINS), 1)
    a, b = (each - (np.bincount(level, each, TONE_BINS) / total).take(level) for each in ab)
    residue = float(np.sqrt(a * a + b * b).mean())
    return residue < min(TONED_RESIDUE, TONED_SHARE * float(chroma.mean()))


def _graphic(picture: Picture, encoded: NDArray[np.float32]) -> bool:
    """Is most of it exactly flat, in few colours?"""
    if min(picture.opaque.shape) < 3:
        return False
    codes = np.clip(np.rint(encoded * 255), 0, 255).astype(np.uint8)
    frame = codes.reshape(3, *picture.opaque.shape)
    # Black is flat in photographs too.
    lit = np.maximum(np.maximum(frame[0], frame[1]), frame[2])[:, 1:-1] > GRAPHIC_LIT[0]
    lit &= picture.opaque[:, 1:-1]
    if float(lit.mean()) < GRAPHIC_LIT[1]:
        return False
    same = lit.copy()
    for each in frame:
        same &= (each[:, 1:-1] == each[:, :-2]) & (each[:, 1:-1] == each[:, 2:])
    if np.count_nonzero(same) <= GRAPHIC_FLAT * np.count_nonzero(lit):
        return False
    red, green, blue = seen(picture, codes).astype(np.intp) >> 3
    colour = (red << 10) | (green << 5) | blue
    used = np.count_nonzero(np.bincount(colour, minlength=1 << 15))
    return bool(used / colour.size < GRAPHIC_COLOURS)
