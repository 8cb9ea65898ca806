"""What kind of picture this is, before its light is asked after.

A black-and-white, a toned print, a drawing or an almost black frame must not be
judged as a colour photograph is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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


def character(picture: Picture, pixel_lab: NDArray[np.floating[Any]]) -> Character:
    """Look at all opaque pixels of the working picture.

    Parameters
    ----------
    picture : Picture
        With one opaque pixel at least.
    pixel_lab : (H, W, 3) ndarray
        CIELAB D65 of its working pixels.

    Returns
    -------
    Character
        What kind of picture it is.
    """
    opaque = picture.opaque
    encoded = picture.encoded[opaque]
    lab = np.asfortranarray(pixel_lab[opaque])
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    monochrome = bool(np.quantile(chroma, 0.98) < MONOCHROME_CHROMA)
    # Channel by channel: numpy is slow to reduce over an axis of three.
    red, green, blue = np.ascontiguousarray(encoded.T)
    brightest = np.maximum(np.maximum(red, green), blue)
    clipped = (brightest > 0.995) | (brightest < 0.005)
    return Character(
        monochrome=monochrome,
        toned=not monochrome and _toned(lab, chroma),
        graphic=not monochrome and _graphic(picture),
        dark=bool(np.quantile(lab[:, 0], 0.98) < DARK_LIGHTNESS),
        clipped=float(clipped.mean()),
    )


def _toned(lab: NDArray[np.floating[Any]], chroma: NDArray[np.floating[Any]]) -> bool:
    """Is a*b* a function of L* alone, and not that of grey?"""
    if float(chroma.mean()) < TONED_CHROMA or float(lab[:, 0].std()) < TONED_RANGE:
        return False
    level = np.clip(lab[:, 0] / 100 * TONE_BINS, 0, TONE_BINS - 1).astype(np.intp)
    total = np.maximum(np.bincount(level, minlength=TONE_BINS), 1)
    curve = np.stack([np.bincount(level, lab[:, c], TONE_BINS) / total for c in (1, 2)], axis=1)
    off = lab[:, 1:] - curve[level]
    residue = float(np.hypot(off[:, 0], off[:, 1]).mean())
    return residue < min(TONED_RESIDUE, TONED_SHARE * float(chroma.mean()))


def _graphic(picture: Picture) -> bool:
    """Is most of it exactly flat, in few colours?"""
    encoded = picture.encoded
    if min(encoded.shape[:2]) < 3:
        return False
    codes = np.clip(np.rint(encoded * 255), 0, 255).astype(np.int32)
    # Black is flat in photographs too.
    inner, seen = codes[:, 1:-1], picture.opaque[:, 1:-1]
    lit = np.maximum(np.maximum(inner[..., 0], inner[..., 1]), inner[..., 2]) > GRAPHIC_LIT[0]
    lit &= seen
    if float(lit.mean()) < GRAPHIC_LIT[1]:
        return False
    number = (codes[..., 0] << 16) | (codes[..., 1] << 8) | codes[..., 2]
    same = (number[:, 1:-1] == number[:, :-2]) & (number[:, 1:-1] == number[:, 2:])
    flat = same[lit].mean()
    coarse = codes >> 3
    colour = (coarse[..., 0] << 10) | (coarse[..., 1] << 5) | coarse[..., 2]
    colour = colour[picture.opaque]
    used = np.count_nonzero(np.bincount(colour, minlength=1 << 15))
    return bool(flat > GRAPHIC_FLAT and used / colour.size < GRAPHIC_COLOURS)
