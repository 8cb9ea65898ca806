"""The ledger: what goes in comes out; steps of the schema; every failure one sentence."""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from autocast.archive import ledger as ledgers, schema
from autocast.archive.decisions import by_content
from autocast.archive.ledger import Ledger, judgement_of, now
from autocast.archive.rows import Entry, Outcome, Wanted
from autocast.errors import LedgerError
from tests import samples

ROOT = Path(__file__).parents[2]


def outcome(path: bytes, sample: int | None = 0) -> Outcome:
    entry = Entry(path, 10, 20)
    if sample is None:
        return Outcome(entry, now(), failure=f"{os.fsdecode(path)} is empty.")
    judgement = replace(samples.ALL[sample], name=os.fsdecode(path))
    return Outcome(entry, now(), "f" * 64, judgement.to_json(), "Lumen 3", "2024:05:01 10:00:00")


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    path = tmp_path / "archive.ledger"
    with Ledger.write(path) as ledger:
        ledger.record(
            [
                outcome(b"/a/1.jpg", 0),
                outcome(b"/a/2\xff.jpg", 1),
                outcome(b"/a/b/3.jpg", 2),
                outcome(b"/ab/4.jpg", 3),
                outcome(b"/a/b/5.jpg", None),
            ]
        )
    return path


def test_what_goes_in_comes_out(filled: Path) -> None:
    with Ledger.read(filled) as ledger:
        ((*_, row),) = ([*page] for page in ledger.pages(Wanted(failed=False), by="path"))
        assert row.path == b"/ab/4.jpg"
        (first, second) = ledger.page(0, Wanted(folder=b"/a"), by="path", documents=True)[:2]
        assert (first.verdict, first.probability, first.a, first.b) == ("cast", 0.87, -1.2, -8.4)
        assert (first.strength, first.hue, first.camera) == ("evident", "blue", "Lumen 3")
        assert first.remarks == ("no_profile", "dominant_colour")
        assert first.archive_probability == first.probability  # as long as no rate is known
        assert second.path == b"/a/2\xff.jpg"
        assert second.name == "/a/2\udcff.jpg"
        assert (second.strength, second.hue) == ("negligible", None)
        assert ledger.judgement(second.id) == replace(samples.CLEAR, name="/a/2\udcff.jpg")
        assert ledger.judgement(5) is None
        assert ledger.row(5).failure == "/a/b/5.jpg is empty."
        with pytest.raises(LedgerError, match="holds no picture number 99"):
            ledger.row(99)


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        (Wanted(), "12345"),
        (Wanted(verdicts=("cast", "clear")), "12"),
        (Wanted(hues=("magenta",)), "34"),
        (Wanted(remarks=("dark", "split")), "34"),
        (Wanted(remarks=("dar",)), ""),
        (Wanted(folder=b"/a"), "1235"),
        (Wanted(folder=b"/a/b"), "35"),
        (Wanted(failed=True), "5"),
        (Wanted(failed=False, folder=b"/a/b"), "3"),
    ],
)
def test_rows_are_chosen(filled: Path, wanted: Wanted, expected: str) -> None:
    with Ledger.read(filled) as ledger:
        rows = ledger.page(0, wanted, by="path")
        assert sorted(str(row.id) for row in rows) == list(expected)
        assert ledger.counts(wanted).pictures == len(rows)


def test_pages_hold_every_row_once_in_order(filled: Path) -> None:
    with Ledger.read(filled) as ledger:
        whole = [row.id for row in ledger.page(0)]
        assert [row.id for page in ledger.pages(size=2) for row in page] == whole
        assert [row.id for k in range(4) for row in ledger.page(k, size=2)] == whole
        assert [ledger.row(k).verdict for k in whole] == ["cast", "ask", "ask", "clear", None]


def test_what_is_said_again_replaces_what_was_said(filled: Path) -> None:
    with Ledger.write(filled) as ledger:
        ledger.record([outcome(b"/a/1.jpg", None)])
        assert ledger.row(1).failure
        assert ledger.judgement(1) is None
        ledger.record([outcome(b"/a/1.jpg", 1)])
        assert ledger.row(1).verdict == "clear"
        assert ledger.counts().pictures == 5


