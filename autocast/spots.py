"""Where a careful person would put the reading."""

from __future__ import annotations

import numpy as np

from autocast.case import Case
from autocast.evidence.scene import KINDS
from autocast.evidence.votes import columns
from autocast.judgement import TONE_RANGES, Reading, Spot

SMALLEST_NEUTRAL = 0.002
"""Share of the frame from which a sure neutral is worth a reading (project convention)."""
SMALLEST_CLASS = 0.004
"""The same for sky, vegetation and skin (project convention)."""

SHOULD = {
    "sky": "should be blue, a* about 0 or a little below",
    "vegetation": "a* should be negative, b* positive and larger",
    "skin": "a* and b* should be positive, b* at least about a*",
}
"""What the trade expects of each class (common practice, no source)."""


def spots(case: Case) -> tuple[Spot, ...]:
    """Neutrals from light to dark, then sky, vegetation, skin, and the coloured thing."""
    regions = case.scene.regions
    if not len(regions):
        return ()
    neutral = case.members[:, columns("neutrals")].sum(axis=1)
    chosen: list[tuple[int, str, str]] = []
    for name in reversed(tuple(TONE_RANGES)):
        low, high, _ = TONE_RANGES[name]
        within = (regions.lab[:, 0] >= low) & (regions.lab[:, 0] < high)
        score = neutral * np.sqrt(regions.area) * within
        if score.max() > 0.5 * np.sqrt(SMALLEST_NEUTRAL):
            region = int(score.argmax())
            kind = KINDS[int(case.members[region, :5].argmax())]
            chosen.append(
                (region, f"probable neutral ({kind})", f"should be near neutral in the {name}")
            )
    for name, why in SHOULD.items():
        score = case.members[:, columns(name)].sum(axis=1) * np.sqrt(regions.area)
        if score.max() > 0.5 * np.sqrt(SMALLEST_CLASS):
            chosen.append((int(score.argmax()), name, why))
    if case.coloured is not None:
        region = int(case.coloured.regions[np.argmax(regions.area[case.coloured.regions])])
        chosen.append((region, "strongly coloured", "is it the thing's own colour, or the light?"))
    return tuple(_spot(case, *choice) for choice in chosen)


def _spot(case: Case, region: int, what: str, why: str) -> Spot:
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
        what=what,
        why=why,
    )
