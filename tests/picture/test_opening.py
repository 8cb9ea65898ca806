"""The room that turns files, arrays and images into working pixels."""

from __future__ import annotations

import io
import itertools
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings, strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageDraw, ImageOps

from autocast.colour import lab_to_linear, linear_to_lab, linear_to_srgb, srgb_to_linear
from autocast.judgement import REMARKS, Place
from autocast.picture import (
    WORKING_SIDE,
    Picture,
    decoding,
    full_pixels,
    open_picture,
    reduced_pixels,
)

WHOLE = Place(0.0, 0.0, 1.0, 1.0)
CODE = 1 / 255

# Primaries of opRGB (IEC 61966-2-5:2007), and of P3 and BT.2020 (ITU-T H.273, table 2).
OPRGB = [0.64, 0.33, 0.21, 0.71, 0.15, 0.06]
P3 = [0.68, 0.32, 0.265, 0.69, 0.15, 0.06]
BT2020 = [0.708, 0.292, 0.170, 0.797, 0.131, 0.046]
D65 = [0.3127, 0.3290]


@pytest.fixture(scope="module")
def scene(photograph: Path) -> Image.Image:
    return Image.fromarray(np.asarray(Image.open(photograph)))  # without its profile


@pytest.fixture(scope="module")
def small(scene: Image.Image) -> Image.Image:
    """So small that no averaging takes place."""
    return scene.resize((120, 80), Image.Resampling.BOX)


def saved(image: Image.Image, kind: str, **options: object) -> bytes:
    file = io.BytesIO()
    image.save(file, kind, **options)
    return file.getvalue()


def array(image: Image.Image) -> NDArray[np.float64]:
    values: NDArray[np.float64] = np.asarray(image) / 255
    return values


def profile(primaries: list[float], gamma: float) -> bytes:
    made: bytes = imagecodecs.cms_profile("rgb", whitepoint=D65, primaries=primaries, gamma=gamma)
    return made


def in_space(encoded: NDArray[np.float64], primaries: list[float]) -> NDArray[np.float64]:
    """Linear light of sRGB-encoded colours in other primaries, computed by colour-science."""
    import colour

    space = colour.RGB_Colourspace("other", np.reshape(primaries, (3, 2)), np.array(D65))
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    matrix = colour.matrix_RGB_to_RGB(srgb, space, chromatic_adaptation_transform=None)
    light: NDArray[np.float64] = srgb_to_linear(encoded) @ np.asarray(matrix).T
    return light.clip(0)


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(codes: NDArray[Any], *extra: bytes) -> bytes:
    """A PNG made by hand: 8- or 16-bit codes (H, W, C)."""
    height, width, channels = codes.shape
    depth = codes.dtype.itemsize * 8
    head = struct.pack(
        ">IIBBBBB", width, height, depth, {1: 0, 2: 4, 3: 2, 4: 6}[channels], 0, 0, 0
    )
    lines = b"".join(b"\0" + row.astype(codes.dtype.newbyteorder(">")).tobytes() for row in codes)
    body = chunk(b"IHDR", head) + b"".join(extra) + chunk(b"IDAT", zlib.compress(lines))
    return b"\x89PNG\r\n\x1a\n" + body + chunk(b"IEND", b"")


