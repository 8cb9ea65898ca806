"""How many casts an archive holds, and how many slipped through, by a few decisions of people.

**How many there are.** Pictures drawn at random from the whole archive are decided
by a person; all others have a probability. Every probability is moved by one factor
of the odds until the decided pictures are, on average, as likely to be casts as they
were found to be; the archive's share is the mean of all probabilities so moved. That
is the difference estimator of a finite population (Cochran, *Sampling Techniques*,
1977): the mean of all predictions, plus the mean of what the decided ones were off
by, which is nothing here. Prediction-powered inference (Angelopoulos et al., Science
382, 2023) is the same for a population without end. Predictions made by a logistic
model with the sample's own intercept are those of Lehtonen & Veijanen (Survey
Methodology 24, 1998). It follows that it does not matter at which base rate the
probabilities are given, and that no share leaves 0..1.

**Its interval** holds every share at which the decided pictures would be off by no more
than 1.96 standard errors (a score interval, as Wilson's, JASA 22, 1927). At a share the
error is that of probabilities that are right there, mean p (1 - p) over the archive; it
is larger by what the decided pictures scatter more, never smaller. So an interval
keeps a width where not one cast was met. The correction for a finite population goes to
nothing once all was decided. Half of the usual correction for continuity is made.
``tests/studies/deciding.py`` measures how often it covers.

**How many slipped through.** The one-sided 95 % bound of Clopper and Pearson on the
share of casts among pictures that were called clear, drawn at random among those. Where
their number is known, chances are those of drawing without replacement (hypergeometric): of
few pictures fewer must be looked at. It says the same of a lot accepted by a sampling plan.

**Sampling plans.** ISO 2859-1:1999, single sampling, normal inspection, general level
II: how many to look at in a lot, and how many casts to accept. The tables are from
memory, not verified; a test holds them to the binomial distribution.

All of it says how often a careful person would see a cast, of pictures drawn by chance.
Pictures that were picked out for their looks, or all of one series, say nothing of it.

References
----------
The above, all from memory; Clopper & Pearson, Biometrika 26, 1934.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, floor, lgamma, sqrt
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocast.judgement.binomial import UNSURE, chance, exceeds, upper_bound
from autocast.judgement.probability import at_base_rate

Floats = NDArray[np.floating[Any]]

LEAST_SAMPLED = 30
"""Decisions on pictures drawn at random from which a share is told (project convention)."""
LEAK_BELOW = 0.02
"""Share of casts among pictures called clear that is to be ruled out (project convention)."""
_DEVIATIONS = NormalDist().inv_cdf(0.975)
"""Standard errors to either side of a two-sided 95 % interval (common practice)."""
_CONTINUITY = 0.25
"""Of one picture, by which the sample may be off beyond chance: a half is usual.

