"""Where a careful person would put the reading."""

from __future__ import annotations

import numpy as np

from autocast.evidence import columns
from autocast.judgement import TONE_RANGES, Reading, Spot
from autocast.judgement.things import BY_NAME, NEUTRALS, OBJECT, THINGS
from autocast.voting.analysis import Case

SMALLEST_NEUTRAL = 0.002
"""Share of the frame from which a sure neutral is worth a reading (project convention)."""
SMALLEST_CLASS = 0.004
"""The same for sky, vegetation and skin (project convention)."""


def spots(case: Case) -> tuple[Spot, ...]:
    """Neutrals from light to dark, then sky, vegetation, skin, and the coloured thing."""
    regions = case.scene.regions
    if not len(regions):
        return ()
    grey = BY_NAME[NEUTRALS]
    neutral = case.members[:, columns(NEUTRALS)].sum(axis=1)
    chosen: list[tuple[int, str, str, str]] = []
    for name in reversed(tuple(TONE_RANGES)):
        low, high, _ = TONE_RANGES[name]
        within = (regions.lab[:, 0] >= low) & (regions.lab[:, 0] < high)
        score = neutral * np.sqrt(regions.area) * within
        if score.max() > 0.5 * np.sqrt(SMALLEST_NEUTRAL):
            region = int(score.argmax())
            kind = grey.kinds[int(case.members[region, columns(grey.name)].argmax())]
            what, why = f"{grey.singular} ({kind})", f"{grey.should} in the {name}"
            chosen.append((region, grey.name, what, why))
    for thing in THINGS:
        if thing is grey or not thing.kinds:
            continue
        score = case.members[:, columns(thing.name)].sum(axis=1) * np.sqrt(regions.area)
        if score.max() > 0.5 * np.sqrt(SMALLEST_CLASS):
            chosen.append((int(score.argmax()), thing.name, thing.singular, thing.should))
    if case.coloured is not None:
        region = int(case.coloured.regions[np.argmax(regions.area[case.coloured.regions])])
        why = "is it the thing's own colour, or the light?"
        chosen.append((region, OBJECT, "strongly coloured", why))
    return tuple(_spot(case, *choice) for choice in chosen)


def _spot(case: Case, region: int, kind: str, what: str, why: str) -> Spot:
    """A point that surely lies in the region: the pixel of it nearest to its middle."""
    labels = case.scene.regions.labels
    y, x = np.nonzero(labels == region)
    middle = int(np.argmin((y - y.mean()) ** 2 + (x - x.mean()) ** 2))
    frame = case.scene.picture.frame
    lab = case.scene.regions.lab[region]
    return Spot(
        x=round(frame.x + (float(x[middle]) + 0.5) / labels.shape[1] * frame.width, 4),
        y=round(frame.y + (float(y[middle]) + 0.5) / labels.shape[0] * frame.height, 4),
        reads=Reading(*(round(float(v), 2) for v in lab)),
        kind=kind,
        what=what,
        why=why,
    )