def codes8(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    return np.round(np.clip(values, 0, 1) * 255).astype(np.uint8)


def codes16(values: NDArray[np.float64]) -> NDArray[np.uint16]:
    return np.round(np.clip(values, 0, 1) * 65535).astype(np.uint16)


def worst(picture: Picture, expected: NDArray[Any]) -> float:
    assert picture.encoded.shape == expected.shape
    return float(np.abs(picture.encoded - expected).max())


# --- what a picture is -----------------------------------------------------


def test_a_photograph_by_its_path(photograph: Path) -> None:
    picture = open_picture(photograph)
    assert picture.name == str(photograph)
    assert (picture.width, picture.height) == (640, 427)
    assert picture.pixels.shape == (171, 256, 3)
    assert picture.pixels.dtype == picture.encoded.dtype == np.float32
    assert picture.opaque.shape == (171, 256)
    assert picture.opaque.all()
    assert picture.frame == WHOLE
    assert np.allclose(linear_to_srgb(picture.pixels), picture.encoded, atol=1e-5)
    assert set(picture.remarks) <= set(REMARKS)


def test_path_bytes_file_and_image_agree(photograph: Path) -> None:
    data = photograph.read_bytes()
    by_path = open_picture(str(photograph))
    with photograph.open("rb") as file:
        by_file = open_picture(file)
        assert not file.closed
        assert file.tell() == 0
    by_bytes = open_picture(data)
    with Image.open(photograph) as image:
        by_image = open_picture(image)
    assert (by_bytes.name, by_image.name, by_file.name) == ("bytes", "image", str(photograph))
    for other in (by_file, by_bytes, by_image):
        assert np.array_equal(other.pixels, by_path.pixels)
        assert other.remarks == by_path.remarks


def test_a_stream_is_read_from_where_it_stands(small: Image.Image) -> None:
    stream = io.BytesIO(b"before" + saved(small, "PNG"))
    stream.seek(6)
    assert worst(open_picture(stream), array(small)) < 1e-6
    assert stream.tell() == 6


def test_a_stream_that_cannot_go_back_is_enough(scene: Image.Image) -> None:
    class Pipe(io.RawIOBase):
        def __init__(self, data: bytes) -> None:
            self._inner = io.BytesIO(data)

        def readable(self) -> bool:
            return True

        def readall(self) -> bytes:
            return self._inner.read()

        def read(self, size: int | None = -1, /) -> bytes:
            return self._inner.read(size)

    # A deep border makes a second decoding necessary.
    framed = ImageOps.expand(scene.resize((2560, 1708)), 1000, "white")
    data = saved(framed, "JPEG", quality=95)
    picture = open_picture(Pipe(data))  # type: ignore[arg-type]
    assert "border" in picture.remarks
    assert np.array_equal(picture.pixels, open_picture(data).pixels)


def test_the_original_is_left_as_it_was(photograph: Path, tmp_path: Path) -> None:
    path = tmp_path / "copy.jpg"
    path.write_bytes(photograph.read_bytes())
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    open_picture(path)
    full_pixels(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    pixels = np.asarray(Image.open(path)).copy()
    kept = pixels.copy()
    open_picture(pixels)
    assert np.array_equal(pixels, kept)


def test_every_pixel_on_demand(scene: Image.Image) -> None:
    whole = full_pixels(saved(scene, "PNG"))
    assert whole.dtype == np.float32
    assert np.abs(whole - array(scene)).max() < 1e-6
    turned = Image.Exif()
    turned[0x0112] = 6
    upright = full_pixels(saved(scene, "PNG", exif=turned))
    assert np.array_equal(upright, np.rot90(whole, -1))


def test_reduced_pixels_are_the_whole_picture_upright_averaged(scene: Image.Image) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    data = saved(scene, "PNG", exif=exif)
    whole = full_pixels(data)
    shown = reduced_pixels(data, 100)
    assert shown.shape == (100, 67, 3)
    assert shown.mean(axis=(0, 1)) == pytest.approx(whole.mean(axis=(0, 1)), abs=CODE / 2)
    quarter = reduced_pixels(data, 320)
    assert quarter.shape == (320, 214, 3)
    assert quarter[:80].mean() == pytest.approx(whole[:160].mean(), abs=CODE)


@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
def test_a_jpeg_made_small_is_nearly_what_averages_give(scene: Image.Image, mode: str) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    data = saved(scene.convert(mode), "JPEG", quality=95, exif=exif)
    # 120 pixels are decoded at half the size, 333 at the whole.
    for side in (120, 333):
        shown = reduced_pixels(data, side)
        averaged = reduced_pixels(full_pixels(data), side)
        assert shown.shape == averaged.shape
        assert np.abs(shown - averaged).mean() < 5 * CODE  # it is all detail
        assert shown.mean(axis=(0, 1)) == pytest.approx(averaged.mean(axis=(0, 1)), abs=CODE)


def test_full_pixels_go_through_the_profile(scene: Image.Image) -> None:
    big = scene.resize((1280, 900))  # more than is converted at a time
    grey = codes8(np.full((900, 1280, 3), 0.5) * array(big))
    data = saved(Image.fromarray(grey), "PNG", icc_profile=profile(P3, 2.2))
    whole = full_pixels(data)
    tile = full_pixels(
        saved(Image.fromarray(grey[-80:, -120:]), "PNG", icc_profile=profile(P3, 2.2))
    )
    assert np.allclose(whole[-80:, -120:], tile, atol=1e-6)
    assert np.abs(whole - grey / 255).max() > 0.02


# --- kinds of file, known by content -----------------------------------------

LOSSLESS: list[tuple[str, dict[str, Any]]] = [
    ("PNG", {}),
    ("TIFF", {}),
    ("TIFF", {"compression": "tiff_lzw"}),
    ("BMP", {}),
    ("WEBP", {"lossless": True}),
]


@pytest.mark.parametrize(("kind", "options"), LOSSLESS)
def test_lossless_kinds_give_the_same_pixels(
    small: Image.Image, tmp_path: Path, kind: str, options: dict[str, Any]
) -> None:
    path = tmp_path / "picture.jpg"  # the name says nothing
    path.write_bytes(saved(small, kind, **options))
    assert worst(open_picture(path), array(small)) < 1e-6


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("JPEG", {"quality": 95, "subsampling": 0}),
        ("AVIF", {"quality": 95, "subsampling": "4:4:4"}),
        ("WEBP", {"quality": 98}),
    ],
)
def test_lossy_kinds_give_nearly_the_same_pixels(
    small: Image.Image, kind: str, options: dict[str, Any]
) -> None:
    picture = open_picture(saved(small, kind, **options))
    assert np.abs(picture.encoded - array(small)).mean() < 3 * CODE


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK", "RGBA", "P", "I;16"])
def test_a_large_picture_is_read_as_a_small_one_is(
    scene: Image.Image, mode: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    wide = scene.resize((5000, 900), Image.Resampling.BICUBIC)
    image = wide if mode == "I;16" else wide.convert(mode)
    if mode == "I;16":
        image = Image.fromarray(np.asarray(wide.convert("L")).astype(np.uint16) * 257)
    source = image if mode == "CMYK" else saved(image, "PNG")
    expected, whole = open_picture(source), full_pixels(source)
    monkeypatch.setattr(decoding, "_LARGE", 1_000_000)
    read = open_picture(source)
    assert (read.encoded == expected.encoded).all()
    assert (read.width, read.height, read.remarks) == (5000, 900, expected.remarks)
    assert (full_pixels(source) == whole).all()


def test_heic_through_the_extra(small: Image.Image, monkeypatch: pytest.MonkeyPatch) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    exif = Image.Exif()
    exif[0x010F] = "Maker"
    heif = pillow_heif.from_pillow(small)
    file = io.BytesIO()
    heif.save(file, quality=95, chroma=444, exif=exif.tobytes())
    picture = open_picture(file.getvalue())
    assert np.abs(picture.encoded - array(small)).mean() < 3 * CODE
    assert picture.facts["camera"] == "Maker"
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(Exception, match=r"^bytes .*autocast\[heic\]"):
        open_picture(file.getvalue())


class _Forgetful:
    """A HEIC file whose memory is used anew when it goes, as before pillow-heif 1.8."""

    def __init__(self, pixels: NDArray[np.uint8]) -> None:
        self.size = (pixels.shape[1] - 2, pixels.shape[0])
        self.mode = "RGB"
        self.info: dict[str, Any] = {}
        self._kept = pixels
        shown = {key: pixels.__array_interface__[key] for key in ("shape", "typestr", "version")}
        self.__array_interface__ = {**shown, "data": pixels.data.cast("B")}

    def __del__(self) -> None:
        self._kept[:] = 0


def test_pixels_of_heic_outlive_its_decoder(
    small: Image.Image, monkeypatch: pytest.MonkeyPatch
) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    file = io.BytesIO()
    pillow_heif.from_pillow(small).save(file)
    padded = np.pad(np.asarray(small), ((0, 0), (0, 2), (0, 0)))
    with monkeypatch.context() as patch:
        patch.setattr(pillow_heif, "open_heif", lambda *_, **__: _Forgetful(padded.copy()))
        read = full_pixels(file.getvalue())
    assert np.abs(read - array(small)).max() < CODE
    first = full_pixels(file.getvalue())
    assert all((full_pixels(file.getvalue()) == first).all() for _ in range(8))


@pytest.mark.parametrize("mode", ["L", "1", "P", "LA", "PA", "RGBA", "CMYK", "YCbCr", "HSV", "LAB"])
def test_pil_images_of_every_mode(small: Image.Image, mode: str) -> None:
    source = small.convert("RGBA").convert("P").convert("PA") if mode == "PA" else None
    if source is None:
        source = _to_lab(small) if mode == "LAB" else small.convert(mode)
    picture = open_picture(source)
    if mode in ("L", "LA", "1"):
        expected = array(source.convert("L").convert("RGB"))
    elif mode in ("LAB", "HSV", "YCbCr"):
        expected = array(small)
    else:
        expected = array(source.convert("RGB"))
    limit = {"LAB": 0.03, "HSV": 0.03, "YCbCr": 0.02, "CMYK": 0.006}.get(mode, 1e-6)
    assert np.quantile(np.abs(picture.encoded - expected), 0.99) < limit
    assert ("cmyk_without_profile" in picture.remarks) == (mode == "CMYK")


def _to_lab(image: Image.Image) -> Image.Image:
    made = ImageCms.profileToProfile(
        image, ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), outputMode="LAB"
    )
    assert made is not None
    return made


