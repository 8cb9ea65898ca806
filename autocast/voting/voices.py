"""Voices: everything that names a cast, and what a gate knows of them when it weighs them.

A voice is an estimate of the cast: a class's, the count's of a part, a published
estimator's, the trees'. The estimate is their weighted mean. The weights come of
a fitted gate (:class:`autocast.modelstore.gate.Gate`), a mixture of experts (Jacobs,
Jordan, Nowlan & Hinton, Neural Computation 3, 1991, from memory): they sum to one, so
that the estimate is its own explanation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.judgement.things import CLASSES, NEUTRALS, TREES
from autocast.modelstore import TARGETS
from autocast.voting.features import dictionary

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]
Columns = NDArray[np.intp]

COLOURS = frozenset(f"{name}.reads" for name in CLASSES if name != NEUTRALS)
"""Colours among the features that are no cast: what sky, leaves and skin read."""
FAR = 10.0
"""a*b* that count as one when a gate is given what voices say."""
FARTHEST = 3.0
"""Such steps beyond which they make no more difference to it."""


@dataclass(frozen=True, slots=True, eq=False)
class VoiceLayout:
    """Where the voices stand in a list of features, and the plain numbers beside them.

    ``columns`` (V, 2) are those of a* and b* of the V voices before the trees';
    ``names`` and ``kinds`` are those of all V + 4; ``plain`` are the columns of numbers
    that are no cast and that the first stage is given.
    """

    names: tuple[str, ...]
    kinds: tuple[str, ...]
    columns: Columns
    plain: Columns


@lru_cache(maxsize=8)
def voice_layout(names: tuple[str, ...]) -> VoiceLayout:
    """The voices among a list of features.

    Parameters
    ----------
    names : tuple of str
        The features in order; a name without a record is a plain number.

    Returns
    -------
    VoiceLayout
        Columns of that list.
    """
    column = {name: k for k, name in enumerate(names)}
    known = [dictionary().get(name) for name in names]
    voices = [
        each
        for each in known
        if each is not None
        and each.axis == "a"
        and each.cast not in COLOURS
        and f"{each.cast}.b" in column
    ]
    plain = [k for k, each in enumerate(known) if each is None or (each.first and not each.cast)]
    pairs = [(column[f"{each.cast}.a"], column[f"{each.cast}.b"]) for each in voices]
    return VoiceLayout(
        names=(*(each.cast for each in voices), *(f"{TREES}.{target}" for target in TARGETS)),
        kinds=(*(each.kind for each in voices), *(TREES for _ in TARGETS)),
        columns=np.array(pairs, dtype=np.intp).reshape(-1, 2),
        plain=np.array(plain, dtype=np.intp),
    )


def voices_of(names: tuple[str, ...], features: Floats, trees: Floats) -> Floats:
    """What every voice says.

    Parameters
    ----------
    names : tuple of str
        The F features in order.
    features : (n, F) ndarray
        Their values; NaN where nothing could be read.
    trees : (n, 4, 2) ndarray
        The first stage's casts of :data:`autocast.modelstore.TARGETS`, a*, b* at L* 60.

    Returns
    -------
    (n, V + 4, 2) ndarray
        a*, b* at L* 60; NaN for the silent.
    """
    return np.concatenate([features[:, voice_layout(names).columns], trees], axis=1)


def gate_inputs(
    names: tuple[str, ...], features: Floats, anchor: Floats, voices: Floats
) -> tuple[Floats, Bools]:
    """What the gate is given: plain numbers, and where the voices lie about the anchor.

    Parameters
    ----------
    names : tuple of str
        The F features in order.
    features : (n, F) ndarray
        Their values; NaN where nothing could be read.
    anchor : (n, 2) ndarray
        As of :func:`autocast.voting.fitted.anchored`.
    voices : (n, V + 4, 2) ndarray
        As of :func:`voices_of`.

    Returns
    -------
    inputs : (n, I) ndarray
        The plain numbers; of each voice its distance, its cast in steps of :data:`FAR`
        and whether it is silent.
    silent : (n, V + 4) ndarray of bool
        Voices that say nothing.
    """
    off = voices - anchor[:, None]
    silent = np.asarray(np.isnan(off).any(axis=-1))
    distance = np.log1p(np.hypot(off[..., 0], off[..., 1]))
    said = np.clip(np.nan_to_num(off / FAR), -FARTHEST, FARTHEST).reshape(len(features), -1)
    plain = features[:, voice_layout(names).plain]
    return np.concatenate([plain, distance, silent, said], axis=1), silent
