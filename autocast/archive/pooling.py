"""Pool the evidence of pictures that may share their light or their scanner.

Each picture brings its likelihood over casts, a Gaussian: its estimate, as if that had
been made with the prior of single pictures, which is taken out so that it counts once and
not once a picture. The estimate is fitted and knows no prior; taking one out widens it, and
``tests/studies/series.py`` found less harm so where lights differ. The casts
of a series lie around a shared one, by a spread that is not assumed: every
spread of a list is tried, by how well each picture is foretold by the others,
and how common each spread is, is learned from all series of the archive
(empirical Bayes). A picture may also stand apart from its series; how often
that happens is learned as well. Where lights differ the spread comes out wide:
every picture then keeps what it said alone.

The prior of single pictures is Student's t (``models/weights.json``), a scale
mixture of Gaussians: at a cast c it pulls as a Gaussian of variance
s^2 (nu + |c|^2 / s^2) / (nu + 2) would, which is the Gaussian taken out here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from autocast.judgement import SLIGHT_FROM
from autocast.modelstore import Models

Floats = NDArray[np.floating[Any]]

SPREADS = np.array([0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 7.0, 11.0, 18.0])
"""Spreads of a series about its shared cast that are tried, a*b* units (project convention)."""
SEEN_FROM = 2.15
"""Colour difference that is just seen in pictures (Stokes, Fairchild & Berns 1992; from memory)."""
SAME_LIGHT = 2 * SPREADS < SEEN_FROM
"""Spreads under which pictures share their light: two of them lie 2 spreads apart (root of the
mean square, in the plane), which is not seen."""
AGREEING = SPREADS < SLIGHT_FROM
"""Spreads under which a series has one fault: no picture's own is off by even a slight cast."""
POOLED_FROM = 0.8
"""Probability of sharing from which the others move a picture's cast (project convention: with
less, ``tests/studies/series.py`` showed harm where the lights of a series differ)."""
_WIDEST = 40.0
"""Deviation of a likelihood that says nothing; wider is not distinguished (project convention)."""
_ODD_AT_FIRST = 0.05
"""Share of odd pictures before anything is learned (project convention), counted as ..."""
_ODD_WEIGHT = 20.0
"""... so many pictures; and each spread of the list as one series."""
_ROUNDS = 6
"""Rounds of expectation-maximisation; more move nothing that is shown (project convention)."""
_DRAWS = 512
"""Draws by which a cast is found to be slight at least (project convention)."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Likelihoods of n pictures: ``mean`` (n, 2), ``covariance`` (n, 2, 2), a* and b* at L* 60.

    ``own`` (n, 2) and ``own_covariance`` are the pictures' posteriors as they were judged.
    """

    mean: Floats
    covariance: Floats
    own: Floats
    own_covariance: Floats

    def __len__(self) -> int:
        return len(self.mean)


@dataclass(frozen=True, slots=True)
class CastPrior:
    """The prior of a single picture's cast: Student's t of scale ``spread``."""

    spread: float
    freedom: float

    @classmethod
    def of(cls, models: Models) -> Self:
        """That with which these models judge."""
        settings = models.weights["voting"]["prior"]
        return cls(float(settings["spread"]), float(settings["freedom"]))

    def pull(self, casts: Floats) -> Floats:
        """Precision of the Gaussian that pulls at ``casts`` (..., 2) as the prior does."""
        size = (casts**2).sum(axis=-1) / self.spread**2
        return np.asarray((self.freedom + 2) / (self.freedom + size) / self.spread**2)

    def log_density(self, pictures: Readings) -> Floats:
        """Log-density (n,) of each reading for a picture that shares nothing."""
        scale = pictures.covariance + self.spread**2 * np.eye(2)
        distance = _distance(pictures.mean, scale)
        tail = (self.freedom + 2) / 2 * np.log1p(distance / self.freedom)
        return np.asarray(_log_height(scale) - tail)


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """The prior of single pictures, and what the archive's series have taught.

    ``weights`` (K,) are those of SPREADS, ``odd`` is the share of odd pictures.
    """

    cast: CastPrior
    weights: Floats
    odd: float


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """A series of n pictures after pooling.

    ``mean`` (n, 2) and ``spread`` (n,) are each picture's cast, the others taken
    into account. ``agreed`` is the probability that the series has one cast; if
    so, ``share`` (n,) that the picture has it too, and ``shared`` (2,) with
    ``shared_covariance`` (2, 2) what it is. ``apart`` is the spread of the pictures
    about it, ``fault`` the probability that there is one cast, and at least a slight one.
    """

    mean: Floats
    spread: Floats
    share: Floats
    agreed: float
    shared: Floats
    shared_covariance: Floats
    apart: float
    fault: float

    @property
    def sharing(self) -> NDArray[np.bool_]:
        """Which pictures (n,) have the shared cast, rather than not."""
        return np.asarray(self.share >= 0.5)


