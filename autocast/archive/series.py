"""Find the series of an archive, pool the evidence of each, and keep what they say.

Pictures of one folder and one camera make a series: those with capture times
in order of time, broken where a pause is long; the others by names that differ
in their last number alone, as a scanner numbers them. Where no camera is known
either, the numbers must be in a row and the pictures of one size: a folder of many
senders is no series. Something is claimed of a series only where its pictures,
each by itself, bear it out. What the series says is kept beside each
picture's own judgement, never in its place.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import islice

import numpy as np

from autocast.archive.ledger import Ledger, SeriesRow, Single
from autocast.archive.pooling import (
    CastPrior,
    Floats,
    Pooled,
    Readings,
    learn,
    pool,
    readings,
)
from autocast.judgement import EVIDENT_FROM, SLIGHT_FROM

LEAST = 3
"""Pictures that make a series; of two, neither can be the odd one (project convention)."""
MOST = 400
"""Pictures after which a series is cut, so that memory stays small (project convention)."""
PAUSE = timedelta(minutes=30)
"""A pause after which the light may be another (project convention)."""
SURE = 0.9
"""Probability from which the fault of a series is a finding (project convention)."""
_LEARN_FROM = 2000
"""Series from which is learned how series are; more would add little (project convention)."""

_NO_CAMERA_BEFORE = 1990
"""Year from which a camera's clock is believed (project convention)."""

_ONE_WAY = np.cos(np.pi / 4)
"""Cosine between casts of one direction: nearer to it than to any at a right angle (project
convention)."""
_ALIKE = 0.02
"""Share by which sides of such pictures may differ, as a scanner's do (project convention)."""

_NUMBER = re.compile(r"\d+(?=\D*$)")
_SILENT = ("monochrome", "toned", "not_photograph", "dark")
"""Remarks of pictures whose colour says nothing about the light."""


def refresh_series(ledger: Ledger, cast_prior: CastPrior) -> None:
    """Find the series anew, pool each, and keep what they say."""
    found = (_readings(singles, cast_prior) for singles in series_of(ledger.singles()))
    prior = learn(list(islice(found, _LEARN_FROM)), cast_prior)
    with ledger.series_anew() as keep:
        for singles in series_of(ledger.singles()):
            pictures = _readings(singles, cast_prior)
            keep(*_kept(singles, pictures, pool(pictures, prior)))


def series_of(singles: Iterator[Single]) -> Iterator[list[Single]]:
    """The series among pictures that come by folder, camera, time and path."""
    waiting: dict[str, list[Single]] = {}
    before: Single | None = None
    for single in singles:
        place = (single.folder, single.camera)
        if before is not None and (place != (before.folder, before.camera)):
            yield from _long_enough(waiting)
            waiting = {}
        before = single
        if _silent(single) and not _unspoken(single):
            continue
        key = _key(single, waiting)
        waiting.setdefault(key, []).append(single)
        if len(waiting[key]) >= MOST:
            yield from _long_enough({key: waiting.pop(key)})
    yield from _long_enough(waiting)


def _long_enough(waiting: dict[str, list[Single]]) -> Iterator[list[Single]]:
    for series in waiting.values():
        yield from (part for part in _borne_out(series) if len(part) >= LEAST)


def _borne_out(series: list[Single]) -> list[list[Single]]:
    """The parts of a series that more than a common name speaks for."""
    if not _unspoken(series[0]):
        return [series]
    parts: list[list[Single]] = []
    before: int | None = None
    run = 0  # where in ``parts`` the numbers in a row begin
    for single in sorted(series, key=_number):
        number = _number(single)
        if before is not None and number > before + 1:
            run = len(parts)
        before = number
        if _silent(single):
            continue
        # Fronts and backs, or slides and prints, may take turns.
        part = next((part for part in parts[run:] if _alike(single, part[-1])), None)
        if part is None:
            parts.append([single])
        else:
            part.append(single)
    return parts


def _unspoken(single: Single) -> bool:
    """Does nothing but its name tell what a picture belongs to?"""
    return not single.camera and _time(single.taken) is None


def _silent(single: Single) -> bool:
    return bool(set(single.remarks) & set(_SILENT))


def _number(single: Single) -> int:
    found = _NUMBER.search(os.path.basename(os.fsdecode(single.path)))  # noqa: PTH119 -- bytes
    return int(found[0]) if found else 0


def _alike(one: Single, other: Single) -> bool:
    """Are two pictures of one size, either way up?"""
    sides = zip(*(sorted((s.width, s.height)) for s in (one, other)), strict=True)
    return all(abs(a - b) <= _ALIKE * max(a, b) for a, b in sides)


