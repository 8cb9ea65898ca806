"""What a caller may get wrong: an error of autocast's own, in one sentence."""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import autocast
from autocast.errors import (
    AssumptionError,
    AutocastError,
    HintError,
    ModelError,
    OutputError,
    UnreadablePicture,
    UnsupportedPicture,
)
from autocast.judgement import Assumptions, Hint
from autocast.picture import full_pixels
from tests import samples, scenes

GOOD = scenes.developed(scenes.scene(scenes.QUAY, 31, (48, 64)), 31)


def png() -> bytes:
    file = io.BytesIO()
    Image.fromarray(GOOD).save(file, "PNG")
    return file.getvalue()


class Raising:
    """A file that raises what it likes."""

    def __init__(self, error: Exception) -> None:
        self._error = error

    def read(self) -> bytes:
        raise self._error


class OnlyRead:
    """All that a file need have."""

    def __init__(self, content: Any) -> None:  # noqa: ANN401 -- what it reads may be odd
        self._content = content

    def read(self) -> Any:  # noqa: ANN401
        return self._content


class Unseekable(io.BytesIO):
    def seekable(self) -> bool:
        return False

    def seek(self, *_: int) -> int:
        raise io.UnsupportedOperation

    def tell(self) -> int:
        raise io.UnsupportedOperation


@pytest.mark.parametrize("error", [RuntimeError("x"), KeyError("x"), TypeError("x"), EOFError()])
def test_a_file_that_raises_what_it_likes(error: Exception) -> None:
    with pytest.raises(UnreadablePicture, match=r"^file cannot be read: .*\.$"):
        autocast.judge(Raising(error))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "source", [OnlyRead(png()), OnlyRead(bytearray(png())), Unseekable(png())], ids=type
)
def test_a_file_need_only_be_read(source: Any) -> None:  # noqa: ANN401
    assert (full_pixels(source) == full_pixels(png())).all()


@pytest.mark.parametrize("size", [(0, 0), (0, 5), (5, 0)])
def test_an_image_without_pixels(size: tuple[int, int]) -> None:
    with pytest.raises(UnsupportedPicture, match=r"^image has no pixels"):
        autocast.judge(Image.new("RGB", size))


@pytest.mark.filterwarnings("ignore::PendingDeprecationWarning")
def test_a_matrix_is_an_array_and_a_masked_array_is_refused() -> None:
    grey = GOOD[..., 0]
    assert (full_pixels(np.matrix(grey)) == full_pixels(grey)).all()
    with pytest.raises(UnsupportedPicture, match=r"^array is masked"):
        autocast.judge(np.ma.masked_array(GOOD, GOOD > 5))


@pytest.mark.parametrize("path", ["a\0b.jpg", Path("a\0b.jpg"), b"a\0b.jpg"])
def test_a_path_with_a_nul(path: Any, tmp_path: Path) -> None:  # noqa: ANN401
    with pytest.raises(UnreadablePicture):
        autocast.judge(path)
    picture = tmp_path / "a.png"
    picture.write_bytes(png())
    with pytest.raises(AutocastError):
        autocast.correct(path, tmp_path / "b.png")
    with pytest.raises(OutputError):
        autocast.correct(picture, f"{tmp_path}/a\0b.png")


def test_a_judgement_has_a_hash() -> None:
    assert len({*samples.ALL, *samples.ALL}) == len(samples.ALL)


HINTS: list[Any] = [
    5, "x", b"x", [5], [None], ["neutral"], [("neutral", 1, 2)], {"a": 1}, Hint("neutral", 1, 2),
    [Hint("neutral", "a", 3)], [Hint("neutral", None, 3)], [Hint("neutral", 1j, 3)],  # type: ignore[arg-type]
    [Hint("neutral", 1, 2, "r")], [Hint([], 1, 2)], [Hint(None, 1, 2)], [Hint("shoe", 1, 2)],  # type: ignore[arg-type]
    [Hint("neutral", float("nan"), 3)], [Hint("neutral", 10**400, 3)],
    [Hint("neutral", 5, 5, float("inf"))], [Hint("neutral", 5, 5, -1)],
]  # fmt: skip


@pytest.mark.parametrize("hints", HINTS, ids=lambda hints: str(hints)[:40])
def test_what_is_no_hint(hints: Any) -> None:  # noqa: ANN401
    with pytest.raises(HintError, match=r"^[^\n]{10,200}\.$"):
        autocast.judge(GOOD, hints)


@pytest.mark.parametrize(
    "assumptions",
    [5, "x", {}, *(Assumptions(value) for value in ("a", 5, 0, 1j, 10**400, [0.1], float("nan")))],  # type: ignore[arg-type]
    ids=lambda assumptions: str(assumptions)[:40],
)
def test_what_is_no_assumption(assumptions: Any) -> None:  # noqa: ANN401
    with pytest.raises(AssumptionError, match=r"^[^\n]{10,200}\.$"):
        autocast.judge(GOOD, (), assumptions)


@pytest.mark.parametrize("models", [5, "x", Path()])
def test_what_is_no_models(models: Any) -> None:  # noqa: ANN401
    with pytest.raises(ModelError, match=r"give what Models\.load gives"):
        autocast.judge(GOOD, models=models)


@pytest.mark.parametrize("strength", ["x", None, 1j, [], float("nan"), 10**400])
def test_what_is_no_strength(strength: Any) -> None:  # noqa: ANN401
    with pytest.raises(OutputError, match="makes no sense"):
        autocast.correct(GOOD, strength=strength)


@pytest.mark.parametrize("at", [5, [5], [(1,)], [(1, 2, 3)], [("a", 2)], [(10**400, 2)], None])
def test_what_is_no_place(at: Any) -> None:  # noqa: ANN401
    with pytest.raises(HintError, match="give"):
        autocast.measure(GOOD, at)


@pytest.mark.parametrize("radius", ["x", 1j, [1], 10**400, float("inf")])
def test_what_is_no_radius(radius: Any) -> None:  # noqa: ANN401
    with pytest.raises(HintError, match="makes no sense"):
        autocast.measure(GOOD, [(5, 5)], radius)


def test_places_may_be_an_array() -> None:
    places: Iterable[Any] = np.array([[5, 5], [9, 9]])
    assert len(autocast.measure(GOOD, places).spots) == 2  # type: ignore[arg-type]