def test_grey_arrays_and_alpha_arrays(small: Image.Image) -> None:
    grey = np.asarray(small.convert("L"))
    by_grey = open_picture(grey)
    assert worst(by_grey, np.repeat(grey[..., None] / 255, 3, axis=2)) < 1e-6
    assert by_grey.remarks == ()
    assert by_grey.name == "array"
    rgb = np.asarray(small)
    for values in (rgb, codes16(rgb / 255), rgb / 255, (rgb / 255).astype(np.float32)):
        assert worst(open_picture(values), rgb / 255) < 1e-5
    four = np.dstack([rgb, np.full(rgb.shape[:2], 255, np.uint8)])
    assert worst(open_picture(four), rgb / 255) < 1e-6
    big_endian = codes16(rgb / 255).astype(">u2")
    assert worst(open_picture(big_endian), rgb / 255) < 1e-5


# --- depth -----------------------------------------------------------------

RAMP = np.repeat(np.linspace(0.1, 0.104, 120)[None, :, None], 40, axis=0).repeat(3, axis=2)
"""One 8-bit code from end to end: 8-bit reading leaves two levels of it."""


def levels(picture: Picture) -> int:
    return len(np.unique(picture.encoded[..., 1]))


def test_sixteen_bit_png_is_read_as_sixteen_bit() -> None:
    picture = open_picture(png(codes16(RAMP)))
    assert worst(picture, RAMP) < 1e-5
    assert levels(picture) == 120
    assert worst(open_picture(png(codes16(RAMP[..., :1]))), RAMP) < 1e-5
    full = np.concatenate([codes16(RAMP), np.full((40, 120, 1), 65535, np.uint16)], axis=2)
    assert worst(open_picture(png(full)), RAMP) < 1e-5


@pytest.mark.parametrize("compression", [None, "zlib", "lzw"])
@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_sixteen_bit_tiff_is_read_as_sixteen_bit(
    tmp_path: Path, compression: str | None, planar: str
) -> None:
    path = tmp_path / "deep.tif"
    codes = codes16(RAMP) if planar == "contig" else np.moveaxis(codes16(RAMP), -1, 0)
    tifffile.imwrite(path, codes, photometric="rgb", planarconfig=planar, compression=compression)
    picture = open_picture(path)
    assert worst(picture, RAMP) < 1e-5
    assert levels(picture) == 120


def test_other_deep_tiffs(tmp_path: Path) -> None:
    path = tmp_path / "deep.tif"
    tifffile.imwrite(path, RAMP.astype(np.float32), photometric="rgb")
    assert worst(open_picture(path), RAMP) < 1e-6
    tifffile.imwrite(path, codes16(RAMP[..., 0]), photometric="minisblack")
    assert worst(open_picture(path), RAMP) < 1e-5
    tifffile.imwrite(path, 65535 - codes16(RAMP[..., 0]), photometric="miniswhite")
    assert worst(open_picture(path), RAMP) < 1e-5
    turned = (274, "H", 1, 6, False)
    tifffile.imwrite(
        path, codes16(RAMP), photometric="rgb", bigtiff=True, byteorder=">", extratags=[turned]
    )
    assert worst(open_picture(path), np.rot90(RAMP, -1)) < 1e-5


def test_the_rarer_kinds_of_eight_bit_tiff(small: Image.Image) -> None:
    for image in (small.quantize(64), small.convert("1"), small.convert("L")):
        assert worst(open_picture(saved(image, "TIFF")), array(image.convert("RGB"))) < 1e-6
    picture = open_picture(saved(small, "TIFF", compression="jpeg", quality=95))
    assert np.abs(picture.encoded - array(small)).mean() < 3 * CODE


def test_eight_bit_lab_tiff(scene: Image.Image, tmp_path: Path) -> None:
    image = scene.resize((120, 80))
    path = tmp_path / "lab.tif"
    tifffile.imwrite(path, np.asarray(_to_lab(image)), photometric="cielab")
    picture = open_picture(path)
    assert picture.profile == "CIELAB"
    assert np.quantile(np.abs(picture.encoded - array(image)), 0.99) < 0.03


def test_sixteen_bit_lab_tiff(tmp_path: Path) -> None:
    lab = np.zeros((40, 60, 3))
    lab[...] = (52.0, 0.0, 0.0)
    lab[:, 30:] = (60.0, 20.0, -30.0)
    path = tmp_path / "lab.tif"
    ab = np.round(lab[..., 1:] * 256).astype(np.int16).view(np.uint16)
    codes = np.dstack([np.round(lab[..., :1] * 655.35).astype(np.uint16), ab])
    tifffile.imwrite(path, codes, photometric="cielab")
    picture = open_picture(path)
    assert picture.profile == "CIELAB"
    assert np.abs(linear_to_lab(picture.pixels[:, :30]) - lab[:, :30]).max() < 0.02
    # White adapted by Bradford here, scaled in CIELAB there: a few units in a strong colour.
    assert np.abs(linear_to_lab(picture.pixels[:, 30:]) - lab[:, 30:]).max() < 5


