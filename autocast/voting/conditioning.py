"""The estimate of one picture, and what it becomes once a person has given hints.

The casts of the whole and of the tone ranges are taken as normal: their deviations
are predicted picture by picture, and the correlation of their errors is fitted
(``correlation`` in the model file). A hint reads the cast at the lightness of its
own spot, and is normal as well. They combine as in Kalman's filter
(:func:`condition`): a neutral of one tone says most of that tone, less of the whole,
and least of the tone farthest from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import QUOTED_AT
from autocast.judgement import TONE_RANGES
from autocast.voting.fitted import Given
from autocast.voting.hints import HintVote

Floats = NDArray[np.floating[Any]]

PLACES = (QUOTED_AT, *(at for _, _, at in TONE_RANGES.values()))
"""L* at which the casts of the whole and of the tone ranges are quoted."""


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
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


def covariance_of(deviation: Floats, correlation: Floats) -> Floats:
    """The covariance of casts, a* and b* of which err independently.

    Parameters
    ----------
    deviation : (..., K, 2) ndarray
        Standard deviations of K casts' a* and b*.
    correlation : (..., K, K) ndarray
        Of their errors.

    Returns
    -------
    (..., K, 2, K, 2) ndarray
        In squares of those.
    """
    return np.asarray(
        np.einsum("...ia,...ij,...ja,ab->...iajb", deviation, correlation, deviation, np.eye(2))
    )


def estimate_of(casts: Floats, deviation: Floats, correlation: Floats) -> Estimate:
    """The estimate of one picture, a* and b* of which err independently.

    Parameters
    ----------
    casts, deviation : (4, 2) ndarray
        Of the whole and of the tone ranges, a*, b* at L* 60.
    correlation : (4, 4) ndarray
        Of their errors.

    Returns
    -------
    Estimate
        Casts and their covariance.
    """
    return Estimate(casts, covariance_of(deviation, correlation))


def condition(before: Estimate, votes: Sequence[HintVote]) -> Estimate:
    """What an estimate becomes with every hint.

    Parameters
    ----------
    before : Estimate
        Without hints.
    votes : sequence of HintVote
        The hints; none leave it as it is.

    Returns
    -------
    Estimate
        Casts and their covariance.

    References
    ----------
    Kalman, J. Basic Eng. 82, 1960.
    """
    out = before
    for vote in votes:
        out = updated(out, vote.reads.lightness, *vote.reading)
    return out


def updated(before: Estimate, lightness: float, cast: Floats, noise: Floats) -> Estimate:
    """An estimate once one more cast is read.

    Parameters
    ----------
    before : Estimate
        Without it.
    lightness : float
        L* at which the cast is read.
    cast : (2,) ndarray
        a*, b* at L* 60.
    noise : (2, 2) ndarray
        Covariance of its error.

    Returns
    -------
    Estimate
        Casts and their covariance.
    """
    expected, covariance = before.at(lightness)
    toward = np.einsum("iajb,j->iab", before.covariance, shares(lightness))
    gain = toward @ np.linalg.inv(covariance + noise)
    return Estimate(
        before.casts + gain @ (cast - expected),
        before.covariance - np.einsum("iab,jcb->iajc", gain, toward),
    )


def given(before: Sequence[Estimate], after: Sequence[Estimate]) -> Given:
    """Estimates as the last stage is given them.

    Parameters
    ----------
    before, after : sequence of Estimate
        n without hints, and the same with them.

    Returns
    -------
    Given
        A row for each.
    """
    was, now = (np.array([_deviations(each) for each in some]) for some in (before, after))
    casts = np.array([each.casts for each in after])
    moved = np.array([o.casts[0] - e.casts[0] for e, o in zip(before, after, strict=True)])
    gained = np.log(was[:, 0] / now[:, 0]).mean(axis=1)
    return Given(casts, now, np.hypot(moved[:, 0], moved[:, 1]), gained)


def _deviations(estimate: Estimate) -> Floats:
    """Standard deviations (4, 2) of the casts' a* and b*."""
    return np.asarray(np.sqrt(np.einsum("iaia->ia", estimate.covariance)))


def distance(before: Estimate, vote: HintVote) -> float:
    """How far a hint lies from all that was known before it.

    Parameters
    ----------
    before : Estimate
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


def sureness(casts: Floats, covariance: Floats, moved: Floats) -> Floats:
    """How many deviations speak for it that taking a move away leads nearer to the truth.

    The truth t is nearer to the move m than to none where t . m > |m|^2 / 2.

    Parameters
    ----------
    casts : (n, K, 2) ndarray
        The estimates of K casts each.
    covariance : (n, K, 2, K, 2) ndarray
        Of their errors.
    moved : (n, K, 2) ndarray
        What is taken away.

    Returns
    -------
    (n,) ndarray
        Above 0 where it is likelier than not; 0 for no move.
    """
    ahead = ((casts - moved / 2) * moved).sum(axis=(1, 2))
    deviation = np.sqrt(np.einsum("nia,niajb,njb->n", moved, covariance, moved))
    # No move has neither: 0.
    return np.asarray(ahead / np.maximum(deviation, np.finfo(np.float64).tiny))
