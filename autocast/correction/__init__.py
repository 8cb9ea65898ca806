"""From a judgement to a corrected copy that is proven: estimate, move, copy, proof.

:func:`plan` fits the move to what was judged; :class:`Curves` applies it to any
values of one RGB space, such as the working pixels of a picture::

    examination = judging.examine(source)
    move = plan(examination)
    after = corrected(examination.picture, move)      # H x W x 3, sRGB-encoded
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from autocast.correction.moving import Curves, Move, curves, lightness_error, shrunk, smooth
from autocast.judging import Examination, casts_by_tone
from autocast.picture import Picture, srgb_space

__all__ = ["Curves", "Move", "corrected", "curves", "lightness_error", "plan"]


def plan(examination: Examination, strength: float = 1.0) -> Move:
    """The move that a judgement advises; ``strength`` 0..1 is the share of the cast taken away."""
    casts, deviation = casts_by_tone(examination)
    return smooth(shrunk(casts, deviation), np.full(3, deviation), strength)


def corrected(picture: Picture, move: Move) -> NDArray[np.float32]:
    """The working pixels of a picture after a move, H x W x 3, sRGB-encoded, 0..1."""
    flat = picture.encoded.reshape(-1, 3)
    return curves(move, srgb_space())(flat).astype(np.float32).reshape(picture.encoded.shape)
