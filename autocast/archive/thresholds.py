"""Thresholds of this archive, learned from what people decided about its pictures.

**Calibration.** A probability, taken to log-odds at the base rate, is evidence for or
against a cast. In another archive, or for other people, the same evidence may weigh
more or less (*slope*), and casts may be rarer (*offset*): logit P = logit(base rate) +
offset + slope x evidence, and one offset more for what a remark keeps from *clear*, one
for what it keeps from *cast*. All are fitted to decisions by logistic regression
(Platt, 1999), drawn towards the calibration that autocast came with, slope 1 and
offsets 0, by Gaussian priors, so that few decisions move little. Pictures are decided
in an order that their scores and verdicts give: what asks, the nearest to a cast first,
say. That does no harm, since what was picked by score and remarks alone has the same
casts as other pictures of that score and those remarks (selection that is *ignorable*:
Rubin, Biometrika 63, 1976). It is why remarks have offsets: what asks is mostly what
they keep from a verdict. Pictures that people picked for their looks do harm.

**Thresholds.** Under the calibration every picture of the archive has a probability,
so the errors of any thresholds can be expected; how well slope and offsets are known
gives them a standard error. Either threshold is

* opened as far as every risk is kept even at 1.64 standard errors more (one-sided 95 %);
* closed where a risk is broken even at 1.64 fewer, to where all are kept as expected;
* left as autocast came with it where neither is so sure, and with fewer decisions than
  :data:`LEAST_DECIDED`.

So few decisions change little. A decision is taken as independent of the others; of
long series less is known than the standard error says. ``tests/studies/deciding.py``
measures what decisions are worth on groups that none of them saw.

**Risks.** People say *cast* or *fine*, no more, and may call fine what has a slight
cast. The models' own risk ``cast`` counts what was judged to have none at all, so that
the same thresholds run a larger one in people's terms: :func:`in_decisions` says how
large. By one score no thresholds ask less at all the risks that others run; decisions
buy the slack between the risks that are wanted and those that are run.

References
----------
Platt, in: Advances in Large Margin Classifiers, 1999; Rubin, Biometrika 63, 1976
(both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocast.judgement import Risks
from autocast.judgement.probability import at_base_rate

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]

LEAST_DECIDED = 50
"""Decisions below which thresholds stay as they are (project convention; see the study)."""
SLOPE_SPREAD = 0.25
"""Standard deviation of the slope about 1 before anything is decided (project convention)."""
OFFSET_SPREAD = 1.0
"""The same of the offset about 0: most archives have 0.37 to 2.7 times the odds of a cast.

Project convention."""
KEPT_SPREAD = 0.5
"""The same of both further offsets, of what remarks keep from a verdict (project convention)."""
_DEVIATIONS = NormalDist().inv_cdf(0.95)
"""Standard errors of a one-sided 95 % bound (common practice)."""
_DIGITS = 4
"""Decimals that are kept of a probability."""
_EDGE = 10.0**-_DIGITS
"""No probability is taken as more certain than this."""
_NEAR = 1e-10
"""Length of a step at which slope and offset are found."""
_STEPS = 100
"""Steps after which they are taken as they are."""


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """A calibration: its coefficients (4,) and their covariance (4, 4).

    They are the offset, the slope, and the offsets more of what is kept from ``clear``
    and from ``cast``.
    """

    coefficients: Floats
    covariance: Floats


class Expected(NamedTuple):
    """What thresholds are expected to do: the share of the archive asked, and the errors, 0..1.

    ``clear``, ``missed`` and ``cast`` are shares as in :class:`autocast.judgement.Risks`,
    a cast being what people call so.
    """

    asked: float
    clear: float
    missed: float
    cast: float


class Levels(NamedTuple):
    """Thresholds on a picture's own probability, moved to ``base_rate``."""

    base_rate: float
    clear_below: float
    cast_above: float


