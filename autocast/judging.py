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
from autocast.features import features
from autocast.judgement import Judgement
from autocast.modelfiles import model_id
from autocast.picture import Picture, Source, open_picture
from autocast.weighing import first_word


@dataclass(frozen=True, slots=True, eq=False)
class Examination:
    """A judgement with the pixels it was read from, for drawing.

    ``labels`` H x W numbers each pixel's region, -1 where it was left out;
    ``memberships`` R x 9 says what the regions are, in the order of ``kinds``.
    ``case`` is what was weighed.
    """

    picture: Picture
    labels: NDArray[np.int32]
    memberships: NDArray[np.float32]
    kinds: tuple[str, ...]
    judgement: Judgement
    case: Case


def judge(source: Source) -> Judgement:
    """Say whether the colour of a picture can be trusted.

    ``source`` is a path, bytes, a binary file, a PIL image, or an array
    (H x W, H x W x 3 or H x W x 4; uint8, uint16, or float in 0..1; sRGB).
    Raises PictureError for what cannot be judged, ModelError for damaged
    model files. The picture is only read.
    """
    return examine(source).judgement


def examine(source: Source) -> Examination:
    """Judge a picture and keep what is needed to draw how it was judged."""
    case = prepare(source)
    judgement = advise(case, model_id())
    scene = case.scene
    return Examination(scene.picture, scene.regions.labels, case.members, KINDS, judgement, case)


def casts_by_tone(examination: Examination) -> tuple[NDArray[np.float64], float]:
    """The fitted cast of shadows, midtones and highlights (3, 2) at L* 60, and its deviation.

    This is the first stage's word (:mod:`autocast.weighing`), not the count's
    that the judgement quotes: the count leans to no cast where evidence is thin.
    """
    casts, deviation = first_word(features(examination.case))
    return casts[1:], float(np.sqrt(np.mean(deviation**2)))


def prepare(source: Source) -> Case:
    """Everything up to the advice: open, lay out, ask the evidence, count the votes."""
    picture = open_picture(source)
    lab = linear_to_lab(picture.pixels)
    return open_case(look(picture, lab), character(picture, lab))
