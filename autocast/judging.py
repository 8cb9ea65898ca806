"""The row of rooms, in order. No other file knows it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocast.advisor import advise
from autocast.case import Case, open_case
from autocast.character import character
from autocast.colour import linear_to_lab
from autocast.evidence.scene import KINDS, look
from autocast.judgement import Assumptions, Judgement
from autocast.modelfiles import model_id
from autocast.picture import Picture, Source, open_picture


@dataclass(frozen=True, slots=True, eq=False)
class Examination:
    """A judgement with the pixels it was read from, for drawing.

    ``labels`` H x W numbers each pixel's region, -1 where it was left out;
    ``memberships`` R x 9 says what the regions are, in the order of ``kinds``.
    """

    picture: Picture
    labels: NDArray[np.int32]
    memberships: NDArray[np.float32]
    kinds: tuple[str, ...]
    judgement: Judgement


def judge(source: Source, assumptions: Assumptions | None = None) -> Judgement:
    """Say whether the colour of a picture can be trusted.

    ``source`` is a path, bytes, a binary file, a PIL image, or an array
    (H x W, H x W x 3 or H x W x 4; uint8, uint16, or float in 0..1; sRGB).
    Raises PictureError for what cannot be judged, ModelError for damaged
    model files, AssumptionError for assumptions that are no shares. The
    picture is only read.
    """
    return examine(source, assumptions).judgement


def examine(source: Source, assumptions: Assumptions | None = None) -> Examination:
    """Judge a picture and keep what is needed to draw how it was judged."""
    case = prepare(source)
    judgement = advise(case, model_id(), assumptions or Assumptions())
    scene = case.scene
    return Examination(scene.picture, scene.regions.labels, case.members, KINDS, judgement)


def prepare(source: Source) -> Case:
    """Everything up to the advice: open, lay out, ask the evidence, count the votes."""
    picture = open_picture(source)
    lab = linear_to_lab(picture.pixels)
    return open_case(look(picture, lab), character(picture, lab))