@dataclass(frozen=True, slots=True)
class OwnThresholds:
    """``clear`` at or below the one probability, ``cast`` above the other, else ``ask``.

    Both hold for a picture's own probability moved to ``base_rate``. ``slope`` and
    ``offset`` are those of the calibration that ``decided`` decisions gave, for pictures
    that no remark keeps from a verdict. By it, ``before`` is to be expected of the
    thresholds that autocast came with, ``after`` of these.
    """

    base_rate: float
    slope: float
    offset: float
    clear_below: float
    cast_above: float
    decided: int
    before: Expected
    after: Expected

    @classmethod
    def from_plain(cls, data: Mapping[str, Any]) -> OwnThresholds:
        """The thresholds as :func:`dataclasses.asdict` gave them; what else is there is left.

        Parameters
        ----------
        data : mapping of str to object
            The fields by name.

        Returns
        -------
        OwnThresholds
            Equal to those that were written.

        Raises
        ------
        KeyError
            A field is missing.
        """
        given = {each.name: data[each.name] for each in fields(cls)}
        given |= {name: Expected(*given[name]) for name in ("before", "after")}
        return cls(**given)


def verdicts(
    own: OwnThresholds | Levels,
    probabilities: ArrayLike,
    base_rates: ArrayLike,
    eligible: ArrayLike,
    monochrome: ArrayLike,
) -> NDArray[np.str_]:
    """The verdicts under thresholds of an archive's own.

    Parameters
    ----------
    own : OwnThresholds or Levels
        Which.
    probabilities : (N,)
        Of an evident cast, each at its own base rate, 0..1.
    base_rates : (N,)
        Above 0 and below 1; one for all will do.
    eligible : (N, 2) of bool
        Which no remark keeps from ``clear`` and from ``cast``.
    monochrome : (N,) of bool
        Which are black and white: they are clear where they may be.

    Returns
    -------
    (N,) ndarray of str
        ``clear``, ``cast`` or ``ask``.
    """
    p = _kept(probabilities, base_rates, own.base_rate)
    may, grey = (np.asarray(each, dtype=np.bool_) for each in (eligible, monochrome))
    return _verdicts(p, may, grey, own.clear_below, own.cast_above)


def learn(
    probabilities: ArrayLike,
    base_rates: ArrayLike,
    eligible: ArrayLike,
    labels: ArrayLike,
    base_rate: float,
) -> Learned:
    """The calibration that decisions give, drawn towards that which autocast came with.

    Parameters
    ----------
    probabilities : (n,)
        Of a cast, of the pictures decided, each at its own base rate, 0..1.
    base_rates : (n,)
        Above 0 and below 1; one for all will do.
    eligible : (n, 2) of bool
        Which no remark keeps from ``clear`` and from ``cast``.
    labels : (n,)
        1 for a cast, 0 for none; between them where people differ.
    base_rate : float
        That at which the probabilities are as they were calibrated, above 0 and below 1.

    Returns
    -------
    Learned
        The likeliest, and the covariance of a Gaussian about it (Laplace's approximation).

    References
    ----------
    Platt, in: Advances in Large Margin Classifiers, 1999 (from memory).
    """
    p = at_base_rate(probabilities, base_rates, base_rate)
    design = _design(p, np.asarray(eligible, dtype=np.bool_), base_rate)
    start, found = _log_odds(base_rate), np.asarray(labels, dtype=np.float64)
    spread = np.array([OFFSET_SPREAD, SLOPE_SPREAD, KEPT_SPREAD, KEPT_SPREAD])
    usual, precision = np.array([0.0, 1.0, 0.0, 0.0]), np.diag(spread**-2)

    def _loss(at: Floats) -> float:
        odds = start + design @ at
        away = at - usual
        return float((np.logaddexp(0, odds) - found * odds).sum() + away @ precision @ away / 2)

    at = usual
    for _ in range(_STEPS):
        p = _probability(start + design @ at)
        slope = design.T @ (p - found) + precision @ (at - usual)
        curvature = (design * (p * (1 - p))[:, None]).T @ design + precision
        step = np.linalg.solve(curvature, slope)
        while _loss(at - step) > _loss(at) + _NEAR:
            step = step / 2  # far from the end a whole step may lead too far
        at = at - step
        if float(np.abs(step).max()) < _NEAR:
            break
    return Learned(at, np.linalg.inv(curvature))


