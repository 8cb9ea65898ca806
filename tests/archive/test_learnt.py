"""What decisions tell of an archive: figures, and thresholds that can be taken back."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from autocast.archive.decisions import Wish, decide, undo
from autocast.archive.learnt import (
    adopt,
    adopted,
    figures,
    going_by,
    needed,
    proposal,
    reapply,
    settings,
    suppose,
    take_back,
)
from autocast.archive.ledger import Ledger
from autocast.archive.queues import Queue, following
from autocast.archive.rate import kept_rate, refresh
from autocast.archive.rows import Entry, Outcome
from autocast.archive.shares import LEAST_SAMPLED, looks_needed
from autocast.archive.thresholds import LEAST_DECIDED
from autocast.cli import app
from autocast.errors import LedgerError
from autocast.judgement import Assumptions, Verdict
from autocast.judging import thresholds_at
from autocast.modelstore import default_models
from tests import samples

COUNT = 400
MODELS = default_models()


def verdict_of(probability: float) -> Verdict:
    if probability <= MODELS.verdict["clear_below"]:
        return "clear"
    return "cast" if probability > MODELS.verdict["cast_above"] else "ask"


def outcome(number: int, probability: float, *remarks: str) -> Outcome:
    verdict: Verdict = "ask" if "conflict" in remarks else verdict_of(probability)
    base = {"clear": samples.CLEAR, "ask": samples.ASK, "cast": samples.LIKELY}[verdict]
    judgement = replace(
        base, verdict=verdict, probability=round(probability, 4), remarks=remarks,
        base_rate=MODELS.verdict["base_rate"], model=MODELS.id,
    )  # fmt: skip
    content = hashlib.sha256(b"%d" % number).hexdigest()
    return Outcome(Entry(b"/a/%04d.jpg" % number, 1, 1), "t", content, judgement.to_json())


@pytest.fixture
def archive(tmp_path: Path) -> tuple[Path, np.ndarray]:
    """An archive whose casts are half as common as its scores say, and which those are."""
    rng = np.random.default_rng(1)
    scores = rng.beta(0.7, 1.6, COUNT)
    truth = rng.random(COUNT) < scores / 2
    path = tmp_path / "a.ledger"
    with Ledger.write(path) as ledger:
        ledger.set_fact("seed", 3)  # an interval misses one draw of twenty: not this one
        ledger.record(
            outcome(k, float(score), *(["conflict"] if k % 10 == 0 else []))
            for k, score in enumerate(scores)
        )
    return path, truth


def go_through(ledger: Ledger, name: str, truth: np.ndarray, count: int) -> list[int]:
    """Decide the next pictures of a queue as they are."""
    numbers = following(ledger, Queue(name, "Ada"), None, count)
    for k in numbers:
        decide(ledger, Wish(k, "cast" if truth[k - 1] else "fine", "Ada", queue=name))
    return numbers


def test_the_share_of_casts_is_told_from_a_sample_alone(archive: tuple[Path, np.ndarray]) -> None:
    path, truth = archive
    with Ledger.share(path) as ledger:
        go_through(ledger, "asks", truth, 40)
        assert (figures(ledger).casts, figures(ledger).sampled) == (None, 0)
        numbers = go_through(ledger, "sample", truth, LEAST_SAMPLED // 2)
        assert figures(ledger).casts is None
        go_through(ledger, "sample", truth, 60)
        found = figures(ledger)
        # What had been decided before, between those drawn, belongs to the sample as well.
        assert found.sampled >= len(numbers) + 60
        assert found.casts is not None
        assert (found.casts.looked_at, found.casts.pictures) == (found.sampled, COUNT)
        assert found.casts.low < truth.mean() < found.casts.high
        assert found.decisions == {
            "Ada": {
                "cast": int(
                    sum(truth[row[0] - 1] for row in ledger.select("SELECT picture FROM standing"))
                ),
                "fine": ledger.select("SELECT count(*) FROM standing WHERE decision = 'fine'")[0][
                    0
                ],
            }
        }


def test_a_skipped_picture_is_missed_and_what_nobody_can_tell(
    archive: tuple[Path, np.ndarray],
) -> None:
    path, truth = archive
    with Ledger.share(path) as ledger:
        drawn = following(ledger, Queue("sample", "Ada"), None, 40)
        for k in drawn[:10] + drawn[11:]:
            decide(ledger, Wish(k, "cast" if truth[k - 1] else "fine", "Ada", queue="sample"))
        whole = figures(ledger)
        assert (whole.sampled, whole.missing) == (39, 1)
        # One that was passed belongs to both samples, and is missed once.
        passed = next(k for k in drawn[11:] if ledger.row(k).verdict == "clear")
        decide(ledger, Wish(passed, "cant_tell", "Ada", queue="sample"))
        assert (figures(ledger).sampled, figures(ledger).missing) == (38, 2)
        undo(ledger, "Ada")
        assert figures(ledger) == whole


def test_an_audit_bounds_what_slipped_through(archive: tuple[Path, np.ndarray]) -> None:
    path, truth = archive
    with Ledger.share(path) as ledger:
        start = figures(ledger)
        passed = ledger.counts().clear
        assert start.slipped is None
        assert start.looks_needed == looks_needed(0, 0, pictures=passed) < 149
        assert needed(ledger) == {"sample": LEAST_SAMPLED, "audit": start.looks_needed}
        assert {passes for _, passes in start.plans} == {None}
        numbers = go_through(ledger, "audit", truth, 40)
        found = figures(ledger)
        wrong = int(truth[np.array(numbers) - 1].sum())
        assert found.audited == 40
        assert found.slipped is not None
        assert found.slipped.share == wrong / 40
        assert found.slipped.at_most > wrong / 40
        assert all(ledger.row(k).verdict == "clear" for k in numbers)
        assert needed(ledger)["audit"] == found.looks_needed
        for plan, passes in found.plans:
            first = sum(truth[k - 1] for k in numbers[: plan.sample])
            assert passes is (False if first > plan.accept else True if plan.sample <= 40 else None)
        # Another person calls one of them a cast: it has slipped through.
        fine = next(k for k in numbers if not truth[k - 1])
        decide(ledger, Wish(fine, "cast", "Ben"))
        assert figures(ledger).slipped == replace(
            found.slipped,
            share=(wrong + 1) / 40,
            at_most=figures(ledger).slipped.at_most,  # type: ignore[union-attr]
        )


def test_thresholds_are_proposed_adopted_used_and_taken_back(
    archive: tuple[Path, np.ndarray],
) -> None:
    path, truth = archive
    with Ledger.share(path) as ledger:
        before = ledger.counts()
        go_through(ledger, "asks", truth, LEAST_DECIDED - 1)
        assert proposal(ledger) is None
        go_through(ledger, "all", truth, 200)
        found = proposal(ledger)
        assert found is not None
        assert found.before == before == ledger.counts()  # nothing is kept yet
        assert found.own.offset < 0  # casts are rarer here than scores say
        assert found.after.ask != before.ask
        with pytest.raises(LedgerError, match="needs the name"):
            adopt(ledger, found, " ")
        adopt(ledger, found, "Ada")
        assert ledger.counts() == found.after
        kept = adopted(ledger)
        assert kept is not None
        assert (kept["person"], kept["model"]) == ("Ada", MODELS.id)
        assert len(kept["decisions"]) == found.own.decided == LEAST_DECIDED - 1 + 200
        for row in (row for page in ledger.pages() for row in page):
            judgement = ledger.judgement(row.id)
            assert judgement is not None
            assert row.judged_verdict == judgement.verdict  # never changed
            assert row.verdict != "clear" or "conflict" not in row.remarks
    # What is judged since goes by them as well, and what is judged by other models does not.
    assert found.own.cast_above > MODELS.verdict["cast_above"]
    between = (found.own.cast_above + MODELS.verdict["cast_above"]) / 2
    assert verdict_of(between) == "cast"
    with Ledger.write(path) as ledger:
        ledger.record([outcome(900, between)])
        assert ledger.row(COUNT + 1).verdict == "cast"
        reapply(ledger)
        again = ledger.row(COUNT + 1)
        assert (again.verdict, again.judged_verdict) == ("ask", "cast")
        ledger.record([outcome(900, between)])
        assert ledger.row(COUNT + 1).verdict == "cast"
    said = CliRunner().invoke(app, ["list", str(path)]).output
    assert "this archive's own thresholds" in " ".join(said.split())
    with Ledger.share(path) as ledger:
        assert take_back(ledger)
        assert not take_back(ledger)
        assert adopted(ledger) is None
        assert ledger.counts() == replace(before, cast=before.cast + 1)
    assert "own thresholds" not in " ".join(
        CliRunner().invoke(app, ["list", str(path)]).output.split()
    )


def test_people_who_differ_count_by_half(archive: tuple[Path, np.ndarray]) -> None:
    path, truth = archive
    with Ledger.share(path) as ledger:
        numbers = go_through(ledger, "all", truth, LEAST_DECIDED)
        alone = proposal(ledger)
        for k in numbers:
            decide(ledger, Wish(k, "fine" if truth[k - 1] else "cast", "Ben"))
        both = proposal(ledger)
    assert alone is not None
    assert both is not None
    assert both.own.decided == alone.own.decided == LEAST_DECIDED
    assert len(both.decisions) == 2 * LEAST_DECIDED
    assert both.own.offset > alone.own.offset  # half of them are casts now


def test_a_ledger_is_read_as_it_would_be_at_a_base_rate_and_keeps_what_it_went_by(
    archive: tuple[Path, np.ndarray],
) -> None:
    path, _ = archive
    rare = Assumptions(base_rate=0.05, risk_cast=0.2)
    levels = thresholds_at(MODELS, rare)
    with Ledger.read(path) as ledger:
        before = ledger.counts()
        held = [row.archive_probability for row in ledger.page(0, by="path")]
        suppose(ledger, MODELS, rare)
        at = ledger.counts()
        for row in (row for page in ledger.pages() for row in page):
            assert row.probability is not None
            if row.remarks:
                assert row.verdict == "ask"
            elif row.probability <= levels.clear_below:
                assert row.verdict == "clear"
            else:
                assert row.verdict == ("cast" if row.probability > levels.cast_above else "ask")
        assert ledger.rate_of_casts() == 0.05
        moved = [row.archive_probability for row in ledger.page(0, by="path")]
        assert all((now or 0) <= (was or 0) + 1e-12 for now, was in zip(moved, held, strict=True))
    assert at != before
    with Ledger.read(path) as ledger:
        assert ledger.counts() == before  # nothing was kept
        names = [row[1] for row in ledger.select("PRAGMA table_info(overview)")]
        suppose(ledger, MODELS, rare)
        assert [row[1] for row in ledger.select("PRAGMA temp.table_info(overview)")] == names
        found = {each.words: (each.clear, each.cast, each.ask) for each in settings(ledger, MODELS)}
    assert found["as autocast comes"] == (before.clear, before.cast, before.ask)
    assert found["--base-rate 0.05 --risk-cast 0.2"] == (at.clear, at.cast, at.ask)
    with Ledger.write(path) as ledger:
        refresh(ledger, MODELS)
        going_by(ledger, MODELS, rare)
        assert ledger.counts() == at
        assert ledger.rate_of_casts() == 0.05
        kept = kept_rate(ledger)
        assert kept is not None
        assert kept.rate != 0.05  # what the scores say stands beside it
        take_back(ledger)
        assert ledger.counts() == before
        assert ledger.rate_of_casts() == kept.rate


def test_the_commands_take_a_base_rate_and_say_what_they_went_by(
    archive: tuple[Path, np.ndarray],
) -> None:
    path, _ = archive
    usual, strict = (
        " ".join(CliRunner().invoke(app, ["list", str(path), *more]).output.split())
        for more in ([], ["--strict"])
    )
    assert "Verdicts go by" not in usual
    assert "Verdicts go by a base rate of 25 % and risks of 5 % (clear)" in strict
    assert ", strictly:" in strict
    table = CliRunner().invoke(app, ["list", str(path), "--settings"]).output.splitlines()
    assert table[0].split() == ["clear", "cast", "person", "with"]
    assert len(table) == 7  # the archive's own rate is not known yet
