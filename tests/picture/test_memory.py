"""What a picture takes of memory: told before it is taken, kept to, and refused in a sentence."""

from __future__ import annotations

import io
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

import autocast
from autocast.errors import PictureTooLarge, UnreadablePicture
from autocast.picture import (
    DecodedOnce,
    Source,
    budget,
    check_memory,
    decoding,
    discs,
    open_picture,
    reduced_pixels,
    strips,
    upright_size,
)

WIDE, TALL = 1100, 620
SPOTS = [(3.0, 5.0, 9.0), (340.5, 300.0, 40.0), (612.0, 611.0, 12.0), (600.0, 20.0, 30.0)]


@pytest.fixture(scope="module")
def codes(photograph: Path) -> NDArray[np.uint8]:
    """A photograph on a mount, so that borders are looked for and cut away."""
    image = Image.open(photograph).convert("RGB").resize((940, 480), Image.Resampling.BICUBIC)
    mount = Image.new("RGB", (WIDE, TALL), (244, 243, 240))
    mount.paste(image, (80, 70))
    return np.asarray(mount)


@pytest.fixture
def few_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read in many parts whatever can be, once no memory is allowed."""
    monkeypatch.setattr(strips, "AT_ONCE", 70 * WIDE)
    monkeypatch.setattr(budget, "in_parts", lambda *_: 0)


def in_parts(source: Source) -> bool:
    return decoding.decode(*decoding.resolve(source), None, 0).parts is not None


def tiff(values: NDArray[Any], **options: Any) -> bytes:  # noqa: ANN401 -- tifffile's
    file = io.BytesIO()
    tifffile.imwrite(file, values, **{"photometric": "rgb", **options})
    return file.getvalue()


def deep(codes: NDArray[np.uint8]) -> NDArray[np.uint16]:
    noise = np.random.default_rng(1).integers(0, 257, codes.shape)
    made: NDArray[np.uint16] = np.minimum(codes * 257.0 + noise, 65535).astype(np.uint16)
    return made


def with_alpha(codes: NDArray[Any]) -> NDArray[Any]:
    top = np.iinfo(codes.dtype).max
    alpha = np.linspace(-0.5, 1.5, codes.shape[1]).clip(0, 1) * top
    return np.dstack([codes, np.broadcast_to(alpha, codes.shape[:2]).astype(codes.dtype)])


TIFFS: dict[str, Callable[[NDArray[np.uint8]], bytes]] = {
    "in one piece": tiff,
    "16 bits, big-endian": lambda c: tiff(deep(c), byteorder=">"),
    "strips": lambda c: tiff(c, rowsperstrip=7, compression="zlib"),
    "LZW with predictor": lambda c: tiff(
        deep(c), rowsperstrip=33, compression="lzw", predictor=True
    ),
    "tiles": lambda c: tiff(c, tile=(64, 48), compression="zlib"),
    "plain tiles": lambda c: tiff(deep(c), tile=(256, 256)),
    "planes": lambda c: tiff(np.moveaxis(c, 2, 0).copy(), planarconfig="separate", rowsperstrip=9),
    "planes in one piece": lambda c: tiff(np.moveaxis(c, 2, 0).copy(), planarconfig="separate"),
    "tiled planes": lambda c: tiff(
        np.moveaxis(deep(c), 2, 0).copy(), planarconfig="separate", tile=(128, 64)
    ),
    "grey": lambda c: tiff(c[..., 1], photometric="minisblack", rowsperstrip=5),
    "white is 0": lambda c: tiff(c[..., 1], photometric="miniswhite", rowsperstrip=5),
    "alpha": lambda c: tiff(with_alpha(c), extrasamples=["unassalpha"], rowsperstrip=16),
    "multiplied": lambda c: tiff(with_alpha(c), extrasamples=["assocalpha"], rowsperstrip=16),
    "CMYK": lambda c: tiff(with_alpha(c), photometric="separated", rowsperstrip=16),
    "CIELAB": lambda c: tiff(c, photometric="cielab", rowsperstrip=16),
}


def png(image: Image.Image, **options: Any) -> bytes:  # noqa: ANN401 -- Pillow's
    file = io.BytesIO()
    image.save(file, "PNG", **options)
    return file.getvalue()


PNGS: dict[str, Callable[[NDArray[np.uint8]], bytes]] = {
    "RGB": lambda c: png(Image.fromarray(c), icc_profile=b"none that can be read"),
    "grey": lambda c: png(Image.fromarray(c).convert("L")),
    "RGBA": lambda c: png(Image.fromarray(with_alpha(c))),
    "LA": lambda c: png(Image.fromarray(with_alpha(c)).convert("LA")),
    "palette": lambda c: png(Image.fromarray(c).quantize(64)),
    "palette with holes": lambda c: png(Image.fromarray(c).quantize(64), transparency=3),
    "palette of 4 bits": lambda c: png(Image.fromarray(c).quantize(13), bits=4),
    "bilevel": lambda c: png(Image.fromarray(c).convert("1")),
    "a transparent colour": lambda c: png(
        Image.fromarray(c), transparency=tuple(c[300, 500].tolist())
    ),
    "16 bits": lambda c: bytes(imagecodecs.png_encode(deep(c))),
    "16 bits, alpha": lambda c: bytes(imagecodecs.png_encode(with_alpha(deep(c)))),
    "16 bits, grey": lambda c: bytes(imagecodecs.png_encode(deep(c)[..., 0].copy())),
}


@pytest.mark.usefixtures("few_rows")
@pytest.mark.parametrize("made", [*TIFFS.values(), *PNGS.values()], ids=[*TIFFS, *PNGS])
def test_what_is_read_in_parts_is_read_as_the_whole(
    codes: NDArray[np.uint8], made: Callable[[NDArray[np.uint8]], bytes]
) -> None:
    data = made(codes)
    assert in_parts(data)
    whole, parts = open_picture(data), open_picture(data, 0)
    assert np.array_equal(parts.pixels, whole.pixels)
    assert np.array_equal(parts.opaque, whole.opaque)
    told = ("width", "height", "frame", "profile", "remarks", "facts", "coding")
    assert [getattr(parts, name) for name in told] == [getattr(whole, name) for name in told]
    for one, other in zip(discs(data, SPOTS, 0), discs(data, SPOTS), strict=True):
        assert np.array_equal(one.values, other.values)
        assert one.top == other.top
    assert np.array_equal(reduced_pixels(data, 300, 0), reduced_pixels(data, 300))


@pytest.mark.usefixtures("few_rows")
@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_what_is_read_in_parts_is_turned_upright(
    codes: NDArray[np.uint8], kind: str, orientation: int
) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    image = Image.fromarray(with_alpha(codes) if kind == "PNG" else codes)
    data = png(image, exif=exif)
    if kind == "TIFF":
        data = tiff(codes, rowsperstrip=20, extratags=[(274, "H", 1, orientation, True)])
    assert in_parts(data)
    whole, parts = open_picture(data), open_picture(data, 0)
    # Rows are averaged before columns, whichever are upright: sums are rounded otherwise.
    assert np.abs(parts.pixels - whole.pixels).max() < 2e-6
    assert np.array_equal(parts.opaque, whole.opaque)
    assert (parts.width, parts.height, parts.frame) == (whole.width, whole.height, whole.frame)
    assert upright_size(data, 0) == (whole.width, whole.height)
    for one, other in zip(discs(data, SPOTS, 0), discs(data, SPOTS), strict=True):
        assert np.array_equal(one.values, other.values)


@pytest.mark.usefixtures("few_rows")
def test_a_picture_without_borders_is_gone_through_once(
    codes: NDArray[np.uint8], monkeypatch: pytest.MonkeyPatch
) -> None:
    passes = []
    parts = strips.png_parts

    def counted(file: io.BytesIO) -> Any:  # noqa: ANN401 -- an iterator
        passes.append(file)
        return parts(file)

    monkeypatch.setattr(strips, "png_parts", counted)
    data = png(Image.fromarray(np.tile(codes[70:550, 80:1020], (2, 1, 1))))
    parted = open_picture(data, 0)
    assert len(passes) == 1
    assert np.array_equal(parted.pixels, open_picture(data).pixels)


@pytest.mark.usefixtures("few_rows")
def test_long_lines_are_averaged_some_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    long = np.random.default_rng(1).integers(0, 256, (300, 2000, 3), dtype=np.uint8)
    whole = open_picture(long)
    monkeypatch.setattr("autocast.picture.opening.VALUES_AT_ONCE", 9000)
    assert np.abs(open_picture(long).pixels - whole.pixels).max() < 2e-6


@pytest.mark.usefixtures("few_rows")
@pytest.mark.parametrize("cut", [0.3, 0.9])
def test_a_file_that_is_cut_short_is_refused_in_parts_as_well(
    codes: NDArray[np.uint8], cut: float
) -> None:
    for data in (png(Image.fromarray(codes)), tiff(codes)):
        short = data[: round(cut * len(data))]
        with pytest.raises(UnreadablePicture, match="is cut short or damaged"):
            open_picture(short, 0)


def test_what_cannot_be_read_in_parts_is_refused_with_what_it_takes(
    codes: NDArray[np.uint8], tmp_path: Path
) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(codes[70:550, 80:1020]).save(path, progressive=True, subsampling=0)
    with pytest.raises(PictureTooLarge) as caught:
        open_picture(path, 20_000_000)
    needs = caught.value.needs
    assert needs is not None
    assert 20_000_000 < needs < 60_000_000
    words = budget.in_words(needs)
    assert str(caught.value) == (
        f"{path} takes {words} of memory to read, where 20 MB is allowed; "
        f"allow it with --memory {words.replace(' ', '')}, or give a smaller copy."
    )
    named = budget.size_of(words)
    assert named is not None
    assert open_picture(path, named).width == 940
    with pytest.raises(PictureTooLarge):
        open_picture(path, needs - 1)


def test_a_jpeg_measured_at_two_sizes_fits_as_one(codes: NDArray[np.uint8], tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(codes).save(path, progressive=True, subsampling=0)
    with pytest.raises(PictureTooLarge) as caught:
        discs(path, SPOTS, 0)
    once = DecodedOnce(path, caught.value.needs)
    once.decode_beside()
    assert once._whole is None  # there is no room for both
    assert len(discs(once, SPOTS)) == len(SPOTS)
    with pytest.raises(PictureTooLarge):
        discs(DecodedOnce(path, (caught.value.needs or 0) - 1), SPOTS)


def test_coefficients_of_a_jpeg_are_counted_where_they_are_kept(codes: NDArray[np.uint8]) -> None:
    def kept(**options: Any) -> int:  # noqa: ANN401 -- Pillow's
        file = io.BytesIO()
        Image.fromarray(codes).save(file, "JPEG", **options)
        return budget.jpeg_coefficients(file)

    blocks = 138 * 78  # of 8 x 8
    assert kept() == 0
    assert kept(progressive=True, subsampling=0) == 3 * blocks * 128
    assert kept(progressive=True, subsampling=2) == 6 * 69 * 39 * 128


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_a_copy_that_takes_too_much_is_refused_before_any_work(
    codes: NDArray[np.uint8], tmp_path: Path, kind: str
) -> None:
    path, copy = tmp_path / f"a.{kind.lower()}", tmp_path / f"copy.{kind.lower()}"
    options = {"compression": "tiff_deflate"} if kind == "TIFF" else {}
    Image.fromarray(codes).save(path, kind, **options)
    with pytest.raises(PictureTooLarge, match=r"MB of memory to copy, where 10 MB is allowed"):
        autocast.correct(path, copy, best_guess=True, memory=10_000_000)
    assert not copy.exists()
    assert autocast.correct(path, copy).judgement.width == WIDE


def test_what_is_damaged_is_for_its_reader_to_say(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"\xff\xd8\xff")
    check_memory(path, 0)
    with pytest.raises(UnreadablePicture):
        autocast.correct(path, tmp_path / "copy.jpg", memory=0)


TAKES = """
import resource, sys
from autocast.picture import budget, open_picture
told, allow = [], budget.allow
budget.allow = lambda name, needs, memory: (told.append(needs), allow(name, needs, memory))
open_picture(sys.argv[1])
bare = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
for path in sys.argv[2:]:
    told.clear()
    open_picture(path, 120_000_000)
    taken = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - bare
    print(told[-1] // 1024, taken)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="the peak is in other units")
def test_no_more_is_taken_than_was_told(tmp_path: Path) -> None:
    row = np.linspace(0, 255, 4000, dtype=np.uint8)
    image = Image.fromarray(np.broadcast_to(row[None, :, None], (3000, 4000, 3)))
    small = tmp_path / "small.png"
    image.resize((600, 450)).save(small)
    paths = [tmp_path / name for name in ("a.jpg", "a.tif", "p.jpg", "a.png", "a.webp")]
    image.save(paths[0])
    image.save(paths[1], compression="tiff_deflate")
    image.save(paths[2], progressive=True)
    image.save(paths[3], compress_level=1)
    image.save(paths[4], quality=50, method=0)
    run = [sys.executable, "-c", TAKES, str(small), *map(str, paths)]
    lines = subprocess.run(run, check=True, capture_output=True, text=True).stdout.splitlines()
    told = [int(line.split()[0]) for line in lines]
    taken = [int(line.split()[1]) for line in lines]
    assert max(told) < 120_000_000 / 1024
    for k in range(len(paths)):
        assert taken[k] < 1.1 * max(told[: k + 1]), paths[k].name