def in_decisions(risks: Risks, curve: Mapping[str, Sequence[float]]) -> Risks:
    """The models' risks in the terms of people who call a cast what was judged evident.

    Parameters
    ----------
    risks : Risks
        As the models keep them: ``cast`` counts what was judged to have none.
    curve : mapping of str to list
        Of ``verdict.json``: how many judged pictures of each consensus are open to a verdict
        at or below each of many probabilities.

    Returns
    -------
    Risks
        ``cast`` is the share not judged evident, of the pictures that could be told,
        above the lowest level at which ``risks.cast`` was kept; itself where none keeps it.
    """
    counts = {
        name.removeprefix("cast."): values[-1] - np.asarray(values)
        for name, values in curve.items()
        if name.startswith("cast.")
    }
    count = np.sum(list(counts.values()), axis=0)
    # One error more among one picture more, as where the models' thresholds are chosen.
    kept = counts["none"] + 1 <= risks.cast * (count + 1)
    kept = np.flatnonzero(kept & (counts["evident"] > 0))
    if not len(kept):
        return risks
    told = count - counts["cannot_tell"]
    return risks._replace(cast=float(1 - counts["evident"][kept[0]] / told[kept[0]]))


def own_thresholds(  # noqa: PLR0913, PLR0917 -- the archive's columns, decisions, what is wanted
    probabilities: ArrayLike,
    base_rates: ArrayLike,
    eligible: ArrayLike,
    monochrome: ArrayLike,
    decided: ArrayLike,
    labels: ArrayLike,
    risks: Risks,
    shipped: tuple[float, float],
    base_rate: float,
) -> OwnThresholds:
    """The thresholds that keep the risks in this archive, as far as decisions tell.

    Parameters
    ----------
    probabilities : (N,)
        Of an evident cast, of every picture, each at its own base rate, 0..1.
    base_rates : (N,)
        Above 0 and below 1; one for all will do.
    eligible : (N, 2) of bool
        Which no remark keeps from ``clear`` and from ``cast``.
    monochrome : (N,) of bool
        Which are black and white: they are clear where they may be.
    decided : (n,) of int
        Which of the pictures were decided, by their place among the N.
    labels : (n,)
        1 for a cast, 0 for none; between them where people differ.
    risks : Risks
        Shares of errors allowed, above 0 and below 1, as people decide; see
        :func:`in_decisions`.
    shipped : (float, float)
        ``clear_below`` and ``cast_above`` that the models came with, at ``base_rate``.
    base_rate : float
        That of the models' fit, above 0 and below 1; at it thresholds are stated.

    Returns
    -------
    OwnThresholds
        Those shipped, where too little was decided.

    Raises
    ------
    ValueError
        There are no pictures.

    References
    ----------
    Those of this module.
    """
    p = _kept(probabilities, base_rates, base_rate)
    if not p.size:
        raise ValueError("Thresholds of an archive need at least one picture.")
    may, grey = (np.asarray(each, dtype=np.bool_) for each in (eligible, monochrome))
    which = np.asarray(decided, dtype=np.intp)
    learned = learn(p[which], base_rate, may[which], labels, base_rate)
    design = _design(p, may, base_rate)
    likely = _probability(_log_odds(base_rate) + design @ learned.coefficients)
    clear_below, cast_above = shipped
    if len(which) >= LEAST_DECIDED:
        levels = np.unique(np.concatenate([p, (0.0, 1.0)]))
        casts, fine = _columns(likely, design), _columns(1 - likely, design)
        # What is black and white is clear at every threshold.
        low = _by_level(casts[may[:, 0]], levels, np.where(grey, 0.0, p)[may[:, 0]])
        high = _by_level(fine[may[:, 1]], levels, p[may[:, 1]])
        clear, cast = low.cumsum(axis=0), high.sum(axis=0) - high.cumsum(axis=0)
        missed = _part(clear, casts.sum(axis=0), learned)
        among_clear, among_cast = _share(clear, learned), _share(cast, learned)
        at = np.searchsorted(levels, shipped, side="right") - 1
        clear_below = _moved(
            levels, at[0], clear_below, [(among_clear, risks.clear), (missed, risks.missed)]
        )
        # From the top: the widest `cast` is the lowest level.
        cast_above = -_moved(
            -levels[::-1],
            len(levels) - 1 - at[1],
            -cast_above,
            [(among_cast.backwards(), risks.cast)],
            nothing=-1.0,
        )
        cast_above = max(cast_above, clear_below)
    before = _verdicts(p, may, grey, *shipped)
    after = _verdicts(p, may, grey, clear_below, cast_above)
    return OwnThresholds(
        base_rate=base_rate,
        slope=float(learned.coefficients[1]),
        offset=float(learned.coefficients[0]),
        clear_below=clear_below,
        cast_above=cast_above,
        decided=len(which),
        before=_expected(before, likely),
        after=_expected(after, likely),
    )


