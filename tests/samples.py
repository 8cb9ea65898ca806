"""Judgements made by hand, for tests of what is shown of one. All figures are invented."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from autocast.judgement import (
    Cast,
    Evidence,
    Judgement,
    Mode,
    Place,
    Reading,
    Spot,
    ToneCast,
)
from autocast.judgement.things import KINDS
from autocast.voting.conditioning import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

LIKELY = Judgement(
    verdict="cast",
    probability=0.87,
    base_rate=0.3,
    cast=Cast(-1.2, -8.4, ((4.0, 1.1), (1.1, 6.25)), 2.26),
    tones={
        "shadows": ToneCast(-0.8, -4.1, 1.9, 0.31, 25.0),
        "midtones": ToneCast(-1.1, -7.3, 2.1, 0.44, 50.0),
        "highlights": ToneCast(-1.4, -11.6, 3.2, 0.18, 80.0),
    },
    evidence=(
        Evidence(
            "neutrals",
            "pavement and cloud",
            0.34,
            Reading(61.0, -1.0, -7.9),
            Reading(61.0, 0.2, 1.4),
            (-1.2, -9.2),
            2.0,
            0.55,
            3.1,
            0.22,
            "for",
            (Place(0.1, 0.6, 0.4, 0.3),),
        ),
        Evidence(
            "sky",
            "clear sky, upper half",
            0.21,
            Reading(66.0, -2.0, -24.0),
            Reading(66.0, -2.5, -18.0),
            (0.5, -5.5),
            5.0,
            0.2,
            0.6,
            0.03,
            "for",
            (Place(0.0, 0.0, 1.0, 0.3),),
        ),
        Evidence(
            "vegetation",
            "trees",
            0.08,
            Reading(40.0, -8.0, 9.0),
            Reading(40.0, -8.5, 13.0),
            (0.4, -3.5),
            4.5,
            0.15,
            1.2,
            -0.04,
            "against",
            (Place(0.7, 0.4, 0.2, 0.2),),
        ),
        Evidence("skin", "skin", 0.0, None, None, None, 0.0, 0.0, 0.0, 0.0, "silent", ()),
        Evidence(
            "statistics",
            "statistics of the whole picture",
            1.0,
            None,
            None,
            (-1.8, -9.6),
            3.5,
            0.4,
            1.0,
            0.08,
            "for",
            (),
        ),
    ),
    look_at=(
        Spot(
            0.63,
            0.41,
            Reading(78.0, -1.0, -10.2),
            "neutrals",
            "white door frame",
            "the lightest neutral",
        ),
        Spot(0.12, 0.84, Reading(55.0, -1.1, -7.4), "neutrals", "pavement", "large, even and grey"),
    ),
    remarks=("no_profile", "dominant_colour"),
    sentences=(
        "Pavement and cloud both read blue where they should be nearly neutral.",
        "The trees are less blue than that cast would make them.",
    ),
    model="2026-11 (invented)",
    name="harbour_0231.jpg",
    width=3000,
    height=2000,
    profile="sRGB (assumed)",
)

CLEAR = replace(
    LIKELY,
    verdict="clear",
    probability=0.04,
    cast=Cast(0.6, 1.1, ((1.0, 0.0), (0.0, 1.0)), 1.0),
    tones={"midtones": ToneCast(0.5, 1.0, 1.2, 0.7, 50.0)},
    evidence=tuple(
        replace(e, explains=(0.5, 1.2), stance="for", drove=0.4, drove_probability=-0.05)
        if e.explains
        else e
        for e in LIKELY.evidence
    ),
    look_at=(),
    remarks=(),
    sentences=("The neutrals read neutral.",),
    name="square_0007.jpg",
    profile="Adobe RGB (1998)",
)

ASK = replace(
    LIKELY,
    verdict="ask",
    probability=0.48,
    cast=Cast(6.0, -2.0, ((30.0, -4.0), (-4.0, 22.0)), 5.1, Mode(-4.0, 7.0, 0.38)),
    remarks=("conflict", "split", "border"),
    sentences=("Things of known colour contradict each other.",),
    name="stage_0102.tif",
)

NOTHING = replace(
    ASK,
    tones={},
    evidence=(),
    look_at=(),
    remarks=("no_known_colour", "dark"),
    sentences=(),
    name="night.png",
)

ALL = (LIKELY, CLEAR, ASK, NOTHING)


@dataclass(frozen=True)
class FakeExamination:
    """What an evidence picture needs of an examination."""

    picture: Any
    labels: NDArray[np.int_]
    memberships: NDArray[np.float32]
    kinds: tuple[str, ...]
    judgement: Judgement
    weighed: Any


def examination(
    judgement: Judgement = LIKELY, height: int = 170, width: int = 256
) -> FakeExamination:
    """A painted scene: sky, cloud, trees, pavement, a face, a red thing; 16-px square regions."""
    y, x = np.mgrid[0:height, 0:width] / np.array([height, width]).reshape(2, 1, 1)
    scene = np.full((height, width), KINDS.index("pavement"))
    scene[y < 0.5] = KINDS.index("vegetation")
    scene[y < 0.35] = KINDS.index("sky")
    scene[(y < 0.3) & (abs(x - 0.6) < 0.2)] = KINDS.index("cloud")
    scene[(abs(x - 0.3) < 0.08) & (abs(y - 0.55) < 0.12)] = KINDS.index("skin")
    scene[(x > 0.75) & (y > 0.6)] = KINDS.index("else")
    colours = np.array(
        [
            (0.5, 0.5, 0.52),
            (0.6, 0.6, 0.6),
            (0.9, 0.9, 0.9),
            (0.85, 0.88, 0.93),
            (0.1, 0.1, 0.1),
            (0.4, 0.6, 0.85),
            (0.25, 0.4, 0.2),
            (0.8, 0.6, 0.5),
            (0.7, 0.15, 0.15),
        ]
    )
    pixels = colours[scene] * (0.9 + 0.1 * np.sin(x * 40)[..., None])
    blocks = (np.arange(height)[:, None] // 16) * (-(-width // 16)) + np.arange(width) // 16
    labels = np.unique(blocks * len(KINDS) + scene, return_inverse=True)[1].reshape(scene.shape)
    owner = np.zeros(labels.max() + 1, dtype=int)
    owner[labels.ravel()] = scene.ravel()
    memberships = np.full((len(owner), len(KINDS)), 0.02, dtype=np.float32)
    memberships[np.arange(len(owner)), owner] = 1 - 0.02 * (len(KINDS) - 1)
    labels[-6:] = -1
    casts = np.tile((judgement.cast.a, judgement.cast.b), (4, 1))
    estimate = Estimate(casts, np.eye(8).reshape(4, 2, 4, 2))
    return FakeExamination(
        SimpleNamespace(
            encoded=pixels.astype(np.float32), frame=Place(0, 0, 1, 1), name=judgement.name
        ),
        labels,
        memberships,
        KINDS,
        judgement,
        SimpleNamespace(estimate=estimate),
    )
