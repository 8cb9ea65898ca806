"""From a probability to ``clear``, ``cast`` or ``ask``, at risks and a base rate of one's own.

The file ``verdict.json`` holds a curve: of the pictures that the nested fits
judged without having seen their group, how many of each consensus lie at or
below each of many probabilities. From it the thresholds are chosen anew for any
risks and any base rate, so that neither needs a new fit.

**Eligible.** Whatever its probability, a picture may be handed to a person: its
light is mixed, nothing of known colour is there, known colours contradict each other.
Such a picture is not eligible for ``clear``, for ``cast`` or for either
(:func:`autocast.advisor.gates.kept_from`), and counts for no threshold it cannot pass:
the risks are those of the verdicts as they are given.

**Base rate.** Only the mix of pictures is assumed to differ, not how a picture of
one kind is scored. Then the odds of a probability are multiplied by the odds of the
new base rate over those of the old
(:func:`autocast.judgement.probability.at_base_rate`). A threshold that keeps a risk
at one base rate does not keep it at another: among fewer evident casts the same
``clear`` holds fewer of them, and the same ``cast`` holds more faultless pictures.
So evident pictures of the curve count by new over old base rate, all others by what
is left over, and the thresholds are chosen on those counts.

**Risk.** A threshold holds a risk as ``expected`` when one more error among one more
picture would still be within it: (errors + 1) / (pictures + 1). That is the finite-sample
correction of conformal risk control, which holds the share of errors on average over
draws of the judged pictures; it is proven for shares of a fixed number of pictures, as of
all evident ones, and taken over to shares of those that are called so. ``strict`` asks
for more: the one-sided 95 % upper bound of the share
(:func:`autocast.judgement.binomial.exceeds`) stays within the risk, and the threshold
holds it as ``bound``. At another base rate either is taken of the pictures as they were
counted and then moved as a share is, the mix among those called rightly being taken as
counted. Where too few pictures were judged for any threshold to
hold so, the one is taken whose share of errors itself stays within the risk, and it holds
``share``; where there is none, nothing is called so and it holds ``none``. The threshold
is the widest that holds; that it was picked among many is not allowed for, which costs
little (a test measures it).

References
----------
Angelopoulos, Bates, Fisch, Lei & Schuster, Conformal risk control, ICLR 2024 (from
memory, not verified). Clopper & Pearson, Biometrika 26, 1934.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, cast as as_type

import numpy as np
from numpy.typing import NDArray

from autocast.errors import AssumptionError
from autocast.judgement import Assumptions, Leaning, Risks, Verdict
from autocast.judgement.binomial import exceeds
from autocast.judgement.given import number
from autocast.judgement.probability import at_base_rate

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]
Counts = NDArray[np.integer[Any]]
Held = Literal["expected", "bound", "share", "none"]

CONSENSUS = ("none", "doubtful", "slight", "evident", "cannot_tell")
"""What two looks agree on, in the order of the tables."""
LEAST_SURE = 1e-4
"""Probability, from either end, at which log-odds stop (the digits kept of probabilities)."""


@dataclass(frozen=True, slots=True)
class Thresholds:
    """``clear`` at or below the one probability, ``cast`` above the other, else ``ask``.

    ``clear_held`` and ``cast_held`` say how each keeps its risk.
    """

    clear_below: float
    cast_above: float
    clear_held: Held = "none"
    cast_held: Held = "none"

    def verdict(
        self, probability: Floats, eligible: Bools, monochrome: Bools | None = None
    ) -> NDArray[np.str_]:
        """The one rule by which verdicts are given.

        Parameters
        ----------
        probability : (n,) ndarray
            At the base rate of the fit, 0..1.
        eligible : (n, 2) ndarray of bool
            Which may be called ``clear`` and which ``cast``.
        monochrome : (n,) ndarray of bool, optional
            What is so and may be called clear is: its greys have no cast, whatever the
            trees make of it.

        Returns
        -------
        (n,) ndarray of str
            ``clear``, ``cast`` or ``ask``.
        """
        low = probability <= self.clear_below
        clear = (low if monochrome is None else low | monochrome) & eligible[:, 0]
        cast = (probability > self.cast_above) & eligible[:, 1]
        return np.where(clear, "clear", np.where(cast, "cast", "ask"))

    def verdict_of(
        self, probability: float, eligible: tuple[bool, bool], *, monochrome: bool
    ) -> Verdict:
        """:meth:`verdict` of one picture.

        Parameters
        ----------
        probability : float
            At the base rate of the fit, 0..1.
        eligible : (bool, bool)
            May it be called ``clear``, and may it be called ``cast``?
        monochrome : bool
            Is it black and white?

        Returns
        -------
        str
            ``clear``, ``cast`` or ``ask``.
        """
        rows = np.array([probability]), np.array([eligible]), np.array([monochrome])
        return as_type("Verdict", str(self.verdict(*rows)[0]))

    def leans(self, probability: float) -> Leaning:
        """Which of the two verdicts a probability is nearer to.

        Parameters
        ----------
        probability : float
            At the base rate of the fit, 0..1.

        Returns
        -------
        str
            ``clear`` or ``cast``: whose threshold is nearer in log-odds.
        """
        low, at, high = (
            math.log(value / (1 - value))
            for value in np.clip(
                (self.clear_below, probability, self.cast_above), LEAST_SURE, 1 - LEAST_SURE
            )
        )
        return "clear" if at - low < high - at else "cast"


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """How many pictures of each consensus lie at or below each of L probabilities.

    ``levels`` (L,) ascend to the highest probability of all. ``clear`` (L x 5)
    counts the pictures open to that verdict, ``cast`` (L x 5) those open to the
    other, ``total`` (5,) all. Probabilities are those at the base rate of the
    pictures themselves.
    """

    levels: Floats
    clear: Counts
    cast: Counts
    total: Counts

    @classmethod
    def from_plain(cls, data: Mapping[str, Any]) -> Curve:
        """The curve as :meth:`to_plain` gave it.

        Parameters
        ----------
        data : mapping of str to list
            The levels, and the counts by verdict and consensus.

        Returns
        -------
        Curve
            Equal to the one that was written.

        Raises
        ------
        KeyError
            An entry is missing.
        """
        clear, cast = (
            np.array([data[f"{verdict}.{name}"] for name in CONSENSUS], dtype=np.int64).T
            for verdict in ("clear", "cast")
        )
        total = np.array(data["total"], dtype=np.int64)
        return cls(np.array(data["levels"], dtype=np.float64), clear, cast, total)

    def to_plain(self) -> dict[str, list[Any]]:
        """Plain lists, ready for JSON.

        Returns
        -------
        dict of str to list
            ``levels``, ``total``, and the counts by ``verdict.consensus``.
        """
        columns = {
            f"{verdict}.{name}": counts[:, k].tolist()
            for verdict, counts in (("clear", self.clear), ("cast", self.cast))
            for k, name in enumerate(CONSENSUS)
        }
        return {"levels": self.levels.tolist(), "total": self.total.tolist(), **columns}

    @property
    def base_rate(self) -> float:
        """Share of evident pictures among those that could be judged.

        Returns
        -------
        float
            0..1.
        """
        total = dict(zip(CONSENSUS, self.total.tolist(), strict=True))
        return float(total["evident"] / (sum(total.values()) - total["cannot_tell"]))

    def thresholds(
        self, risks: Risks, base_rate: float | None = None, *, strict: bool = False
    ) -> Thresholds:
        """The widest ``clear`` and ``cast`` that keep the risks at a base rate.

        Parameters
        ----------
        risks : Risks
            Shares of error allowed, above 0 and below 1.
        base_rate : float, optional
            Share of evident pictures to keep them at, above 0 and below 1; the curve's
            own unless given.
        strict : bool
            Hold the risks by their upper bounds, not as expected.

        Returns
        -------
        Thresholds
            Levels of the curve, at the curve's own base rate; 0 for ``clear_below`` and
            1 for ``cast_above`` where no level holds.

        References
        ----------
        Those of this module.
        """
        was = self.base_rate
        now = was if base_rate is None else base_rate
        weight = np.full(len(CONSENSUS), (1 - now) / (1 - was))
        evident, none = CONSENSUS.index("evident"), CONSENSUS.index("none")
        weight[evident] = now / was
        clear, cast = self.clear, self.cast[-1] - self.cast
        missed = _Errors(
            clear[:, evident],
            np.full(len(clear), self.total[evident]),
            np.full(len(clear), risks.missed),
        )
        clear_at, clear_held = _widest(
            [_errors(clear, weight, evident, risks.clear), missed], strict=strict
        )
        # From the top: the widest `cast` is the lowest level.
        down, cast_held = _widest([_errors(cast[::-1], weight, none, risks.cast)], strict=strict)
        clear_below = 0.0 if clear_at is None else float(self.levels[clear_at])
        cast_above = 1.0 if down is None else float(self.levels[::-1][down])
        return Thresholds(clear_below, max(cast_above, clear_below), clear_held, cast_held)


class _Errors(NamedTuple):
    """At each level: errors, pictures, and the share of errors allowed among pictures counted."""

    errors: Counts
    pictures: Counts
    allowed: Floats


def _errors(counts: Counts, weight: Floats, wrong: int, risk: float) -> _Errors:
    """Errors (column ``wrong``) of counts (L x 5), and the share that a weighted risk allows."""
    errors, pictures = counts[:, wrong], counts.sum(axis=1)
    right = np.maximum(pictures - errors, 1)
    right_weight = (counts @ weight - errors * weight[wrong]) / right
    allowed = risk * right_weight / (weight[wrong] * (1 - risk) + risk * right_weight)
    return _Errors(errors, pictures, allowed)


def _widest(risks: list[_Errors], *, strict: bool) -> tuple[int | None, Held]:
    """The last level at which every risk is kept: as it is wanted, or else by its share."""
    wanted: tuple[Held, Callable[[int, int, float], bool]] = (
        ("bound", lambda errors, count, allowed: not exceeds(errors, count, allowed))
        if strict
        else ("expected", lambda errors, count, allowed: errors + 1 <= allowed * (count + 1))
    )
    counted: tuple[Held, Callable[[int, int, float], bool]] = (
        "share", lambda errors, count, allowed: count > 0 and errors <= allowed * count
    )  # fmt: skip
    for held, keeps in (wanted, counted):
        for level in reversed(range(len(risks[0].errors))):
            at = [(int(r.errors[level]), int(r.pictures[level]), r.allowed[level]) for r in risks]
            if all(keeps(*each) for each in at):
                return level, held
    return None, "none"


@dataclass(frozen=True, slots=True)
class Rule:
    """How verdicts are given: from which base rate, to which, at which thresholds and risks.

    ``thresholds`` apply to the probability that the models were calibrated to,
    at the base rate ``fitted``; ``base_rate`` is the one assumed.
    """

    fitted: float
    base_rate: float
    risks: Risks
    thresholds: Thresholds

    def at_base_rate(self, probability: float) -> float:
        """A probability moved to the base rate assumed.

        Parameters
        ----------
        probability : float
            At the base rate of the fit, 0..1.

        Returns
        -------
        float
            At :attr:`base_rate`, 0..1; see
            :func:`autocast.judgement.probability.at_base_rate`.
        """
        return float(at_base_rate(probability, self.fitted, self.base_rate))


def rule(settings: Mapping[str, Any], assumptions: Assumptions) -> Rule:
    """The rule of ``verdict.json``, changed by what a caller assumes.

    Parameters
    ----------
    settings : mapping of str to object
        Contents of ``verdict.json``.
    assumptions : Assumptions
        Base rate and risks that go before it, and how strictly they are held.

    Returns
    -------
    Rule
        With thresholds chosen anew where anything is assumed.

    Raises
    ------
    AssumptionError
        An assumption is no share between 0 and 1.
    """
    for name, value in assumptions.given().items():
        if not 0 < number(value) < 1:
            raise AssumptionError(
                f"{name} is {value!r:.40}; give a share between 0 and 1, such as 0.05 for 5 %."
            )
    risks = Risks(
        **{
            name: settings["risks"][name] if value is None else value
            for name, value in assumptions.risks.items()
        }
    )
    fitted = settings["base_rate"]
    base_rate = fitted if assumptions.base_rate is None else assumptions.base_rate
    if not (assumptions.given() or assumptions.strict):
        names = ("clear_below", "cast_above", "clear_held", "cast_held")
        thresholds = Thresholds(*(settings[name] for name in names))
    else:
        curve = Curve.from_plain(settings["curve"])
        thresholds = curve.thresholds(risks, base_rate, strict=assumptions.strict)
    return Rule(fitted, base_rate, risks, thresholds)
