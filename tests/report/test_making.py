"""A report made by processes: the same pages, whatever becomes of the processes."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import signal
import sqlite3
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from autocast.archive.ledger import Ledger
from autocast.errors import LedgerError
from autocast.report import pages
from autocast.report.pages import making
from tests import ledgers, samples

COUNT = 90


def contents(report: Path) -> dict[str, str]:
    """What each file says: of a picture its pixels, since its profile names the time."""
    out = {}
    for place in sorted(p for p in report.rglob("*") if p.is_file()):
        seen = np.asarray(Image.open(place)) if place.suffix == ".jpg" else None
        said = place.read_bytes() if seen is None else seen.tobytes()
        out[place.relative_to(report).as_posix()] = hashlib.sha256(said).hexdigest()
    return out


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many")
    names = [b"%d/%03d.png" % (k % 3, k) for k in range(COUNT)]
    return ledgers.build(folder, names, ledgers.cycle(COUNT))


@pytest.fixture(scope="module")
def expected(ledger: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What this process makes by itself."""
    return contents(written(ledger, tmp_path_factory.mktemp("alone") / "report"))


@pytest.fixture
def by_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(making, "MANY", 1)
    monkeypatch.setattr(making, "cores", lambda: 2)


def written(ledger: Path, to: Path, step: Callable[[int, int], None] | None = None) -> Path:
    with Ledger.read(ledger) as opened:
        return pages.write(opened, to, step=step or (lambda *_: None)).parent


def running() -> list[int]:
    return [process.pid or 0 for process in multiprocessing.active_children()]


def ended_by(monkeypatch: pytest.MonkeyPatch, number: int, *, of: int) -> list[int]:
    """Have the first ``of`` processes ended by a signal as they get work; which those were."""
    make, struck = making._Worker.make, list[int]()

    def made(worker: making._Worker, part: making.Part) -> list[making.Made]:
        pid = worker.process.pid or 0
        if pid not in struck and len(struck) < of:
            struck.append(pid)
            os.kill(pid, number)
            worker.process.join()
        return make(worker, part)

    monkeypatch.setattr(making._Worker, "make", made)
    return struck


@pytest.mark.usefixtures("by_processes")
def test_processes_make_the_pages_that_one_makes(
    tmp_path: Path, ledger: Path, expected: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(making, "small")  # of this process alone
    report = written(ledger, tmp_path / "report")
    assert contents(report) == expected
    copies = {place: place.stat().st_mtime_ns for place in report.glob("small/*/*.jpg")}
    assert len(copies) > COUNT
    written(ledger, tmp_path / "report")
    assert {place: place.stat().st_mtime_ns for place in report.glob("small/*/*.jpg")} == copies
    assert not running()


@pytest.mark.usefixtures("by_processes")
def test_what_processes_had_out_when_they_were_ended_is_made_all_the_same(
    tmp_path: Path, ledger: Path, expected: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    struck = ended_by(monkeypatch, signal.SIGKILL, of=2)
    assert contents(written(ledger, tmp_path / "report")) == expected
    assert len(struck) == 2
    assert not running()


@pytest.mark.usefixtures("by_processes")
def test_an_interrupted_report_leaves_no_process_and_is_taken_up(
    tmp_path: Path, ledger: Path, expected: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: int) -> None:
        assert running()
        raise KeyboardInterrupt

    monkeypatch.setattr(pages, "_STEP", 40)
    with pytest.raises(KeyboardInterrupt):
        written(ledger, tmp_path / "report", stop)
    assert not running()
    assert contents(written(ledger, tmp_path / "report")) == expected


def test_a_picture_that_takes_more_memory_than_allowed_is_not_shown(
    tmp_path: Path, ledger: Path
) -> None:
    with Ledger.read(ledger) as opened:
        report = pages.write(opened, tmp_path / "report", memory=1_000_000).parent
    assert not list(report.glob("small/*/*.jpg"))
    assert list(written(ledger, tmp_path / "report").glob("small/*/*.jpg"))


@pytest.mark.usefixtures("by_processes")
def test_a_damaged_judgement_gets_its_sentence_from_a_process_too(tmp_path: Path) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png", b"b.png"], [samples.CLEAR, samples.CLEAR])
    with sqlite3.connect(ledger) as plain:
        plain.execute("UPDATE judgements SET json = '{}' WHERE picture = 2")
    plain.close()
    with pytest.raises(LedgerError, match=r"b\.png cannot be read"):
        written(ledger, tmp_path / "report")
    assert not running()