def readings(casts: Floats, covariances: Floats, cast_prior: CastPrior) -> Readings:
    """Likelihoods out of posteriors: the prior of single pictures is taken out.

    Parameters
    ----------
    casts : (n, 2)
        Posterior means, a* and b* at L* 60.
    covariances : (n, 2, 2)
        Posterior covariances, positive definite.
    cast_prior : CastPrior
        The prior that the posteriors were made with.

    Returns
    -------
    Readings
        No deviation is above 40 a*b* units, which says nothing.

    Raises
    ------
    numpy.linalg.LinAlgError
        A covariance is singular.
    """
    posterior = np.linalg.inv(covariances)
    precision = posterior - cast_prior.pull(casts)[:, None, None] * np.eye(2)
    values, axes = np.linalg.eigh(precision)
    values = np.maximum(values, 1 / _WIDEST**2)
    covariance = (axes / values[:, None, :]) @ axes.transpose(0, 2, 1)
    mean = _times(covariance, _times(posterior, casts))
    return Readings(mean, covariance, casts, covariances)


def learn(series: Sequence[Readings], cast_prior: CastPrior) -> Prior:
    """What many series teach of how far pictures lie apart, and how often one is odd.

    Parameters
    ----------
    series : sequence of Readings
        Each of at least two pictures; their order does not matter.
    cast_prior : CastPrior
        The prior of single pictures.

    Returns
    -------
    Prior
        Its weights sum to 1; its share of odd pictures lies within 0..1.

    References
    ----------
    Dempster, Laird & Rubin, J. R. Stat. Soc. B 39, 1977, for the rounds of
    expectation-maximisation (from memory).
    """
    prior = Prior(cast_prior, np.full(len(SPREADS), 1 / len(SPREADS)), _ODD_AT_FIRST)
    for _ in range(_ROUNDS):
        weights = np.ones(len(SPREADS))
        odd, pictures = _ODD_AT_FIRST * _ODD_WEIGHT, _ODD_WEIGHT
        for each in series:
            fit = _Fit(each, prior)
            weights += fit.weights
            odd += float((fit.weights @ (1 - fit.share)).sum())
            pictures += len(each)
        prior = Prior(cast_prior, weights / weights.sum(), odd / pictures)
    return prior


def pool(pictures: Readings, prior: Prior) -> Pooled:
    """Pool the evidence of one series.

    Parameters
    ----------
    pictures : Readings
        At least two pictures; their order does not matter.
    prior : Prior
        What :func:`learn` gave.

    Returns
    -------
    Pooled
        Casts and spreads in a*b* units at L* 60, probabilities within 0..1.
    """
    fit = _Fit(pictures, prior)
    own_precision = np.linalg.inv(pictures.covariance)
    own_pull = _times(own_precision, pictures.mean)
    # Under each spread: the others as the prior, the picture's own likelihood on top.
    wider = fit.others_covariance + (SPREADS**2)[:, None, None, None] * np.eye(2)
    from_others = np.linalg.inv(wider)
    around = np.linalg.inv(own_precision + from_others)
    place = _times(around, own_pull + _times(from_others, fit.others))
    # Where the lights differ, and where a picture is odd, it keeps what it said alone.
    weight = (fit.weights * SAME_LIGHT)[:, None] * fit.share
    weight = np.where(weight.sum(axis=0) >= POOLED_FROM, weight, 0.0)
    alone = 1 - weight.sum(axis=0)
    mean = (weight[..., None] * place).sum(axis=0) + alone[:, None] * pictures.own
    second = (weight[..., None, None] * (around + _square(place))).sum(axis=0)
    second += alone[:, None, None] * (pictures.own_covariance + _square(pictures.own))
    variance = np.trace(second - _square(mean), axis1=1, axis2=2) / 2
    agreed = float(fit.weights[AGREEING].sum())
    among = fit.weights * AGREEING
    among = among / max(agreed, np.finfo(np.float64).tiny)
    shared = among @ fit.shared
    shared_covariance = np.einsum(
        "k,kij->ij", among, fit.shared_covariance + _square(fit.shared - shared)
    )
    return Pooled(
        mean=mean,
        spread=np.sqrt(np.maximum(variance, 0)),
        share=among @ fit.share,
        agreed=agreed,
        shared=shared,
        shared_covariance=shared_covariance,
        apart=float(np.sqrt(fit.weights @ SPREADS**2)),
        fault=agreed * _slight(shared, shared_covariance),
    )


