"""Bad pictures get one sentence that names them and says what to do; never a traceback."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import struct
import sys
import warnings
import zlib
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from autocast.errors import (
    PictureError,
    PictureTooLarge,
    UnreadablePicture,
    UnsupportedPicture,
)
from autocast.picture import (
    PIXEL_LIMIT,
    check_copy,
    copy_picture,
    decoding,
    discs,
    full_pixels,
    open_picture,
)


def refusal(source: object, kind: type[PictureError]) -> str:
    """The sentence of a refusal of exactly this kind."""
    with pytest.raises(PictureError) as caught:
        open_picture(source)  # type: ignore[arg-type]
    assert type(caught.value) is kind
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert sentence.endswith(".")
    assert 15 < len(sentence) < 600
    with pytest.raises(kind):
        full_pixels(source)  # type: ignore[arg-type]
    return sentence


def written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def saved(kind: str) -> bytes:
    rng = np.random.default_rng(0)
    image = Image.fromarray(rng.integers(0, 256, (200, 300, 3), dtype=np.uint8))
    file = io.BytesIO()
    image.save(file, kind)
    return file.getvalue()


# --- files ---------------------------------------------------------------------


def test_missing(tmp_path: Path) -> None:
    path = tmp_path / "gone.jpg"
    assert refusal(path, UnreadablePicture) == f"{path} does not exist; check the path."


def test_folder(tmp_path: Path) -> None:
    assert refusal(tmp_path, UnreadablePicture).startswith(f"{tmp_path} is a folder")


def test_not_permitted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path / "locked.jpg", saved("JPEG"))

    def denied(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", denied)  # a mode would not stop an administrator
    sentence = refusal(path, UnreadablePicture)
    assert sentence.startswith(str(path))
    assert "permission" in sentence


def test_a_pipe_a_socket_and_a_device_are_not_waited_at(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    for path in (pipe, Path(os.devnull)):
        sentence = refusal(path, UnreadablePicture)
        assert sentence.startswith(f"{path} cannot be read: it is a pipe, a socket or a device")
        with pytest.raises(UnreadablePicture, match="it is a pipe, a socket or a device"):
            check_copy(path, tmp_path / "copy.jpg", force=False)


def test_a_disk_that_fails_is_told_from_a_damaged_file() -> None:
    class Failing(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            if self.tell():
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return super().read(size)

    with pytest.raises(UnreadablePicture, match=r"^a.png cannot be read .Input/output error"):
        decoding._from_file(
            Failing(saved("PNG")),
            decoding._Asked("a.png", None, None, lambda: contextlib.nullcontext(io.BytesIO())),
        )


def test_a_path_that_can_be_none(tmp_path: Path) -> None:
    assert "cannot be opened" in refusal("a\0b.jpg", UnreadablePicture)
    assert refusal(tmp_path / ("x" * 300), UnreadablePicture)


def test_a_path_in_bytes_is_told_from_a_picture_in_bytes(tmp_path: Path) -> None:
    path = written(tmp_path / "a.jpg", saved("JPEG"))
    assert refusal(str(path).encode(), UnreadablePicture).startswith("bytes is not a picture")


@pytest.mark.parametrize("data", [b""])
def test_empty(tmp_path: Path, data: bytes) -> None:
    path = written(tmp_path / "empty.jpg", data)
    assert refusal(path, UnreadablePicture).startswith(f"{path} is empty")
    assert refusal(data, UnreadablePicture).startswith("bytes is empty")
    assert refusal(io.BytesIO(data), UnreadablePicture).startswith("file is empty")


@pytest.mark.parametrize(
    "data", [b"Dear all, here is the picture.", b"\0" * 500, b"<svg xmlns='x'/>", b"\xff", b"B"]
)
def test_no_picture(tmp_path: Path, data: bytes) -> None:
    path = written(tmp_path / "letter.jpg", data)
    assert refusal(path, UnreadablePicture).startswith(f"{path} is not a picture")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "AVIF", "GIF", "BMP"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.97])
def test_cut_short(tmp_path: Path, kind: str, share: float) -> None:
    data = saved(kind)
    path = written(tmp_path / "cut", data[: int(len(data) * share)])
    sentence = refusal(path, UnreadablePicture)
    assert sentence.startswith(f"{path} is cut short or damaged")


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_deep_pictures_cut_short(tmp_path: Path, share: float) -> None:
    rng = np.random.default_rng(0)
    deep = rng.integers(0, 65536, (60, 80, 3), dtype=np.uint16)
    path = tmp_path / "deep.tif"
    for compression in (None, "zlib"):
        tifffile.imwrite(path, deep, photometric="rgb", compression=compression)
        data = path.read_bytes()
        cut = written(tmp_path / "cut.tif", data[: int(len(data) * share)])
        assert refusal(cut, UnreadablePicture).startswith(str(cut))
    lines = b"".join(b"\0" + row.astype(">u2").tobytes() for row in deep)
    data = _png_head(80, 60, 16) + _chunk(b"IDAT", zlib.compress(lines)) + _chunk(b"IEND", b"")
    assert open_picture(data).width == 80
    assert refusal(data[: int(len(data) * share)], UnreadablePicture)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "GIF", "BMP", "AVIF"])
def test_noise_in_the_middle_is_a_picture_or_a_refusal(kind: str) -> None:
    data = bytearray(saved(kind))
    rng = np.random.default_rng(3)
    for _ in range(25):
        spoilt = bytearray(data)
        for at in rng.integers(8, min(len(data), 400), 6):
            spoilt[at] = int(rng.integers(256))
        try:
            picture = open_picture(bytes(spoilt))
        except PictureError:
            continue
        assert np.isfinite(picture.pixels).all()


# --- kinds that are not taken -------------------------------------------------------

RAW = {
    "a.cr2": b"II*\0\x10\0\0\0CR\x02\0" + b"\0" * 64,
    "a.cr3": b"\0\0\0\x18ftypcrx \0\0\0\x01crx isom" + b"\0" * 64,
    "a.orf": b"IIRO\x08\0\0\0" + b"\0" * 64,
    "a.rw2": b"IIU\0\x18\0\0\0" + b"\0" * 64,
    "a.raf": b"FUJIFILMCCD-RAW 0201" + b"\0" * 64,
}


@pytest.mark.parametrize("name", RAW)
def test_camera_raw_by_its_first_bytes(tmp_path: Path, name: str) -> None:
    path = written(tmp_path / name, RAW[name])
    sentence = refusal(path, UnsupportedPicture)
    assert sentence.startswith(f"{path} is camera raw")
    assert "developed JPEG or TIFF" in sentence


def test_camera_raw_in_a_tiff(tmp_path: Path) -> None:
    thumbnail = np.zeros((12, 16, 3), np.uint8)
    sensor = np.zeros((24, 32), np.uint16)
    dng, cfa, developed = (tmp_path / n for n in ("a.dng", "a.nef", "a.tif"))
    version = (50706, "B", 4, (1, 4, 0, 0), False)
    tifffile.imwrite(dng, thumbnail, photometric="rgb", extratags=[version])
    with tifffile.TiffWriter(cfa) as writer:
        writer.write(thumbnail, photometric="rgb", subifds=1)
        writer.write(sensor, photometric="cfa")
    with tifffile.TiffWriter(developed) as writer:
        writer.write(thumbnail, photometric="rgb", subifds=1)
        writer.write(thumbnail[::2, ::2], photometric="rgb")
    assert "camera raw" in refusal(dng, UnsupportedPicture)
    assert "camera raw" in refusal(cfa, UnsupportedPicture)
    assert open_picture(developed).width == 16


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"8BPS\0\x01", "PSD"),
        (b"%PDF-1.7", "PDF"),
        (b"\xff\x0a\0\0", "JPEG XL"),
        (b"\0\0\0\x0cjP  \r\n\x87\n", "JPEG 2000"),
        (b"\0\0\0\x18ftypisom\0\0\0\x01isommp42", "film"),
    ],
)
def test_other_kinds_are_named(data: bytes, what: str) -> None:
    assert what in refusal(data + b"\0" * 40, UnsupportedPicture)


@pytest.mark.parametrize(("transfer", "word"), [(16, "PQ"), (18, "HLG")])
def test_high_dynamic_range(transfer: int, word: str) -> None:
    body = _chunk(b"cICP", bytes([9, transfer, 0, 1]))
    body += _chunk(b"IDAT", zlib.compress((b"\0" + b"\x80" * 240) * 80)) + _chunk(b"IEND", b"")
    assert word in refusal(_png_head(80, 80, 8) + body, UnsupportedPicture)


@pytest.mark.parametrize("dtype", [np.uint32, np.int16, np.float32])
def test_tiff_values_that_are_no_picture(tmp_path: Path, dtype: type) -> None:
    path = tmp_path / "values.tif"
    values: NDArray[Any] = np.arange(64 * 64).reshape(64, 64).astype(dtype)
    tifffile.imwrite(path, values, photometric="minisblack")
    assert refusal(path, UnsupportedPicture).startswith(str(path))


def test_cielab_that_is_no_codes(tmp_path: Path) -> None:
    path = tmp_path / "lab.tif"
    tifffile.imwrite(path, np.zeros((48, 72, 3), np.float32), photometric="cielab")
    assert "unusual TIFF" in refusal(path, UnsupportedPicture)


def test_transparent_all_over() -> None:
    clear = np.full((80, 90, 4), 200, np.uint8)
    clear[..., 3] = 40
    with pytest.raises(UnsupportedPicture, match=r"^array is transparent all over"):
        open_picture(clear)


# --- size ---------------------------------------------------------------------------


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _png_head(width: int, height: int, depth: int) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, depth, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head)


def _claims_to_be(width: int, height: int, kind: str) -> bytes:
    """A small file that claims a size; no decoder may be asked for it."""
    if kind == "PNG":
        return (
            _png_head(width, height, 8)
            + _chunk(b"IDAT", zlib.compress(b"\0"))
            + _chunk(b"IEND", b"")
        )
    if kind == "TIFF":
        file = io.BytesIO()
        tifffile.imwrite(file, np.zeros((16, 16, 3), np.uint16), photometric="rgb")
        data = bytearray(file.getvalue())
        with tifffile.TiffFile(io.BytesIO(bytes(data))) as tiff:
            tags = tiff.pages.first.tags
            for code, value in ((256, width), (257, height)):
                at = tags[code].valueoffset
                data[at : at + 4] = struct.pack("<I", value) if tags[code].dtype == 4 else b""
        return bytes(data)
    data = bytearray(saved("JPEG"))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_too_many_pixels(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    width, height = 30_000, 20_000
    assert width * height > PIXEL_LIMIT
    decoded: list[object] = []
    monkeypatch.setattr(decoding, "_from_image", decoded.append)
    sentence = refusal(_claims_to_be(width, height, kind), PictureTooLarge)
    assert not decoded
    for word in ("bytes", "30000 x 20000", "600 million", "300 million"):
        assert word in sentence


def test_a_limit_of_the_decoder_is_no_damage(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    assert "more pixels" in refusal(saved("WEBP"), PictureTooLarge)


def test_arrays_and_images_keep_to_the_limit_too() -> None:
    wide = np.broadcast_to(np.zeros(3, np.uint8), (20_000, 30_000, 3))
    assert "600 million" in refusal(wide, PictureTooLarge)


def test_large_but_allowed_pictures_raise_no_warning_of_the_decoder(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 40_000)  # Pillow would warn from there on
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for kind in ("JPEG", "PNG", "TIFF", "GIF", "BMP", "WEBP", "AVIF"):
            assert open_picture(saved(kind)).width == 300
    assert Image.MAX_IMAGE_PIXELS == 40_000


# --- arrays and things --------------------------------------------------------------

BAD_ARRAYS: list[tuple[NDArray[Any], str]] = [
    (np.zeros((5, 5, 3), np.int32), "int32"),
    (np.zeros((5, 5, 3), np.uint32), "uint32"),
    (np.zeros((5, 5, 3), bool), "bool"),
    (np.zeros((5, 5, 3), complex), "complex"),
    (np.zeros((5, 5, 3), "U1"), "U1"),
    (np.zeros((5, 5, 3), object), "object"),
    (np.zeros((5, 5, 2)), "5 x 5 x 2"),
    (np.zeros((5, 5, 5)), "5 x 5 x 5"),
    (np.zeros((2, 5, 5, 3)), "2 x 5 x 5 x 3"),
    (np.zeros(12), "12"),
    (np.zeros(()), "single number"),
    (np.zeros((0, 5, 3)), "0 x 5 x 3"),
    (np.full((5, 5, 3), np.nan), "NaN"),
    (np.full((5, 5, 3), np.inf), "infinite"),
    (np.full((5, 5, 3), -np.inf), "infinite"),
    (np.full((5, 5, 3), 200.0), "200"),
    (np.full((5, 5, 3), -0.1), "-0.1"),
]


@pytest.mark.parametrize(("values", "word"), BAD_ARRAYS)
def test_arrays(values: NDArray[Any], word: str) -> None:
    sentence = refusal(values, UnsupportedPicture)
    assert sentence.startswith("array ")
    assert word in sentence


def test_one_nan_is_enough() -> None:
    values = np.full((50, 50, 3), 0.5)
    values[31, 7, 1] = np.nan
    assert "NaN" in refusal(values, UnsupportedPicture)


@pytest.mark.parametrize("thing", [None, 7, ["a.jpg"], {"a": 1}])
def test_things_that_are_no_source(thing: object) -> None:
    assert type(thing).__name__ in refusal(thing, UnsupportedPicture)


def test_streams(tmp_path: Path) -> None:
    path = written(tmp_path / "note.txt", b"text")
    with path.open(encoding="utf-8") as file:
        assert "binary" in refusal(file, UnsupportedPicture)
    closed = path.open("rb")
    closed.close()
    assert str(path) in refusal(closed, UnreadablePicture)


def test_images_of_strange_kinds() -> None:
    deep = Image.fromarray(np.full((20, 20), 70_000, np.int32))
    assert refusal(deep, UnsupportedPicture).startswith("image ")
    floats = Image.fromarray(np.full((20, 20), 7.0, np.float32))
    assert refusal(floats, UnsupportedPicture).startswith("image ")


def test_a_side_longer_than_decoders_take_is_refused_before_it_is_decoded() -> None:
    data = _claims_to_be(72, 1_048_624, "PNG")
    assert "at most 1000000 are taken on a side" in refusal(data, PictureTooLarge)


def tagged(tag: int, value: int) -> bytes:
    """A TIFF in strips with the value of one of its tags changed."""
    file = io.BytesIO()
    pixels = np.random.default_rng(0).integers(0, 256, (60, 80, 3), dtype=np.uint8)
    tifffile.imwrite(file, pixels, photometric="rgb", rowsperstrip=10)
    data = bytearray(file.getvalue())
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    for entry in range(start + 2, start + 2 + 12 * count, 12):
        if struct.unpack_from("<H", data, entry) == (tag,):
            struct.pack_into("<I", data, entry + 8, value)
    return bytes(data)


@pytest.mark.parametrize("value", [0, 7, 5000])
def test_strips_that_disagree_with_the_size_are_damage(value: int) -> None:
    planar = tagged(284, value)
    refusal(planar, UnreadablePicture)
    with pytest.raises(UnreadablePicture):
        discs(planar, [(5, 5, 2)])


@pytest.mark.parametrize(("kind", "value"), [(4, 7), (4, 4_000_000_000), (4, (7, 8, 9))])
def test_a_profile_that_is_a_number_is_a_broken_profile(kind: int, value: Any) -> None:  # noqa: ANN401
    count = len(value) if isinstance(value, tuple) else 1
    file = io.BytesIO()
    pixels = np.zeros((9, 9, 3), dtype=np.uint8) + 90
    tags = [(34675, kind, count, value, True)]
    tifffile.imwrite(file, pixels, photometric="rgb", extratags=tags)
    assert "broken_profile" in open_picture(file.getvalue()).remarks


def test_libtiff_prints_nothing_of_lines_that_are_damaged(
    capfd: pytest.CaptureFixture[str],
) -> None:
    file = io.BytesIO()
    bits = np.random.default_rng(0).integers(0, 2, (48, 64), dtype=np.uint8) * np.uint8(255)
    Image.fromarray(bits).convert("1").save(file, "TIFF", compression="group4")
    data = bytearray(file.getvalue())
    data[20:60] = bytes(range(40))
    with contextlib.suppress(PictureError):
        open_picture(bytes(data))
    sys.stderr.write("said after\n")
    assert capfd.readouterr() == ("", "said after\n")


@pytest.mark.parametrize("options", [{}, {"progressive": True}])
def test_a_jpeg_far_too_short_for_its_size_is_cut_short(
    tmp_path: Path, options: dict[str, bool]
) -> None:
    file = io.BytesIO()
    Image.new("RGB", (64, 64), (90, 100, 110)).save(file, "JPEG", quality=30, **options)
    data = bytearray(file.getvalue())
    frame = max(data.find(b"\xff\xc0"), data.find(b"\xff\xc2"))
    struct.pack_into(">HH", data, frame + 5, 17000, 17000)
    path = written(tmp_path / "a.jpg", bytes(data))
    assert "cut short or damaged" in refusal(path, UnreadablePicture)
    with pytest.raises(UnreadablePicture, match="cut short"):
        copy_picture(path, tmp_path / "b.jpg", lambda v: v, lambda *_: None, force=False)


@pytest.mark.parametrize(("kind", "mode"), [("JPEG", "L"), ("JPEG", "RGB"), ("PNG", "1")])
def test_the_flattest_picture_is_not_too_short_for_its_size(kind: str, mode: str) -> None:
    flat = Image.new(mode, (3000, 3000))
    for options in ({}, {"optimize": True}, {"quality": 1, "optimize": True, "progressive": True}):
        file = io.BytesIO()
        flat.save(file, kind, **options)
        assert open_picture(file.getvalue()).width == 3000


def test_libpng_prints_nothing_of_its_own(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    deep = np.random.default_rng(0).integers(0, 65536, (9, 9, 3), dtype=np.uint16)
    data = bytearray(imagecodecs.png_encode(deep))
    data[26:28] = b"\7\7"
    data[29:33] = struct.pack(">I", zlib.crc32(bytes(data[12:29])))
    path = written(tmp_path / "a.png", bytes(data))
    refusal(path, UnreadablePicture)
    with pytest.raises(UnreadablePicture):
        copy_picture(path, tmp_path / "b.png", lambda v: v, lambda *_: None, force=False)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("tag", [257, 278, 277, 262, 284])
def test_libraries_print_nothing_of_their_own(tag: int, capfd: pytest.CaptureFixture[str]) -> None:
    with contextlib.suppress(PictureError):
        open_picture(tagged(tag, 7))
    assert capfd.readouterr() == ("", "")


def test_what_is_whole_but_not_read_is_not_called_damaged(tmp_path: Path) -> None:
    rare = bytearray(saved("BMP"))
    struct.pack_into("<H", rare, 28, 2)  # bits of a pixel
    said = refusal(written(tmp_path / "rare.bmp", bytes(rare)), UnsupportedPicture)
    assert said.endswith("is of a kind of BMP that is not read; save it as PNG.")
    plain = saved("PNG")
    words = b"zTXtNotes\0\0" + zlib.compress(bytes(2 << 20))
    chunk = struct.pack(">I", len(words) - 4) + words + struct.pack(">I", zlib.crc32(words))
    full = written(tmp_path / "full.png", plain[:33] + chunk + plain[33:])
    assert "more text beside its pixels" in refusal(full, UnsupportedPicture)