def _key(single: Single, waiting: dict[str, list[Single]]) -> str:
    """Which of the series that are open in this folder a picture belongs to."""
    time = _time(single.taken)
    if time is None:
        return _NUMBER.sub("#", os.path.basename(os.fsdecode(single.path)))  # noqa: PTH119
    timed = [key for key in waiting if key.startswith("/")]  # no name holds a slash
    if timed:
        last = _time(waiting[timed[-1]][-1].taken)
        if last is not None and time - last <= PAUSE:
            return timed[-1]
    return f"/{single.taken} {len(timed)}"


def _time(taken: str) -> datetime | None:
    """A capture time as EXIF writes it; clocks that were never set do not count."""
    try:
        time = datetime.strptime(taken[:19], "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 -- EXIF has no zone
    except ValueError:
        return None
    return time if time.year >= _NO_CAMERA_BEFORE else None


def _readings(singles: list[Single], cast_prior: CastPrior) -> Readings:
    casts = np.array([(s.a, s.b) for s in singles])
    covariances = np.array([((s.var_a, s.cov_ab), (s.cov_ab, s.var_b)) for s in singles])
    return readings(casts, covariances, cast_prior)


def is_finding(
    pictures: Readings, pooled: Pooled, probabilities: Floats, base_rates: Floats
) -> bool:
    """Whether a series has one and the same fault.

    Most of its pictures share one cast, surely a slight one at least; most read it by themselves;
    and their own judgements (n,) do not think it less likely a fault than usual: a shared
    cast may be believable, as in evening sun.
    """
    if not _agrees(pictures, pooled) or pooled.fault < SURE:
        return False
    return float(np.median((probabilities - base_rates)[pooled.sharing])) >= 0


def _agrees(pictures: Readings, pooled: Pooled) -> bool:
    """Whether most pictures share one cast, and bear it out by what each read by itself.

    Pooling alone would find it of pictures that read little, for those foretell nothing and
    gainsay nothing. A picture bears a cast out that reads it: a slight one at least, and of one
    direction; or none to speak of, as the series. One that reads the contrary cancels another.
    """
    sharing = pooled.sharing
    if pooled.agreed < 0.5 or int(sharing.sum()) < max(LEAST, len(sharing) / 2):
        return False
    size = np.hypot(*pictures.own.T)
    shared = float(np.hypot(*pooled.shared))
    none = size < SLIGHT_FROM
    if shared < SLIGHT_FROM:
        bears, gainsays = none, size >= EVIDENT_FROM
    else:
        bears = ~none & (pictures.own @ pooled.shared >= _ONE_WAY * size * shared)
        gainsays = none & (np.hypot(*(pictures.own - pooled.shared).T) >= SLIGHT_FROM)
    bears, gainsays = sharing & bears, ~bears & gainsays
    return int(bears.sum() - gainsays.sum()) > len(sharing) / 2


def _kept(
    singles: list[Single], pictures: Readings, pooled: Pooled
) -> tuple[SeriesRow, Iterator[tuple[object, ...]]]:
    sharing = pooled.sharing
    finding = is_finding(
        pictures,
        pooled,
        np.array([single.probability for single in singles]),
        np.array([single.base_rate for single in singles]),
    )
    apart = np.hypot(*(pictures.own - pooled.shared).T) >= EVIDENT_FROM
    odd = ~sharing & apart & _agrees(pictures, pooled)
    # The picture that shows the fault best: the likeliest of those that share it.
    lead = max(
        (k for k in range(len(singles)) if sharing[k] or not sharing.any()),
        key=lambda k: (singles[k].probability, -k),
    )
    ordered = sorted(singles, key=lambda s: (s.taken, s.path))
    row = SeriesRow(
        folder=singles[0].folder,
        camera=singles[0].camera,
        first=ordered[0].id,
        last=ordered[-1].id,
        count=len(singles),
        sharing=int(sharing.sum()),
        a=float(pooled.shared[0]),
        b=float(pooled.shared[1]),
        spread=float(np.sqrt(np.trace(pooled.shared_covariance) / 2)),
        apart=pooled.apart,
        probability=pooled.fault,
        finding=finding,
        lead=singles[lead].id,
    )
    members = zip(
        (single.id for single in singles),
        *pooled.mean.T.tolist(),
        pooled.spread.tolist(),
        pooled.share.tolist(),
        odd.tolist(),
        strict=True,
    )
    return row, members