def test_one_writes_while_others_read(filled: Path) -> None:
    with Ledger.write(filled) as ledger, Ledger.read(filled) as reader:
        with pytest.raises(LedgerError, match="is being written by another run"):
            Ledger.write(filled)
        ledger.record([outcome(b"/new.jpg")])
        assert reader.counts().pictures == 6
        with pytest.raises(LedgerError, match="read-only"):
            reader.set_fact("x", 1)


def test_a_closed_ledger_is_one_plain_file_that_can_be_read_anywhere(
    filled: Path, tmp_path: Path
) -> None:
    assert not list(tmp_path.glob("*-wal"))
    with sqlite3.connect(f"file:{filled}?immutable=1", uri=True) as plain:
        assert plain.execute("SELECT count(*) FROM overview").fetchone() == (5,)
    plain.close()


def test_a_ledger_is_brought_up_to_date_step_by_step(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = (*schema.MIGRATIONS, "ALTER TABLE pictures ADD COLUMN shelf TEXT DEFAULT 'none'")
    monkeypatch.setattr(ledgers, "MIGRATIONS", steps)
    with pytest.raises(LedgerError, match="earlier version of autocast; run autocast presort"):
        Ledger.read(filled)
    with Ledger.write(filled) as ledger:
        assert ledger.counts().pictures == 5
    with sqlite3.connect(filled) as plain:
        assert plain.execute("PRAGMA user_version").fetchone() == (len(steps),)
        assert plain.execute("SELECT DISTINCT shelf FROM pictures").fetchall() == [("none",)]
    plain.close()
    monkeypatch.undo()
    for open_ in (Ledger.read, Ledger.write):
        with pytest.raises(LedgerError, match="later version of autocast"):
            open_(filled)


def test_a_ledger_of_the_first_schema_keeps_its_facts(tmp_path: Path) -> None:
    path = tmp_path / "old.ledger"
    with contextlib.closing(sqlite3.connect(path)) as plain:
        plain.executescript(
            f"PRAGMA application_id = {schema.APPLICATION_ID}; PRAGMA user_version = 1;"
            f"{schema.MIGRATIONS[0]}"
        )
        facts = [("archive_rate", 0.125), ("settled", "2026-11-01T08:00:00Z")]
        plain.executemany("INSERT INTO facts VALUES (?, ?)", facts)
        plain.commit()
    with pytest.raises(LedgerError, match="earlier version of autocast; run autocast presort"):
        Ledger.read(path)
    Ledger.write(path).close()
    with Ledger.read(path) as ledger:
        assert ledger.fact("refreshed") == "2026-11-01T08:00:00Z"
        assert ledger.fact("settled") is None
        assert ledger.fact("archive_rate") == 0.125


def test_a_step_that_fails_leaves_the_ledger_as_it_was(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        ledgers,
        "MIGRATIONS",
        (*schema.MIGRATIONS, "DELETE FROM facts; DELETE FROM judgements; NONSENSE"),
    )
    with pytest.raises(LedgerError, match="cannot be used"):
        Ledger.write(filled)
    monkeypatch.undo()
    with Ledger.read(filled) as ledger:
        assert ledger.judgement(1) == replace(samples.LIKELY, name="/a/1.jpg")


def test_what_is_no_ledger_is_refused_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("Not a ledger, but long enough to look at." * 40, encoding="ascii")
    other = tmp_path / "other.db"
    with sqlite3.connect(other) as plain:
        plain.execute("CREATE TABLE t (x)")
    plain.close()
    before = other.read_bytes()
    for path in (text, other):
        for open_ in (Ledger.read, Ledger.write):
            with pytest.raises(LedgerError, match="is no ledger of autocast; name another file"):
                open_(path)
    assert other.read_bytes() == before
    assert text.read_text(encoding="ascii").startswith("Not a ledger")
    assert {p.name for p in tmp_path.iterdir()} == {"notes.txt", "other.db"}
    with pytest.raises(LedgerError, match="does not exist; name a ledger"):
        Ledger.read(tmp_path / "missing")
    with pytest.raises(LedgerError, match="does not exist; make the folder first"):
        Ledger.write(tmp_path / "missing" / "a.ledger")
    with pytest.raises(LedgerError, match="is no file"):
        Ledger.write(tmp_path)


def test_an_empty_picture_is_no_new_ledger_and_what_a_kill_left_is(tmp_path: Path) -> None:
    picture, left = tmp_path / "lost.JPG", tmp_path / "left.ledger"
    picture.touch()
    for path in (picture, tmp_path / "not there.png"):
        with pytest.raises(LedgerError, match=r"named like a picture; name .* such as .*\.ledger"):
            Ledger.write(path)
    assert [(p.name, p.stat().st_size) for p in tmp_path.iterdir()] == [("lost.JPG", 0)]
    left.touch()
    Ledger.write(left).close()
    Ledger.read(left).close()
    left.rename(tmp_path / "named as one.tif")
    Ledger.write(tmp_path / "named as one.tif").close()


def test_a_full_disk_is_one_sentence_and_nothing_kept_is_lost(filled: Path) -> None:
    with Ledger.write(filled) as ledger:
        (pages,) = ledger._db.execute("PRAGMA page_count").fetchone()
        ledger._db.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(
            LedgerError, match="cannot grow: the disk is full; free space"
        ) as caught:
            ledger.record([outcome(b"/more/%d.jpg" % k) for k in range(200)])
        assert "\n" not in str(caught.value)
    with Ledger.read(filled) as ledger:
        assert ledger.counts().pictures == 5
    with Ledger.write(filled) as ledger:
        ledger.record([outcome(b"/more/1.jpg")])
        assert ledger.counts().pictures == 6


@pytest.mark.skipif(sys.platform == "win32", reason="needs RLIMIT_FSIZE")
def test_a_file_that_may_not_grow_is_one_sentence_too(filled: Path) -> None:
    code = (
        "import resource, sys; from tests.archive.test_ledger import *\n"
        "with Ledger.write(sys.argv[1]) as ledger:\n"
        "    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))\n"
        "    try: ledger.record([outcome(b'/more/%d.jpg' % k) for k in range(400)])\n"
        "    except LedgerError as error: print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(filled)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.startswith(f"{filled} cannot ")
    assert done.stdout.count("\n") == 1
    assert done.stderr == ""
    with Ledger.read(filled) as ledger:
        assert ledger.counts().pictures == 5


def test_a_read_only_ledger_is_read_and_not_written(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Tests may run as root, whom permissions do not stop: SQLite is told to open it so.
    connect = ledgers._connect
    monkeypatch.setattr(ledgers, "_connect", lambda path, _: connect(path, "mode=ro"))
    with pytest.raises(LedgerError, match="is read-only; allow writing") as caught:
        Ledger.write(filled)
    assert "\n" not in str(caught.value)
    monkeypatch.undo()
    with Ledger.read(filled) as ledger:
        assert ledger.counts().pictures == 5


def test_a_ledger_left_by_a_killed_writer_is_read_whole(filled: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy" / "a.ledger"
    copy.parent.mkdir()
    with Ledger.write(filled) as ledger:
        ledger.record([outcome(b"/new.jpg")])
        for end in ("", "-wal"):  # what a kill leaves behind
            shutil.copy(f"{filled}{end}", f"{copy}{end}")
    with Ledger.read(copy) as ledger:
        assert ledger.counts().pictures == 6


def test_where_there_is_no_write_ahead_log_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.ledger"
    with Ledger.write(path) as ledger:
        assert ledger.log_said is None
        assert ledger._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    monkeypatch.setattr(ledgers, "_file_system", lambda _: "nfs4")
    with Ledger.write(path) as ledger:
        assert ledger.log_said == f"{path} lies on a network file system (nfs4)"
        assert ledger._db.execute("PRAGMA journal_mode").fetchone()[0] == "delete"
        ledger.record([outcome(b"/new.jpg")])


@pytest.mark.parametrize("linked", [True, False])
def test_no_lock_is_made_of_another_file(tmp_path: Path, linked: bool) -> None:  # noqa: FBT001
    dear = tmp_path / ("photograph.jpg" if linked else "a.ledger.lock")
    dear.write_bytes(b"dear" * 500)
    if linked:
        (tmp_path / "a.ledger.lock").symlink_to(dear)
    with pytest.raises(LedgerError, match=r"a\.ledger\.lock is no lock of a ledger"):
        Ledger.write(tmp_path / "a.ledger")
    assert dear.read_bytes() == b"dear" * 500


ROTTED: dict[str, tuple[object, ...]] = {
    "path": ("text", 7, None, b"a\0"),
    "folder": ("text", -5),
    "verdict": ("sure", 3, b"cast"),
    "probability": ("high", -7.0, 1e300, b""),
    "base_rate": ("[[[", None, 2.0),
    "a": ("<script>", float("inf"), None),
    "width": ("[]", 0, -3),
    "remarks": ("haunted", 7),
    "cov_ab": (b"", 1e8),
    "at": (b"",),
    "camera": (b"\1",),
}


@pytest.mark.parametrize(("column", "value"), [(c, v) for c, some in ROTTED.items() for v in some])
def test_a_rotted_picture_gets_a_sentence(filled: Path, column: str, value: object) -> None:
    changed(filled, f"UPDATE pictures SET {column} = ? WHERE verdict NOT NULL", value)  # noqa: S608
    said = 0
    with Ledger.read(filled) as opened:
        for look in (
            lambda: list(opened.pages(documents=True)),
            opened.counts,
            lambda: list(opened.singles()),
            lambda: list(opened.probabilities()),
        ):
            try:
                look()
            except LedgerError as error:
                said += 1
                assert str(filled) in str(error)  # noqa: PT017 -- those that fail
                assert "restore a copy" in str(error)  # noqa: PT017
    assert said


@pytest.mark.parametrize("document", ["", "{", "[]", '{"name": 3}', '{"schema": 3}', b"\xff"])
def test_a_rotted_judgement_gets_a_sentence_that_names_the_picture(
    filled: Path, document: str | bytes
) -> None:
    changed(filled, "UPDATE judgements SET json = CAST(? AS TEXT)", document)
    with Ledger.read(filled) as opened:
        with pytest.raises(LedgerError, match=r"1\.jpg|cannot be used"):
            opened.judgement(1)
        with pytest.raises(LedgerError, match=r"1\.jpg|cannot be used"):
            list(map(judgement_of, itertools.chain(*opened.pages(documents=True))))


def changed(ledger: Path, change: str, value: object) -> None:
    """Rot: what SQLite's own checks would refuse."""
    with contextlib.closing(sqlite3.connect(ledger, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = 1")
        connection.execute("UPDATE sqlite_master SET sql = replace(sql, ' NOT NULL', '')")
    with contextlib.closing(sqlite3.connect(ledger, isolation_level=None)) as connection:
        connection.execute("PRAGMA ignore_check_constraints = 1")
        connection.execute(f"{change} AND id = 1" if "WHERE" in change else change, (value,))


@pytest.mark.parametrize(
    ("name", "column"), [("overview", "archive_probability"), ("decisions", "note")]
)
def test_a_column_whose_name_rotted_gets_a_sentence(filled: Path, name: str, column: str) -> None:
    with contextlib.closing(sqlite3.connect(filled)) as plain:
        plain.execute("PRAGMA writable_schema = ON")
        rot = "UPDATE sqlite_master SET sql = replace(sql, ?, ?) WHERE name = ?"
        plain.execute(rot, (column, f"j{column[1:]}", name))
        plain.commit()
    with Ledger.read(filled) as opened, pytest.raises(LedgerError, match="restore a copy of it"):
        by_content(opened) if name == "decisions" else list(opened.pages())


@pytest.mark.parametrize("replaced", [False, True])
def test_a_ledger_that_goes_while_it_is_written_is_missed(
    filled: Path,
    replaced: bool,  # noqa: FBT001 -- pytest's
) -> None:
    other = filled.with_name("other")
    shutil.copyfile(filled, other)
    before = other.read_bytes()
    with Ledger.write(filled) as ledger:
        ledger.record([outcome(b"/a/9.jpg", 0)])
        filled.unlink()
        if replaced:
            other.rename(filled)
        with pytest.raises(LedgerError, match="was taken away or replaced while it was written"):
            ledger.record([outcome(b"/a/10.jpg", 0)])
    assert filled.exists() == replaced
    assert not replaced or filled.read_bytes() == before


def test_a_ledger_in_which_another_writes_is_not_read_past_it(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledgers, "_WAIT", 0.1)
    with contextlib.closing(sqlite3.connect(filled, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(LedgerError, match="is held by another program; close it there"):
            Ledger.read(filled)
        other.execute("ROLLBACK")
    Ledger.read(filled).close()
