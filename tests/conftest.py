"""Fixtures that several tests share."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

CHROMIUM = shutil.which("chromium")
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

# Workers that grow trees on all cores at once wait for each other's threads.
# Set before anything loads a library that reads it.
os.environ.setdefault("OMP_NUM_THREADS", "1")

# Programs that tests start would ignore what they are sent where the tests were begun to ignore it,
# as behind nohup or in the background.
signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGHUP"):
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

# The machine that runs the tests may be busy: a slow example is no defect.
settings.register_profile("autocast", deadline=None)
settings.load_profile("autocast")


@pytest.fixture(scope="session")
def photograph() -> Path:
    """A real photograph (JPEG, 640 x 427, sRGB), which scikit-learn ships."""
    spec = find_spec("sklearn")  # only to find it: importing it takes seconds
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "datasets" / "images" / "china.jpg"


@pytest.fixture(scope="session")
def portrait(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A portrait (PNG, 512 x 512, sRGB), which scikit-image ships."""
    from PIL import Image
    from skimage import data

    path = tmp_path_factory.mktemp("pictures") / "astronaut.png"
    Image.fromarray(data.astronaut()).save(path)
    return path


@pytest.fixture(scope="module")
def small_trees() -> Iterator[None]:
    """Fitted trees are few and small, so that they grow in a moment."""
    from autocast.training import fit, gate

    with pytest.MonkeyPatch.context() as patch:
        for name in ("STAGE_ONE", "STAGE_TONES", "STAGE_SPREAD", "STAGE_TWO", "STAGE_UNEVEN"):
            few = {"max_iter": 12, "min_samples_leaf": 5, "max_bins": 12}
            small = getattr(fit, name) | few
            patch.setattr(fit, name, small)
        patch.setattr(fit, "NETWORKS", (1, 1))
        patch.setattr(gate, "EPOCHS", 12)
        yield


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's chromium, driven by Playwright; skipped without, or failed where it is required."""
    if CHROMIUM is None:
        needed = "these tests need chromium: apt-get install -y chromium"
        if os.environ.get("AUTOCAST_BROWSER") == "required":
            pytest.fail(needed)
        pytest.skip(needed)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        opened = started.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()
