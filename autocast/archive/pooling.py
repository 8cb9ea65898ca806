"""Pool the evidence of pictures that may share their light or their scanner.

Each picture brings its likelihood over casts, a Gaussian: its posterior with the
prior taken out, so that the prior counts once and not once a picture. The casts
of a series lie around a shared one, by a spread that is not assumed: every
spread of a list is tried, by how well each picture is foretold by the others,
and how common each spread is, is learned from all series of the archive
(empirical Bayes). A picture may also stand apart from its series; how often
that happens is learned as well. Where lights differ the spread comes out wide,
and the others have little say.

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

from autocast.judgement import EVIDENT_FROM
from autocast.modelfiles import load_json

Floats = NDArray[np.float64]

SPREADS = (0.5, 1.0, 2.0, 3.0, 4.5, 6.5, 9.0, 13.0, 20.0)
"""Spreads of a series about its shared cast that are tried, a*b* units (project convention)."""
_WIDEST = 40.0
"""Deviation of a likelihood that says nothing; wider is not told apart."""
_ODD_AT_FIRST = 0.05
"""Share of odd pictures before any series was heard (project convention), counted as ..."""
_ODD_WEIGHT = 20.0
"""... so many pictures; and each spread of the list as one series."""
_ROUNDS = 12
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
    heard; ``share`` (n,) the probability that it shares their cast. ``shared``
    (2,) and ``shared_covariance`` are the shared cast, ``apart`` the spread of
    the pictures about it, ``evident`` the probability that its size is evident.
    """

    mean: Floats
    spread: Floats
    share: Floats
    shared: Floats
    shared_covariance: Floats
    apart: float
    evident: float


def readings(casts: Floats, covariances: Floats) -> Readings:
    """Likelihoods out of posteriors: ``casts`` (n, 2), ``covariances`` (n, 2, 2)."""
    spread, freedom = _single_prior()
    size = (casts**2).sum(axis=1) / spread**2
    pull = (freedom + 2) / (freedom + size) / spread**2
    posterior = np.linalg.inv(covariances)
    precision = posterior - pull[:, None, None] * np.eye(2)
    values, axes = np.linalg.eigh(precision)
    values = np.maximum(values, 1 / _WIDEST**2)
    covariance = (axes / values[:, None, :]) @ axes.transpose(0, 2, 1)
    mean = np.einsum("nij,njk,nk->ni", covariance, posterior, casts)
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
    weights, share = heard.weights, heard.weights @ heard.share
    # For every spread: the others as the prior, the picture's own likelihood on top.
    own_precision = np.linalg.inv(pictures.covariance)
    own_pull = np.einsum("nij,nj->ni", own_precision, pictures.mean)
    mean = np.zeros((len(pictures), 2))
    second = np.zeros((len(pictures), 2, 2))
    for k, spread in enumerate(SPREADS):
        from_others = np.linalg.inv(heard.others_covariance[k] + spread**2 * np.eye(2))
        covariance = np.linalg.inv(own_precision + from_others)
        pull = own_pull + np.einsum("nij,nj->ni", from_others, heard.others[k])
        together = np.einsum("nij,nj->ni", covariance, pull)
        for part, place, around in (
            (heard.share[k], together, covariance),
            (1 - heard.share[k], pictures.own, pictures.own_covariance),
        ):
            weight = weights[k] * part
            mean += weight[:, None] * place
            second += weight[:, None, None] * (around + place[:, :, None] * place[:, None, :])
    covariance = second - mean[:, :, None] * mean[:, None, :]
    shared = weights @ heard.shared
    off = heard.shared - shared
    shared_covariance = (
        np.einsum("k,kij->ij", weights, heard.shared_covariance) + (weights[:, None] * off).T @ off
    )
    return Pooled(
        mean=mean,
        spread=np.sqrt(np.maximum(np.trace(covariance, axis1=1, axis2=2) / 2, 0)),
        share=share,
        shared=shared,
        shared_covariance=shared_covariance,
        apart=float(np.sqrt(weights @ np.square(SPREADS))),
        evident=_evident(shared, shared_covariance),
    )


