"""A decision that was confirmed is in the ledger, whatever happens to the server after."""

from __future__ import annotations

import contextlib
import os
import random
import re
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from autocast.archive.decisions import LONGEST
from autocast.archive.ledger import Ledger
from autocast.review.security import TOKEN_HEADER
from tests import ledgers

PICTURES = 40
DECISIONS = 300
KILLS = 4


@dataclass
class Program:
    """The command itself, as a process, and what it takes to be let in."""

    ledger: Path
    process: subprocess.Popen[str] = field(init=False)
    let_in: dict[str, Any] = field(init=False)

    def start(self) -> None:
        command = ["-m", "autocast", "review", str(self.ledger), "--no-open", "--person", "ada"]
        self.process = subprocess.Popen(
            [sys.executable, *command], stderr=subprocess.PIPE, text=True
        )
        assert self.process.stderr is not None
        found = re.search(r"http://\S+", self.process.stderr.readline())
        assert found
        with httpx.Client(follow_redirects=True, timeout=20) as client:
            page = client.get(found.group())
            token = re.search(r'review-token" content="([^"]+)"', page.text)
            assert token
            origin = str(page.url).rstrip("/")
            self.let_in = {
                "base_url": origin,
                "headers": {TOKEN_HEADER: token.group(1), "Origin": origin},
                "cookies": dict(client.cookies),
            }

    def client(self) -> httpx.Client:
        return httpx.Client(**self.let_in, timeout=5)

    def limit(self, size: int) -> None:
        """No file may grow beyond so many bytes: what a full disk does, without a disk."""
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (size, size))

    def end(self, how: signal.Signals) -> str:
        self.process.send_signal(how)
        _, said = self.process.communicate(timeout=20)
        return said


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    names = [b"%03d.png" % k for k in range(PICTURES)]
    one = Program(ledgers.build(tmp_path, names, ledgers.cycle(PICTURES), failures=0))
    yield one
    one.process.kill()
    one.process.communicate()


def notes(ledger: Path) -> list[str]:
    with Ledger.read(ledger) as opened:
        return [row[0] for row in opened.select("SELECT note FROM decisions ORDER BY id")]


@pytest.mark.slow
def test_what_was_confirmed_outlives_a_killed_server(program: Program) -> None:
    program.start()
    confirmed: dict[str, list[str]] = {"a": [], "b": []}

    def decide(who: str) -> None:
        number = 0
        while sum(map(len, confirmed.values())) < DECISIONS:
            with program.client() as client, contextlib.suppress(httpx.HTTPError):
                while sum(map(len, confirmed.values())) < DECISIONS:
                    number += 1
                    wish = {"picture": number % PICTURES + 1, "decision": "fine", "queue": "all"}
                    answer = client.post("/decide", json={**wish, "note": f"{who}{number}"})
                    assert answer.status_code in {200, 403}, answer.text  # 403: of the one before
                    if answer.status_code == 403:
                        break
                    confirmed[who].append(f"{who}{number}")
            time.sleep(0.02)

    threads = [threading.Thread(target=decide, args=(who,)) for who in confirmed]
    rng = random.Random(11)  # noqa: S311 -- when to kill
    for thread in threads:
        thread.start()
    for _ in range(KILLS):
        before = sum(map(len, confirmed.values()))
        while sum(map(len, confirmed.values())) < before + 50:
            assert all(thread.is_alive() for thread in threads)
            time.sleep(0.002)
        time.sleep(rng.uniform(0, 0.05))
        program.end(signal.SIGKILL)
        program.start()
    for thread in threads:
        thread.join()
    said = program.end(signal.SIGTERM)
    assert program.process.returncode == 0
    assert said.strip().endswith("is in the ledger.")
    kept = notes(program.ledger)
    assert sum(map(len, confirmed.values())) >= DECISIONS
    assert len(kept) == len(set(kept))
    for who, mine in confirmed.items():
        place = {note: k for k, note in enumerate(kept)}
        order = [place[note] for note in mine]
        assert order == sorted(order), who
    # What was under way when it died may be there, at most one of each client a kill.
    assert len(kept) <= sum(map(len, confirmed.values())) + 2 * KILLS


def test_a_full_disk_is_told_and_nothing_is_confirmed_that_is_not_kept(program: Program) -> None:
    program.start()
    program.limit(program.ledger.stat().st_size + 64 * 1024)
    client = program.client()
    confirmed, refused = [], []
    for number in range(80):
        note = f"{number} ".ljust(LONGEST, "x")
        wish = {"picture": number % PICTURES + 1, "decision": "fine", "queue": "all"}
        answer = client.post("/decide", json={**wish, "note": note})
        if answer.status_code == 200:
            confirmed.append(note)
        else:
            refused.append(answer)
    assert refused
    assert {answer.status_code for answer in refused} == {503}
    assert all(re.search("disk|space", answer.text) for answer in refused)
    assert client.get("/").status_code == 200
    client.close()
    program.end(signal.SIGTERM)
    assert confirmed
    assert notes(program.ledger) == confirmed


def test_ctrl_c_ends_it_in_one_line_and_the_port_is_free_again(program: Program) -> None:
    program.start()
    port = program.let_in["base_url"].rpartition(":")[2]
    said = program.end(signal.SIGINT)
    assert program.process.returncode == 0
    assert [line for line in said.splitlines() if "Ctrl-C" not in line] == [
        "Ended. Every decision that was shown as saved is in the ledger."
    ]
    command = [sys.executable, "-m", "autocast", "review", str(program.ledger), "--no-open"]
    command += ["--port", port, "--person", "ada"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as again:
        assert again.stderr is not None
        assert f":{port}/enter" in again.stderr.readline()
        taken = subprocess.run(command, capture_output=True, text=True, check=False)
        assert taken.returncode == 1
        assert taken.stderr.strip().count("\n") == 0
        assert f"Port {port}" in taken.stderr
        os.kill(again.pid, signal.SIGHUP)  # its terminal was closed
        again.communicate(timeout=20)
    assert again.returncode == 0
