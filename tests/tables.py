"""Made-up tables of pictures and simulated casts whose answers are known."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.evidence.statistics import ESTIMATORS
from autocast.judgement import TONE_RANGES
from autocast.training.fit import Predictions
from autocast.training.gather import Table
from autocast.voting.features import dictionary
from autocast.voting.fitted import ANCHORS

CASTS = tuple(
    dict.fromkeys(
        (
            *ANCHORS,
            *(f"joint.{tone}" for tone in TONE_RANGES),
            *(f"statistics.{name}" for name in ESTIMATORS),
            *(f"statistics.{t}.{kind}" for t in TONE_RANGES for kind in ("mean", "least_0.25")),
            "neutrals.reads",
        )
    )
)
"""The casts among the features, of the whole unless they name a tone range."""
PLAIN = ("statistics.chroma_0.5", "statistics.plane.0_0", "scene.lightness")
"""Features that are no casts; the second is for the last stage alone."""
NAMES = (*(f"{cast}.{axis}" for cast in CASTS for axis in "ab"), *PLAIN)


def table(pictures: int = 120, seed: int = 4) -> Table:
    """Every estimate is the true cast, by tone where it says so, with noise of one unit.

    A third of the pictures is evident, a sixth each slight and cannot_tell; on
    the rest are simulated gains, crossed casts and casts on a part.
    """
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    for number in range(pictures):
        answer = ("evident", "none", "slight", "evident", "none", "cannot_tell")[number % 6]
        common = {"picture": number, "consensus": answer}
        size = {"evident": 12.0, "slight": 4.0, "cannot_tell": 4.0, "none": 0.0}[answer]
        angle = rng.uniform(0, 2 * np.pi)
        own = size * np.array([np.cos(angle), np.sin(angle)])
        rows.append({**common, "kind": "natural", "casts": np.tile(own, (4, 1))})
        if answer == "none":
            rows += [{**common, "kind": "none", "casts": np.zeros((4, 2))}] * 2
            for about in (4, 6, 8, 12, 16, 24):
                angle = rng.uniform(0, 2 * np.pi)
                gain = about * np.array([np.cos(angle), np.sin(angle)])
                rows.append({**common, "kind": "gain", "casts": np.tile(gain, (4, 1))})
            ends = np.array([0.0, 0.3]), np.array([-8.0, 9.0]), np.zeros(2), np.array([4.0, -4.0])
            rows.append({**common, "kind": "crossed", "casts": np.array(ends)})
            rows.append({**common, "kind": "part", "casts": np.full((4, 2), 9.0)})
    casts = np.array([row["casts"] for row in rows])
    natural = np.array([row["kind"] == "natural" for row in rows])
    target = {name: 1 + k for k, name in enumerate(TONE_RANGES)}
    shown = [casts[:, max(target.get(p, 0) for p in cast.split("."))] for cast in CASTS]
    features = np.concatenate([*shown, np.zeros((len(rows), len(PLAIN)))], axis=1)
    features = features + rng.normal(0, 1, features.shape)
    consensus = np.array([row["consensus"] for row in rows])
    neutrals = features[natural].copy()
    neutrals[:, [dictionary()[name].kind == "neutrals" for name in NAMES]] = np.nan
    evident = natural & (consensus == "evident")
    judgements = np.where(natural[:, None], consensus[:, None], "").repeat(2, axis=1)
    judgements[natural & (consensus == "slight"), 1] = "none"
    picture = np.array([row["picture"] for row in rows])
    return Table(
        names=NAMES,
        features=features,
        file=np.array([f"{p}.jpg" for p in picture]),
        group=np.array([f"group {p // 2}" for p in picture]),
        consensus=consensus,
        kind=np.array([row["kind"] for row in rows]),
        truth=np.where(natural[:, None, None], 0.0, casts),
        worst=np.where(natural, 0.0, np.hypot(*np.moveaxis(casts, -1, 0)).max(axis=1)),
        looked=np.where(evident[:, None], casts[:, 0], np.nan),
        scene=np.where(picture % 2 == 0, "quay", "workshop"),
        judgements=judgements,
        rules={},
        monochrome=np.zeros(len(rows), dtype=bool),
        without={"neutrals": neutrals, "statistics": np.full_like(neutrals, np.nan)},
    )


def judged_only(evident: NDArray[np.bool_]) -> Table:
    """Natural rows alone, each a group, evident or none."""
    count = len(evident)
    return Table(
        names=(),
        features=np.zeros((count, 0)),
        file=np.array([f"{k}.jpg" for k in range(count)]),
        group=np.array([f"{k}" for k in range(count)]),
        consensus=np.where(evident, "evident", "none"),
        kind=np.full(count, "natural"),
        truth=np.zeros((count, 4, 2)),
        worst=np.zeros(count),
        looked=np.full((count, 2), np.nan),
        scene=np.full(count, ""),
        judgements=np.full((count, 2), ""),
        rules={},
        monochrome=np.zeros(count, dtype=bool),
        without={},
    )


def predicted(casts: NDArray[np.floating[Any]]) -> Predictions:
    """Predictions of casts (n, 4, 2), the more probable the larger."""
    size = np.hypot(casts[:, 0, 0], casts[:, 0, 1])
    return Predictions(
        casts=casts,
        deviation=np.ones_like(casts),
        correlation=np.tile(np.eye(4), (len(casts), 1, 1)),
        logit=size,
        probability=size / (1 + size),
        uneven=np.zeros(len(casts)),
        trees=casts,
    )