Project convention: without it, 93.0 of 100 intervals cover in the worst of the settings
of ``tests/studies/deciding.py``, with it 93.6; it widens them by a twentieth."""
_EDGE = 1e-6
"""No probability is taken as more certain than this (project convention)."""
_FARTHEST = 30.0
"""Log-odds by which probabilities are moved at most: all of them are 0 or 1 there."""
_HALVINGS = 45
"""Of that range, after which a share is known to 1e-12."""


@dataclass(frozen=True, slots=True)
class Share:
    """The share of casts in an archive, with its two-sided 95 % interval, all 0..1.

    ``looked_at`` pictures were decided, of ``pictures`` in all. The interval supposes
    that they were drawn one by one, by chance alone.
    """

    share: float
    low: float
    high: float
    looked_at: int
    pictures: int


@dataclass(frozen=True, slots=True)
class Leak:
    """The share of casts among pictures called clear, as found and at most.

    ``share`` is None where none was looked at; ``at_most`` is the one-sided 95 % bound.
    """

    share: float | None
    at_most: float


@dataclass(frozen=True, slots=True)
class Plan:
    """Look at ``sample`` pictures of a lot; it passes with up to ``accept`` casts among them.

    ``aql`` is the acceptance quality limit, the share of casts that is thought
    tolerable; a lot that has it passes with the chance ``passes_at_aql``.
    ``rejected_at`` is the share of casts at which only 10 % of lots pass. Shares are
    0..1, and chances those of a lot without end (type B of the standard).
    """

    aql: float
    sample: int
    accept: int
    passes_at_aql: float
    rejected_at: float


def cast_share(probabilities: ArrayLike, sampled: ArrayLike, labels: ArrayLike) -> Share:
    """The archive's share of casts, by decisions on pictures drawn at random from all of it.

    Parameters
    ----------
    probabilities : (N,)
        Of a cast, of every picture, 0..1, all at one base rate, whichever it is. Where
        people cannot tell some pictures, the share is of those that can be told.
    sampled : (n,)
        Probabilities of the pictures decided, which are among the N; drawn at random,
        without replacement, ``LEAST_SAMPLED`` or more.
    labels : (n,)
        1 for a cast, 0 for none; between them where people differ.

    Returns
    -------
    Share
        With a two-sided 95 % interval.

    Raises
    ------
    ValueError
        There are too few decisions, more than pictures, or not one for each sampled.

    References
    ----------
    Those of this module.
    """
    every, drawn = (
        np.clip(np.asarray(p, dtype=np.float64), _EDGE, 1 - _EDGE) for p in (probabilities, sampled)
    )
    found = np.asarray(labels, dtype=np.float64)
    n, pictures = len(found), len(every)
    if not LEAST_SAMPLED <= n == len(drawn) <= pictures:
        raise ValueError(
            f"A share takes {LEAST_SAMPLED} or more decisions, one for each picture sampled; "
            f"there are {n} on {len(drawn)} of {pictures}."
        )
    levels, counts = np.unique(every, return_counts=True)
    archive = _Archive(levels, counts / pictures, drawn, found)
    casts, left = float(found.sum()), 1 - n / pictures
    if 0 < casts < n:
        at = _last(lambda by: archive.off(by) > 0, -_FARTHEST, _FARTHEST)
        share = archive.share(at)
        scatter = max(1.0, archive.scatter(at))
    else:
        at, share, scatter = _FARTHEST if casts else -_FARTHEST, casts / n, 1.0

    def _likely(by: float) -> bool:
        error = sqrt(scatter * archive.variance(by) * left / n)
        return abs(archive.off(by)) <= _DEVIATIONS * error + _CONTINUITY * left / n

    # What was decided is known: whatever the rest is, the share lies within these.
    low, high = casts / pictures, 1 - (n - casts) / pictures
    if not _likely(-_FARTHEST):
        low = max(low, archive.share(_last(_likely, at, -_FARTHEST)))
    if not _likely(_FARTHEST):
        high = min(high, archive.share(_last(_likely, at, _FARTHEST)))
    return Share(share, min(low, share), max(high, share), n, pictures)


@dataclass(frozen=True, slots=True, eq=False)
class _Archive:
    """Levels (L,) of probability with the share of pictures at each, and the sample (n,).

    Every method takes the log-odds by which probabilities are moved.
    """

    levels: Floats
    weights: Floats
    drawn: Floats
    found: Floats

    def share(self, by: float) -> float:
        """Mean probability of the archive."""
        return float(self.weights @ _moved(self.levels, by))

    def variance(self, by: float) -> float:
        """Mean p (1 - p) of the archive."""
        p = _moved(self.levels, by)
        return float(self.weights @ (p * (1 - p)))

    def off(self, by: float) -> float:
        """How many more casts were found in the sample than expected, as a share of it."""
        return float((self.found - _moved(self.drawn, by)).mean())

    def scatter(self, by: float) -> float:
        """By what factor the sample's errors scatter more than the archive's probabilities say."""
        return float((self.found - _moved(self.drawn, by)).var(ddof=1)) / self.variance(by)


def _moved(probabilities: Floats, by: float) -> Floats:
    """Probabilities whose log-odds are moved by one number."""
    return at_base_rate(probabilities, 0.5, 1 / (1 + exp(-by)))


def _last(holds: Callable[[float], bool], first: float, beyond: float) -> float:
    """The farthest from ``first`` at which it holds; at ``beyond`` it does not."""
    for _ in range(_HALVINGS):
        middle = (first + beyond) / 2
        first, beyond = (middle, beyond) if holds(middle) else (first, middle)
    return first


def slipped(casts: int, looked_at: int, pictures: int | None = None) -> Leak:
    """How many casts slipped through, by pictures called clear that people looked at.

    Parameters
    ----------
    casts : int
        Casts that were found, 0 to ``looked_at``.
    looked_at : int
        Pictures drawn at random from those called clear, at least 0.
    pictures : int, optional
        How many are called clear, ``looked_at`` or more; without end unless given.

    Returns
    -------
    Leak
        Share and one-sided 95 % bound.

    References
    ----------
    Clopper & Pearson, Biometrika 26, 1934.

    Examples
    --------
    >>> leak = slipped(1, 200)
    >>> leak.share, round(leak.at_most, 4)
    (0.005, 0.0235)
    >>> slipped(1, 200, 250).at_most
    0.012
    """
    share = casts / looked_at if looked_at else None
    if pictures is None:
        return Leak(share, upper_bound(casts, looked_at))
    # As many casts as may be, and one more than may be.
    most, beyond = casts, pictures - (looked_at - casts) + 1
    while beyond - most > 1:
        middle = (most + beyond) // 2
        if _chance_in_lot(casts, looked_at, middle, pictures) > UNSURE:
            most = middle
        else:
            beyond = middle
    return Leak(share, most / max(pictures, 1))


def _chance_in_lot(casts: int, looked_at: int, wrong: int, pictures: int) -> float:
    """The chance of so few casts, or fewer, of ``pictures`` that hold ``wrong``: hypergeometric."""

    def ways(of: int, chosen: int) -> float:
        return lgamma(of + 1) - lgamma(chosen + 1) - lgamma(of - chosen + 1)

    fine, every = pictures - wrong, ways(pictures, looked_at)
    met = range(max(looked_at - fine, 0), min(casts, wrong) + 1)
    return sum(exp(ways(wrong, k) + ways(fine, looked_at - k) - every) for k in met)


def _leaks(casts: int, looked_at: int, below: float, pictures: int | None) -> bool:
    """Does the bound of :func:`slipped` exceed a share?"""
    if pictures is None:
        return exceeds(casts, looked_at, below)
    wrong = floor(below * pictures + _EDGE) + 1
    if casts >= wrong:
        return True
    if looked_at - casts > pictures - wrong:
        return False
    return _chance_in_lot(casts, looked_at, wrong, pictures) > UNSURE


def looks_needed(
    casts: int, looked_at: int, below: float = LEAK_BELOW, pictures: int | None = None
) -> int:
    """How many more pictures to look at until the bound is low enough, if no more casts turn up.

    Parameters
    ----------
    casts : int
        Casts that were found, 0 to ``looked_at``.
    looked_at : int
        Pictures that were looked at, at least 0.
    below : float
        Share that the one-sided 95 % bound shall not exceed, above 0 and below 1.
    pictures : int, optional
        How many are called clear, ``looked_at`` or more; without end unless given.

    Returns
    -------
    int
        0 where it does not exceed it now; all that are left where more casts are known already.

    References
    ----------
    Clopper & Pearson, Biometrika 26, 1934.

    Examples
    --------
    >>> looks_needed(0, 0), looks_needed(0, 100), looks_needed(1, 100)
    (149, 49, 136)
    >>> looks_needed(0, 0, pictures=197)
    104
    """
    if not _leaks(casts, looked_at, below, pictures):
        return 0
    left = None if pictures is None else pictures - looked_at
    if left is not None and _leaks(casts, looked_at + left, below, pictures):
        return left
    enough = 1
    while _leaks(casts, looked_at + enough, below, pictures):
        enough = 2 * enough if left is None else min(2 * enough, left)
    short = enough // 2
    while enough - short > 1:
        middle = (short + enough) // 2
        if _leaks(casts, looked_at + middle, below, pictures):
            short = middle
        else:
            enough = middle
    return enough


# ISO 2859-1:1999, tables 1 and 2-A, from memory, not verified.
_LARGEST_LOT = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)
"""Largest lot of each code letter, A to P at general inspection level II; Q is for larger ones."""
_SAMPLES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250)
"""Sample of each code letter, A to Q (I and O are not used): preferred numbers of the series R5."""
_FIRST = {0.004: 6, 0.0065: 5, 0.01: 4, 0.015: 3, 0.025: 2}
"""By acceptance quality limit, the code letter whose plan accepts no cast: G, F, E, D, C."""
_ACCEPT = {0: 0, 3: 1, 4: 2, 5: 3, 6: 5, 7: 7, 8: 10, 9: 14, 10: 21}
"""Casts accepted, by code letters from there on; letters before and after have the nearest plan."""
_ARROWS = {1: 0, 2: 3}
"""Of the two letters between, the first has the plan before, the second that after."""
_SELDOM = 0.10
"""Chance to pass that a lot of the consumer's risk quality has (ISO 2859-1)."""