# --- which way is up ---------------------------------------------------------


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "deep"])
def test_all_orientations(scene: Image.Image, orientation: int, kind: str, tmp_path: Path) -> None:
    image = scene.resize((96, 56))
    exif = Image.Exif()
    exif[0x0112] = orientation
    if kind == "deep":
        path = tmp_path / "deep.tif"
        tag = (274, "H", 1, orientation, False)
        tifffile.imwrite(path, codes16(array(image)), photometric="rgb", extratags=[tag])
        data = path.read_bytes()
    else:
        options: dict[str, dict[str, Any]] = {
            "WEBP": {"lossless": True},
            "JPEG": {"quality": 95, "subsampling": 0},
        }
        data = saved(image, kind, exif=exif, **options.get(kind, {}))
    stored = Image.new("RGB", image.size)
    stored.paste(image)
    stored.getexif()[0x0112] = orientation
    expected = array(ImageOps.exif_transpose(stored))
    picture = open_picture(data)
    assert (picture.height, picture.width) == expected.shape[:2]
    assert np.abs(picture.encoded - expected).mean() < 2.5 * CODE


# --- reduction ---------------------------------------------------------------


def test_reduction_is_an_area_average_of_encoded_values() -> None:
    rng = np.random.default_rng(1)
    values = rng.random((96, 768, 3)).astype(np.float32)
    expected = values.reshape(32, 3, 256, 3, 3).mean(axis=(1, 3))
    assert worst(open_picture(values), expected) < 1e-5


def test_a_fractional_reduction_keeps_the_mean() -> None:
    rng = np.random.default_rng(2)
    values = rng.random((401, 301, 3))
    picture = open_picture(values)
    assert picture.pixels.shape == (256, 192, 3)
    assert np.allclose(picture.encoded.mean(axis=(0, 1)), values.mean(axis=(0, 1)), atol=1e-5)


@settings(max_examples=20)
@given(
    height=st.integers(1, 700),
    width=st.integers(1, 700),
    seed=st.integers(0, 9),
    alpha=st.booleans(),
)
def test_mirroring_commutes(height: int, width: int, seed: int, *, alpha: bool) -> None:
    rng = np.random.default_rng(seed)
    values = rng.integers(0, 256, (height, width, 4 if alpha else 3), dtype=np.uint8)
    if alpha:
        values[..., 3] |= 1
        values[0, 0, 3] = 255
        values[-1, -1, 3] = values[0, -1, 3] = values[-1, 0, 3] = 255
        values[:, :, 3] = np.maximum(values[:, :, 3], 128)
    picture = open_picture(values)
    assert max(picture.pixels.shape) <= WORKING_SIDE
    for axis in (0, 1):
        mirrored = open_picture(np.flip(values, axis))
        assert np.allclose(np.flip(mirrored.encoded, axis), picture.encoded, atol=2e-5)
        assert mirrored.opaque.shape == picture.opaque.shape


