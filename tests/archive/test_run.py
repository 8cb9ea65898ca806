"""A pass over an archive: nothing is lost, nothing is judged twice, one culprit at a time."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import pickle
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from multiprocessing import forkserver, get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from autocast.archive import run as running, work, workers
from autocast.archive.ledger import Ledger
from autocast.archive.rate import refresh
from autocast.archive.rows import Counts, Entry, Outcome, Wanted
from autocast.archive.run import Again, Run, Tally
from autocast.archive.walk import Chosen, resolve_root
from autocast.archive.work import judged, judged_by_pickled
from autocast.archive.workers import Processes, WorkerPool
from autocast.errors import ArchiveError, LedgerError, ModelError
from autocast.modelstore import Models, default_models
from autocast.picture import decoding
from autocast.picture.reading import open_file
from tests import archives
from tests.archives import Deadly, Threads, archive, invented, other_models

if TYPE_CHECKING:
    from distributed import LocalCluster

ROOT = Path(__file__).parents[2]


def passed(
    ledger: Path,
    *roots: Path | str,
    pool: WorkerPool | None = None,
    again: Again = "changed",
    stop: threading.Event | None = None,
    progress: Callable[[Tally], None] = lambda _: None,
) -> Tally:
    with Ledger.write(ledger) as opened, pool or Threads() as workers:
        run = Run(opened, workers, again=again, stop=stop, progress=progress)
        return run.over([resolve_root(str(root)) for root in roots])


def by(models: Models) -> Callable[[Entry], Outcome]:
    return partial(judged, models=models)


def contents(ledger: Path) -> list[tuple[object, ...]]:
    """Every row and judgement, times and the order of arrival aside."""
    with Ledger.read(ledger) as opened:
        rows = opened.pages(Wanted(gone=True), by="path", documents=True)
        return [(replace(row, id=0, at=""),) for page in rows for row in page]


def counts(ledger: Path) -> Counts:
    with Ledger.read(ledger) as opened:
        return opened.counts()


def files(root: Path, *names: str) -> Path:
    for name in names:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"\xff\xd8\xff" + name.encode())
    return root


@pytest.fixture
def real(tmp_path: Path) -> Path:
    root = tmp_path / "real"
    archive(root)
    return root


def test_only_what_is_new_or_changed_is_judged(tmp_path: Path) -> None:
    root = files(tmp_path / "root", *(f"{k}.jpg" for k in range(9)), "bad.jpg")
    ledger = tmp_path / "a.ledger"
    first = passed(ledger, root)
    assert (first.judged, first.failed, first.unchanged, first.complete) == (9, 1, 0, True)
    assert (passed(ledger, root).judged, passed(ledger, root).unchanged) == (0, 10)
    files(root, "9.jpg")
    (root / "3.jpg").write_bytes(b"\xff\xd8\xff longer")
    os.utime(root / "4.jpg", (1, 1))
    assert passed(ledger, root).judged == 3
    assert passed(ledger, root, again="failed").failed == 1
    every = passed(ledger, root, again="all")
    assert (every.judged, every.failed, every.unchanged) == (10, 1, 0)
    assert counts(ledger).pictures == 11


def test_what_is_gone_is_kept_and_said_and_may_come_back(tmp_path: Path) -> None:
    root = files(tmp_path / "root", "1.jpg", "2.jpg", "x/3.jpg")
    ledger = tmp_path / "a.ledger"
    passed(ledger, root)
    (root / "1.jpg").rename(tmp_path / "kept.jpg")
    assert passed(ledger, root).gone == 1
    assert (counts(ledger).pictures, counts(ledger).gone) == (2, 1)
    (tmp_path / "kept.jpg").rename(root / "1.jpg")
    assert passed(ledger, root).judged == 0
    assert (counts(ledger).pictures, counts(ledger).gone) == (3, 0)
    # Another folder, or a narrower choice, says nothing about the rest.
    passed(ledger, root / "x")
    assert counts(ledger).gone == 0


def test_folders_within_folders_are_walked_once(tmp_path: Path) -> None:
    root = files(tmp_path / "root", "1.jpg", "x/2.jpg")
    assert passed(tmp_path / "a.ledger", root / "x", root, root).judged == 2


def test_no_more_than_the_window_is_out(tmp_path: Path) -> None:
    root = files(tmp_path / "root", *(f"{k}.jpg" for k in range(60)))
    both = threading.Barrier(2)

    def together(entry: Entry) -> Outcome:
        both.wait(timeout=20)
        return invented(entry)

    pool = Threads(together, window=5)
    passed(tmp_path / "a.ledger", root, pool=pool)
    assert 1 < pool.most_out <= 5


def test_the_tally_moves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "KEEP_EVERY", 0.0)
    root = files(tmp_path / "root", *(f"{k}.jpg" for k in range(9)), "n.txt")
    met: list[int] = []
    passed(tmp_path / "a.ledger", root, progress=lambda tally: met.append(tally.met))
    assert met == sorted(met)
    assert met[-1] == 10


def test_a_stopped_pass_is_taken_up_where_it_was(tmp_path: Path) -> None:
    root = files(tmp_path / "root", *(f"{k:02}.jpg" for k in range(40)))
    whole, parts = tmp_path / "whole.ledger", tmp_path / "parts.ledger"
    passed(whole, root)
    stop = threading.Event()
    judged_before: list[Entry] = []

    def work(entry: Entry) -> Outcome:
        judged_before.append(entry)
        if len(judged_before) == 10:
            stop.set()
        return invented(entry)

    tally = passed(parts, root, pool=Threads(work), stop=stop)
    assert not tally.complete
    assert 9 <= tally.judged < 40
    assert tally.judged == counts(parts).pictures  # what was out is kept, not judged twice
    assert passed(parts, root).judged == 40 - tally.judged
    assert contents(parts) == contents(whole)


def test_deaths_of_workers_fail_nobody_but_the_culprit(tmp_path: Path) -> None:
    root = files(tmp_path / "root", *(f"{k:02}.jpg" for k in range(20)), "10kill.jpg")
    neighbours = {b"11.jpg", b"12.jpg"}

    def work(entry: Entry) -> Outcome:
        if b"kill" in entry.path:
            raise BrokenExecutor("a worker died")
        if entry.path[-6:] in neighbours:
            neighbours.remove(entry.path[-6:])
            raise BrokenExecutor("out when a neighbour died")
        return invented(entry)

    pool = Threads(work)
    passed(tmp_path / "a.ledger", root, pool=pool)
    with Ledger.read(tmp_path / "a.ledger") as ledger:
        (failed,) = ledger.page(0, Wanted(failed=True))
        assert ledger.counts().judged == 20
    assert failed.path.endswith(b"10kill.jpg")
    assert failed.failure == (
        f"{root / '10kill.jpg'} crashed the process that judged it, twice; get a whole copy of it."
    )
    assert pool.rebuilt >= 3


def test_a_process_that_cannot_be_started_is_no_fault_of_a_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "_TICK", 0.01)
    root = files(tmp_path / "root", "1.jpg", "2.jpg")

    class Late(Threads):
        failing = 4

        def submit(self, entry: Entry) -> Future[Outcome]:
            self.failing -= 1
            if self.failing >= 0:
                raise BrokenExecutor
            return super().submit(entry)

    passed(tmp_path / "late.ledger", root, pool=Late())
    assert counts(tmp_path / "late.ledger").judged == 2
    never = Late()
    never.failing = 99
    with pytest.raises(ArchiveError, match="No process can be started"):
        passed(tmp_path / "never.ledger", root, pool=never)
    assert counts(tmp_path / "never.ledger").failed == 0


def test_processes_that_die_or_hang_are_replaced(tmp_path: Path) -> None:
    root = tmp_path / "root"
    good = archive(root, copies=1)
    for name in ("quay/a_kill.jpg", "quay/z_hang.jpg"):
        (root / name).write_bytes(good[0].read_bytes())
    ledger = tmp_path / "a.ledger"
    passed(ledger, root, pool=Deadly(default_models(), 2, deadline=8.0))
    with Ledger.read(ledger) as opened:
        rows = {Path(row.name).name: row for page in opened.pages() for row in page}
    assert len(rows) == len(good) + 2
    assert (
        rows["cut.jpg"].failure
        == f"{root}/quay/cut.jpg is cut short or damaged; get a whole copy of it."
    )
    assert "crashed the process that judged it" in str(rows["a_kill.jpg"].failure)
    assert "was not judged within 8 seconds" in str(rows["z_hang.jpg"].failure)
    assert all(rows[path.name].verdict for path in good if path.name != "cut.jpg")


@pytest.mark.skipif(os.name == "nt", reason="workers are forked by a server elsewhere")
def test_a_process_that_begins_while_its_pool_breaks_keeps_nothing_waiting(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pool = Processes(default_models(), 2)
    first = pool._pool.submit(os.getpid).result()
    begin = forkserver.connect_to_new_process

    def late(handles: list[int]) -> tuple[int, int]:
        os.kill(first, signal.SIGKILL)
        _until(lambda: bool(pool._pool._broken))
        return begin(handles)

    monkeypatch.setattr(forkserver, "connect_to_new_process", late)
    broken = [pool._pool.submit(os.getpid) for _ in range(2)]
    monkeypatch.undo()
    assert all(isinstance(each.exception(timeout=20), BrokenExecutor) for each in broken)
    manager: Any = pool._pool._executor_manager_thread  # typeshed takes it for another thing
    assert manager is not None
    pool.rebuild()
    manager.join(timeout=20)  # Python does so at its end, for however long it takes
    assert not manager.is_alive()
    pool.close()


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="the system stops no process")
def test_a_worker_that_lets_nobody_at_the_queue_does_not_keep_its_pool_from_ending() -> None:
    pool = Processes(default_models(), 1)
    holds = pool._pool.submit(os.getpid).result()
    os.kill(holds, signal.SIGSTOP)  # it waits for work, and holds the queue's lock meanwhile
    ending = threading.Thread(target=pool.close, daemon=True)
    ending.start()
    ending.join(timeout=20)
    ended = not ending.is_alive()
    if not ended:
        os.kill(holds, signal.SIGKILL)
    assert ended


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="the system has no masks")
def test_an_interrupt_from_a_terminal_meets_no_process_that_starts() -> None:
    masked = "import signal; print(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, []))"
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    with workers.out_of_reach():
        done = subprocess.run([sys.executable, "-c", masked], capture_output=True, check=True)
    assert done.stdout == b"True\n"
    assert signal.pthread_sigmask(signal.SIG_BLOCK, []) == before
    assert signal.SIGINT not in before


def test_parallel_equals_serial_equals_one_by_one(tmp_path: Path, real: Path) -> None:
    by_two, by_one, alone = (tmp_path / f"{name}.ledger" for name in ("two", "one", "alone"))
    passed(by_two, real, pool=Processes(default_models(), 2))
    passed(by_one, real, pool=Processes(default_models(), 1))
    passed(alone, real, pool=Threads(by(default_models()), window=1))
    assert contents(by_two) == contents(by_one) == contents(alone)
    for path in (by_two, by_one):
        with Ledger.write(path) as ledger:
            refresh(ledger, default_models())
    assert contents(by_two) == contents(by_one)
    assert counts(by_two).pictures == 17
    assert counts(by_two).failed == 1


def test_two_models_in_one_process_do_not_mix(tmp_path: Path) -> None:
    """In threads of this process, and in a worker process that both were sent to."""
    own = default_models()
    others = Models.load(other_models(tmp_path / "models"))
    path = next(path for path in archive(tmp_path / "root", 1) if path.name == "china_0.jpg")
    entry = Entry(os.fsencode(path), None, None)
    turns = (own, others, own, others)
    with ThreadPoolExecutor(2) as threads:
        here = [f.result() for f in [threads.submit(judged, entry, m) for m in turns]]
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as process:
        sent = [process.submit(judged_by_pickled, entry, pickle.dumps(m)) for m in turns]
        there = [f.result() for f in sent]
    for outcomes in (here, there):
        documents = [json.loads(str(each.judgement)) for each in outcomes]
        assert [each["model"] for each in documents] == [models.id for models in turns]
        assert documents[0] == documents[2] == json.loads(str(here[0].judgement))
        assert documents[1] == documents[3] == json.loads(str(here[1].judgement))
    assert [each["verdict"] for each in documents] == ["clear", "ask", "clear", "ask"]


def test_models_that_changed_under_a_run_stop_it(tmp_path: Path) -> None:
    root = files(tmp_path / "root", "1.jpg")
    folder = other_models(tmp_path / "models")
    pool = Processes(Models.load(folder), 1)
    (folder / "verdict.json").write_text("{}", encoding="ascii")
    with pytest.raises(ModelError, match=r"verdict\.json was altered"):
        passed(tmp_path / "a.ledger", root, pool=pool)
    assert counts(tmp_path / "a.ledger").pictures == 0


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as made:
        yield made


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_dask_equals_serial_also_when_a_worker_is_killed(
    tmp_path: Path, real: Path, cluster: LocalCluster
) -> None:
    from autocast.archive.cluster import Cluster

    serial, dask = tmp_path / "serial.ledger", tmp_path / "dask.ledger"
    passed(serial, real, pool=Processes(default_models(), 1))
    passed(dask, real, pool=Cluster(default_models(), cluster.scheduler_address))
    assert contents(dask) == contents(serial)
    others = Models.load(other_models(tmp_path / "models"))
    passed(tmp_path / "o.ledger", real / "market", pool=Cluster(others, cluster.scheduler_address))
    with Ledger.read(tmp_path / "o.ledger") as opened:
        assert opened.models() == {others.id: 8}
    killed: list[int] = []

    def progress(_: Tally) -> None:
        if not killed:
            killed.append(next(iter(cluster.workers.values())).pid)
            os.kill(killed[0], signal.SIGKILL)

    again = tmp_path / "again.ledger"
    passed(
        again, real, pool=Cluster(default_models(), cluster.scheduler_address), progress=progress
    )
    assert killed
    assert contents(again) == contents(serial)


def test_no_scheduler_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    from autocast.archive import cluster

    monkeypatch.setattr(cluster, "_CONNECT", 0.5)
    with pytest.raises(ArchiveError, match=r"No scheduler answers at tcp://127\.0\.0\.1:9"):
        cluster.Cluster(default_models(), "tcp://127.0.0.1:9")


@pytest.mark.slow
def test_pictures_at_addresses_are_judged(tmp_path: Path, real: Path) -> None:
    import fsspec

    memory = fsspec.filesystem("memory")
    memory.put(str(real / "market"), "/judged", recursive=True)
    try:
        tally = passed(tmp_path / "a.ledger", "memory://judged", pool=Threads(by(default_models())))
        assert passed(tmp_path / "a.ledger", "memory://judged").judged == 0
    finally:
        memory.rm("/judged", recursive=True)
    assert (tally.judged, tally.failed) == (8, 0)
    passed(tmp_path / "b.ledger", real / "market", pool=Threads(by(default_models())))
    said = [
        [(row.hash, row.verdict, row.probability, row.a, row.b) for (row,) in contents(path)]  # type: ignore[attr-defined]
        for path in (tmp_path / "a.ledger", tmp_path / "b.ledger")
    ]
    assert said[0] == said[1]


def test_a_picture_is_read_once_so_that_what_is_hashed_is_what_is_judged(
    real: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photograph = next((real / "market").iterdir())
    entry = Entry(os.fsencode(photograph), None, None)
    read_once = judged(entry, default_models())
    assert read_once.hash == hashlib.sha256(photograph.read_bytes()).hexdigest()
    opened: list[object] = []

    def noted(path: bytes | str) -> object:
        opened.append(path)
        return open_file(path)

    for module in (work, decoding):
        monkeypatch.setattr(module, "open_file", noted)
    assert judged(entry, default_models()).judgement == read_once.judgement
    assert opened == [entry.path]
    monkeypatch.setattr(work, "_READ_AT_ONCE", 0)
    again = judged(entry, default_models())
    assert (again.hash, again.judgement) == (read_once.hash, read_once.judgement)
    assert len(opened) == 3


def test_names_that_are_no_unicode_come_through(tmp_path: Path, real: Path) -> None:
    odd = os.fsencode(tmp_path) + b"/odd/caf\xe9\n.jpg"
    Path(os.fsdecode(odd)).parent.mkdir()
    Path(os.fsdecode(odd)).write_bytes(next((real / "market").iterdir()).read_bytes())
    passed(tmp_path / "a.ledger", tmp_path / "odd", pool=Processes(default_models(), 1))
    with Ledger.read(tmp_path / "a.ledger") as ledger:
        (row,) = ledger.page(0)
        assert row.path == odd
        assert ledger.judgement(row.id) is not None


def test_damaged_models_stop_the_pass_and_blame_no_picture(tmp_path: Path) -> None:
    root = files(tmp_path / "root", "1.jpg", "2.jpg")

    def work(_: Entry) -> Outcome:
        raise ModelError("weights.json was altered.")

    with pytest.raises(ModelError):
        passed(tmp_path / "a.ledger", root, pool=Threads(work))
    assert counts(tmp_path / "a.ledger").pictures == 0


def test_a_worker_that_cannot_work_stops_the_pass(tmp_path: Path) -> None:
    root = files(tmp_path / "root", "1.jpg")

    def work(_: Entry) -> Outcome:
        raise ModuleNotFoundError("No module named 'autocast'")

    with pytest.raises(ArchiveError, match="make sure that it has the same autocast installed"):
        passed(tmp_path / "a.ledger", root, pool=Threads(work))


def test_a_full_disk_stops_the_pass_and_the_next_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "KEEP_AT_MOST", 5)
    root = files(tmp_path / "root", *(f"{k:03}.jpg" for k in range(150)))
    ledger = tmp_path / "a.ledger"
    with Ledger.write(ledger) as opened, Threads() as pool:
        (pages,) = opened._db.execute("PRAGMA page_count").fetchone()
        opened._db.execute(f"PRAGMA max_page_count = {pages + 20}")
        with pytest.raises(LedgerError, match="the disk is full"):
            Run(opened, pool).over([resolve_root(str(root))])
    assert 0 < counts(ledger).pictures < 150
    passed(ledger, root)
    passed(tmp_path / "b.ledger", root)
    assert contents(ledger) == contents(tmp_path / "b.ledger")


@pytest.mark.slow
def test_a_killed_run_resumes_to_the_same_ledger_and_leaves_no_process(
    tmp_path: Path, real: Path
) -> None:
    """Three kills; ``tests/studies/endurance.py`` does twenty, at random, of workers as well."""
    for folder in ("market", "quay"):
        for path in list((real / folder).iterdir()):
            for k in range(3):
                (real / folder / f"{k}{path.name}").write_bytes(path.read_bytes())
    whole, killed = tmp_path / "whole.ledger", tmp_path / "killed.ledger"
    command = [sys.executable, "-m", "autocast", "presort", str(real), "--jobs", "2", "--into"]
    for least in (1, 15, 30):
        with subprocess.Popen(
            [*command, str(killed)],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        ) as process:
            _until(lambda least=least: _kept(killed) >= least or process.poll() is not None)  # type: ignore[misc]
            process.kill()
        _until(lambda: not _session(process.pid))
    subprocess.run([*command, str(killed)], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    subprocess.run([*command, str(whole)], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    assert contents(killed) == contents(whole)
    assert counts(killed).pictures == 4 * 17


def _kept(path: Path) -> int:
    try:
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as plain:
            return int(plain.execute("SELECT count(*) FROM pictures").fetchone()[0])
    except sqlite3.Error:
        return 0


def _session(leader: int) -> list[int]:
    """Processes that are still there of a session."""
    found = []
    for process in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = process.read_text(encoding="utf-8").rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == leader and fields[0] != "Z":
            found.append(int(process.parent.name))
    return found


def _until(true: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def test_an_interrupt_finishes_cleanly(tmp_path: Path, real: Path) -> None:
    for k in range(12):
        for path in list((real / "market").iterdir())[:16]:
            (real / f"{k}{path.name}").write_bytes(path.read_bytes())
    ledger = tmp_path / "a.ledger"
    with subprocess.Popen(
        [sys.executable, "-m", "autocast", "presort", str(real), "--into", str(ledger)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:
        _until(lambda: _kept(ledger) > 0 or process.poll() is not None)
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers as well
        out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Stopping; what is being judged is finished first." in err
    assert err.endswith("Stopped before the end; run the same command to go on.\n")
    assert "Traceback" not in err
    assert " judged now, 0 unchanged" in out
    assert not list(tmp_path.glob("*-wal"))
    assert counts(ledger).failed <= 1
    assert counts(ledger).pictures > 0


def test_patterns_reach_the_walk(tmp_path: Path) -> None:
    root = files(tmp_path / "root", "1.jpg", "2.tif", "drafts/3.jpg")
    with Ledger.write(tmp_path / "a.ledger") as ledger, Threads() as pool:
        tally = Run(ledger, pool).over(
            [resolve_root(str(root))], Chosen(include=("*.jpg",), exclude=("drafts",))
        )
    assert tally.judged == 1


def test_the_invented_work_is_what_the_tests_think() -> None:
    assert archives.invented(Entry(b"/bad.jpg", 1, 1)).failure
