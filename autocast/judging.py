"""The row of rooms, in order. No other file knows it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from autocast.advisor import advise
from autocast.colour import linear_to_lab
from autocast.judgement import Assumptions, Evidence, Hint, Judgement
from autocast.judgement.things import KINDS, OTHER_LIGHT
from autocast.modelstore import Models, default_models
from autocast.picture import Picture, Source, open_picture
from autocast.segmentation import character, look
from autocast.voting import (
    Analysis,
    analyse,
    apart,
    condition,
    extract,
    hint_votes,
    left_out,
    place_of,
    predict,
    with_hints,
)


@dataclass(frozen=True, slots=True, eq=False)
class Examination:
    """A judgement with the pixels it was read from, for drawing.

    ``labels`` H x W numbers each pixel's region, -1 where it was left out;
    ``memberships`` R x 9 says what the regions are, in the order of ``kinds``.
    ``analysis`` is what was weighed.
    """

    picture: Picture
    labels: NDArray[np.int32]
    memberships: NDArray[np.float32]
    kinds: tuple[str, ...]
    judgement: Judgement
    analysis: Analysis


def judge(
    source: Source,
    hints: Sequence[Hint] = (),
    assumptions: Assumptions | None = None,
    models: Models | None = None,
) -> Judgement:
    """Say whether the colour of a picture can be trusted. The picture is only read.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        Arrays are sRGB-encoded, (H, W), (H, W, 3) or (H, W, 4) with alpha last;
        uint8, uint16, or float in 0..1.
    hints : sequence of Hint
        What a person knows of spots.
    assumptions : Assumptions, optional
        Another base rate of evident casts, or other risks, than the models' own.
    models : Models, optional
        Those that autocast came with unless given.

    Returns
    -------
    Judgement
        The verdict, its probability, the cast, and the evidence.

    Raises
    ------
    PictureError
        The picture cannot be judged.
    HintError
        A hint cannot be read.
    AssumptionError
        An assumption is no share between 0 and 1.
    ModelError
        Model files are damaged.
    """
    return examine(source, hints, assumptions, models).judgement


def examine(
    source: Source,
    hints: Sequence[Hint] = (),
    assumptions: Assumptions | None = None,
    models: Models | None = None,
) -> Examination:
    """Judge a picture and keep what is needed to draw how it was judged.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`judge`.
    hints : sequence of Hint
        What a person knows of spots.
    assumptions : Assumptions, optional
        Another base rate of evident casts, or other risks, than the models' own.
    models : Models, optional
        Those that autocast came with unless given.

    Returns
    -------
    Examination
        The judgement, the working pixels, their regions, and the analysis.

    Raises
    ------
    PictureError
        The picture cannot be judged.
    HintError
        A hint cannot be read.
    AssumptionError
        An assumption is no share between 0 and 1.
    ModelError
        Model files are damaged.
    """
    picture = open_picture(source)
    analysis = _analysis(picture, hints, models or default_models())
    judgement = advise(analysis, assumptions or Assumptions())
    if hints:
        lights = other_lights(picture, hints, analysis.scene.models)
        evidence = (*judgement.evidence, *lights)
        judgement = replace(judgement, hints=tuple(hints), evidence=evidence)
    scene = analysis.scene
    return Examination(
        scene.picture, scene.regions.labels, analysis.members, KINDS, judgement, analysis
    )


def casts_by_tone(examination: Examination) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The fitted casts of shadows, midtones and highlights, and how sure they are.

    They are the first stage's (:mod:`autocast.voting.fitted`) given every hint,
    not the count's that the judgement of a picture without hints quotes: the count
    leans to no cast where evidence is thin.

    Parameters
    ----------
    examination : Examination
        With hints or without.

    Returns
    -------
    casts : (3, 2) ndarray
        a*, b* at L* 60.
    deviation : (3,) ndarray
        Standard deviations, the root mean square of those of a* and b*.
    """
    analysis, hinted = examination.analysis, examination.analysis.hinted
    if hinted is not None:
        analysis = hinted.before
    votes = () if hinted is None else hinted.votes
    prediction = predict([extract(analysis)], analysis.scene.models.trees)
    conditioned = condition(prediction, 0, votes)
    deviation = np.array([conditioned.deviation(k) for k in range(1, 4)])
    return conditioned.casts[1:].astype(np.float64), deviation


def prepare(source: Source, models: Models | None = None) -> Analysis:
    """Everything up to the advice: open, lay out, ask the evidence, count the votes.

    Parameters
    ----------
    source : path, bytes, binary file, PIL image or array
        As for :func:`judge`.
    models : Models, optional
        Those that autocast came with unless given.

    Returns
    -------
    Analysis
        Without hints.

    Raises
    ------
    PictureError
        The picture cannot be judged.
    ModelError
        Model files are damaged.
    """
    return _analysis(open_picture(source), (), models or default_models())


def _analysis(picture: Picture, hints: Sequence[Hint], models: Models) -> Analysis:
    votes = hint_votes(picture, hints, models.densities)
    kept = left_out(picture, hints) if hints else picture
    analysis = _looked_at(kept, models)
    return with_hints(analysis, votes) if votes else analysis


def _looked_at(picture: Picture, models: Models) -> Analysis:
    lab = linear_to_lab(picture.pixels)
    return analyse(look(picture, lab, models), character(picture, lab))


def other_lights(picture: Picture, hints: Sequence[Hint], models: Models) -> Iterator[Evidence]:
    """Each region that a person calls differently lit, read by itself.

    Parameters
    ----------
    picture : Picture
        The working pixels, nothing left out.
    hints : sequence of Hint
        Those of :data:`autocast.judgement.things.OTHER_LIGHT` are read.
    models : Models
        What to read them with.

    Yields
    ------
    Evidence
        Its ``explains`` is the region's own cast, a*, b* at L* 60; its weight is 0.

    Raises
    ------
    HintError
        A hint cannot be read.
    """
    for hint in hints:
        if hint.what != OTHER_LIGHT:
            continue
        region = apart(picture, hint)
        estimate = _looked_at(region, models).estimate
        yield Evidence(
            kind=OTHER_LIGHT,
            label=f"the region at {hint.x:g},{hint.y:g}, read by itself",
            share=round(float(region.opaque.mean()), 4),
            reads=None,
            expected=None,
            explains=(round(float(estimate.mean[0]), 2), round(float(estimate.mean[1]), 2)),
            spread=round(float(np.sqrt(np.trace(estimate.covariance) / 2)), 2),
            weight=0.0,
            drove=0.0,
            drove_probability=0.0,
            stance="silent",
            where=(place_of(picture, hint),),
        )