@pytest.mark.parametrize("width", [1800, 3000, 6000])
def test_a_small_copy_gives_the_pixels_of_its_original(portrait: Path, width: int) -> None:
    image = Image.open(portrait).resize((width, width * 2 // 3), Image.Resampling.BICUBIC)
    original = open_picture(saved(image, "JPEG", quality=95, subsampling=0))
    copy = image.resize((512, 341), Image.Resampling.BOX)
    small = open_picture(saved(copy, "JPEG", quality=95, subsampling=0))
    assert original.pixels.shape == small.pixels.shape
    difference = np.abs(original.encoded - small.encoded)
    assert difference.mean() < 1.2 * CODE
    assert np.quantile(difference, 0.999) < 0.05
    # What the voters read: the mean chromaticity hardly moves.
    shift = linear_to_lab(original.pixels).mean((0, 1)) - linear_to_lab(small.pixels).mean((0, 1))
    assert np.abs(shift).max() < 0.15


def test_a_large_jpeg_is_not_decoded_in_full(
    scene: Image.Image, monkeypatch: pytest.MonkeyPatch
) -> None:
    from PIL.JpegImagePlugin import JpegImageFile

    sizes: list[tuple[int, int]] = []
    load = JpegImageFile.load

    def noted(self: JpegImageFile) -> object:
        sizes.append(self.size)
        return load(self)

    monkeypatch.setattr(JpegImageFile, "load", noted)
    data = saved(scene.resize((4800, 3200)), "JPEG")
    picture = open_picture(data)
    assert (picture.width, picture.height) == (4800, 3200)
    assert set(sizes) == {(600, 400)}


def test_nothing_is_enlarged() -> None:
    assert open_picture(np.full((40, 100, 3), 90, np.uint8)).pixels.shape == (40, 100, 3)


def test_one_pixel() -> None:
    picture = open_picture(np.array([[[10, 200, 30]]], dtype=np.uint8))
    assert picture.remarks == ("tiny",)
    assert np.allclose(picture.encoded * 255, [[[10, 200, 30]]], atol=1e-4)


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_one_line_of_sixty_thousand(kind: str) -> None:
    picture = open_picture(saved(Image.new("RGB", (60_000, 1), (90, 120, 40)), kind))
    assert (picture.width, picture.height) == (60_000, 1)
    assert picture.pixels.shape == (1, 256, 3)
    assert np.abs(picture.encoded - np.array([90, 120, 40]) / 255).max() < 2 * CODE


def test_tiny_is_remarked_by_the_long_side() -> None:
    assert "tiny" in open_picture(np.zeros((10, 63, 3))).remarks
    assert "tiny" not in open_picture(np.zeros((10, 64, 3))).remarks


# --- profiles ----------------------------------------------------------------


def test_an_srgb_profile_changes_nothing(small: Image.Image) -> None:
    by_pillow = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    by_codecs: bytes = imagecodecs.cms_profile("srgb")
    for icc in (by_pillow, by_codecs):
        picture = open_picture(saved(small, "PNG", icc_profile=icc))
        assert worst(picture, array(small)) == pytest.approx(0, abs=1e-7)
        assert picture.profile.startswith("embedded profile: ")
        assert picture.remarks == ()
    assert open_picture(saved(small, "PNG")).remarks == ("no_profile",)
    assert open_picture(saved(small, "PNG")).profile == "sRGB assumed"


@pytest.mark.parametrize("primaries", [OPRGB, P3, BT2020])
@pytest.mark.parametrize("deep", [False, True])
def test_a_wide_profile_gives_the_same_colours(
    small: Image.Image, tmp_path: Path, primaries: list[float], *, deep: bool
) -> None:
    wide = in_space(array(small), primaries) ** (1 / 2.2)
    icc = profile(primaries, 2.2)
    if deep:
        path = tmp_path / "wide.tif"
        tifffile.imwrite(path, codes16(wide), photometric="rgb", iccprofile=icc)
        picture = open_picture(path)
    else:
        picture = open_picture(saved(Image.fromarray(codes8(wide)), "PNG", icc_profile=icc))
    # Where sRGB is dark the exponent 2.2 is coarse, hence the wider bound for 8 bits.
    difference = np.abs(picture.encoded - array(small))
    assert np.quantile(difference, 0.99) < (0.004 if deep else 0.015)
    assert np.abs(codes8(wide) / 255 - array(small)).max() > 0.03  # the profile mattered
    assert picture.remarks == ()


def test_colours_outside_srgb_are_kept() -> None:
    green = np.zeros((40, 60, 3), np.uint8)
    green[..., 1] = 255
    green[::2] = 128  # in turns, so that neither is a border
    picture = open_picture(saved(Image.fromarray(green), "PNG", icc_profile=profile(P3, 2.2)))
    assert picture.pixels[1::2, :, 0].max() < -0.1
    assert picture.encoded[1::2, :, 1].min() > 1.01
    grey = picture.encoded[::2]
    assert np.ptp(grey, axis=-1).max() < 1e-3


def test_a_grey_profile(small: Image.Image) -> None:
    icc: bytes = imagecodecs.cms_profile("gray", gamma=1.0)
    grey = small.convert("L")
    picture = open_picture(saved(grey, "PNG", icc_profile=icc))
    expected = linear_to_srgb(array(grey))[..., None].repeat(3, axis=2)
    assert worst(picture, expected) < 0.003
    assert picture.remarks == ()


def _icc(space: bytes, tags: dict[bytes, bytes]) -> bytes:
    """A printing profile with CIELAB as its connection space (ICC.1:2010, version 2)."""
    table, body, start = b"", b"", 132 + 12 * len(tags)
    for signature, data in tags.items():
        padded = data + b"\0" * (-len(data) % 4)
        table += struct.pack(">4sII", signature, start + len(body), len(data))
        body += padded
    white = struct.pack(">3i", 63190, 65536, 54061)
    head = struct.pack(">I4sI4s4s4s", start + len(body), b"", 0x02400000, b"prtr", space, b"Lab ")
    head += struct.pack(">6H4s", 2024, 1, 1, 0, 0, 0, b"acsp")
    head = head.ljust(64, b"\0") + struct.pack(">I", 1) + white
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def press_profile() -> bytes:
    """A made-up press, whose inks leave a tenth of the light: CMYK to CIELAB by a table."""
    table: list[int] = []
    for c, m, y, k in itertools.product((0, 1), repeat=4):
        rgb = np.array([1 - 0.9 * c, 1 - 0.9 * m, 1 - 0.9 * y]) * (1 - 0.8 * k)
        lightness, a, b = linear_to_lab(srgb_to_linear(rgb))
        table += [int(lightness * 652.8), int((a + 128) * 256), int((b + 128) * 256)]
    one = (65536, 0, 0, 0, 65536, 0, 0, 0, 65536)
    lut = b"mft2\0\0\0\0" + struct.pack(">BBBx9iHH", 4, 3, 2, *one, 2, 2)
    lut += struct.pack(f">8H{len(table)}H6H", *[0, 65535] * 4, *table, *[0, 65535] * 3)
    name = b"Toy press\0"
    return _icc(
        b"CMYK",
        {
            b"desc": b"desc\0\0\0\0" + struct.pack(">I", len(name)) + name + b"\0" * 78,
            b"wtpt": b"XYZ \0\0\0\0" + struct.pack(">3i", 63190, 65536, 54061),
            b"A2B0": lut,
        },
    )


INKS = np.array([(0, 0, 0, 0), (0, 255, 255, 0), (0, 0, 0, 128), (255, 0, 0, 0)], np.uint8)


def _inked() -> Image.Image:
    """White and red above, grey and cyan below."""
    quarters = INKS.reshape(2, 2, 4).repeat(32, axis=0).repeat(32, axis=1)
    return Image.frombytes("CMYK", (64, 64), quarters.tobytes())


@pytest.mark.parametrize("kind", ["TIFF", "JPEG", "deep"])
def test_cmyk_with_its_profile(kind: str, tmp_path: Path) -> None:
    if kind == "deep":
        path = tmp_path / "deep.tif"
        codes = np.asarray(_inked()).astype(np.uint16) * 257
        tifffile.imwrite(path, codes, photometric="separated", iccprofile=press_profile())
        data = path.read_bytes()
    else:
        data = saved(_inked(), kind, icc_profile=press_profile())
    picture = open_picture(data)
    assert picture.profile == "embedded profile: Toy press"
    assert "cmyk_without_profile" not in picture.remarks
    bands = picture.encoded[16::32, 16::32].reshape(4, 3)
    assert np.allclose(bands[0], 1, atol=0.01)
    assert bands[1][0] > 0.9
    assert bands[1][1:].max() < 0.3
    assert 0.4 < bands[2].mean() < 0.8
    assert np.ptp(bands[2]) < 0.02
    assert np.argmin(bands[3]) == 0


def test_cmyk_without_a_profile_is_remarked() -> None:
    for kind in ("TIFF", "JPEG"):
        picture = open_picture(saved(_inked(), kind))
        assert "cmyk_without_profile" in picture.remarks
        assert np.allclose(picture.encoded[16, 48], [1, 0, 0], atol=0.02)


def _blinding(icc: bytes) -> bytes:
    """A profile whose primaries are thousands of times as bright as its white."""
    at = icc.index(b"rXYZ")
    offset = int.from_bytes(icc[at + 4 : at + 8], "big") + 8
    return icc[:offset] + b"\x7f\xff\xff\xff" * 3 + icc[offset + 12 :]


@pytest.mark.parametrize("damage", ["junk", "cut", "short", "grey", "cmyk", "blinding"])
def test_a_profile_that_cannot_be_used(small: Image.Image, damage: str) -> None:
    srgb: bytes = imagecodecs.cms_profile("srgb")
    icc = {
        "junk": b"no profile at all" * 20,
        "cut": srgb[:200],
        "short": b"x",
        "grey": imagecodecs.cms_profile("gray", gamma=1.0),
        "cmyk": press_profile(),
        "blinding": _blinding(srgb),
    }[damage]
    picture = open_picture(saved(small, "PNG", icc_profile=icc))
    assert picture.remarks == ("broken_profile",)
    assert picture.profile == "sRGB assumed"
    assert worst(picture, array(small)) < 1e-6


def test_pil_images_carry_their_profile(small: Image.Image) -> None:
    image = small.copy()
    image.info["icc_profile"] = profile(P3, 2.2)
    assert worst(open_picture(image), array(small)) > 0.01
    assert open_picture(image).profile.startswith("embedded profile")


# --- tags ----------------------------------------------------------------------


def _exif_space(space: int, index: str | None = None) -> Image.Exif:
    exif = Image.Exif()
    photo: dict[int, Any] = {0xA001: space}
    if index is not None:
        photo[0xA005] = {1: index}
    exif[0x8769] = photo
    return exif


def test_exif_says_srgb(small: Image.Image) -> None:
    picture = open_picture(saved(small, "JPEG", exif=_exif_space(1)))
    assert picture.profile == "sRGB by the file's tag"
    assert picture.remarks == ()


def test_exif_says_the_optional_colour_space_of_dcf(small: Image.Image) -> None:
    wide = Image.fromarray(codes8(in_space(array(small), OPRGB) ** (256 / 563)))
    data = saved(wide, "JPEG", quality=100, subsampling=0, exif=_exif_space(0xFFFF, "R03"))
    picture = open_picture(data)
    assert picture.remarks == ("tagged",)
    assert "opRGB" in picture.profile
    plain = open_picture(saved(wide, "JPEG", quality=100, subsampling=0))
    assert plain.remarks == ("no_profile",)
    near = np.abs(picture.encoded - array(small)).mean()
    assert near < 1.5 * CODE
    assert near < 0.5 * np.abs(plain.encoded - array(small)).mean()
    uncalibrated = open_picture(saved(wide, "JPEG", exif=_exif_space(0xFFFF)))
    assert uncalibrated.remarks == ("no_profile",)


@pytest.mark.parametrize(("point", "primaries"), [(1, None), (9, BT2020), (12, P3)])
@pytest.mark.parametrize(("transfer", "exponent"), [(13, None), (1, None), (4, 2.2), (8, 1.0)])
def test_png_code_points(
    small: Image.Image,
    point: int,
    primaries: list[float] | None,
    transfer: int,
    exponent: float | None,
) -> None:
    values = array(small)
    light = srgb_to_linear(values) if primaries is None else in_space(values, primaries)
    stored = linear_to_srgb(light) if exponent is None else light ** (1 / exponent)
    tag = chunk(b"cICP", bytes([point, transfer, 0, 1]))
    picture = open_picture(png(codes16(np.asarray(stored)), tag))
    assert np.quantile(np.abs(picture.encoded - values), 0.99) < 0.003
    plain = primaries is None and exponent is None
    assert picture.remarks == (() if plain else ("tagged",))
    assert (picture.profile == "sRGB by the file's tag") == plain


def test_code_points_go_before_a_profile_and_unspecified_ones_do_not(small: Image.Image) -> None:
    icc = chunk(b"iCCP", b"x\0\0" + zlib.compress(profile(BT2020, 1.0)))
    codes = codes8(array(small))
    opened = open_picture(png(codes, chunk(b"cICP", bytes([1, 13, 0, 1])), icc))
    assert opened.profile == "sRGB by the file's tag"
    untold = open_picture(png(codes, chunk(b"cICP", bytes([2, 2, 0, 1])), icc))
    assert untold.profile.startswith("embedded profile")


def test_png_srgb_gamma_and_chromaticities(small: Image.Image) -> None:
    values = array(small)
    opened = open_picture(png(codes8(values), chunk(b"sRGB", b"\0")))
    assert (opened.profile, opened.remarks) == ("sRGB by the file's tag", ())
    # The values that PNG (third edition, 11.3.2) recommends beside an sRGB chunk.
    chrm = struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)
    gama = struct.pack(">I", 45455)
    same = open_picture(png(codes8(values), chunk(b"gAMA", gama), chunk(b"cHRM", chrm)))
    assert (same.profile, same.remarks) == ("sRGB by the file's tag", ())
    linear = codes16(srgb_to_linear(values))
    light = open_picture(png(linear, chunk(b"gAMA", struct.pack(">I", 100_000))))
    assert light.remarks == ("tagged",)
    assert worst(light, values) < 0.002
    p3 = struct.pack(">8I", *(round(v * 100_000) for v in (*D65, *P3)))
    stored = codes16(np.asarray(linear_to_srgb(in_space(values, P3))))
    wide = open_picture(png(stored, chunk(b"cHRM", p3)))
    assert np.quantile(np.abs(wide.encoded - values), 0.99) < 0.003
    warm = struct.pack(">8I", 34567, 35850, *(round(v * 100_000) for v in P3))
    white = open_picture(png(np.full((20, 70, 3), 255, np.uint8), chunk(b"cHRM", warm)))
    assert np.abs(white.encoded - 1).max() < 1e-5  # the white stays white


def test_avif_code_points(small: Image.Image) -> None:
    data = saved(small, "AVIF", quality=90)
    assert open_picture(data).remarks == ()
    at = data.index(b"colrnclx") + 8
    p3 = data[:at] + struct.pack(">H", 12) + data[at + 2 :]
    picture = open_picture(p3)
    assert picture.remarks == ("tagged",)
    assert "P3" in picture.profile
    assert np.abs(picture.encoded - open_picture(data).encoded).max() > 0.02


# --- alpha and animation ----------------------------------------------------------


def test_transparent_parts_are_left_out_and_not_blended(scene: Image.Image) -> None:
    rgb = np.asarray(scene)[:420, :640]
    alpha = np.full(rgb.shape[:2], 255, np.uint8)
    alpha[100:200, 200:360] = 0
    alpha[:, 500:] = 160
    hidden = rgb.copy()
    hidden[100:200, 200:360] = (255, 0, 255)  # whatever lies under nothing must not show
    picture = open_picture(saved(Image.fromarray(np.dstack([hidden, alpha])), "PNG"))
    plain = open_picture(rgb)
    assert "transparent" in picture.remarks
    assert np.abs(picture.encoded - plain.encoded)[picture.opaque].max() < 0.35
    inner = picture.opaque & np.roll(picture.opaque, 2, 0) & np.roll(picture.opaque, -2, 0)
    inner &= np.roll(picture.opaque, 2, 1) & np.roll(picture.opaque, -2, 1)
    assert np.abs(picture.encoded - plain.encoded)[inner].max() < 1e-4
    gone = ~picture.opaque
    assert gone[42:78, 82:142].all()
    assert gone.mean() == pytest.approx(100 * 160 / alpha.size, rel=0.05)


def test_opaque_alpha_gets_no_remark(small: Image.Image) -> None:
    assert "transparent" not in open_picture(saved(small.convert("RGBA"), "PNG")).remarks


def test_premultiplied_tiff_is_divided_again(tmp_path: Path) -> None:
    colour = np.full((64, 80, 3), 0.6)
    alpha = np.linspace(0.5, 1, 80)[None, :, None].repeat(64, axis=0)
    for dtype in (np.uint8, np.uint16):
        top = np.iinfo(dtype).max
        path = tmp_path / "associated.tif"
        stored = np.round(np.concatenate([colour * alpha, alpha], axis=2) * top).astype(dtype)
        tifffile.imwrite(path, stored, photometric="rgb", extrasamples=["assocalpha"])
        assert worst(open_picture(path), colour) < 2.5 * CODE


def test_palettes(small: Image.Image) -> None:
    picture = open_picture(saved(small.quantize(64), "PNG"))
    assert worst(picture, array(small.quantize(64).convert("RGB"))) < 1e-6
    holed = small.quantize(64)
    picture = open_picture(saved(holed, "PNG", transparency=int(np.asarray(holed)[0, 0])))
    assert "transparent" in picture.remarks
    assert not picture.opaque[0, 0]


@pytest.mark.parametrize("kind", ["GIF", "WEBP", "PNG", "AVIF"])
def test_only_the_first_frame_is_judged(kind: str) -> None:
    frames = [Image.new("RGB", (80, 60), c) for c in ("#b02020", "#2020b0")]
    options = {"save_all": True, "append_images": frames[1:], "duration": 100}
    picture = open_picture(saved(frames[0], kind, **options))
    assert "animated" in picture.remarks
    assert np.abs(picture.encoded - np.array([176, 32, 32]) / 255).max() < 0.05
    still = open_picture(saved(frames[0], kind))
    assert "animated" not in still.remarks


# --- facts -------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "AVIF"])
def test_facts_are_hints_out_of_exif(small: Image.Image, kind: str) -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0131] = "Maker\0", "Model 1", "Darkroom"
    exif[0x8769] = {0x9003: "2021:03:04 05:06:07"}
    picture = open_picture(saved(small, kind, exif=exif.tobytes()))
    assert picture.facts["camera"] == "Maker Model 1"
    assert picture.facts["software"] == "Darkroom"
    assert picture.facts["taken"] == "2021:03:04 05:06:07"
    assert dict(open_picture(saved(small, "JPEG")).facts) == {}
    with pytest.raises(TypeError):
        picture.facts["camera"] = "x"  # type: ignore[index]


