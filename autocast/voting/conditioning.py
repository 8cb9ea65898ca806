"""What a person said of spots, heard beside what the trees weigh.

The first stage's casts of the whole and of the tone ranges are taken as normal:
their deviations are told picture by picture, and how far their errors go
together is fitted (``together`` in the model file). A hint reads the cast at the
lightness of its own spot, and is normal as well. They combine as by Kalman (J.
Basic Eng. 82, 1960): a neutral of one tone says most of that tone, less of the
whole, and least of the tone farthest from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour.grid import normal
from autocast.judgement import TONE_RANGES
from autocast.voting.analysis import Case, Hinted, case_under
from autocast.voting.features import features
from autocast.voting.fitted import Weighed, weigh
from autocast.voting.hints import Witness, near_evident
from autocast.voting.posterior import recount

Floats = NDArray[np.floating[Any]]

HINT_DOUBTED_FROM = 2.1
"""Distance of a hint from all else, in standard deviations, from which it is doubted.

Project convention: set on laid casts, so that of spots of C* 25 or more that are
told as neutral nine in ten are named."""
PLACES = (60.0, *(at for _, _, at in TONE_RANGES.values()))
"""L* at which the casts of the whole and of the tone ranges are quoted."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """Casts (4, 2) of the whole and the tone ranges, and the covariance (4, 2, 4, 2) of them."""

    casts: Floats
    covariance: Floats

    def at(self, lightness: float) -> tuple[Floats, Floats]:
        """The cast (2,) at an L*, and its covariance (2, 2)."""
        share = shares(lightness)
        return share @ self.casts, np.einsum("i,iajb,j->ab", share, self.covariance, share)

    @property
    def evident(self) -> float:
        """How likely a careful look calls the whole's cast evident."""
        return near_evident(normal(self.casts[0], self.covariance[0, :, 0]))

    def deviation(self, target: int) -> float:
        """Standard deviation of one cast: the root mean square of those of a* and b*."""
        return float(np.sqrt(np.trace(self.covariance[target, :, target]) / 2))


def shares(lightness: float) -> Floats:
    """How the casts (4,) of whole and tone ranges add up at an L*: straight lines between."""
    order = np.argsort(PLACES)
    places = np.array(PLACES)[order]
    at = [np.interp(lightness, places, np.eye(4)[k][order]) for k in range(4)]
    return np.array(at)


def hear(weighed: Weighed, row: int, witnesses: Sequence[Witness]) -> Heard:
    """What row ``row`` of the trees' word becomes once every hint is heard."""
    heard = Heard(
        weighed.casts[row],
        np.einsum(
            "ia,ij,ja,ab->iajb",
            weighed.deviation[row], weighed.together, weighed.deviation[row], np.eye(2),
        ),
    )  # fmt: skip
    for witness in witnesses:
        heard = _with(heard, witness)
    return heard


def _with(heard: Heard, witness: Witness) -> Heard:
    cast, noise = witness.reading
    lightness = witness.reads.lightness
    said, own = heard.at(lightness)
    toward = np.einsum("iajb,j->iab", heard.covariance, shares(lightness))
    gain = toward @ np.linalg.inv(own + noise)
    return Heard(
        heard.casts + gain @ (cast - said),
        heard.covariance - np.einsum("iab,jcb->iajc", gain, toward),
    )


def distance(heard: Heard, witness: Witness) -> float:
    """How far a hint lies from what was heard before it, in standard deviations."""
    cast, noise = witness.reading
    said, own = heard.at(witness.reads.lightness)
    return float(np.sqrt((cast - said) @ np.linalg.solve(own + noise, cast - said)))


def told(case: Case, witnesses: Sequence[Witness]) -> Case:
    """The case once a person's hints are heard; one that little else allows is doubted.

    All else is the picture, and the other hints.
    """
    weighed = weigh([features(case)])
    others = [[w for w in witnesses if w is not each] for each in witnesses]
    doubted = any(
        distance(hear(weighed, 0, rest), each) > HINT_DOUBTED_FROM
        for each, rest in zip(witnesses, others, strict=True)
    )
    heard = hear(weighed, 0, witnesses)
    casts = {
        name: (heard.casts[k], heard.covariance[k, :, k])
        for k, name in enumerate((None, *TONE_RANGES))
    }
    estimate = recount(case.counted, casts)
    hinted = Hinted(tuple(witnesses), doubted, case)
    return replace(case_under(case.scene, case.character, case.counted, estimate), hinted=hinted)