def _kept(probabilities: ArrayLike, base_rates: ArrayLike, base_rate: float) -> Floats:
    """Probabilities at one base rate, to the digits that are kept of them."""
    return np.round(at_base_rate(probabilities, base_rates, base_rate), _DIGITS)


def _log_odds(probability: ArrayLike) -> Floats:
    p = np.clip(np.asarray(probability, dtype=np.float64), _EDGE, 1 - _EDGE)
    return np.log(p / (1 - p))


def _probability(log_odds: Floats) -> Floats:
    return np.asarray((1 + np.tanh(log_odds / 2)) / 2)


def _verdicts(
    p: Floats, may: Bools, grey: Bools, clear_below: float, cast_above: float
) -> NDArray[np.str_]:
    """The one rule; the same as where the models' own thresholds are applied."""
    clear = ((p <= clear_below) | grey) & may[:, 0]
    cast = (p > cast_above) & may[:, 1]
    return np.asarray(np.where(clear, "clear", np.where(cast, "cast", "ask")))


def _design(p: Floats, may: Bools, base_rate: float) -> Floats:
    """What the coefficients of a calibration are multiplied with (N, 4)."""
    evidence = _log_odds(p) - _log_odds(base_rate)
    return np.column_stack([np.ones_like(evidence), evidence, ~may])


def _columns(likely: Floats, design: Floats) -> Floats:
    """Of each picture (N, 6): itself, its probability, and how the coefficients change that.

    Of the other error, 1 - p, they change it with the other sign, which no variance minds.
    """
    change = likely * (1 - likely)
    return np.column_stack([np.ones_like(likely), likely, change[:, None] * design])


def _by_level(columns: Floats, levels: Floats, at: Floats) -> Floats:
    """Columns (n, 6) summed by the level (L, 6) that each picture lies at."""
    where = np.searchsorted(levels, at)
    sums = [np.bincount(where, weights=each, minlength=len(levels)) for each in columns.T]
    return np.stack(sums, axis=1)


class _Risk(NamedTuple):
    """At each level (L,): the share of errors, its standard error, and whether it is of any."""

    share: Floats
    error: Floats
    some: Bools

    def backwards(self) -> _Risk:
        """From the highest level."""
        return _Risk(self.share[::-1], self.error[::-1], self.some[::-1])


def _share(sums: Floats, learned: Learned) -> _Risk:
    """Of errors among pictures, by :func:`_columns` summed (L, 6)."""
    count = np.maximum(sums[:, :1], 1)
    share = (sums / count)[:, 1]
    return _Risk(share, _error(sums[:, 2:] / count, learned), sums[:, 0] > 0)


def _part(sums: Floats, whole: Floats, learned: Learned) -> _Risk:
    """Of errors among all casts (``whole`` (6,)), whose number is not sure, either."""
    casts = whole[1]
    part = sums[:, 1] / casts
    change = (sums[:, 2:] - part[:, None] * whole[2:]) / casts
    return _Risk(part, _error(change, learned), sums[:, 0] > 0)


def _error(change: Floats, learned: Learned) -> Floats:
    """Standard error of what changes so (L, 4) with the coefficients."""
    return np.asarray(np.sqrt(np.einsum("li,ij,lj->l", change, learned.covariance, change)))


def _moved(
    levels: Floats,
    at: int,
    shipped: float,
    risks: Sequence[tuple[_Risk, float]],
    nothing: float = 0.0,
) -> float:
    """The threshold to go by, of ascending levels, of which the one shipped is the one ``at``."""

    def _widest(deviations: float) -> float:
        kept = np.all(
            [r.some & (r.share + deviations * r.error <= wanted) for r, wanted in risks], axis=0
        )
        return float(levels[kept].max(initial=nothing))

    surely = _widest(_DEVIATIONS)
    if surely > shipped:
        return surely
    if any(r.share[at] - _DEVIATIONS * r.error[at] > wanted for r, wanted in risks):
        return min(shipped, _widest(0.0))
    return shipped


def _expected(verdict: NDArray[np.str_], likely: Floats) -> Expected:
    clear, cast = verdict == "clear", verdict == "cast"
    return Expected(
        asked=float((verdict == "ask").mean()),
        clear=float(likely[clear].sum() / max(clear.sum(), 1)),
        missed=float(likely[clear].sum() / likely.sum()),
        cast=float((1 - likely[cast]).sum() / max(cast.sum(), 1)),
    )
