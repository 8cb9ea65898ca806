"""What people decide is kept by content, in order, and never rewritten."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from sklearn.metrics import cohen_kappa_score

from autocast.archive.decisions import (
    Wish,
    agreement,
    cohen_kappa,
    companions,
    decide,
    decided,
    differing,
    label,
    undo,
)
from autocast.archive.ledger import Ledger, SeriesRow
from autocast.archive.queues import QUEUES, Queue, Tally, following, tally
from autocast.archive.rows import Entry, Outcome
from autocast.errors import LedgerError
from autocast.judgement import Hint
from tests import ledgers, samples

NAMES = [b"one/a.png", b"one/b.png", b"one/c.png", b"two/d.png", b"two/e.png", b"two/f.png"]
# Likely cast, ask, clear, ask, likely cast, ask.
JUDGEMENTS = [
    replace(base, probability=probability, remarks=())
    for base, probability in (
        (samples.LIKELY, 0.9),
        (samples.ASK, 0.4),
        (samples.CLEAR, 0.05),
        (samples.ASK, 0.6),
        (samples.LIKELY, 0.7),
        (samples.ASK, 0.2),
    )
]


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    return ledgers.build(tmp_path, NAMES, JUDGEMENTS)


def ids(archive: Path, queue: Queue, after: int | None = None, count: int = 99) -> list[int]:
    with Ledger.read(archive) as ledger:
        return following(ledger, queue, after, count)


def series_of(archive: Path, members: dict[int, bool]) -> None:
    """Make these pictures a series with one fault; True marks those that stand apart."""
    with Ledger.write(archive) as ledger, ledger.series_anew() as keep:
        row = SeriesRow(
            folder=b"x", camera="", first=1, last=2, count=len(members),
            sharing=sum(not odd for odd in members.values()), a=0.0, b=-9.0, spread=1.0, apart=1.0,
            probability=0.97, finding=True, lead=1,
        )  # fmt: skip
        keep(row, [(k, 0.0, -9.0, 1.0, 0.9, odd) for k, odd in members.items()])


def test_queues_have_their_order_and_lose_what_the_person_decided(archive: Path) -> None:
    asks = Queue("asks", "Ada")
    assert ids(archive, asks) == [4, 2, 6]
    assert ids(archive, asks, after=4) == [2, 6]
    assert ids(archive, asks, after=4, count=1) == [2]
    assert ids(archive, asks, after=6) == []
    assert ids(archive, Queue("casts", "Ada")) == [1, 5]
    assert ids(archive, Queue("all", "Ada")) == [1, 5, 4, 2, 6, 3]
    assert ids(archive, Queue("all", "Ada"), after=5) == [4, 2, 6, 3]
    assert ids(archive, Queue("all", "Ada"), after=2) == [6, 3]
    assert ids(archive, Queue("audit", "Ada")) == [3]
    with Ledger.share(archive) as ledger:
        assert tally(ledger, asks) == Tally(3, 0)
        decide(ledger, Wish(4, "fine", "Ada", queue="asks"))
        assert tally(ledger, asks) == Tally(3, 1)
        assert tally(ledger, asks).left == 2
        assert tally(ledger, Queue("asks", "Ben")) == Tally(3, 0)
    assert ids(archive, asks) == [2, 6]
    assert ids(archive, asks, after=4) == [2, 6]
    assert ids(archive, Queue("asks", "Ben")) == [4, 2, 6]


def test_queues_are_narrowed(archive: Path, tmp_path: Path) -> None:
    two = os.fsencode(tmp_path / "archive" / "two")
    assert ids(archive, Queue("all", "Ada", folder=two)) == [5, 4, 6]
    with Ledger.read(archive) as ledger:
        hue, remark = ledger.row(1).hue, "tiny"
        assert tally(ledger, Queue("all", "Ada", folder=two)) == Tally(3, 0)
    assert ids(archive, Queue("casts", "Ada", hue=hue)) == [1, 5]
    assert ids(archive, Queue("casts", "Ada", hue="green")) == []
    assert ids(archive, Queue("sample", "Ada", remark=remark)) == []


def test_a_sample_is_a_random_order_that_meets_everything_once_and_stays(tmp_path: Path) -> None:
    names = [b"%04d.png" % k for k in range(200)]
    archive = ledgers.build(tmp_path, names[:150], ledgers.cycle(150))
    queue = Queue("sample", "Ada")
    before = ids(archive, queue, count=999)
    assert sorted(before) == list(range(1, 151))
    assert before != sorted(before)
    one_by_one, at = [], None
    while found := ids(archive, queue, at, 1):
        one_by_one += found
        at = found[0]
    assert one_by_one == before
    # A permutation drawn at random has a rank correlation of 0 +- 1 / sqrt(149) with any order.
    middle = sum(before) / 150
    top = sum((k - 74.5) * (each - middle) for k, each in enumerate(before))
    assert abs(top / sum((k - 74.5) ** 2 for k in range(150))) < 4 / 149**0.5
    with Ledger.write(archive) as ledger:
        ledger.record(
            Outcome(Entry(name, 1, 1), "2026-01-01T00:00:00Z", hashlib.sha256(name).hexdigest(),
                    samples.CLEAR.to_json())
            for name in names[150:]
        )  # fmt: skip
    after = ids(archive, queue, count=999)
    assert [each for each in after if each <= 150] == before


def test_a_decision_is_kept_whole(archive: Path) -> None:
    hint = Hint("neutral", 3.0, 4.0, None)
    with Ledger.share(archive) as ledger:
        wish = Wish(1, "cast", " Ada ", "casts", "wall <b>", hints=(hint,), cast=(1.0, -7.0))
        assert decide(ledger, wish).pictures == (1,)
        (found,) = decided(ledger, ledger.row(1))
    assert (found.decision, found.person, found.note) == ("cast", "Ada", "wall <b>")
    assert (found.hints, found.cast, found.queue) == ((hint,), (1.0, -7.0), "casts")
    with Ledger.share(archive) as ledger:
        decide(ledger, Wish(5, "cast", "Ada"))
        row = ledger.row(5)
        assert decided(ledger, row)[0].cast == (row.a, row.b)
        decide(ledger, Wish(5, "fine", "Ada"))
        assert decided(ledger, row)[0].cast is None


def test_a_later_decision_supersedes_only_the_persons_own(archive: Path) -> None:
    with Ledger.share(archive) as ledger:
        decide(ledger, Wish(1, "fine", "Ada"))
        decide(ledger, Wish(1, "cast", "Ben"))
        decide(ledger, Wish(1, "meant_so", "Ada", reason="night"))
        said = {each.person: each.decision for each in decided(ledger, ledger.row(1))}
        assert said == {"Ada": "meant_so", "Ben": "cast"}
        assert differing(ledger) == [1]
        decide(ledger, Wish(1, "cast", "Ada"))
        assert differing(ledger) == []
        assert following(ledger, Queue("disagreements", "Cy"), None, 9) == []


def test_a_clock_that_goes_back_changes_no_order(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = iter([f"20{year}-01-01T00:00:00Z" for year in range(40, 20, -1)])
    monkeypatch.setattr("autocast.archive.decisions.now", lambda: next(clock))
    with Ledger.share(archive) as ledger:
        row = ledger.row(1)
        for decision in ("cast", "fine", "meant_so"):
            decide(ledger, Wish(1, decision, "Ada"))
        for stands in (["meant_so"], ["fine"], ["cast"], []):
            assert [each.decision for each in decided(ledger, row)] == stands
            undo(ledger, "Ada")


def test_undo_goes_back_without_end_and_only_through_ones_own(archive: Path) -> None:
    with Ledger.share(archive) as ledger:
        for picture, decision, person in (
            (1, "fine", "Ada"), (2, "cast", "Ada"), (1, "cast", "Ben"), (1, "cant_tell", "Ada"),
        ):  # fmt: skip
            decide(ledger, Wish(picture, decision, person))
        row = ledger.row(1)
        assert [undo(ledger, "Ada").pictures for _ in range(1)] == [(1,)]  # type: ignore[union-attr]
        assert {d.person: d.decision for d in decided(ledger, row)} == {
            "Ada": "fine",
            "Ben": "cast",
        }
        assert undo(ledger, "Ada").pictures == (2,)  # type: ignore[union-attr]
        decide(ledger, Wish(3, "fine", "Ada"))
        assert [kept.pictures for kept in iter(lambda: undo(ledger, "Ada"), None)] == [(3,), (1,)]
        assert [d.person for d in decided(ledger, row)] == ["Ben"]
        assert undo(ledger, "Ada") is None
        assert undo(ledger, "Nobody") is None
        assert ledger.select("SELECT count(*) FROM decisions")[0][0] == 9  # none was taken out


def test_one_decision_for_a_series_takes_those_that_share_its_fault(archive: Path) -> None:
    series_of(archive, {1: False, 2: False, 4: False, 6: True})
    with Ledger.share(archive) as ledger:
        row = ledger.row(2)
        assert [each.id for each in companions(ledger, row, "Ada").series] == [1, 2, 4]
        kept = decide(ledger, Wish(2, "cast", "Ada", queue="asks", cast=(0.0, -7.0), over="series"))
        assert kept.pictures == (2, 1, 4)
        one, other = (decided(ledger, ledger.row(k))[0] for k in (2, 1))
        assert (one.batch, one.queue, one.cast) == (kept.batch, "asks", (0.0, -7.0))
        assert (other.batch, other.queue) == (kept.batch, "")
        assert other.cast == (ledger.row(1).a, ledger.row(1).b)
        assert not decided(ledger, ledger.row(6))
        assert companions(ledger, ledger.row(6), "Ada").series == ()
        with pytest.raises(LedgerError, match="shares no fault"):
            decide(ledger, Wish(6, "cast", "Ada", over="series"))
        undo(ledger, "Ada")
        assert [k for k in (1, 2, 4) if decided(ledger, ledger.row(k))] == []


def test_what_is_meant_so_may_hold_for_a_folder(archive: Path) -> None:
    with Ledger.share(archive) as ledger:
        decide(ledger, Wish(5, "cast", "Ada"))
        assert companions(ledger, ledger.row(4), "Ada").folder == (4, 6)
        assert companions(ledger, ledger.row(4), "Ben").folder == (4, 5, 6)
        wish = Wish(4, "meant_so", "Ada", reason="stage", over="folder")
        assert decide(ledger, wish).pictures == (4, 6)
        assert {decided(ledger, ledger.row(k))[0].reason for k in (4, 6)} == {"stage"}
        with pytest.raises(LedgerError, match="whole folder"):
            decide(ledger, replace(wish, decision="fine"))


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        (Wish(99, "fine", "Ada"), "no picture number 99"),
        (Wish(1, "maybe", "Ada"), "no decision"),
        (Wish(1, "fine", "  "), "needs the name"),
        (Wish(1, "fine", "Ada", note="x" * 2001), "shorten"),
        (Wish(7, "fine", "Ada"), "presort again"),
    ],
)
def test_what_cannot_be_kept_is_refused_and_nothing_is_kept(
    archive: Path, wish: Wish, said: str
) -> None:
    with Ledger.share(archive) as ledger:
        with pytest.raises(LedgerError, match=said):
            decide(ledger, wish)
        assert ledger.select("SELECT count(*) FROM decisions")[0][0] == 0


def test_decisions_survive_judging_again_and_moving_and_are_marked_on_a_changed_file(
    archive: Path,
) -> None:
    with Ledger.share(archive) as ledger:
        decide(ledger, Wish(1, "cast", "Ada"))
        row = ledger.row(1)
    said = samples.CLEAR.to_json()
    with Ledger.write(archive) as ledger:
        ledger.record([Outcome(Entry(row.path, 9, 9), row.at, row.hash, said)])  # judged again
        assert decided(ledger, ledger.row(1))[0].decision == "cast"
        ledger.mark([1], gone=True)
        ledger.record([Outcome(Entry(b"/elsewhere.png", 9, 9), row.at, row.hash, said)])  # moved
        (moved,) = ledger.select("SELECT id FROM pictures WHERE path = ?", (b"/elsewhere.png",))[0]
        (found,) = decided(ledger, ledger.row(moved))
        assert (found.decision, found.other_content) == ("cast", False)
        assert moved not in following(ledger, Queue("all", "Ada"), None, 99)
        ledger.record([Outcome(Entry(b"/elsewhere.png", 8, 8), row.at, "a" * 64, said)])  # changed
        ledger.mark([1], gone=False)
        ledger.record([Outcome(Entry(row.path, 8, 8), row.at, "b" * 64, said)])
        assert decided(ledger, ledger.row(moved)) == []
        (found,) = decided(ledger, ledger.row(1))
        assert (found.decision, found.other_content) == ("cast", True)
        assert 1 in following(ledger, Queue("all", "Ada"), None, 99)


def test_deciding_does_not_wait_for_a_run_nor_the_run_for_it(archive: Path) -> None:
    with Ledger.write(archive) as run, Ledger.share(archive) as ledger:
        decide(ledger, Wish(1, "fine", "Ada"))
        run.record([Outcome(Entry(b"/new.png", 1, 1), "t", "c" * 64, samples.CLEAR.to_json())])
        decide(ledger, Wish(2, "fine", "Ada"))
    with Ledger.share(archive) as ledger:
        # A run may start, and end, while somebody decides.
        with Ledger.write(archive) as run:
            assert run.log_said is None
            run.set_fact("x", 1)
            decide(ledger, Wish(3, "fine", "Ada"))
        decide(ledger, Wish(4, "fine", "Ada"))
        assert ledger.select("SELECT count(*) FROM decisions")[0][0] == 4


def test_what_was_kept_outlives_a_kill(archive: Path) -> None:
    script = (
        "import os, sys; from autocast.archive.ledger import Ledger\n"
        "from autocast.archive.decisions import Wish, decide\n"
        "with Ledger.share(sys.argv[1]) as ledger:\n"
        "    decide(ledger, Wish(1, 'fine', 'Ada'))\n"
        "    ledger._db.execute('BEGIN IMMEDIATE')\n"
        "    ledger.run(\"INSERT INTO decisions (picture, decision, at) VALUES (2, 'x', 't')\")\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(archive)], check=False)
    assert done.returncode == -9
    with Ledger.read(archive) as ledger:
        assert [row["decision"] for row in ledger.select("SELECT * FROM decisions")] == ["fine"]


def test_an_earlier_ledger_is_brought_up_to_date_with_what_was_decided(tmp_path: Path) -> None:
    from autocast.archive import schema

    path = tmp_path / "old.ledger"
    with sqlite3.connect(path) as old:
        for script in schema.MIGRATIONS[:2]:
            old.executescript(script)
        old.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        old.execute("PRAGMA user_version = 2")
        old.execute(
            "INSERT INTO pictures (id, path, folder, hash, verdict, probability, base_rate, a, b, "
            "size_of_cast, spread, strength, width, height, remarks, at) VALUES (1, X'61', X'', "
            "'h', 'ask', .3, .2, 0, 5, 5, 1, 'slight', 9, 9, '', '')"
        )
        old.execute("INSERT INTO decisions (picture, decision, person, hash, at) "
                    "VALUES (1, 'fine', 'Ada', 'h', 't')")  # fmt: skip
    old.close()
    with pytest.raises(LedgerError, match="earlier version"):
        Ledger.read(path)
    with Ledger.share(path) as ledger:
        assert decided(ledger, ledger.row(1))[0].decision == "fine"
        assert ledger.row(1).judged_verdict == "ask"
        assert undo(ledger, "Ada").pictures == (1,)  # type: ignore[union-attr]
    with pytest.raises(LedgerError, match="does not exist"):
        Ledger.share(tmp_path / "missing.ledger")


def test_two_people_are_compared_as_cohen_did(archive: Path) -> None:
    """Against scikit-learn; the interval as in Fleiss, Cohen & Everitt 1969, from memory."""
    says = {"Ada": "cfcfcc", "Ben": "cfffmt"}
    words = {"c": "cast", "f": "fine", "m": "meant_so", "t": "cant_tell"}
    with Ledger.share(archive) as ledger:
        for person, letters in says.items():
            for picture, letter in enumerate(letters, start=1):
                decide(ledger, Wish(picture, words[letter], person))
        (found,) = agreement(ledger)
        assert differing(ledger) == [3, 5, 6]
        assert following(ledger, Queue("disagreements", "Ada"), 3, 9) == [5, 6]
        assert tally(ledger, Queue("disagreements", "Ada")).pictures == 3
    expected = cohen_kappa_score([1, 0, 1, 0, 1], [1, 0, 0, 0, 0])
    assert (found.persons, found.both) == (("Ada", "Ben"), 5)
    assert found.agreed == pytest.approx(0.6)
    assert found.kappa == pytest.approx(expected)
    assert found.low is not None
    assert found.high is not None
    assert found.low < expected < found.high


def test_the_spread_of_kappa_is_that_of_many_draws() -> None:
    import numpy as np

    rng = np.random.default_rng(1)
    shares = [0.5, 0.1, 0.08, 0.32]
    keys = [(False, False), (False, True), (True, False), (True, True)]
    counts = rng.multinomial(400, shares, size=4000)
    drawn = [cohen_kappa(Counter(dict(zip(keys, row, strict=True))))[2] for row in counts.tolist()]
    exact = Counter(dict(zip(keys, (200, 40, 32, 128), strict=True)))
    assert cohen_kappa(exact)[3] == pytest.approx(np.std(np.array(drawn, float)), rel=0.05)
    assert cohen_kappa(Counter({(True, True): 9})) == (9, 1.0, None, 0.0)


def test_labels_count_those_who_could_tell(archive: Path) -> None:
    with Ledger.share(archive) as ledger:
        decide(ledger, Wish(1, "cant_tell", "Ada"))
        assert label(tuple(decided(ledger, ledger.row(1)))) is None
        decide(ledger, Wish(1, "meant_so", "Ben"))
        assert label(tuple(decided(ledger, ledger.row(1)))) == 0
        decide(ledger, Wish(1, "cast", "Cy"))
        assert label(tuple(decided(ledger, ledger.row(1)))) == 0.5


def test_every_queue_opens_on_an_empty_archive(tmp_path: Path) -> None:
    archive = ledgers.build(tmp_path, [], [], failures=1)
    with Ledger.read(archive) as ledger:
        for name in QUEUES:
            assert following(ledger, Queue(name, "Ada")) == []
            assert tally(ledger, Queue(name, "Ada")) == Tally(0, 0)