def test_broken_exif_is_no_reason_to_refuse(small: Image.Image) -> None:
    data = saved(small, "JPEG", exif=b"Exif\0\0II*\0\x08\0\0\0\xff\xff\x12\x01")
    assert open_picture(data).facts == {}


# --- borders -------------------------------------------------------------------------

COLOURS = {"white": (255, 255, 255), "black": (0, 0, 0), "cream": (240, 230, 205)}


def framed(
    image: Image.Image, colour: tuple[int, int, int], sides: tuple[int, int, int, int]
) -> Image.Image:
    """The image on a mount; sides are left, top, right, bottom."""
    left, top, right, bottom = sides
    size = (image.width + left + right, image.height + top + bottom)
    mount = Image.new("RGB", size, colour)
    mount.paste(image, (left, top))
    return mount


def frame_error(picture: Picture, image: Image.Image, sides: tuple[int, int, int, int]) -> float:
    """The worst displacement of an edge of the frame, as a share of the long side."""
    x, y, width, height = picture.frame
    found = np.array([x, y, x + width, y + height]) * ([picture.width, picture.height] * 2)
    left, top = sides[:2]
    true = [left, top, left + image.width, top + image.height]
    return float(np.abs(found - true).max() / max(picture.width, picture.height))


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize(
    "sides",
    [(40, 40, 40, 40), (12, 12, 12, 12), (30, 30, 30, 130), (0, 60, 0, 60), (50, 0, 50, 0)],
)
@pytest.mark.parametrize("scale", [1, 4])
def test_borders_are_cut_and_the_rest_is_as_without(
    portrait: Path, colour: str, sides: tuple[int, int, int, int], scale: int
) -> None:
    image = Image.open(portrait).crop((0, 40, 512, 400))
    image = image.resize((image.width * scale, image.height * scale), Image.Resampling.BICUBIC)
    wide = (sides[0] * scale, sides[1] * scale, sides[2] * scale, sides[3] * scale)
    data = saved(framed(image, COLOURS[colour], wide), "JPEG", quality=90)
    picture = open_picture(data)
    assert "border" in picture.remarks
    assert frame_error(picture, image, wide) < 0.004
    alone = open_picture(saved(image, "JPEG", quality=90))
    assert alone.frame == WHOLE
    rows, columns = alone.pixels.shape[:2]
    assert abs(picture.pixels.shape[0] - rows) <= 1
    assert abs(picture.pixels.shape[1] - columns) <= 1
    shift = linear_to_lab(alone.pixels).mean((0, 1)) - linear_to_lab(picture.pixels).mean((0, 1))
    assert np.abs(shift).max() < 0.7