class _Fit:
    """One series of n pictures under each of the K spreads.

    ``others`` (K, n, 2) and ``others_covariance`` (K, n, 2, 2): the shared cast
    as it is without the picture itself; ``share`` (K, n) the probability that it
    belongs; ``shared`` (K, 2) and ``shared_covariance``; ``weights`` (K,) of the
    spreads, by how well the others foretell each picture.
    """

    def __init__(self, pictures: Readings, prior: Prior) -> None:
        alone = prior.cast.log_density(pictures)
        around = pictures.covariance + (SPREADS**2)[:, None, None, None] * np.eye(2)
        precision = np.linalg.inv(around)
        pull = _times(precision, pictures.mean)
        self.share = np.full(pull.shape[:2], 1 - prior.odd)
        for _ in range(_ROUNDS):
            weighted = self.share[..., None, None] * precision
            weighted_pull = self.share[..., None] * pull
            total, total_pull = weighted.sum(axis=1), weighted_pull.sum(axis=1)
            # The shared cast starts from the same prior as a picture's own.
            guess = _times(np.linalg.inv(total + np.eye(2) / _WIDEST**2), total_pull)
            total = total + prior.cast.pull(guess)[:, None, None] * np.eye(2)
            self.others_covariance = np.linalg.inv(total[:, None] - weighted)
            self.others = _times(self.others_covariance, total_pull[:, None] - weighted_pull)
            foretold = _log_gaussian(pictures.mean - self.others, around + self.others_covariance)
            both = np.logaddexp(np.log1p(-prior.odd) + foretold, np.log(prior.odd) + alone)
            self.share = np.exp(np.log1p(-prior.odd) + foretold - both)
        self.shared_covariance = np.linalg.inv(total)
        self.shared = _times(self.shared_covariance, total_pull)
        logs = both.sum(axis=1) + np.log(prior.weights)
        weights = np.exp(logs - logs.max())
        self.weights: Floats = weights / weights.sum()


def _times(matrices: Floats, vectors: Floats) -> Floats:
    """Matrices (..., 2, 2) times vectors (..., 2)."""
    return np.asarray((matrices @ vectors[..., None])[..., 0])


def _square(vectors: Floats) -> Floats:
    """Vectors (..., 2) times themselves (..., 2, 2)."""
    return vectors[..., :, None] * vectors[..., None, :]


def _log_gaussian(off: Floats, covariance: Floats) -> Floats:
    return np.asarray(_log_height(covariance) - _distance(off, covariance) / 2)


def _distance(off: Floats, covariance: Floats) -> Floats:
    return np.asarray((off * _times(np.linalg.inv(covariance), off)).sum(axis=-1))


def _log_height(m: Floats) -> Floats:
    """Log-density at its centre of a Gaussian, or a Student's t, with covariance or scale ``m``."""
    determinant = m[..., 0, 0] * m[..., 1, 1] - m[..., 0, 1] * m[..., 1, 0]
    return np.asarray(-np.log(2 * np.pi) - np.log(determinant) / 2)


def _slight(mean: Floats, covariance: Floats) -> float:
    """Probability that a Gaussian cast is slight or more, by draws that are always the same."""
    draws = np.random.default_rng(0).standard_normal((_DRAWS, 2))
    casts = mean + draws @ np.linalg.cholesky(covariance + 1e-9 * np.eye(2)).T
    return float((np.hypot(casts[:, 0], casts[:, 1]) >= SLIGHT_FROM).mean())
