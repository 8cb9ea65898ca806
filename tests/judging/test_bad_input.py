"""Bad and odd pictures at the doors: one sentence each, and the others are judged all the same."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from typer.testing import CliRunner, Result

import autocast
from autocast.cli import app
from autocast.errors import PictureError
from autocast.judgement import VERDICT_WORDS, Judgement
from tests import scenes

GOOD = scenes.developed(scenes.scene(scenes.QUAY, 31, (160, 240)), 31)

Save = Callable[[Path], object]


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["judge", *(os.fspath(a) for a in arguments)])


def jpeg() -> bytes:
    file = io.BytesIO()
    Image.fromarray(GOOD).save(file, "JPEG", quality=90)
    return file.getvalue()


def clear_all_over(path: Path) -> None:
    Image.fromarray(np.dstack([GOOD, np.zeros(GOOD.shape[:2], dtype=np.uint8)])).save(path)


def too_large(path: Path) -> None:
    # A header that promises what no file of this length can hold.
    head = io.BytesIO()
    Image.new("1", (1, 1)).save(head, "BMP")
    data = bytearray(head.getvalue())
    data[18:22] = data[22:26] = (60_000).to_bytes(4, "little")
    path.write_bytes(data)


BAD: dict[str, Save] = {
    "cut short.jpg": lambda p: p.write_bytes(jpeg()[:900]),
    "head only.png": lambda p: p.write_bytes(b"\x89PNG\r\n\x1a\n"),
    "empty.jpg": lambda p: p.write_bytes(b""),
    "text.jpg": lambda p: p.write_text("Not a picture at all, only words.\n" * 20),
    "page.png": lambda p: p.write_text("<!DOCTYPE html><html><body>404</body></html>"),
    "noise.tif": lambda p: p.write_bytes(np.random.default_rng(0).bytes(5000)),
    "clear all over.png": clear_all_over,
    "too large.bmp": too_large,
    "a folder.jpg": lambda p: p.mkdir(),
    "missing.jpg": lambda _: None,
}


@pytest.fixture
def good(tmp_path: Path) -> tuple[Path, Path]:
    paths = tmp_path / "first.jpg", tmp_path / "last.png"
    for path in paths:
        Image.fromarray(GOOD).save(path)
    return paths


def made(folder: Path, name: str, save: Save) -> Path:
    path = folder / name
    save(path)
    return path


def assert_one_sentence(text: str, path: Path) -> None:
    (line,) = text.splitlines()
    assert line.startswith("autocast: ")
    assert str(path) in line
    assert line.endswith(".")
    assert "Traceback" not in line
    assert "Error" not in line.replace(str(path), "")


# --- refused ----------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(BAD))
def test_a_bad_picture_gets_one_sentence_and_the_others_are_judged(
    name: str, tmp_path: Path, good: tuple[Path, Path]
) -> None:
    bad = made(tmp_path, name, BAD[name])
    result = run("--json", good[0], bad, good[1])
    assert result.exit_code == 1
    assert_one_sentence(result.stderr, bad)
    documents = [json.loads(line) for line in result.stdout.splitlines()]
    assert [d["name"] for d in documents] == [str(path) for path in good]
    assert {d["verdict"] for d in documents} == {"clear"}


@pytest.mark.parametrize("name", sorted(BAD))
def test_alone_a_bad_picture_leaves_standard_output_empty(name: str, tmp_path: Path) -> None:
    bad = made(tmp_path, name, BAD[name])
    result = run(bad)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert_one_sentence(result.stderr, bad)


@pytest.mark.parametrize("flags", [(), ("--brief",), ("--json",)])
def test_every_form_of_output_carries_on_past_bad_pictures(
    flags: tuple[str, ...], tmp_path: Path, good: tuple[Path, Path]
) -> None:
    bad = [made(tmp_path, name, save) for name, save in sorted(BAD.items())]
    result = run(*flags, good[0], *bad, good[1])
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == len(bad)
    for line, path in zip(result.stderr.splitlines(), bad, strict=True):
        assert_one_sentence(line, path)
    for path in good:
        assert path.name in result.stdout
    for path in bad:
        assert path.name not in result.stdout


def test_a_bad_picture_is_not_changed(tmp_path: Path) -> None:
    for name, save in BAD.items():
        path = made(tmp_path, name, save)
        if path.is_file():
            before = path.read_bytes(), path.stat().st_mtime_ns
            run(path)
            assert (path.read_bytes(), path.stat().st_mtime_ns) == before


@pytest.mark.parametrize("name", sorted(BAD))
def test_no_evidence_picture_of_a_bad_picture_is_written(name: str, tmp_path: Path) -> None:
    bad, drawn = made(tmp_path, name, BAD[name]), tmp_path / "evidence.png"
    result = run("--picture", drawn, bad)
    assert result.exit_code == 1
    assert_one_sentence(result.stderr, bad)
    assert not drawn.exists()


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything"
)
def test_a_picture_that_may_not_be_read(tmp_path: Path, good: tuple[Path, Path]) -> None:
    locked = made(tmp_path, "locked.jpg", lambda p: p.write_bytes(jpeg()))
    locked.chmod(0)
    result = run(locked, good[0])
    assert result.exit_code == 1
    assert_one_sentence(result.stderr, locked)
    assert good[0].name in result.stdout


def test_as_a_program(tmp_path: Path, good: tuple[Path, Path]) -> None:
    bad = made(tmp_path, "text.jpg", BAD["text.jpg"])
    ran = subprocess.run(
        [sys.executable, "-m", "autocast", "judge", "--brief", bad, good[0]],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1
    assert_one_sentence(ran.stderr, bad)
    assert good[0].name in ran.stdout


# --- odd, but judged ----------------------------------------------------------------


def animated(path: Path) -> None:
    frames = [Image.fromarray(np.roll(GOOD, k * 40, axis=1)) for k in range(3)]
    frames[0].save(path, save_all=True, append_images=frames[1:], duration=80)


def half_clear(path: Path) -> None:
    alpha = np.full(GOOD.shape[:2], 255, dtype=np.uint8)
    alpha[:, 120:] = 0
    Image.fromarray(np.dstack([GOOD, alpha])).save(path)


ODD: dict[str, tuple[Save, str | None]] = {
    "one pixel.png": (lambda p: Image.fromarray(GOOD[:1, :1]).save(p), "tiny"),
    "long.png": (lambda p: Image.fromarray(np.tile(GOOD[80:81], (1, 250, 1))).save(p), None),
    "tall.png": (
        lambda p: Image.fromarray(np.tile(GOOD[:, 80:81], (375, 1, 1))).save(p),
        None,
    ),
    "animated.gif": (animated, "animated"),
    "animated.png": (animated, "animated"),
    "half clear.png": (half_clear, "transparent"),
    "broken profile.jpg": (
        lambda p: Image.fromarray(GOOD).save(p, icc_profile=b"\0" * 200),
        "broken_profile",
    ),
    "cut profile.png": (
        lambda p: Image.fromarray(GOOD).save(p, icc_profile=b"\0\0\2\x30acsp"),
        "broken_profile",
    ),
    "grey.png": (lambda p: Image.fromarray(GOOD[..., 1]).save(p), "monochrome"),
    "no ending": (lambda p: Image.fromarray(GOOD).save(p, "JPEG"), None),
    "other ending.png": (lambda p: Image.fromarray(GOOD).save(p, "JPEG"), None),
    "grün – ü%41 \N{SNOWMAN}.jpg": (lambda p: Image.fromarray(GOOD).save(p), None),
}


@pytest.mark.parametrize("name", sorted(ODD))
def test_an_odd_picture_is_judged(name: str, tmp_path: Path) -> None:
    save, remark = ODD[name]
    path = made(tmp_path, name, save)
    result = run("--json", path)
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    judgement = Judgement.from_json(result.stdout)
    assert judgement.verdict in VERDICT_WORDS
    assert remark is None or remark in judgement.remarks
    with Image.open(path) as image:
        assert (judgement.width, judgement.height) == image.size


def test_sixty_thousand_pixels_in_a_row_are_judged(tmp_path: Path) -> None:
    path = made(tmp_path, "long.png", ODD["long.png"][0])
    judgement = autocast.judge(path)
    assert (judgement.width, judgement.height) == (60_000, 1)


@pytest.mark.slow
def test_odd_pictures_raise_no_exit_code_together(tmp_path: Path) -> None:
    paths = [made(tmp_path, name, save) for name, (save, _) in sorted(ODD.items())]
    result = run("--brief", *paths)
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""


# --- arrays ------------------------------------------------------------------------------


def spoilt(value: float) -> NDArray[np.float64]:
    values = GOOD / 255
    values[40, 60, 1] = value
    return values


@pytest.mark.parametrize(
    "array",
    [
        spoilt(float("nan")),
        spoilt(float("inf")),
        spoilt(1.5),
        spoilt(-0.4),
        GOOD.astype(np.float64),
        GOOD.astype(np.int64),
        GOOD.astype(np.complex128),
        GOOD[..., :2],
        GOOD[0, 0],
        np.zeros((0, 40, 3), dtype=np.uint8),
        np.dstack([GOOD, np.zeros(GOOD.shape[:2], dtype=np.uint8)]),
        np.full((20, 30), "grey"),
    ],
    ids=[
        "one NaN",
        "one infinity",
        "above 1",
        "below 0",
        "floats 0 to 255",
        "int64",
        "complex",
        "two channels",
        "one dimension",
        "no rows",
        "clear all over",
        "words",
    ],
)
def test_an_array_that_is_no_picture_gets_one_sentence(array: NDArray[Any]) -> None:
    before = array.copy()
    with pytest.raises(PictureError) as caught:
        autocast.judge(array)
    sentence = str(caught.value)
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert 15 < len(sentence) < 300
    assert (array == before).sum() >= before.size - 1