def test_a_mirrored_border_is_found_mirrored(scene: Image.Image) -> None:
    mount = np.asarray(framed(scene, COLOURS["cream"], (22, 41, 60, 90)))
    picture = open_picture(mount)
    mirrored = open_picture(mount[:, ::-1])
    x, y, width, height = picture.frame
    assert picture.frame != WHOLE
    assert mirrored.frame == pytest.approx((1 - x - width, y, width, height), abs=1e-9)
    assert np.allclose(mirrored.encoded[:, ::-1], picture.encoded, atol=2e-5)


def test_nested_mounts(scene: Image.Image) -> None:
    image = scene.resize((1280, 854))
    inner = framed(image, (20, 20, 20), (24, 24, 24, 24))
    sides = (120, 120, 120, 120)
    picture = open_picture(saved(framed(inner, (250, 248, 244), (96,) * 4), "JPEG", quality=90))
    assert frame_error(picture, image, sides) < 0.004


def test_a_caption_in_the_border(scene: Image.Image) -> None:
    sides = (30, 30, 30, 110)
    mount = framed(scene, (255, 255, 255), sides)
    text = ImageDraw.Draw(mount)
    text.text(
        (160, 30 + scene.height + 30), "The palace at noon, 1987", fill=(60, 60, 60), font_size=28
    )
    picture = open_picture(saved(mount, "JPEG", quality=90))
    assert frame_error(picture, scene, sides) < 0.004


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("lines", [1, 3])
@pytest.mark.parametrize("below", [True, False])
def test_a_caption_strip_on_one_side_alone(
    scene: Image.Image,
    colour: str,
    lines: int,
    below: bool,  # noqa: FBT001
) -> None:
    sides = (0, 0, 0, 30 * lines + 20) if below else (0, 30 * lines + 20, 0, 0)
    mount = framed(scene, COLOURS[colour], sides)
    ink = (255, 255, 255) if colour == "black" else (40, 30, 30)
    top = scene.height if below else 0
    words = "\n".join(["The old mole at low water, with two boats and a crane"] * lines)
    ImageDraw.Draw(mount).multiline_text((16, top + 12), words, fill=ink, font_size=20)
    picture = open_picture(saved(mount, "JPEG", quality=85))
    assert "border" in picture.remarks
    assert frame_error(picture, scene, sides) < 0.004


