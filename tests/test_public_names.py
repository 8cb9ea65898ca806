"""The public namespace, pinned, and what importing it may cost."""

from __future__ import annotations

import importlib.metadata
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import autocast
from autocast import errors
from tests.sources import documented

PUBLIC = [
    "HINTS",
    "REMARKS",
    "Advice",
    "ArchiveError",
    "AssumptionError",
    "Assumptions",
    "AutocastError",
    "Cast",
    "Correction",
    "Evidence",
    "Hint",
    "HintError",
    "Judgement",
    "JudgementError",
    "LedgerError",
    "Measured",
    "Measures",
    "Mode",
    "ModelError",
    "Models",
    "OutputError",
    "PictureError",
    "PictureTooLarge",
    "Place",
    "Proof",
    "ProvenReading",
    "Reading",
    "RemarkText",
    "Risks",
    "Spot",
    "ToneCast",
    "UnreadablePicture",
    "UnsupportedPicture",
    "correct",
    "json_schema",
    "judge",
    "measure",
]
CONSTANTS = {"HINTS": "judgement/things.py", "REMARKS": "judgement/remarks.py"}
"""Public names that are plain values, and the file that assigns each."""

HEAVY = ["PIL", "colour", "imagecodecs", "matplotlib", "numpy", "scipy", "skimage", "sklearn"]


def test_all_names_exactly_the_public_names() -> None:
    # Made when the package is imported, so that its stub does not know it.
    listed: list[str] = vars(autocast)["__all__"]
    assert sorted(listed) == sorted([*PUBLIC, "__version__"])


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_name_is_there_and_listed(name: str) -> None:
    assert getattr(autocast, name) is not None
    assert name in dir(autocast)


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_name_is_documented(name: str) -> None:
    said: str | None
    if name in CONSTANTS:
        said = documented(Path(autocast.__file__).parent / CONSTANTS[name])[name]
    else:
        # Its own, not one that a base class lends it, nor what a named tuple writes of itself.
        found = getattr(autocast, name)
        said = found.__dict__.get("__doc__") if inspect.isclass(found) else found.__doc__
        assert not (said or "").startswith(f"{name}(")
    assert said
    assert said.strip().split("\n\n")[0].rstrip().endswith(".")


def test_every_error_is_public_and_descends_from_the_base() -> None:
    defined = {
        name: value
        for name, value in vars(errors).items()
        if isinstance(value, type) and issubclass(value, Exception)
    }
    assert defined
    for name, error in defined.items():
        assert name in PUBLIC
        assert getattr(autocast, name) is error
        assert issubclass(error, autocast.AutocastError)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no_such_name"):
        getattr(autocast, "no_such_name")  # noqa: B009 - the plain spelling would not type-check


def test_version_is_that_of_the_installed_distribution() -> None:
    assert autocast.__version__ == importlib.metadata.version("autocast")


def test_importing_autocast_loads_nothing_heavy() -> None:
    code = f"import sys, autocast; print(*[n for n in {HEAVY!r} if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_the_check_for_heavy_libraries_can_fail() -> None:
    code = f"import sys, PIL, autocast; print(*[n for n in {HEAVY!r} if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["PIL"]
