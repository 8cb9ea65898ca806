"""The campaigns of tests/studies, small: what is broken brings about one sentence."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

from tests.studies import mutants, mutating, rotting, salvaging

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy machine is no hang."""
    monkeypatch.setattr(mutating, "DEADLINE", 120.0)


def test_mutated_files() -> None:
    found = mutating.Found(partial(mutants.mutant, seed=1))
    mutating.run(found, mutating.commands, 24, 1)
    assert found.counts.total() == 48
    assert all("exit code" in what for what in found.counts)


def test_rotted_ledgers() -> None:
    found = mutating.Found(partial(rotting.rotted, seed=1))
    mutating.run(found, rotting.commands, 24, 1)
    assert found.counts.total() == 48
    assert all("exit code" in what for what in found.counts)
    assert found.counts["list: exit code 0"]
    assert found.counts["list: exit code 1"]


def test_what_is_sound_of_rotted_ledgers_is_salvaged() -> None:
    found = [salvaging.salvaged(number, 1) for number in range(24)]
    sound = sum(some for some, _, _ in found)
    assert sound > 400
    assert sound == sum(written for _, written, _ in found)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="begins commands by forking")
def test_places_that_will_not_have_it() -> None:
    study = Path(__file__).parent / "studies" / "places.py"
    done = subprocess.run(
        [sys.executable, str(study), "--only", "no file beyond 3000 bytes, c"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert re.search("^2 situations", done.stdout, re.MULTILINE)
    assert re.search("^ +2  ended with 1: fine$", done.stdout, re.MULTILINE)
