"""The estimate once a person has said what spots are.

The first stage's casts of the whole and of the tone ranges are taken as normal:
their deviations are told picture by picture, and how far their errors go
together is fitted (``correlation`` in the model file). A hint reads the cast at
the lightness of its own spot, and is normal as well. They combine as by Kalman (J.
Basic Eng. 82, 1960): a neutral of one tone says most of that tone, less of the
whole, and least of the tone farthest from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import QUOTED_AT
from autocast.colour.grid import normal
from autocast.judgement import TONE_RANGES
from autocast.judgement.limits import HINT_DOUBTED_FROM
from autocast.voting.analysis import Analysis, Hinted, analyse_under
from autocast.voting.features import extract
from autocast.voting.fitted import Prediction, predict
from autocast.voting.hints import HintVote, near_evident
from autocast.voting.posterior import recount

Floats = NDArray[np.floating[Any]]

PLACES = (QUOTED_AT, *(at for _, _, at in TONE_RANGES.values()))
"""L* at which the casts of the whole and of the tone ranges are quoted."""


@dataclass(frozen=True, slots=True, eq=False)
class Conditioned:
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


def condition(prediction: Prediction, row: int, votes: Sequence[HintVote]) -> Conditioned:
    """What row ``row`` of a prediction becomes with every hint."""
    deviation = prediction.deviation[row]
    out = Conditioned(
        prediction.casts[row],
        np.einsum("ia,ij,ja,ab->iajb", deviation, prediction.correlation, deviation, np.eye(2)),
    )
    for vote in votes:
        out = _with(out, vote)
    return out


def _with(before: Conditioned, vote: HintVote) -> Conditioned:
    cast, noise = vote.reading
    lightness = vote.reads.lightness
    expected, covariance = before.at(lightness)
    toward = np.einsum("iajb,j->iab", before.covariance, shares(lightness))
    gain = toward @ np.linalg.inv(covariance + noise)
    return Conditioned(
        before.casts + gain @ (cast - expected),
        before.covariance - np.einsum("iab,jcb->iajc", gain, toward),
    )


def distance(before: Conditioned, vote: HintVote) -> float:
    """How far a hint lies from all that was known before it, in standard deviations."""
    cast, noise = vote.reading
    expected, covariance = before.at(vote.reads.lightness)
    off = cast - expected
    return float(np.sqrt(off @ np.linalg.solve(covariance + noise, off)))


def with_hints(analysis: Analysis, votes: Sequence[HintVote]) -> Analysis:
    """The analysis given a person's hints; one that little else allows is doubted.

    All else is the picture, and the other hints.
    """
    prediction = predict([extract(analysis)], analysis.scene.models.trees)
    others = [[other for other in votes if other is not each] for each in votes]
    doubted = any(
        distance(condition(prediction, 0, rest), each) > HINT_DOUBTED_FROM
        for each, rest in zip(votes, others, strict=True)
    )
    conditioned = condition(prediction, 0, votes)
    casts = {
        name: (conditioned.casts[k], conditioned.covariance[k, :, k])
        for k, name in enumerate((None, *TONE_RANGES))
    }
    likelihoods = analysis.log_likelihoods
    estimate = recount(likelihoods, casts)
    under = analyse_under(analysis.scene, analysis.character, likelihoods, estimate)
    return replace(under, hinted=Hinted(tuple(votes), doubted, analysis))
