"""The archive's rate against known truth, and series: drawn, then of real pictures."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from autocast import judging
from autocast.archive.ledger import Ledger, Single, now
from autocast.archive.pooling import (
    AGREEING,
    SPREADS,
    CastPrior,
    Pooled,
    Prior,
    Readings,
    learn,
    pool,
    readings,
)
from autocast.archive.rate import archive_rate, kept_rate, refresh
from autocast.archive.rows import Entry, Outcome, Wanted
from autocast.archive.series import is_finding, series_of
from autocast.colour import cast_to_gains, linear_to_srgb, srgb_to_linear
from autocast.judgement import Cast
from autocast.judgement.probability import at_base_rate
from autocast.modelstore import default_models
from tests import photographs, samples
from tests.archives import small

Floats = NDArray[np.floating[Any]]
CAST_PRIOR = CastPrior.of(default_models())


# --- the archive's rate -----------------------------------------------------------


def scores(rng: np.random.Generator, count: int, rate: float, base: float) -> Floats:
    """Calibrated probabilities at ``base`` of pictures of which ``rate`` have a cast."""
    cast = rng.random(count) < rate
    evidence = rng.normal(np.where(cast, 1.0, -1.0), 1.0)  # log-likelihood ratio: 2 x
    odds = np.exp(2 * evidence) * base / (1 - base)
    return np.asarray(odds / (1 + odds))


@pytest.mark.parametrize("rate", [0.02, 0.1, 0.25, 0.6])
def test_the_rate_of_an_archive_is_found(rate: float) -> None:
    p = scores(np.random.default_rng(3), 20_000, rate, 0.25)
    found = archive_rate(p, np.full(p.shape, 0.25))
    assert found is not None
    assert found.pictures == 20_000
    assert abs(found.rate - rate) < 3 * found.error
    assert found.error < 0.01


def test_the_error_of_the_rate_is_honest() -> None:
    rng = np.random.default_rng(4)
    off = []
    for _ in range(200):
        found = archive_rate(scores(rng, 600, 0.2, 0.25), np.full(600, 0.25))
        assert found is not None
        off.append((found.rate - 0.2) / found.error)
    assert 0.8 < np.std(off) < 1.2
    assert abs(np.mean(off)) < 0.4


def test_a_few_pictures_do_not_run_away_with_the_rate() -> None:
    assert archive_rate([], []) is None
    one = archive_rate([0.001], [0.25])
    assert one is not None
    assert 0.2 < one.rate < 0.25
    certain = archive_rate(np.ones(50), np.full(50, 0.25))
    assert certain is not None
    assert 0.5 < certain.rate < 1


def test_pictures_of_several_base_rates_count_each_by_its_own() -> None:
    rng = np.random.default_rng(5)
    p = np.concatenate([scores(rng, 9000, 0.1, 0.25), scores(rng, 9000, 0.1, 0.5)])
    found = archive_rate(p, np.repeat([0.25, 0.5], 9000))
    assert found is not None
    assert abs(found.rate - 0.1) < 3 * found.error


# --- series, drawn with known truth -----------------------------------------------


def drawn(rng: np.random.Generator, casts: Floats, noise: float = 3.0) -> Readings:
    """Posteriors as a picture by itself would give them, for true casts (n, 2)."""
    covariance = np.eye(2) * noise**2
    seen = casts + rng.normal(0, noise, casts.shape)
    prior = np.eye(2) / 32  # what Student's t of spread 8 pulls with near 0
    posterior = np.linalg.inv(np.linalg.inv(covariance) + prior)
    own = seen @ (posterior @ np.linalg.inv(covariance)).T
    return readings(own, np.broadcast_to(posterior, (len(casts), 2, 2)).copy(), CAST_PRIOR)


def learnt(series: list[Readings]) -> Prior:
    return learn(series, CAST_PRIOR)


def test_the_prior_is_taken_out_of_each_picture_once() -> None:
    rng = np.random.default_rng(0)
    seen = drawn(rng, np.zeros((400, 2)), noise=2.0)
    near = np.hypot(*seen.own.T) < 2
    assert np.allclose(seen.covariance[near], np.eye(2) * 4.0, atol=0.15)


def test_the_spread_of_series_is_learned() -> None:
    rng = np.random.default_rng(1)
    for spread, level in ((0.2, 0.5), (7.0, 7.0)):
        series = [
            drawn(rng, rng.normal(0, 5, 2) + rng.normal(0, spread, (30, 2)), 1.5) for _ in range(30)
        ]
        weights = learnt(series).weights
        assert SPREADS[weights.argmax()] == level
        assert weights.sum() == pytest.approx(1)
        assert (weights[AGREEING].sum() > 0.8) == (spread < 1)


def test_pooling_finds_a_shared_cast_better_than_each_alone() -> None:
    rng = np.random.default_rng(2)
    truth = [rng.normal(0, 6, 2) for _ in range(40)]
    series = [drawn(rng, np.tile(t, (12, 1))) for t in truth]
    prior = learnt(series)
    alone = np.concatenate([s.own - t for s, t in zip(series, truth, strict=True)])
    moved = np.concatenate([pool(s, prior).mean - t for s, t in zip(series, truth, strict=True)])
    assert np.sqrt((moved**2).mean()) < 0.5 * np.sqrt((alone**2).mean())


def test_where_lights_differ_each_keeps_what_it_said_alone() -> None:
    rng = np.random.default_rng(6)
    truth = rng.normal(0, 9, (40, 12, 2))
    series = [drawn(rng, t) for t in truth]
    prior = learnt(series)
    pooled = [pool(s, prior) for s in series]
    alone = np.array([s.own for s in series]) - truth
    moved = np.array([p.mean for p in pooled]) - truth
    assert np.sqrt((moved**2).mean()) < 1.02 * np.sqrt((alone**2).mean())
    assert np.mean([p.agreed for p in pooled]) < 0.1
    assert max(p.fault for p in pooled) < 0.9


def test_a_lone_odd_picture_is_seen_as_odd() -> None:
    rng = np.random.default_rng(7)
    series = []
    for _ in range(30):
        casts = np.tile(rng.normal(0, 3, 2), (12, 1))
        casts[5] += (16, 10)
        series.append(drawn(rng, casts, 2.0))
    prior = learnt(series)
    share = np.array([pool(s, prior).share for s in series])
    assert (share[:, 5] < 0.5).mean() > 0.95
    assert (np.delete(share, 5, axis=1) > 0.5).mean() > 0.95
    # It keeps its own cast.
    moved = [np.hypot(*(pool(s, prior).mean[5] - s.own[5])) for s in series]
    assert np.median(moved) < 0.5


def test_pooling_a_series_does_not_hang_on_its_order() -> None:
    rng = np.random.default_rng(8)
    one = drawn(rng, np.tile((6.0, 1.0), (9, 1)))
    turned = Readings(one.mean[::-1], one.covariance[::-1], one.own[::-1], one.own_covariance[::-1])
    prior = learnt([one])
    assert np.allclose(pool(one, prior).mean, pool(turned, prior).mean[::-1])


# --- which pictures make a series -------------------------------------------------


def single(
    path: str,
    taken: str = "",
    camera: str = "",
    remarks: tuple[str, ...] = (),
    size: tuple[int, int] = (600, 400),
) -> Single:
    name = os.fsencode(path)
    folder = name.rpartition(b"/")[0]
    return Single(
        0, name, folder, camera, taken, *size, 0.5, 0.25, 1.0, 1.0, 4.0, 0.0, 4.0, remarks
    )


def groups(singles: list[Single]) -> list[str]:
    ordered = sorted(singles, key=lambda s: (s.folder, s.camera, s.taken, s.path))
    return [
        " ".join(os.fsdecode(s.path).rpartition("/")[2] for s in found)
        for found in series_of(iter(ordered))
    ]


def test_scans_make_a_series_by_their_numbers() -> None:
    names = ["/a/box2_01.tif", "/a/box2_02.tif", "/a/box2_03.tif", "/a/x1.tif", "/a/x2.tif"]
    names += ["/b/box2_04.tif", "/a/other.tif", "/a/one.tif", "/a/more.tif"]
    assert groups([single(n) for n in names]) == ["box2_01.tif box2_02.tif box2_03.tif"]


def test_a_folder_of_many_senders_is_no_series() -> None:
    sent = [single(f"/a/img_{k * 37:04}.jpg") for k in range(70)]  # numbers far apart
    sizes = [(512, 300 + 11 * k) for k in range(9)]  # of every size
    mixed = [single(f"/b/p{k}.jpg", size=size) for k, size in enumerate(sizes)]
    assert groups(sent + mixed) == []
    # A sample of a collection of one size: its numbers are a few apart, not in a row.
    assert groups([single(f"/a/img_{k * 4:04}.jpg") for k in range(70)]) == []
    assert groups([single(f"/a/img_{k * 2:04}.jpg") for k in range(70)]) == []
    # A camera that is known speaks for them; so does a scanner that counts without zeros.
    known = [single(f"/a/img_{k * 37:04}.jpg", camera="Lumen 3") for k in range(3)]
    assert groups(known) == ["img_0000.jpg img_0037.jpg img_0074.jpg"]
    scans = [single(f"/c/s{k}.tif", size=(3000 + 9 * (k % 3), 2000)) for k in range(8, 13)]
    assert groups(scans) == ["s8.tif s9.tif s10.tif s11.tif s12.tif"]
    # Fronts and backs take turns, upright ones lie among others.
    turns = [single(f"/d/{k}.tif", size=[(900, 600), (500, 500)][k % 2]) for k in range(6)]
    turns += [single("/d/6.tif", size=(600, 900))]
    assert groups(turns) == ["0.tif 2.tif 4.tif 6.tif", "1.tif 3.tif 5.tif"]


def test_capture_times_make_a_series_and_a_pause_breaks_it() -> None:
    times = ["10:00:00", "10:20:00", "10:45:00", "11:30:00", "11:31:00", "11:32:00"]
    shots = [single(f"/a/{t[:5]}", f"2024:05:01 {t}", "Lumen 3") for t in times]
    other = [single(f"/a/z{k}", f"2024:05:01 10:0{k}:00", "Oriel") for k in range(3)]
    assert groups(shots + other) == ["10:00 10:20 10:45", "11:30 11:31 11:32", "z0 z1 z2"]


def test_pictures_without_colour_are_no_part_of_a_series() -> None:
    shots = [single(f"/a/{k}.tif", remarks=("monochrome",) if k == 2 else ()) for k in range(4)]
    assert groups(shots) == ["0.tif 1.tif 3.tif"]


def test_a_number_that_is_missing_ends_a_row() -> None:
    names = [f"/a/{k}.tif" for k in (1, 2, 3, 5, 6, 8, 9, 10, 11)]
    assert groups([single(n) for n in names]) == ["1.tif 2.tif 3.tif", "8.tif 9.tif 10.tif 11.tif"]


def test_a_long_series_is_cut() -> None:
    found = list(series_of(iter([single(f"/a/{k:04}.tif") for k in range(1000)])))
    assert [len(each) for each in found] == [400, 400, 200]


# --- real pictures ----------------------------------------------------------------


@pytest.mark.slow
def test_pooling_takes_crops_of_one_photograph_no_farther_from_their_cast() -> None:
    """A small part of ``tests/studies/series.py``, on the photographs that packages carry."""
    laid = np.array([-12.0, 0.5])
    series = []
    for name in photographs.FILES:
        pixels = small(name, 200)
        rows, columns = (np.linspace(0, side // 3, 3).astype(int) for side in pixels.shape[:2])
        found = []
        for top in rows:
            for left in columns[::2]:
                crop = pixels[top : top + 2 * pixels.shape[0] // 3, left:][
                    :, : 2 * pixels.shape[1] // 3
                ]
                light = np.clip(srgb_to_linear(crop / 255.0) * 0.85 * cast_to_gains(laid), 0, 1)
                codes = np.rint(linear_to_srgb(light) * 255).astype(np.uint8)
                found.append(judging.judge(codes).cast)
        own = np.array([(each.a, each.b) for each in found])
        series.append(readings(own, np.array([each.covariance for each in found]), CAST_PRIOR))
    prior = learnt(series)
    pooled = [pool(each, prior) for each in series]

    def off(means: list[Floats]) -> float:
        return float(np.median(np.hypot(*(np.concatenate(means) - laid).T)))

    assert off([p.mean for p in pooled]) <= off([each.own for each in series])


# --- in the ledger ----------------------------------------------------------------


def outcomes(folder: str, casts: Floats, probability: float) -> Iterator[Outcome]:
    """Invented judgements that read ``casts`` (n, 2), one deviation 2."""
    for k, (a, b) in enumerate(casts):
        cast = Cast(float(a), float(b), ((4.0, 0.0), (0.0, 4.0)), 2.0)
        judgement = replace(samples.ASK, cast=cast, probability=probability)
        entry = Entry(os.fsencode(f"/{folder}/scan_{k:03}.tif"), 1, 1)
        yield Outcome(entry, now(), "0" * 64, judgement.to_json())


def test_a_series_with_one_fault_is_one_finding_in_the_ledger(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    plain = rng.normal(0, 2, (12, 2))
    blue = rng.normal((-2.0, -9.0), 2, (12, 2))
    blue[4] = (14.0, 9.0)
    believed = rng.normal((2.0, 11.0), 2, (12, 2))
    with Ledger.write(tmp_path / "a.ledger") as ledger:
        ledger.record(outcomes("plain", plain, 0.3))
        ledger.record(outcomes("blue", blue, 0.6))
        ledger.record(outcomes("evening", believed, 0.05))
        before = [ledger.judgement(row.id) for row in ledger.page(0, by="path")]
        refresh(ledger, default_models())
        rate = kept_rate(ledger)
        assert rate is not None
        assert rate.pictures == 36
        rows = ledger.page(0, by="path")
        # Beside the pictures' own judgements, never in their place.
        assert [ledger.judgement(row.id) for row in rows] == before
        for row, own in zip(rows, before, strict=True):
            assert own is not None
            assert (row.probability, row.a, row.b) == (own.probability, own.cast.a, own.cast.b)
        series = {row.folder: row.series for row in rows if row.series is not None}
        assert {folder for folder, each in series.items() if each.finding} == {b"/blue"}
        found = series[b"/blue"]
        assert (found.count, found.sharing) == (12, 11)
        assert np.hypot(found.shared_a + 2, found.shared_b + 9) < 1.5
        assert (
            sum(row.series is not None and row.series.series == found.series for row in rows) == 12
        )
        odd = [row.path for row in rows if row.series is not None and row.series.odd]
        assert odd == [b"/blue/scan_004.tif"]
        listed = ledger.page(0, Wanted(findings=True))
        assert [row.folder for row in listed].count(b"/blue") == 2
        assert listed[0].series is not None
        assert listed[0].series.leads
        assert ledger.counts(Wanted(findings=True)).pictures == len(listed) == 26
        # Refreshed it comes out alike; a series that is no more is forgotten.
        refresh(ledger, default_models())
        assert [row.series and row.series.a for row in ledger.page(0, by="path")] == [
            row.series and row.series.a for row in rows
        ]
        ledger.mark([row.id for row in rows if row.folder == b"/blue"], gone=True)
        refresh(ledger, default_models())
        kept = ledger.page(0, Wanted(gone=True), by="path")
        assert {row.folder for row in kept if row.series is None} == {b"/blue"}


@pytest.mark.parametrize(
    ("carried", "clear", "finding"), [(9, 1, True), (7, 3, False), (4, 6, False)]
)
def test_a_shared_fault_is_carried_by_most_pictures(
    carried: int, clear: int, *, finding: bool
) -> None:
    """However sure pooling is: those that read nothing themselves say nothing for it."""
    casts = np.array([(-1.0, -8.0)] * carried + [(0.2, -0.4)] * clear)
    seen = readings(casts, np.tile(9.0 * np.eye(2), (len(casts), 1, 1)), CAST_PRIOR)
    shared = np.array((-1.0, -7.0))
    pooled = Pooled(casts, np.ones(10), np.ones(10), 0.95, shared, np.eye(2), apart=1.0, fault=0.95)
    likely = np.full(10, 0.5)
    assert is_finding(seen, pooled, likely, np.full(10, 0.25)) is finding
    # Nor is one that reads the other way round a picture that carries it.
    turned = replace(seen, own=np.where(np.arange(10)[:, None] < 5, casts, -casts))
    assert not is_finding(turned, pooled, likely, np.full(10, 0.25))


def test_the_own_probability_stays_and_the_archives_stands_beside_it(tmp_path: Path) -> None:
    """The view's formula is the one rule, :func:`at_base_rate`, in SQL."""
    from tests.archive.test_ledger import outcome

    with Ledger.write(tmp_path / "a.ledger") as ledger:
        ledger.record([outcome(b"/%d.jpg" % k, k % 4) for k in range(4)])
        own = [(row.probability, row.base_rate) for row in ledger.page(0, by="path")]
        assert own[0] == (0.87, 0.3)
        for rate in (0.02, 0.1, 0.3, 0.9):
            ledger.set_fact("archive_rate", rate)
            rows = ledger.page(0, by="path")
            assert [(row.probability, row.base_rate) for row in rows] == own
            probability, base_rate = np.array(own, dtype=np.float64).T
            moved = at_base_rate(probability, base_rate, rate)
            assert [row.archive_probability for row in rows] == pytest.approx(list(moved))
