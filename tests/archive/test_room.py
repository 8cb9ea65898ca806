"""Memory in an archive: what each picture may take, and what failed for want of it."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest
from PIL import Image

from autocast.archive.ledger import Ledger
from autocast.archive.room import (
    LEAST,
    PROCESS,
    Room,
    memory_of_machine,
    most_at_once,
    room_for_each as room_for,
)
from autocast.archive.rows import Row, Wanted
from autocast.archive.run import Run, Tally
from autocast.archive.walk import resolve_root
from autocast.archive.work import judged
from autocast.errors import ArchiveError
from autocast.modelstore import default_models
from autocast.picture import size_of
from tests.archives import Threads

GB = 10**9


def passed(ledger: Path, root: Path, room: Room) -> Tally:
    pool = Threads(partial(judged, models=default_models(), room=room))
    pool.room = room
    with Ledger.write(ledger) as opened, pool:
        return Run(opened, pool).over([resolve_root(str(root))])


def failures(ledger: Path) -> list[Row]:
    with Ledger.read(ledger) as opened:
        return opened.page(0, Wanted(failed=True))


def test_what_failed_for_want_of_memory_is_tried_again_with_more(tmp_path: Path) -> None:
    root, ledger = tmp_path / "root", tmp_path / "a.ledger"
    root.mkdir()
    image = Image.linear_gradient("L").resize((900, 700)).convert("RGB")
    image.save(root / "large.jpg", progressive=True)
    (root / "broken.jpg").write_bytes(b"\xff\xd8\xff")
    little = Room(4_000_000)
    assert passed(ledger, root, little).failed == 2
    said = {Path(row.name).name: row.failure or "" for row in failures(ledger)}
    assert "of memory to read, where 4 MB is allowed" in said["large.jpg"]
    assert passed(ledger, root, little).unchanged == 2
    named = size_of(said["large.jpg"].partition("--memory ")[2].partition(",")[0])
    assert named is not None
    more = passed(ledger, root, Room(named))
    assert (more.judged, more.failed, more.unchanged) == (1, 0, 1)
    assert len(failures(ledger)) == 1
    assert passed(ledger, root, Room(named)).unchanged == 2


def test_where_the_machine_is_what_is_small_the_sentence_says_so(tmp_path: Path) -> None:
    root, ledger = tmp_path / "root", tmp_path / "a.ledger"
    root.mkdir()
    Image.new("RGB", (900, 700)).save(root / "large.jpg", progressive=True)
    passed(ledger, root, Room(4_000_000, room_for(2, GB, GB).remedy))
    (row,) = failures(ledger)
    assert row.failure is not None
    assert row.failure.endswith(
        "where 4 MB is allowed; judge fewer at once with --jobs, or give a smaller copy."
    )


def test_the_workers_together_fit_the_machine() -> None:
    assert room_for(4, GB, 16 * GB) == Room(GB)
    assert room_for(64, GB, None) == Room(GB)
    for jobs in range(1, 33):
        room = room_for(jobs, GB, 16 * GB)
        assert room.memory <= GB
        assert jobs * (room.memory + PROCESS) <= 16 * GB
        assert (room.remedy != "") == (room.memory < GB)
    assert room_for(1, GB, GB // 8).memory == LEAST
    with pytest.raises(ArchiveError, match=r"^8 pictures at once do not fit into the 1 GB .* 3\.$"):
        room_for(8, GB, GB)
    assert room_for(3, GB, GB).memory >= LEAST
    assert [most_at_once(64, size) for size in (None, 64 * GB, 1 * GB, GB // 8)] == [64, 64, 3, 1]


def test_limits_of_containers_count(tmp_path: Path) -> None:
    def limit(path: str, said: str) -> None:
        file = tmp_path / "sys/fs/cgroup" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(said)

    def group(said: str) -> None:
        file = tmp_path / "proc/self/cgroup"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(said)

    whole = memory_of_machine(tmp_path)
    group("0::/outer/inner\n")
    assert memory_of_machine(tmp_path) == whole
    limit("outer/inner/memory.max", "max\n")
    limit("outer/memory.max", "300000000\n")
    assert memory_of_machine(tmp_path) == 300_000_000
    limit("memory.max", "200000000\n")  # as a container sees its own
    assert memory_of_machine(tmp_path) == 200_000_000
    group("9:name=systemd:/\n4:cpu,memory:/there/it/is/not\n")
    assert memory_of_machine(tmp_path) == whole
    limit("memory/memory.limit_in_bytes", "100000000\n")
    assert memory_of_machine(tmp_path) == 100_000_000
    group("broken")
    assert memory_of_machine(tmp_path) == whole
