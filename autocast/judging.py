"""The row of rooms, in order. No other file knows it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from autocast.advisor.advice import advise
from autocast.colour import linear_to_lab
from autocast.judgement import Assumptions, Evidence, Hint, Judgement
from autocast.judgement.things import KINDS, OTHER_LIGHT
from autocast.modelstore.files import model_id
from autocast.picture import Picture, Source, open_picture
from autocast.segmentation.character import character
from autocast.segmentation.likelihoods import look
from autocast.voting.analysis import Case, open_case
from autocast.voting.conditioning import hear, told
from autocast.voting.features import features
from autocast.voting.fitted import weigh
from autocast.voting.hints import apart, left_out, place_of, witnesses as votes_of


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


def judge(
    source: Source, hints: Sequence[Hint] = (), assumptions: Assumptions | None = None
) -> Judgement:
    """Say whether the colour of a picture can be trusted.

    ``source`` is a path, bytes, a binary file, a PIL image, or an array
    (H x W, H x W x 3 or H x W x 4; uint8, uint16, or float in 0..1; sRGB).
    ``hints`` are what a person knows of spots. Raises PictureError for what
    cannot be judged, HintError for a hint that cannot be read, ModelError for
    damaged model files, AssumptionError for assumptions that are no shares. The
    picture is only read.
    """
    return examine(source, hints, assumptions).judgement


def examine(
    source: Source, hints: Sequence[Hint] = (), assumptions: Assumptions | None = None
) -> Examination:
    """Judge a picture and keep what is needed to draw how it was judged."""
    picture = open_picture(source)
    case = _case(picture, hints)
    judgement = advise(case, model_id(), assumptions or Assumptions())
    if hints:
        evidence = (*judgement.evidence, *other_lights(picture, hints))
        judgement = replace(judgement, hints=tuple(hints), evidence=evidence)
    scene = case.scene
    return Examination(scene.picture, scene.regions.labels, case.members, KINDS, judgement, case)


def casts_by_tone(examination: Examination) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The fitted casts of shadows, midtones and highlights (3, 2) at L* 60, and how sure (3,).

    This is the first stage's word (:mod:`autocast.voting.fitted`) with every hint heard,
    not the count's that the judgement of a picture without hints quotes: the count
    leans to no cast where evidence is thin. How sure is a standard deviation, the
    root mean square of those of a* and b*.
    """
    case, hinted = examination.case, examination.case.hinted
    if hinted is not None:
        case = hinted.before
    witnesses = () if hinted is None else hinted.witnesses
    heard = hear(weigh([features(case)]), 0, witnesses)
    deviation = np.array([heard.deviation(k) for k in range(1, 4)])
    return heard.casts[1:].astype(np.float64), deviation


def prepare(source: Source) -> Case:
    """Everything up to the advice: open, lay out, ask the evidence, count the votes."""
    return _case(open_picture(source), ())


def _case(picture: Picture, hints: Sequence[Hint]) -> Case:
    lab = linear_to_lab(picture.pixels)
    heard = votes_of(picture, hints) if hints else ()
    kept = left_out(picture, hints) if hints else picture
    case = open_case(look(kept, lab), character(kept, lab))
    return told(case, heard) if heard else case


def other_lights(picture: Picture, hints: Sequence[Hint]) -> Iterator[Evidence]:
    """Each region that a person calls differently lit, read by itself."""
    lab = linear_to_lab(picture.pixels)
    for hint in hints:
        if hint.what != OTHER_LIGHT:
            continue
        region = apart(picture, hint)
        estimate = open_case(look(region, lab), character(region, lab)).estimate
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
