"""One picture's estimate and probability, with a person's hints or without.

And what they rest on: the voices' weights, and what changes when a kind of evidence is
left out. Whatever is left out, and whatever is hinted, the same stages speak.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.judgement import TONE_RANGES
from autocast.judgement.limits import HINT_DOUBTED_FROM
from autocast.judgement.things import HINT
from autocast.voting.analysis import Analysis, Hinted, analyse_under
from autocast.voting.conditioning import Estimate, condition, distance, estimate_of, given
from autocast.voting.features import extract, leave_each_out
from autocast.voting.fitted import assess, estimate
from autocast.voting.hints import HintVote
from autocast.voting.posterior import recount
from autocast.voting.voices import voice_layout

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Voice:
    """One voice of the whole's cast: its name, its kind, what it says, and how much it counts.

    ``cast`` is a*, b* at L* 60; ``weight``, 0..1, is its share of the estimate without hints.
    """

    name: str
    kind: str
    cast: tuple[float, float]
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """An analysis with what is estimated of it, hints included.

    ``uneven`` are the log-odds that a part of the frame has a cast of its own.
    ``without`` holds the probability, and ``moved`` the distance by which the whole's cast
    moves (a*b* at L* 60), when a kind of evidence is left out; both are empty where that
    was not asked.
    """

    analysis: Analysis
    estimate: Estimate
    voices: tuple[Voice, ...]
    probability: float
    uneven: float
    without: Mapping[str, float]
    moved: Mapping[str, float]


def weigh(analysis: Analysis, votes: Sequence[HintVote] = (), *, explain: bool = True) -> Weighed:
    """Estimate the cast, take in the hints, and ask how likely it is an evident one.

    Parameters
    ----------
    analysis : Analysis
        Without hints.
    votes : sequence of HintVote
        The hints.
    explain : bool
        Leave out each kind of evidence in turn as well.

    Returns
    -------
    Weighed
        Its analysis is the one under the hints, where there are any.
    """
    estimator = analysis.scene.models.estimator
    features = extract(analysis)
    left_out = leave_each_out(features, analysis) if explain else {}
    found = estimate([features, *left_out.values()], estimator)
    before = [
        estimate_of(casts, deviation, found.correlation)
        for casts, deviation in zip(found.casts, found.deviation, strict=True)
    ]
    after = [condition(each, votes) for each in before]
    known, names = found.features, [*left_out]
    if votes and explain:
        # What the hints changed is asked last: the estimate as it was before them.
        before, after = [*before, before[0]], [*after, before[0]]
        known, names = np.concatenate([known, known[:1]]), [*names, HINT]
    probability, uneven = assess(known, given(before, after), estimator)
    mean = after[0].casts[0]
    return Weighed(
        analysis=_under(analysis, before[0], after[0], votes) if votes else analysis,
        estimate=after[0],
        voices=_voices(estimator.features, found.voices[0], found.weights[0, 0]),
        probability=float(probability[0]),
        uneven=float(uneven[0]),
        without=dict(zip(names, map(float, probability[1:]), strict=True)),
        moved={
            name: float(np.hypot(*(each.casts[0] - mean)))
            for name, each in zip(names, after[1:], strict=True)
        },
    )


def _voices(names: tuple[str, ...], said: Floats, weights: Floats) -> tuple[Voice, ...]:
    layout = voice_layout(names)
    return tuple(
        Voice(name, kind, (float(cast[0]), float(cast[1])), float(weight))
        for name, kind, cast, weight in zip(layout.names, layout.kinds, said, weights, strict=True)
        if not np.isnan(cast).any()
    )


def _under(
    analysis: Analysis, before: Estimate, after: Estimate, votes: Sequence[HintVote]
) -> Analysis:
    """The analysis given a person's hints; one that little else allows is doubted.

    All else is the picture, and the other hints.
    """
    contradicted = tuple(
        distance(condition(before, [other for other in votes if other is not each]), each)
        > HINT_DOUBTED_FROM
        for each in votes
    )
    casts = {
        name: (after.casts[k], after.covariance[k, :, k])
        for k, name in enumerate((None, *TONE_RANGES))
    }
    likelihoods = analysis.log_likelihoods
    under = analyse_under(
        analysis.scene, analysis.character, likelihoods, recount(likelihoods, casts)
    )
    return replace(under, hinted=Hinted(tuple(votes), contradicted))