class _Heard:
    """One series under every spread: what the others foretell of each picture, and how well.

    ``others`` (K, n, 2) with ``others_covariance``: the shared cast without the
    picture itself; ``share`` (K, n); ``shared`` (K, 2) with
    ``shared_covariance``; ``weights`` (K,) of the spreads.
    """

    def __init__(self, pictures: Readings, prior: Prior) -> None:
        count = len(pictures)
        levels = len(SPREADS)
        self.others = np.empty((levels, count, 2))
        self.others_covariance = np.empty((levels, count, 2, 2))
        self.share = np.empty((levels, count))
        self.shared = np.empty((levels, 2))
        self.shared_covariance = np.empty((levels, 2, 2))
        scores = np.empty(levels)
        alone = _alone(pictures)
        for k, spread in enumerate(SPREADS):
            scores[k] = self._hear(k, spread, pictures, alone, prior.odd)
        logs = scores + np.log(prior.weights)
        weights = np.exp(logs - logs.max())
        self.weights: Floats = weights / weights.sum()

    def _hear(self, k: int, spread: float, pictures: Readings, alone: Floats, odd: float) -> float:
        around = pictures.covariance + spread**2 * np.eye(2)
        precision = np.linalg.inv(around)
        pull = np.einsum("nij,nj->ni", precision, pictures.mean)
        share = np.full(len(pictures), 1 - odd)
        score = 0.0
        for _ in range(_ROUNDS):
            weighed = share[:, None, None] * precision
            weighed_pull = share[:, None] * pull
            # The shared cast starts from the same prior as a picture's own.
            base = np.eye(2) * _pull_at(self._first_guess(weighed, weighed_pull))
            whole, whole_pull = base + weighed.sum(axis=0), weighed_pull.sum(axis=0)
            covariance = np.linalg.inv(whole - weighed)
            others = np.einsum("nij,nj->ni", covariance, whole_pull - weighed_pull)
            foretold = _log_gaussian(pictures.mean - others, around + covariance)
            both = np.logaddexp(np.log1p(-odd) + foretold, np.log(odd) + alone)
            share = np.exp(np.log1p(-odd) + foretold - both)
            score = float(both.sum())
        self.others[k], self.others_covariance[k], self.share[k] = others, covariance, share
        self.shared_covariance[k] = np.linalg.inv(whole)
        self.shared[k] = self.shared_covariance[k] @ whole_pull
        return score

    @staticmethod
    def _first_guess(weighed: Floats, pull: Floats) -> Floats:
        return np.asarray(
            np.linalg.solve(weighed.sum(axis=0) + np.eye(2) / _WIDEST**2, pull.sum(axis=0))
        )


def _single_prior() -> tuple[float, float]:
    settings: dict[str, Any] = load_json("weights.json")["voting"]["prior"]
    return float(settings["spread"]), float(settings["freedom"])


def _pull_at(cast: Floats) -> float:
    spread, freedom = _single_prior()
    return float((freedom + 2) / (freedom + (cast**2).sum() / spread**2) / spread**2)


def _alone(pictures: Readings) -> Floats:
    """Log-density (n,) of each reading for a picture that shares nothing: Student's t."""
    spread, freedom = _single_prior()
    scale = pictures.covariance + spread**2 * np.eye(2)
    distance = np.einsum("ni,nij,nj->n", pictures.mean, np.linalg.inv(scale), pictures.mean)
    height = -np.log(2 * np.pi) - np.linalg.slogdet(scale)[1] / 2
    return np.asarray(height - (freedom + 2) / 2 * np.log1p(distance / freedom))


def _log_gaussian(off: Floats, covariance: Floats) -> Floats:
    distance = np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariance), off)
    return np.asarray(-np.log(2 * np.pi) - np.linalg.slogdet(covariance)[1] / 2 - distance / 2)


def _evident(mean: Floats, covariance: Floats) -> float:
    """Probability that a Gaussian cast has an evident size, by draws that are always the same."""
    draws = np.random.default_rng(0).standard_normal((_DRAWS, 2))
    casts = mean + draws @ np.linalg.cholesky(covariance + 1e-9 * np.eye(2)).T
    return float((np.hypot(casts[:, 0], casts[:, 1]) >= EVIDENT_FROM).mean())
