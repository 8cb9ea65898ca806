"""Times in plain words, and what comes next."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from autocast.cli import app
from autocast.cli._app import duration, left
from tests.archives import archive


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.2, "0 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (200, "3 min 20 s"),
        (3600, "1 h 0 min"),
        (7530, "2 h 5 min"),
    ],
)
def test_a_time_is_told_in_plain_words(seconds: float, words: str) -> None:
    assert duration(seconds) == words


def test_what_is_left_goes_by_what_was_done() -> None:
    since = time.monotonic() - 100
    assert left(250, 1000, since) == "250 of 1,000, about 5 min left"
    assert left(0, 10, since) == "0 of 10"
    assert left(10, 10, since) == "10 of 10"


def test_a_run_says_at_its_end_how_long_it_took_and_what_comes_next(tmp_path: Path) -> None:
    folder = tmp_path / "box"
    archive(folder, copies=1)
    ledger = tmp_path / "my archive.ledger"
    done = CliRunner().invoke(app, ["presort", str(folder), "--into", str(ledger)])
    assert done.exit_code == 0, done.stderr
    last = done.stderr.splitlines()[-1]
    assert last.startswith("Took ")
    assert last.endswith(f"Next: autocast list '{ledger}', or autocast review '{ledger}'")
