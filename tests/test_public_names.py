"""The public namespace, pinned, and what importing it may cost."""

from __future__ import annotations

import importlib.metadata
import subprocess
import sys

import pytest

import autocast
from autocast import errors, judgement

PUBLIC = [
    "HINTS",
    "REMARKS",
    "ArchiveError",
    "AutocastError",
    "Cast",
    "Evidence",
    "Hint",
    "HintError",
    "Judgement",
    "JudgementError",
    "LedgerError",
    "Mode",
    "ModelError",
    "OutputError",
    "PictureError",
    "PictureTooLarge",
    "Place",
    "Reading",
    "Spot",
    "ToneCast",
    "UnreadablePicture",
    "UnsupportedPicture",
    "__version__",
    "correct",
    "judge",
    "measure",
]

HEAVY = ["PIL", "colour", "imagecodecs", "matplotlib", "numpy", "scipy", "skimage", "sklearn"]


def test_all_names_exactly_the_public_names() -> None:
    assert sorted(autocast.__all__) == sorted(PUBLIC)
    assert len(set(autocast.__all__)) == len(autocast.__all__)


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_name_is_there_and_listed(name: str) -> None:
    assert getattr(autocast, name) is not None
    assert name in dir(autocast)


def test_public_types_are_those_of_their_modules() -> None:
    for name in ("Cast", "Evidence", "Judgement", "Mode", "Place", "Reading", "Spot", "ToneCast"):
        assert getattr(autocast, name) is getattr(judgement, name)
    assert autocast.Hint is judgement.Hint
    assert autocast.REMARKS is judgement.REMARKS
    assert autocast.HINTS is judgement.HINTS


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
