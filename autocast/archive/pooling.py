"""Pool the evidence of pictures that may share their light or their scanner.

Each picture brings its likelihood over casts, a Gaussian: its posterior with the
prior taken out, so that the prior counts once and not once a picture. The casts
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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.judgement import SLIGHT_FROM
from autocast.modelstore import default_models

Floats = NDArray[np.floating[Any]]

SPREADS = np.array([0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 7.0, 11.0, 18.0])
"""Spreads of a series about its shared cast that are tried, a*b* units (project convention)."""
SEEN_FROM = 2.15
"""Colour difference that is just seen in pictures (Stokes, Fairchild & Berns 1992; from memory)."""
TOGETHER = 2 * SPREADS < SEEN_FROM
"""Spreads under which pictures share their light: two of them lie 2 spreads apart (root of the
mean square, in the plane), which is not seen."""
AGREEING = SPREADS < SLIGHT_FROM
"""Spreads under which a series has one fault: no picture's own is off by even a slight cast."""
HEARD_FROM = 0.8
"""Probability of sharing from which a picture hears the others (project convention: with less,
``tests/studies/series.py`` showed harm where the lights of a series differ)."""
_WIDEST = 40.0
"""Deviation of a likelihood that says nothing; wider is not told apart."""
_ODD_AT_FIRST = 0.05
"""Share of odd pictures before any series was heard (project convention), counted as ..."""
_ODD_WEIGHT = 20.0
"""... so many pictures; and each spread of the list as one series."""
_ROUNDS = 6
"""Rounds of expectation-maximisation; more move nothing that is told (project convention)."""
_DRAWS = 512


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


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """What the archive's series have taught: weights of SPREADS, and the share of odd pictures."""

    weights: Floats
    odd: float


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """A series heard together.

    ``mean`` (n, 2) and ``spread`` (n,) are each picture's cast with the others
    heard. ``agreed`` is the probability that the series has one cast; if so,
    ``share`` (n,) that the picture has it too, and ``shared`` (2,) with
    ``shared_covariance`` what it is. ``apart`` is the spread of the pictures
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


def readings(casts: Floats, covariances: Floats) -> Readings:
    """Likelihoods out of posteriors: ``casts`` (n, 2), ``covariances`` (n, 2, 2)."""
    posterior = np.linalg.inv(covariances)
    precision = posterior - _pull_at(casts)[:, None, None] * np.eye(2)
    values, axes = np.linalg.eigh(precision)
    values = np.maximum(values, 1 / _WIDEST**2)
    covariance = (axes / values[:, None, :]) @ axes.transpose(0, 2, 1)
    mean = _times(covariance, _times(posterior, casts))
    return Readings(mean, covariance, casts, covariances)


def learn(series: Sequence[Readings]) -> Prior:
    """What many series teach about how far pictures lie apart, and how often one is odd."""
    prior = Prior(np.full(len(SPREADS), 1 / len(SPREADS)), _ODD_AT_FIRST)
    for _ in range(_ROUNDS):
        weights = np.ones(len(SPREADS))
        odd, pictures = _ODD_AT_FIRST * _ODD_WEIGHT, _ODD_WEIGHT
        for each in series:
            heard = _Heard(each, prior)
            weights += heard.weights
            odd += float((heard.weights @ (1 - heard.share)).sum())
            pictures += len(each)
        prior = Prior(weights / weights.sum(), odd / pictures)
    return prior


def pool(pictures: Readings, prior: Prior) -> Pooled:
    """Hear one series together; at least two pictures."""
    heard = _Heard(pictures, prior)
    own_precision = np.linalg.inv(pictures.covariance)
    own_pull = _times(own_precision, pictures.mean)
    # Under each spread: the others as the prior, the picture's own likelihood on top.
    wider = heard.others_covariance + (SPREADS**2)[:, None, None, None] * np.eye(2)
    from_others = np.linalg.inv(wider)
    around = np.linalg.inv(own_precision + from_others)
    place = _times(around, own_pull + _times(from_others, heard.others))
    # Where the lights differ, and where a picture is odd, it keeps what it said alone.
    weight = (heard.weights * TOGETHER)[:, None] * heard.share
    weight = np.where(weight.sum(axis=0) >= HEARD_FROM, weight, 0.0)
    alone = 1 - weight.sum(axis=0)
    mean = (weight[..., None] * place).sum(axis=0) + alone[:, None] * pictures.own
    second = (weight[..., None, None] * (around + _square(place))).sum(axis=0)
    second += alone[:, None, None] * (pictures.own_covariance + _square(pictures.own))
    variance = np.trace(second - _square(mean), axis1=1, axis2=2) / 2
    agreed = float(heard.weights[AGREEING].sum())
    among = heard.weights * AGREEING
    among = among / max(agreed, np.finfo(np.float64).tiny)
    shared = among @ heard.shared
    shared_covariance = np.einsum(
        "k,kij->ij", among, heard.shared_covariance + _square(heard.shared - shared)
    )
    return Pooled(
        mean=mean,
        spread=np.sqrt(np.maximum(variance, 0)),
        share=among @ heard.share,
        agreed=agreed,
        shared=shared,
        shared_covariance=shared_covariance,
        apart=float(np.sqrt(heard.weights @ SPREADS**2)),
        fault=agreed * _slight(shared, shared_covariance),
    )


class _Heard:
    """One series of n pictures under each of the K spreads.

    ``others`` (K, n, 2) and ``others_covariance`` (K, n, 2, 2): the shared cast
    as it is without the picture itself; ``share`` (K, n) the probability that it
    belongs; ``shared`` (K, 2) and ``shared_covariance``; ``weights`` (K,) of the
    spreads, by how well the others foretell each picture.
    """

    def __init__(self, pictures: Readings, prior: Prior) -> None:
        alone = _alone(pictures)
        around = pictures.covariance + (SPREADS**2)[:, None, None, None] * np.eye(2)
        precision = np.linalg.inv(around)
        pull = _times(precision, pictures.mean)
        self.share = np.full(pull.shape[:2], 1 - prior.odd)
        for _ in range(_ROUNDS):
            prediction, weighed_pull = (
                self.share[..., None, None] * precision,
                self.share[..., None] * pull,
            )
            total, total_pull = prediction.sum(axis=1), weighed_pull.sum(axis=1)
            # The shared cast starts from the same prior as a picture's own.
            guess = _times(np.linalg.inv(total + np.eye(2) / _WIDEST**2), total_pull)
            total = total + _pull_at(guess)[:, None, None] * np.eye(2)
            self.others_covariance = np.linalg.inv(total[:, None] - prediction)
            self.others = _times(self.others_covariance, total_pull[:, None] - weighed_pull)
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


def _single_prior() -> tuple[float, float]:
    settings: dict[str, Any] = default_models().weights["voting"]["prior"]
    return float(settings["spread"]), float(settings["freedom"])


def _pull_at(casts: Floats) -> Floats:
    """Precision of the Gaussian that pulls at ``casts`` (..., 2) as the prior does."""
    spread, freedom = _single_prior()
    size = (casts**2).sum(axis=-1) / spread**2
    return np.asarray((freedom + 2) / (freedom + size) / spread**2)


def _alone(pictures: Readings) -> Floats:
    """Log-density (n,) of each reading for a picture that shares nothing: Student's t."""
    spread, freedom = _single_prior()
    scale = pictures.covariance + spread**2 * np.eye(2)
    distance = _distance(pictures.mean, scale)
    height = -np.log(2 * np.pi) - np.log(_determinant(scale)) / 2
    return np.asarray(height - (freedom + 2) / 2 * np.log1p(distance / freedom))


def _log_gaussian(off: Floats, covariance: Floats) -> Floats:
    height = -np.log(2 * np.pi) - np.log(_determinant(covariance)) / 2
    return np.asarray(height - _distance(off, covariance) / 2)


def _distance(off: Floats, covariance: Floats) -> Floats:
    return np.asarray((off * _times(np.linalg.inv(covariance), off)).sum(axis=-1))


def _determinant(m: Floats) -> Floats:
    return np.asarray(m[..., 0, 0] * m[..., 1, 1] - m[..., 0, 1] * m[..., 1, 0])


def _slight(mean: Floats, covariance: Floats) -> float:
    """Probability that a Gaussian cast is slight or more, by draws that are always the same."""
    draws = np.random.default_rng(0).standard_normal((_DRAWS, 2))
    casts = mean + draws @ np.linalg.cholesky(covariance + 1e-9 * np.eye(2)).T
    return float((np.hypot(casts[:, 0], casts[:, 1]) >= SLIGHT_FROM).mean())