def plans(lot: int) -> tuple[Plan, ...]:
    """Sampling plans for a lot: single sampling, normal inspection, general level II.

    Parameters
    ----------
    lot : int
        Pictures in it, at least 1.

    Returns
    -------
    tuple of Plan
        For acceptance quality limits of 0.4, 0.65, 1, 1.5 and 2.5 %; the whole lot where
        the sample would be no smaller.

    Raises
    ------
    ValueError
        The lot is empty.

    References
    ----------
    ISO 2859-1:1999, tables 1 and 2-A (from memory, not verified).

    Examples
    --------
    >>> [(plan.aql, plan.sample, plan.accept) for plan in plans(1000)]
    [(0.004, 125, 1), (0.0065, 80, 1), (0.01, 80, 2), (0.015, 80, 3), (0.025, 80, 5)]
    """
    if lot < 1:
        raise ValueError(f"A lot holds one picture or more, not {lot}.")
    letter = int(np.searchsorted(_LARGEST_LOT, lot))
    return tuple(_plan(lot, letter, aql) for aql in _FIRST)


def _plan(lot: int, letter: int, aql: float) -> Plan:
    """The plan that a code letter and a limit lead to."""
    since = min(max(letter - _FIRST[aql], 0), max(_ACCEPT))
    since = _ARROWS.get(since, since)
    sample = min(_SAMPLES[_FIRST[aql] + since], lot)
    accept = _ACCEPT[since]
    passes = chance(accept, sample, aql)
    return Plan(aql, sample, accept, passes, upper_bound(accept, sample, _SELDOM))
