"""The estimate once a person has given hints.

The first stage's casts of the whole and of the tone ranges are taken as normal:
their deviations are predicted picture by picture, and the correlation of their
errors is fitted (``correlation`` in the model file). A hint reads the cast at
the lightness of its own spot, and is normal as well. They combine as in Kalman's
filter (:func:`condition`): a neutral of one tone says most of that tone, less of
the whole, and least of the tone farthest from it.
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
    """Casts (4, 2) of the whole and the tone ranges, and the covariance (4, 2, 4, 2) of them.

    All are a*, b* at L* 60.
    """

    casts: Floats
    covariance: Floats

    def at(self, lightness: float) -> tuple[Floats, Floats]:
        """The cast at a lightness.

        Parameters
        ----------
        lightness : float
            L* of a neutral.

        Returns
        -------
        cast : (2,) ndarray
            a*, b* that it reads, quoted at L* 60.
        covariance : (2, 2) ndarray
            In squares of those.
        """
        share = shares(lightness)
        return share @ self.casts, np.einsum("i,iajb,j->ab", share, self.covariance, share)

    @property
    def evident(self) -> float:
        """How likely a careful look calls the whole's cast evident.

        Returns
        -------
        float
            Probability, 0..1.
        """
        return near_evident(normal(self.casts[0], self.covariance[0, :, 0]))

    def deviation(self, target: int) -> float:
        """Standard deviation of one cast.

        Parameters
        ----------
        target : int
            0 for the whole, 1..3 for shadows, midtones and highlights.

        Returns
        -------
        float
            Root mean square of those of a* and b*, at L* 60.
        """
        return float(np.sqrt(np.trace(self.covariance[target, :, target]) / 2))


def shares(lightness: float) -> Floats:
    """How the casts of whole and tone ranges add up at a lightness: straight lines between.

    Parameters
    ----------
    lightness : float
        L*; beyond the outermost of :data:`PLACES` as at it.

    Returns
    -------
    (4,) ndarray
        Shares of the whole, shadows, midtones and highlights, 0..1, of sum 1.

    Examples
    --------
    At L* 55, half way between the midtones' 50 and the whole's 60:

    >>> shares(55.0)
    array([0.5, 0. , 0.5, 0. ])
    """
    order = np.argsort(PLACES)
    places = np.array(PLACES)[order]
    at = [np.interp(lightness, places, np.eye(4)[k][order]) for k in range(4)]
    return np.array(at)


def condition(prediction: Prediction, row: int, votes: Sequence[HintVote]) -> Conditioned:
    """What one picture's prediction becomes with every hint.

    Parameters
    ----------
    prediction : Prediction
        Of n lists of features.
    row : int
        Which of them.
    votes : sequence of HintVote
        The hints; none leave the prediction as it is.

    Returns
    -------
    Conditioned
        Casts and their covariance.

    References
    ----------
    Kalman, J. Basic Eng. 82, 1960.
    """
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
    """How far a hint lies from all that was known before it.

    Parameters
    ----------
    before : Conditioned
        The casts without that hint.
    vote : HintVote
        The hint.

    Returns
    -------
    float
        In standard deviations of the difference, at least 0.
    """
    cast, noise = vote.reading
    expected, covariance = before.at(vote.reads.lightness)
    off = cast - expected
    return float(np.sqrt(off @ np.linalg.solve(covariance + noise, off)))


def with_hints(analysis: Analysis, votes: Sequence[HintVote]) -> Analysis:
    """The analysis given a person's hints; one that little else allows is doubted.

    All else is the picture, and the other hints.

    Parameters
    ----------
    analysis : Analysis
        Without hints.
    votes : sequence of HintVote
        One hint at least.

    Returns
    -------
    Analysis
        Its estimate is what the hints make of the prediction; ``hinted`` holds them.
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
