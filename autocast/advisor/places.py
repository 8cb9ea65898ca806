"""Where a careful person would put the reading."""

from __future__ import annotations

import numpy as np

from autocast.evidence import columns
from autocast.judgement import Spot
from autocast.judgement.things import BY_NAME, NEUTRALS, OBJECT, THINGS, Thing
from autocast.picture import reading_at
from autocast.segmentation.regions import tone_masks
from autocast.voting.analysis import Analysis

SMALLEST_NEUTRAL = 0.002
"""Share of the frame from which a sure neutral is worth a reading (project convention)."""
SMALLEST_CLASS = 0.004
"""The same for sky, vegetation and skin (project convention)."""


def spots(analysis: Analysis) -> tuple[Spot, ...]:
    """Neutrals from light to dark, then sky, vegetation, skin, and the coloured thing.

    Parameters
    ----------
    analysis : Analysis
        Its regions and their memberships are looked through.

    Returns
    -------
    tuple of Spot
        One of each at most, a neutral in each tone range; fractions of the upright
        picture, 0..1.
    """
    regions = analysis.scene.regions
    if not len(regions):
        return ()
    grey = BY_NAME[NEUTRALS]
    neutral = analysis.members[:, columns(NEUTRALS)].sum(axis=1)
    chosen: list[tuple[int, str, str, str]] = []
    for within in reversed(tone_masks(regions.lab[:, 0]).values()):
        score = neutral * np.sqrt(regions.area) * within
        if score.max() > 0.5 * np.sqrt(SMALLEST_NEUTRAL):
            region = int(score.argmax())
            chosen.append((region, grey.name, grey.singular, _should(grey)))
    for thing in THINGS:
        if thing is grey or not thing.kinds:
            continue
        score = analysis.members[:, columns(thing.name)].sum(axis=1) * np.sqrt(regions.area)
        if score.max() > 0.5 * np.sqrt(SMALLEST_CLASS):
            chosen.append((int(score.argmax()), thing.name, thing.singular, _should(thing)))
    if analysis.coloured is not None:
        region = int(analysis.coloured.regions[np.argmax(regions.area[analysis.coloured.regions])])
        why = "is it the thing's own colour, or the light?"
        chosen.append((region, OBJECT, "strongly coloured", why))
    return tuple(_spot(analysis, *choice) for choice in chosen)


def _should(thing: Thing) -> str:
    return f"should read {thing.should}"


def _spot(analysis: Analysis, region: int, kind: str, what: str, why: str) -> Spot:
    """A point that surely lies in the region: the pixel of it nearest to its middle."""
    labels = analysis.scene.regions.labels
    left, top, width, height = analysis.scene.regions.box[region]
    rows, columns = labels.shape
    first = round(top * rows), round(left * columns)
    box = labels[first[0] :, first[1] :][: round(height * rows), : round(width * columns)]
    y, x = (at + start for at, start in zip(np.nonzero(box == region), first, strict=True))
    middle = int(np.argmin((y - y.mean()) ** 2 + (x - x.mean()) ** 2))
    frame = analysis.scene.picture.frame
    across = round(frame.x + (float(x[middle]) + 0.5) / labels.shape[1] * frame.width, 4)
    down = round(frame.y + (float(y[middle]) + 0.5) / labels.shape[0] * frame.height, 4)
    return Spot(
        x=across,
        y=down,
        reads=reading_at(analysis.scene.picture, across, down),
        kind=kind,
        what=what,
        why=why,
    )
