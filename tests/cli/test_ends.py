"""How the command line ends where the system will not have it: one sentence, nothing left over."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

import pytest
from typer.testing import CliRunner

from autocast.archive import cluster
from autocast.cli import app
from autocast.errors import ArchiveError
from autocast.modelstore import default_models
from tests.archives import archive

ROOT = Path(__file__).parents[2]


def run(
    script: str, *arguments: str | Path, stdout: IO[str] | int | None = None
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
        timeout=60,
        check=False,
    )


MAIN = "import sys; from autocast.__main__ import main; sys.argv[0] = 'autocast'; main()"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_result_that_cannot_be_printed_is_one_sentence() -> None:
    with Path("/dev/full").open("w", encoding="ascii") as full:
        done = run(MAIN, "explain", "border", stdout=full)
    assert done.returncode == 1
    assert done.stderr.splitlines() == [
        "autocast: The result cannot be printed (No space left on device); print it elsewhere."
    ]


def test_no_file_takes_the_place_of_a_stream_that_was_closed(tmp_path: Path) -> None:
    script = (
        "import os, sys; from autocast.cli import _open_what_is_closed as opened\n"
        "for n in range(3): os.close(n)\n"
        "sys.stdout = sys.stderr = None\nopened()\n"
        "with open(sys.argv[1], 'w') as file: file.write(str(file.fileno()))\n"
        "print('nobody reads this')\n"
    )
    assert run(script, tmp_path / "a", stdout=subprocess.DEVNULL).returncode == 0
    assert int((tmp_path / "a").read_text()) > 2


def test_an_interrupt_while_it_starts_is_quiet() -> None:
    script = (
        "import sys, types; late = types.ModuleType('autocast.cli')\n"
        "def missing(name): raise KeyboardInterrupt\n"
        "late.__getattr__ = missing; sys.modules['autocast.cli'] = late\n"
        "from autocast.__main__ import main; main()\n"
    )
    done = run(script)
    assert (done.returncode, done.stderr) == (130, "")


def test_an_interrupt_is_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("autocast.picture.opening.open_picture", interrupted)
    monkeypatch.setattr("autocast.judging.examine", interrupted)
    done = CliRunner().invoke(app, ["judge", "a.jpg"])
    assert (done.exit_code, done.output) == (130, "")


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_request_to_end_leaves_nothing_half_written(tmp_path: Path, name: str) -> None:
    script = (
        "import os, signal, sys; from pathlib import Path\n"
        "from autocast.cli import _end_tidily; from autocast.picture.writing import whole\n"
        "_end_tidily()\n"
        "with whole(Path(sys.argv[1])) as beside:\n"
        "    beside.write_text('half'); os.kill(os.getpid(), signal.Signals[sys.argv[2]])\n"
        "    beside.write_text('never')\n"
    )
    done = run(script, tmp_path / "a.csv", name)
    assert done.returncode == 128 + signal.Signals[name]
    assert not done.stderr
    assert not list(tmp_path.iterdir())


def test_no_worker_outlives_a_parent_that_was_killed() -> None:
    script = (
        "import os, signal, sys; from concurrent.futures import ProcessPoolExecutor\n"
        "from autocast.archive.workers import end_with_parent\n"
        "with ProcessPoolExecutor(1, initializer=end_with_parent) as pool:\n"
        "    print(pool.submit(os.getpid).result(), flush=True)\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = run(script, stdout=subprocess.PIPE)
    assert done.returncode == -signal.SIGKILL
    worker = int(done.stdout)
    for _ in range(200):
        if not _runs(worker):
            break
        time.sleep(0.05)
    assert not _runs(worker)


def _runs(number: int) -> bool:
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    status = Path(f"/proc/{number}/stat")
    return not status.exists() or status.read_text().rpartition(")")[2].split()[0] != "Z"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["list", "x.ledger", "--count", "9" * 20], "--count"),
        (["presort", ".", "--into", "x.ledger", "--deadline", "inf"], "--deadline"),
    ],
)
def test_numbers_beyond_all_sense_are_usage_errors(arguments: list[str], says: str) -> None:
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 2
    assert says in done.stderr


def test_a_radius_without_end_is_one_sentence(tmp_path: Path) -> None:
    picture = archive(tmp_path, copies=1)[0]
    done = CliRunner().invoke(app, ["measure", str(picture), "--at", "5,5", "--radius", "inf"])
    assert done.exit_code == 1
    assert "A disc of radius inf makes no sense" in done.stderr


@pytest.mark.parametrize("address", ["rubbish", "tcp://", "tcp://a b:1", "http:///x:99:", ""])
def test_what_is_no_address_of_a_scheduler_is_said_at_once(address: str) -> None:
    with pytest.raises(ArchiveError, match="is no address of a scheduler"):
        cluster.Cluster(default_models(), address)


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
def test_a_request_to_end_is_not_dropped_with_what_is_taken_away(name: str) -> None:
    script = (
        "import os, signal, sys, time; from autocast.cli import _end_tidily\n"
        "class Taken:\n"
        "    def __del__(self):\n"
        "        os.kill(os.getpid(), signal.Signals[sys.argv[1]]); time.sleep(0)\n"
        "_end_tidily()\n"
        "try:\n"
        "    Taken(); time.sleep(100)\n"
        "except KeyboardInterrupt:\n"
        "    sys.exit(130)\n"
    )
    done = run(script, name)
    assert (done.returncode, done.stderr) == (128 + signal.Signals[name], "")


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGINT"])
def test_an_error_in_place_of_a_request_to_end_is_no_traceback(name: str) -> None:
    script = (
        "import signal, sys; from autocast import cli\n"
        "def drawn(**_):\n"
        "    try:\n"
        "        signal.raise_signal(signal.Signals[sys.argv[1]])\n"
        "    except BaseException:\n"
        "        raise ValueError('Invalid bounding box') from None\n"
        "cli.app = drawn\n"
        "cli.main()\n"
    )
    done = run(script, name)
    assert (done.returncode, done.stderr) == (128 + signal.Signals[name], "")


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs users")
def test_what_may_not_be_read_is_a_sentence_and_ends_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed, other = archive(tmp_path, copies=1)[:2]
    monkeypatch.setattr(os, "access", lambda *_, **__: False)  # as for one who may read nothing
    monkeypatch.setattr("autocast.picture.reading.os.open", _denied(closed))
    done = CliRunner().invoke(app, ["judge", "--brief", str(closed), str(other)])
    assert done.exit_code == 1
    assert done.stderr.splitlines() == [
        f"autocast: {closed} may not be read by this user; change its permissions."
    ]
    assert str(other) in done.stdout
    for command in (["list"], ["report", "--to", "x"], ["sidecars"], ["review"]):
        done = CliRunner().invoke(app, [*command, str(tmp_path / "no.ledger")])
        assert (done.exit_code, done.stderr.count("autocast: ")) == (1, 1)


def _denied(closed: Path) -> Callable[..., int]:
    usual = os.open

    def opened(path: str, *given: int) -> int:
        if Path(path) == closed:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return usual(path, *given)

    return opened
