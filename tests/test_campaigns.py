"""The campaigns of tests/studies, small: what is broken brings about one sentence."""

from __future__ import annotations

from functools import partial

import pytest

from tests.studies import mutants, mutating, rotting

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
