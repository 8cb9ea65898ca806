"""Judging from many threads, and in a process that was forked while another thread worked."""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import autocast
from tests.studies import mutants

ROOT = Path(__file__).parents[2]

FORKED = """
import os, sys, threading, warnings
import autocast
from autocast.picture import decoding, profiles
warnings.simplefilter("ignore")  # Python 3.12 warns of every fork beside threads
path, what = sys.argv[1:]
autocast.judge(path)
begun, curve = threading.Event(), profiles.linear_to_srgb

def waits(values):
    begun.set()
    threading.Event().wait(0.5)
    return curve(values)

def work():
    if what == "muted":
        with decoding.muted():
            waits(0.5)
    else:
        profiles.Reading("", (), linear=0.5 * decoding.np.ones((1, 1, 3))).encoded

profiles.linear_to_srgb = waits
thread = threading.Thread(target=work)
thread.start()
begun.wait()
profiles.linear_to_srgb = curve
number = os.fork()
if number == 0:
    autocast.judge(path)
    os.write(2, b"still told")
    os._exit(0)
thread.join()
os._exit(os.waitstatus_to_exitcode(os.waitpid(number, 0)[1]))
"""
"""Forks while a thread keeps libraries quiet, or works a reading out."""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize("what", ["muted", "reading"])
def test_a_process_forked_while_another_thread_reads_judges_too(tmp_path: Path, what: str) -> None:
    path = tmp_path / "deep.png"
    path.write_bytes(mutants.seeds()["png-sixteen"])
    done = subprocess.run(
        [sys.executable, "-c", FORKED, str(path), what],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stderr=subprocess.PIPE,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"still told")


def test_many_threads_say_what_one_says(tmp_path: Path) -> None:
    paths = []
    for name in ("jpg-embedded", "png-sixteen", "tif-float", "tif-inks", "webp-plain"):
        paths.append(tmp_path / name)
        paths[-1].write_bytes(mutants.seeds()[name])
    alone = [autocast.judge(path) for path in paths]
    with ThreadPoolExecutor(8) as pool:
        assert [*pool.map(autocast.judge, paths * 3)] == alone * 3
