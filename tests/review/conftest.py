"""Archives that the tests of the review share."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.reviews import Served, presorted, serving


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger of real photographs under three lights, and of a box of leaves under one."""
    return presorted(
        tmp_path_factory.mktemp("reviewed"), ["china", "coffee", "astronaut"], leaves=4
    )


@pytest.fixture
def served(archive: Path, tmp_path: Path) -> Iterator[Served]:
    """A review of a ledger of its own, the pictures shared."""
    ledger = tmp_path / "archive.ledger"
    shutil.copy(archive, ledger)
    with serving(ledger) as running:
        yield running
