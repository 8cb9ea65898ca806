"""How many casts there are, and how many slipped through."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from numpy.typing import NDArray
from scipy.stats import hypergeom

from autocast.archive.shares import LEAST_SAMPLED, Leak, Share, cast_share, looks_needed, slipped
from autocast.judgement.probability import at_base_rate

Floats = NDArray[np.floating[Any]]


def archive(count: int, rate: float, seed: int) -> tuple[Floats, Floats]:
    """Probabilities at a base rate of 0.25, and labels whose share is about ``rate``."""
    rng = np.random.default_rng(seed)
    cast = rng.random(count) < rate
    odds = np.exp(rng.normal(np.where(cast, 1.0, -1.0) * 1.5, np.sqrt(3.0))) / 3
    return np.round(odds / (1 + odds), 4), cast.astype(np.float64)


def drawn(p: Floats, labels: Floats, n: int, seed: int) -> Share:
    which = np.random.default_rng(seed).choice(len(p), n, replace=False)
    return cast_share(p, p[which], labels[which])


def test_where_the_model_tells_nothing_the_share_is_that_of_the_sample() -> None:
    # 12 casts of 40, in an archive of 400 of which nothing is known: by hand, as Wilson's.
    share = cast_share(np.full(400, 0.2), np.full(40, 0.2), np.repeat([1.0, 0.0], [12, 28]))
    assert share.share == pytest.approx(0.3)
    assert (share.looked_at, share.pictures) == (40, 400)
    left, larger = 1 - 40 / 400, 40 / 39  # finite population; the sample's own variance
    for bound in (share.low, share.high):
        error = 1.959964 * np.sqrt(larger * bound * (1 - bound) * left / 40)
        assert abs(bound - 0.3) == pytest.approx(error + left / 160, abs=1e-6)


def test_a_share_by_hand() -> None:
    # Half of the archive is at odds of 1 to 4, half at 4 to 1; of 15 of each 4 and 13 are casts.
    p = np.repeat([0.2, 0.8], 500)
    labels = np.repeat([1.0, 0.0, 1.0, 0.0], [4, 11, 13, 2])
    share = cast_share(p, np.repeat([0.2, 0.8], 15), labels)
    # The sample is divided as the archive is, so that nothing is to be corrected.
    assert share.share == pytest.approx(17 / 30)
    # 25 of the low half and 5 of the high: 9 casts are what was expected, so nothing is moved.
    share = cast_share(p, np.repeat([0.2, 0.8], [25, 5]), np.repeat([1.0, 0.0], [9, 21]))
    assert share.share == pytest.approx(0.5)


def test_the_base_rate_of_the_probabilities_makes_no_difference() -> None:
    p, labels = archive(900, 0.1, 1)
    own = drawn(p, labels, 60, 2)
    moved = drawn(at_base_rate(p, 0.25, 0.07), labels, 60, 2)
    assert own.share == pytest.approx(moved.share, abs=1e-4)
    assert own.low == pytest.approx(moved.low, abs=1e-4)
    assert own.high == pytest.approx(moved.high, abs=1e-4)


def test_once_all_was_decided_the_share_is_known() -> None:
    p, labels = archive(80, 0.3, 3)
    share = cast_share(p, p, labels)
    assert share.low == share.share == share.high == pytest.approx(labels.mean())


@pytest.mark.parametrize("label", [0.0, 1.0])
def test_alike_decisions_leave_a_width(label: float) -> None:
    p, _ = archive(2000, 0.1, 4)
    share = cast_share(p, p[:60], np.full(60, label))
    bound = share.high if label == 0 else 1 - share.low
    assert share.share == label
    assert (share.low, share.high)[int(label)] == pytest.approx(label, abs=60 / 2000)
    # Without a model, Wilson's is 0.060 and, corrected for continuity, 0.074.
    assert 0.03 < bound < 0.074


def test_a_model_that_knows_narrows_the_interval() -> None:
    p, labels = archive(5000, 0.25, 5)
    knows = drawn(p, labels, 100, 6)
    nothing = drawn(np.full(5000, 0.25), labels, 100, 6)
    assert knows.high - knows.low < 0.85 * (nothing.high - nothing.low)


def test_people_who_differ_count_in_part() -> None:
    p = np.full(300, 0.3)
    whole = cast_share(p, p[:40], np.repeat([1.0, 0.0], [10, 30]))
    halves = cast_share(p, p[:40], np.repeat([0.5, 0.0], [20, 20]))
    assert halves.share == pytest.approx(whole.share) == pytest.approx(0.25)
    # The model says at least how far errors scatter, so that halves narrow little.
    assert halves.high - halves.low == pytest.approx(whole.high - whole.low, rel=0.05)


def test_too_few_decisions_tell_no_share() -> None:
    p = np.full(100, 0.3)
    few = LEAST_SAMPLED - 1
    with pytest.raises(ValueError, match="30 or more decisions, one for each"):
        cast_share(p, p[:few], np.zeros(few))
    with pytest.raises(ValueError, match="there are 30 on 31 of 100"):
        cast_share(p, p[:31], np.zeros(30))
    with pytest.raises(ValueError, match="there are 101 on 101 of 100"):
        cast_share(p, np.full(101, 0.3), np.zeros(101))


@settings(max_examples=30)
@given(st.integers(40, 300), st.floats(0, 1), st.integers(0, 10**6))
def test_an_interval_holds_its_share_and_keeps_what_is_known(
    count: int, rate: float, seed: int
) -> None:
    p, labels = archive(count, rate, seed)
    which = np.random.default_rng(seed).choice(count, 35, replace=False)
    share = cast_share(p, p[which], labels[which])
    casts = labels[which].sum()
    assert 0 <= share.low <= share.share + 1e-9
    assert share.share <= share.high + 1e-9 <= 1 + 1e-9
    if 0 < casts < 35:
        assert share.low >= casts / count
        assert share.high <= 1 - (35 - casts) / count


@pytest.mark.parametrize(("rate", "n"), [(0.02, 30), (0.1, 60), (0.3, 120)])
def test_the_interval_covers(rate: float, n: int) -> None:
    rng = np.random.default_rng(7)
    covered = 0
    for _ in range(200):
        p, labels = archive(600, rate, int(rng.integers(10**9)))
        share = drawn(p, labels, n, int(rng.integers(10**9)))
        covered += share.low - 1e-9 <= labels.mean() <= share.high + 1e-9
    assert covered >= 0.93 * 200


def test_what_slipped_through_by_hand() -> None:
    # No cast in n: the bound is 1 - 0.05 ** (1 / n).
    leak = slipped(0, 200)
    assert leak.share == 0
    assert leak.at_most == pytest.approx(1 - 0.05 ** (1 / 200))
    assert slipped(3, 3).at_most == 1
    assert slipped(0, 0) == Leak(None, 1.0)


def test_looks_needed_are_the_least() -> None:
    for casts, seen, below in [(0, 0, 0.02), (0, 20, 0.05), (2, 60, 0.02), (9, 100, 0.02)]:
        more = looks_needed(casts, seen, below)
        assert slipped(casts, seen + more).at_most <= below
        assert slipped(casts, seen + more - 1).at_most > below
    assert looks_needed(0, 149) == 0
    assert looks_needed(0, 0) == 149  # ln 0.05 / ln 0.98 = 148.3


def test_of_few_pictures_fewer_must_be_looked_at() -> None:
    rng = np.random.default_rng(3)
    for _ in range(60):
        lot = int(rng.integers(1, 400))
        seen = int(rng.integers(0, lot + 1))
        casts = int(rng.integers(0, min(seen, 5) + 1))
        may_be = [w for w in range(casts, lot - seen + casts + 1)
                  if hypergeom.cdf(casts, lot, w, seen) > 0.05]  # fmt: skip
        assert slipped(casts, seen, lot).at_most == may_be[-1] / lot
        more = looks_needed(casts, seen, 0.02, lot)
        if casts / lot > 0.02:
            assert more == lot - seen
        else:
            assert slipped(casts, seen + more, lot).at_most <= 0.02
            assert not more or slipped(casts, seen + more - 1, lot).at_most > 0.02
    assert slipped(2, 50, 50).at_most == 2 / 50  # all are known


@pytest.mark.parametrize(("lot", "casts"), [(300, 5), (2000, 40), (2000, 100)])
def test_the_bound_covers_in_lots_that_end(lot: int, casts: int) -> None:
    found = np.arange(61)
    chances = hypergeom.pmf(found, lot, casts, 60)
    covers = [slipped(int(k), 60).at_most >= casts / lot for k in found]
    assert chances @ covers >= 0.95
