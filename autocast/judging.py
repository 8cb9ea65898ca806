"""The row of rooms, in order. No other file knows it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.advisor import advise
from autocast.advisor.risk import rule
from autocast.colour import planes_to_lab
from autocast.errors import AssumptionError, ModelError
from autocast.judgement import Assumptions, Evidence, Hint, Judgement, Risks
from autocast.judgement.sentences import compose
from autocast.judgement.things import KINDS, OTHER_LIGHT
from autocast.modelstore import Models, default_models
from autocast.picture import MEMORY, Picture, Source, open_picture
from autocast.segmentation import character, look, planes
from autocast.voting import (
    Analysis,
    Weighed,
    analyse,
    apart,
    checked,
    hint_votes,
    left_out,
    place_of,
    sureness,
    weigh,
)
from autocast.voting.fitted import probability_of


@dataclass(frozen=True, slots=True, eq=False)
class Examination:
    """A judgement with the pixels it was read from, for drawing.

    ``labels`` H x W numbers each pixel's region, -1 where it was left out;
    ``memberships`` R x 9 says what the regions are, in the order of ``kinds``.
    ``weighed`` is the analysis and what was estimated of it, hints included.
    """

    picture: Picture
    labels: NDArray[np.int32]
    memberships: NDArray[np.float32]
    kinds: tuple[str, ...]
    judgement: Judgement
    weighed: Weighed

    @property
    def analysis(self) -> Analysis:
        """What was found in the picture.

        Returns
        -------
        Analysis
            Under the hints, where there are any.
        """
        return self.weighed.analysis


def judge(
    source: Source,
    hints: Sequence[Hint] = (),
    assumptions: Assumptions | None = None,
    models: Models | None = None,
    *,
    memory: int = MEMORY,
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
    memory : int
        Bytes that opening the picture may take, beside what the process holds already.

    Returns
    -------
    Judgement
        The verdict, its probability, the cast, and the evidence.

    Raises
    ------
    PictureError
        The picture cannot be judged, or takes more memory to open.
    HintError
        A hint cannot be read.
    AssumptionError
        An assumption is no share between 0 and 1.
    ModelError
        Model files are damaged.
    """
    return examine(source, hints, assumptions, models, memory=memory).judgement


def examine(  # noqa: PLR0913 -- what differs between pictures, by name
    source: Source,
    hints: Sequence[Hint] = (),
    assumptions: Assumptions | None = None,
    models: Models | None = None,
    *,
    explain: bool = True,
    memory: int = MEMORY,
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
    explain : bool
        Work out what each kind of evidence drove, which takes time that an archive is
        spared: it only matters once somebody looks.
    memory : int
        As for :func:`judge`.

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
    hints = checked(hints)
    if assumptions is not None and not isinstance(assumptions, Assumptions):
        raise AssumptionError(f"{assumptions!r:.80} are no assumptions; give an Assumptions.")
    if models is not None and not isinstance(models, Models):
        raise ModelError(f"{models!r:.80} are no models; give what Models.load gives.")
    picture, models = open_picture(source, memory), models or default_models()
    votes = hint_votes(picture, hints, models.densities)
    weighed = weigh(
        _looked_at(left_out(picture, hints) if hints else picture, models),
        votes,
        explain=explain,
    )
    judgement = advise(weighed, assumptions or Assumptions())
    if hints:
        lights = other_lights(picture, hints, models)
        evidence = (*judgement.evidence, *lights)
        judgement = replace(judgement, hints=tuple(hints), evidence=evidence)
        # What is asked depends on what was said already.
        judgement = replace(judgement, sentences=compose(judgement))
    analysis = weighed.analysis
    scene = analysis.scene
    return Examination(
        scene.picture, scene.regions.labels, analysis.members, KINDS, judgement, weighed
    )


def nearer(
    before: Examination, after: Examination, moved: NDArray[np.float64]
) -> tuple[float, float]:
    """How surely a corrected copy is nearer to the truth than its original.

    Of the casts t that a picture may have, a move m is worth making where
    |t - m| < |t|, over all tone ranges. The estimate of the original says t, that of the
    copy t - m: their mean is taken, with the covariance of the first, since both err for
    the same reasons.

    Parameters
    ----------
    before, after : Examination
        Of the original and of the copy, with the same hints.
    moved : (3, 2) ndarray
        What was taken away of shadows, midtones and highlights, a*, b* at L* 60.

    Returns
    -------
    probability : float
        0..1, calibrated on simulated casts (``nearer`` in ``verdict.json``): if there is a
        cast, which is for the verdict to say.
    passes_from : float
        The probability from which few copies are farther off.
    """
    estimate = before.weighed.estimate
    casts = (estimate.casts[1:] + after.weighed.estimate.casts[1:] + moved) / 2
    sure = sureness(casts[None], estimate.covariance[None, 1:, :, 1:], moved[None])
    slope, offset, passes_from = before.analysis.scene.models.verdict["nearer"]
    return float(probability_of(sure, (slope, offset))[0]), passes_from


class Going(NamedTuple):
    """What verdicts go by: thresholds on the probability at the base rate ``fitted``.

    ``base_rate`` and ``risks`` are those assumed.
    """

    fitted: float
    base_rate: float
    risks: Risks
    clear_below: float
    cast_above: float


def thresholds_at(models: Models, assumptions: Assumptions) -> Going:
    """The thresholds that keep the risks assumed at the base rate assumed.

    Parameters
    ----------
    models : Models
        Whose curve of errors is gone by.
    assumptions : Assumptions
        What goes before the models' own.

    Returns
    -------
    Going
        Shares and probabilities, 0..1.

    Raises
    ------
    AssumptionError
        An assumption is no share between 0 and 1.
    """
    found = rule(models.verdict, assumptions)
    chosen = found.thresholds
    return Going(found.fitted, found.base_rate, found.risks, chosen.clear_below, chosen.cast_above)


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
    return _looked_at(open_picture(source), models or default_models())


def _looked_at(picture: Picture, models: Models) -> Analysis:
    lab = planes_to_lab(planes(picture.pixels).astype(np.float64))
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
        Its ``explains`` is the region's own cast, a*, b* at L* 60, which is estimated and no
        reading of a colour; its weight is 0.

    Raises
    ------
    HintError
        A hint cannot be read.
    """
    for hint in hints:
        if hint.what != OTHER_LIGHT:
            continue
        region = apart(picture, hint)
        estimate = weigh(_looked_at(region, models), explain=False).estimate
        yield Evidence(
            kind=OTHER_LIGHT,
            label=f"cast estimated from the region at {hint.x:g},{hint.y:g} alone",
            share=round(float(region.opaque.mean()), 4),
            reads=None,
            expected=None,
            explains=(round(float(estimate.casts[0, 0]), 2), round(float(estimate.casts[0, 1]), 2)),
            spread=round(estimate.deviation(0), 2),
            weight=0.0,
            drove=0.0,
            drove_probability=0.0,
            stance="silent",
            where=(place_of(picture, hint),),
        )
