"""The photograph at the sizes that are shown, and in grey with what was recognised."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from autocast.archive.regions import owners
from autocast.judgement.things import BY_NAME, ELSE, NEUTRALS
from autocast.report.evidence_picture.looks import pattern
from autocast.report.evidence_picture.sheet import Anchor

if TYPE_CHECKING:
    from autocast.judgement import Place
    from autocast.judging import Examination

SMALLEST_LABEL = 0.02
"""Share of the frame from which a recognised class is labelled (project convention)."""
MUCH = 4
"""Enlargement from which pixels are shown as they are (project convention)."""
CUT_SHARE = 0.1
"""Side of a magnified square as a share of the long side (project convention)."""
LEAST_CUT = 8
"""Least such side, in pixels (project convention)."""

Bytes = NDArray[np.uint8]


def framed(photograph: NDArray[np.floating[Any]], frame: Place) -> NDArray[np.floating[Any]]:
    """The part of the whole upright picture that was judged."""
    rows, columns = photograph.shape[:2]
    top, bottom = round(frame.y * rows), round((frame.y + frame.height) * rows)
    left, right = round(frame.x * columns), round((frame.x + frame.width) * columns)
    return photograph[top : max(bottom, top + 1), left : max(right, left + 1)]


def resized(encoded: NDArray[np.floating[Any]], size: tuple[int, int]) -> Bytes:
    """Pixels (H, W, 3) of 0..1 as 8-bit codes of ``size`` (columns, rows).

    What is much enlarged shows its pixels as they are.
    """
    from PIL import Image

    much = size[0] >= MUCH * encoded.shape[1]
    way = Image.Resampling.NEAREST if much else Image.Resampling.LANCZOS
    return np.asarray(Image.fromarray(_eight(encoded)).resize(size, way))


def cut_out(
    encoded: NDArray[np.floating[Any]], at: tuple[float, float], side: int
) -> tuple[Bytes, tuple[float, float]]:
    """A square around a place, magnified by a whole number, and where in it the place lies.

    Parameters
    ----------
    encoded : (H, W, 3) ndarray
        Pixels of 0..1.
    at : (x, y)
        The place, 0..1 of their width and height; the square keeps within them.
    side : int
        Most pixels of the square's side as it is shown.

    Returns
    -------
    square : (n, n, 3) ndarray of uint8
        8-bit codes; pixels averaged where they are too many, and else as they are.
    place : (x, y)
        In pixels from the square's upper left corner.
    """
    from PIL import Image

    rows, columns = encoded.shape[:2]
    wanted = max(LEAST_CUT, round(CUT_SHARE * max(rows, columns)))
    times = max(1, round(side / min(wanted, rows, columns)))
    cut = min(max(wanted, side) if times == 1 else side // times, rows, columns)
    shown = min(cut * times, side)
    x, y = at[0] * columns, at[1] * rows
    left = min(max(round(x - cut / 2), 0), columns - cut)
    top = min(max(round(y - cut / 2), 0), rows - cut)
    part = Image.fromarray(_eight(encoded[top : top + cut, left : left + cut]))
    way = Image.Resampling.NEAREST if shown >= cut else Image.Resampling.BOX
    square = np.asarray(part.resize((shown, shown), way))
    return square, ((x - left) * shown / cut, (y - top) * shown / cut)


def _eight(encoded: NDArray[np.floating[Any]]) -> Bytes:
    return np.asarray(np.round(np.clip(encoded, 0, 1) * 255), dtype=np.uint8)


def recognised(
    examination: Examination, shown: Bytes, size: tuple[int, int]
) -> tuple[Bytes, list[Anchor]]:
    """The picture in light grey, classes in colour and pattern; and where to name them."""
    from PIL import Image, ImageFilter

    labels = examination.labels
    rows = (np.arange(size[1]) * labels.shape[0] // size[1]).clip(0, labels.shape[0] - 1)
    columns = (np.arange(size[0]) * labels.shape[1] // size[0]).clip(0, labels.shape[1] - 1)
    (*names, _), owner = owners(examination)
    # A speck of a few pixels cannot be told by its pattern: the most common neighbour wins.
    coarse = Image.fromarray(owner[labels]).filter(ImageFilter.ModeFilter(5))
    group = np.asarray(coarse)[rows[:, None], columns]

    anchors: list[Anchor] = []
    for index, name in enumerate([*names, "left out"]):
        inside = group == index
        if inside.mean() >= SMALLEST_LABEL:
            anchors.append(Anchor(_called(name), *_thickest(inside)))
    anchors.sort(key=lambda a: a.y)
    return _painted(shown, group, names), anchors


def _called(name: str) -> str:
    """A class on the picture; of which kind a neutral is, is a guess, and is not said."""
    if name == NEUTRALS:
        return BY_NAME[name].singular
    return "something else" if name == ELSE else name


def _painted(shown: Bytes, group: NDArray[np.uint8], names: list[str]) -> Bytes:
    grey = np.repeat(shown.mean(axis=-1, keepdims=True), 3, axis=-1)
    out = 0.55 * grey + 60
    for index, name in enumerate(names):
        if name in BY_NAME:
            mark = BY_NAME[name].mark
            inside = group == index
            tint = np.array(mark.colour, dtype=float)
            out[inside] = 0.35 * grey[inside] + 0.6 * tint
            out[inside & pattern(mark.pattern, inside.shape)] = 0.4 * tint
    out[group == len(names)] = 0.3 * grey[group == len(names)]
    edge = np.zeros(group.shape, dtype=bool)
    edge[1:] |= group[1:] != group[:-1]
    edge[:, 1:] |= group[:, 1:] != group[:, :-1]
    out[edge] = 30
    return np.clip(np.round(out), 0, 255).astype(np.uint8)


def _thickest(mask: NDArray[np.bool_]) -> tuple[float, float]:
    """The middle (x, y) of the thickest part, so that a label lies on what it names."""
    from PIL import Image, ImageFilter

    pad = 120
    padded = Image.fromarray(np.pad(mask, pad).astype(np.uint8) * 255)
    soft = sum(
        np.asarray(padded.filter(ImageFilter.BoxBlur(radius)), dtype=np.float64)
        for radius in (pad // 6, pad // 2, pad)
    )
    inner = np.asarray(soft)[pad:-pad, pad:-pad]
    y, x = np.unravel_index(int(np.argmax(inner)), inner.shape)
    return float(x), float(y)