def test_a_deep_border_on_a_large_picture_keeps_the_scale(scene: Image.Image) -> None:
    image = scene.resize((1920, 1281), Image.Resampling.BICUBIC)
    mount = framed(image, (255, 255, 255), (1200, 1200, 1200, 1200))
    for kind in ("JPEG", "PNG"):
        picture = open_picture(saved(mount, kind))
        assert max(picture.pixels.shape) == WORKING_SIDE
        assert frame_error(picture, image, (1200,) * 4) < 0.003


def test_sixteen_bit_and_lab_borders(scene: Image.Image) -> None:
    mount = framed(scene, (255, 255, 255), (30, 30, 30, 30))
    assert frame_error(open_picture(codes16(array(mount))), scene, (30,) * 4) < 0.004
    assert frame_error(open_picture(_to_lab(mount)), scene, (30,) * 4) < 0.004
    transparent = np.dstack([np.asarray(mount), np.full(mount.size[::-1], 255, np.uint8)])
    assert frame_error(open_picture(transparent), scene, (30,) * 4) < 0.004


def test_a_border_that_is_turned_with_the_picture(scene: Image.Image) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    mount = framed(scene, (255, 255, 255), (0, 0, 0, 90))
    picture = open_picture(saved(mount, "PNG", exif=exif))
    # What was below is at the left after a quarter turn clockwise.
    assert picture.frame.x == pytest.approx(90 / mount.height, abs=0.004)
    assert picture.frame.width == pytest.approx(scene.height / mount.height, abs=0.004)
    assert (picture.frame.y, picture.frame.height) == (0, 1)


@pytest.mark.parametrize("name", ["astronaut", "coffee", "chelsea", "rocket", "cat"])
def test_photographs_without_a_border_keep_their_edges(name: str) -> None:
    from skimage import data

    picture = open_picture(np.asarray(getattr(data, name)()))
    assert picture.frame == WHOLE
    assert picture.remarks == ()


def test_a_flower_before_a_dark_ground_keeps_its_edges(photograph: Path) -> None:
    assert open_picture(photograph.with_name("flower.jpg")).frame == WHOLE


def _outdoors(top: NDArray[np.float64]) -> NDArray[np.float64]:
    """A sky over rough ground whose skyline is not straight."""
    height, width = top.shape[:2]
    rng = np.random.default_rng(5)
    skyline = height * 0.45 + 12 * np.cumsum(rng.normal(0, 0.25, width))
    below = np.arange(height)[:, None] > skyline
    ground = np.clip(0.35 + rng.normal(0, 0.08, (height, width, 1)), 0, 1).repeat(3, axis=2)
    return np.where(below[..., None], ground, top)


@pytest.mark.parametrize("sky", ["clear", "blown", "night", "backdrop"])
def test_skies_nights_and_backdrops_are_no_borders(sky: str) -> None:
    fade = np.linspace(0, 1, 360)[:, None, None]
    top = {
        "clear": np.array([0.45, 0.62, 0.86]) + fade * np.array([0.35, 0.25, 0.1]),
        "blown": np.ones((360, 1, 3)),
        "night": fade * 0.06 + np.zeros((1, 1, 3)),
        "backdrop": np.full((360, 1, 3), 0.82) - 0.2 * fade,
    }[sky]
    pixels = _outdoors(np.broadcast_to(top, (360, 512, 3)).copy())
    picture = open_picture(saved(Image.fromarray(codes8(pixels)), "JPEG", quality=90))
    assert picture.frame == WHOLE


def test_an_object_on_plain_paper_is_not_cropped_to_the_object() -> None:
    y, x = np.mgrid[:400, :500]
    disc = ((x - 250) ** 2 + (y - 200) ** 2 < 90**2)[..., None]
    pixels = np.where(disc, (0.7, 0.2, 0.1), (1.0, 1.0, 1.0))
    assert open_picture(pixels).frame == WHOLE


@pytest.mark.parametrize("code", [0, 128, 255])
def test_a_uniform_picture_is_kept_whole(code: int) -> None:
    picture = open_picture(np.full((300, 400, 3), code, np.uint8))
    assert picture.frame == WHOLE
    assert picture.pixels.shape == (192, 256, 3)


# --- start-up -------------------------------------------------------------------------


def test_heavy_libraries_are_imported_only_where_needed(scene: Image.Image, tmp_path: Path) -> None:
    path = tmp_path / "plain.jpg"
    scene.save(path)
    program = (
        "import sys; from autocast.picture import open_picture; "
        f"open_picture({str(path)!r}); "
        "print([m for m in ('scipy', 'skimage', 'sklearn', 'matplotlib', 'tifffile', "
        "'imagecodecs', 'pillow_heif') if m in sys.modules])"
    )
    out = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert out.stdout.strip() == "[]"


def test_linear_pixels_are_what_lab_says() -> None:
    lab = np.array([55.0, 12.0, -20.0])
    linear = lab_to_linear(lab)
    picture = open_picture(np.broadcast_to(linear_to_srgb(linear), (70, 70, 3)).copy())
    assert np.abs(linear_to_lab(picture.pixels) - lab).max() < 0.01
