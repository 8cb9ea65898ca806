"""A copy has new colours and everything else of its original."""

from __future__ import annotations

import contextlib
import errno
import io
import itertools
import os
import struct
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, Literal

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from autocast.errors import OutputError, UnreadablePicture, UnsupportedPicture
from autocast.picture import copy_picture, copying, decoding_ahead, reading
from autocast.picture.writing import whole, write_whole
from tests.photographs import pixels

CODES = pixels("china")[:130, :190]
GAINS = np.array([0.9, 1.0, 0.8])
P3 = imagecodecs.cms_profile(
    "rgb", whitepoint=(0.3127, 0.3290), primaries=[0.68, 0.32, 0.265, 0.69, 0.15, 0.06], gamma=2.2
)


def dimmed(codes: NDArray[Any]) -> NDArray[Any]:
    values: NDArray[np.float64] = codes[:, :3] * GAINS
    out = codes.copy()
    out[:, :3] = values if codes.dtype.kind == "f" else np.rint(values)
    return out


def quiet(_done: int, _total: int) -> None:
    return


def copied(source: Path, name: str = "copy") -> Path:
    to = source.with_name(name + source.suffix)
    before = source.read_bytes()
    copy_picture(source, to, dimmed, quiet, force=False)
    assert source.read_bytes() == before
    assert sorted(p.name for p in source.parent.iterdir()) == sorted([source.name, to.name])
    return to


def exif() -> Image.Exif:
    made = Image.Exif()
    made[0x010F], made[0x0112] = "Maker of cameras", 6
    made.get_ifd(0x8769)[0x9003] = "2020:01:01 00:00:00"
    return made


KINDS: dict[str, NDArray[Any]] = {
    "uint8": CODES,
    "uint16": CODES.astype(np.uint16) * 257,
    "float32": (CODES / 255).astype(np.float32),
}
LAYOUTS: list[dict[str, Any]] = [
    {},
    {"tile": (64, 64)},
    {"rowsperstrip": 17},
    {"planarconfig": "separate"},
]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("compression", "order"), list(itertools.product([None, "lzw", "deflate", "zstd"], "<>"))
)
def test_tiff_keeps_depth_layout_and_every_tag(
    tmp_path: Path, kind: str, compression: str | None, order: Literal["<", ">"]
) -> None:
    values = KINDS[kind]
    top = np.iinfo(values.dtype).max if values.dtype.kind == "u" else 1
    predictors = [False, 3 if kind == "float32" else 2] if compression else [False]
    for k, (layout, predictor) in enumerate(itertools.product(LAYOUTS, predictors)):
        folder = tmp_path / str(k)
        folder.mkdir()
        source = folder / "original.tif"
        separate = "planarconfig" in layout
        tifffile.imwrite(
            source,
            np.moveaxis(values, -1, 0) if separate else values,
            photometric="rgb",
            compression=compression,
            predictor=predictor,
            byteorder=order,
            resolution=(300, 300),
            iccprofile=P3,
            extratags=[
                (700, 1, 11, b"<x:xmpmeta/>", True),
                (33723, 7, 6, b"\x1c\x02\x05\0\0x", True),
            ],
            **layout,
        )
        to = copied(source)
        new = tifffile.imread(to)
        new = np.moveaxis(new, 0, -1) if separate else new
        assert new.dtype == values.dtype
        assert np.abs(new / top - values / top * GAINS).max() * top <= (0.5001 if top > 1 else 1e-6)
        assert tags(to) == tags(source)


def tags(path: Path) -> dict[str, Any]:
    with tifffile.TiffFile(path) as tiff:
        moved = ("Offsets", "ByteCounts")
        return {t.name: t.value for t in tiff.pages.first.tags if not t.name.endswith(moved)}


@pytest.mark.parametrize("extra", ["unassalpha", "assocalpha"])
def test_tiff_alpha_is_kept(tmp_path: Path, extra: str) -> None:
    alpha = np.linspace(0.2, 1, CODES.shape[1])[None, :] * np.ones(CODES.shape[:2])
    colour = CODES / 255 * (alpha[..., None] if extra == "assocalpha" else 1)
    codes = np.rint(np.dstack([colour, alpha]) * 65535).astype(np.uint16)
    source = tmp_path / "original.tif"
    tifffile.imwrite(source, codes, photometric="rgb", extrasamples=[extra])
    new = tifffile.imread(copied(source))
    assert (new[..., 3] == codes[..., 3]).all()
    assert np.abs(new[..., :3] - codes[..., :3] * GAINS).max() <= 1


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("extra", [[], ["unassalpha"]])
def test_one_long_strip_is_worked_in_parts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, order: Literal["<", ">"], extra: list[str]
) -> None:
    monkeypatch.setattr(copying, "_AT_ONCE", 700)
    codes = np.dstack([KINDS["uint16"], KINDS["uint16"][..., 0]])[..., : 3 + len(extra)]
    source = tmp_path / "original.tif"
    tifffile.imwrite(source, codes, photometric="rgb", extrasamples=extra, byteorder=order)
    new = tifffile.imread(copied(source))
    assert np.abs(new[..., :3] - codes[..., :3] * GAINS).max() <= 0.5001
    assert (new[..., 3:] == codes[..., 3:]).all()


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".webp"])
def test_strips_join_without_a_seam(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str
) -> None:
    source = tmp_path / f"original{suffix}"
    Image.fromarray(CODES).save(source)
    whole = copied(source).read_bytes()
    monkeypatch.setattr(copying, "_AT_ONCE", 700)
    done = []
    to = tmp_path / f"parts{suffix}"
    copy_picture(source, to, dimmed, lambda *part: done.append(part), force=False)
    assert to.read_bytes() == whole
    assert len(done) > 10
    assert done[-1] == (CODES.shape[0] * CODES.shape[1],) * 2


def test_tiff_of_bits_in_the_other_order_is_refused(tmp_path: Path) -> None:
    source = tmp_path / "a.tif"
    fill_order = {266: 2}  # TIFF 6.0, section 8
    Image.fromarray(CODES).save(source, compression="tiff_lzw", tiffinfo=fill_order)
    with pytest.raises(UnsupportedPicture, match="of a kind that is not written"):
        copy_picture(source, tmp_path / "b.tif", dimmed, quiet, force=False)


def test_tiff_keeps_its_exif(tmp_path: Path) -> None:
    source = tmp_path / "original.tif"
    Image.fromarray(CODES).save(source, exif=exif().tobytes())  # libtiff writes no EXIF
    kept = tags(source)
    assert kept["ExifTag"]["DateTimeOriginal"] == "2020:01:01 00:00:00"
    assert tags(copied(source)) == kept


def test_jpeg_keeps_its_segments_and_its_tables(tmp_path: Path) -> None:
    source = tmp_path / "original.jpg"
    Image.fromarray(CODES).save(
        source,
        quality=93,
        subsampling=1,
        exif=exif(),
        icc_profile=P3,
        dpi=(300, 300),
        comment=b"a comment",
        xmp=b"<x:xmpmeta/>",
    )
    iptc = b"Photoshop 3.0\x008BIM\x04\x04\0\0\0\0\0\x06abcdef"
    raw = source.read_bytes()
    source.write_bytes(raw[:2] + b"\xff\xed" + struct.pack(">H", len(iptc) + 2) + iptc + raw[2:])
    with Image.open(source) as one, Image.open(copied(source)) as other:
        assert {"exif", "icc_profile", "dpi", "comment", "xmp", "photoshop"} <= set(one.info)
        assert other.info == one.info
        assert [marker for marker, _ in other.applist].count("COM") == 1  # type: ignore[attr-defined]
        assert other.quantization == one.quantization  # type: ignore[attr-defined]
        assert np.abs(np.asarray(other) - np.asarray(one) * GAINS).mean() < 2.5


def test_png_keeps_its_chunks(tmp_path: Path) -> None:
    words = PngImagePlugin.PngInfo()
    words.add_text("Title", "a bridge")
    words.add_itxt("XML:com.adobe.xmp", "<x/>")
    source = tmp_path / "original.png"
    Image.fromarray(CODES).save(source, exif=exif(), icc_profile=P3, dpi=(300, 300), pnginfo=words)
    with Image.open(source) as one, Image.open(copied(source)) as other:
        one.load()
        other.load()
        assert {"exif", "icc_profile", "dpi", "Title", "xmp"} <= set(one.info)
        assert other.info == one.info
        assert np.abs(np.asarray(other) - np.asarray(one) * GAINS).max() <= 0.5001


def test_what_is_decoded_ahead_makes_the_same_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    source = tmp_path / "original.jpg"
    Image.fromarray(CODES).save(source, quality=92, exif=exif(), progressive=True)
    plain = copied(source, "plain").read_bytes()
    (tmp_path / "plain.jpg").unlink()
    for most in (copying._MOST_AHEAD, 1):
        monkeypatch.setattr(copying, "_MOST_AHEAD", most)
        to = tmp_path / "copy.jpg"
        with decoding_ahead(source) as ahead:
            assert ahead is not None
            assert bool(ahead.result().tile) == (most == 1)  # what is still to be decoded
            copy_picture(source, to, dimmed, quiet, force=True, ahead=ahead)
        assert to.read_bytes() == plain


def test_what_cannot_be_decoded_ahead_fails_once_a_copy_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    source = tmp_path / "original.jpg"
    Image.fromarray(pixels("china")).save(source, quality=92)
    source.write_bytes(source.read_bytes()[:-9000])
    with decoding_ahead(source):
        pass
    with decoding_ahead(source) as ahead, pytest.raises(UnreadablePicture, match="cut short"):
        copy_picture(source, tmp_path / "b.jpg", dimmed, quiet, force=False, ahead=ahead)
    assert [p.name for p in tmp_path.iterdir()] == ["original.jpg"]


def test_other_kinds_and_one_processor_decode_nothing_ahead(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for cores, suffix in ((2, ".png"), (1, ".jpg")):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        source = tmp_path / f"original{suffix}"
        Image.fromarray(CODES).save(source)
        with decoding_ahead(source) as ahead:
            assert ahead is None


@pytest.mark.parametrize("suffix", [".png", ".webp"])
def test_alpha_of_8_bits_is_kept(tmp_path: Path, suffix: str) -> None:
    codes = np.dstack([CODES, CODES[..., 1]])
    source = tmp_path / f"original{suffix}"
    Image.fromarray(codes).save(source, lossless=True, exact=True)
    with Image.open(copied(source)) as image:
        new = np.asarray(image)
    assert (new[..., 3] == codes[..., 3]).all()
    assert np.abs(new[..., :3] - CODES * GAINS).max() <= 0.5001


def test_png_of_16_bits_stays_so(tmp_path: Path) -> None:
    source = tmp_path / "original.png"
    source.write_bytes(imagecodecs.png_encode(KINDS["uint16"]))
    new = imagecodecs.png_decode(copied(source).read_bytes())
    assert new.dtype == np.uint16
    assert np.abs(new - KINDS["uint16"] * GAINS).max() <= 0.5001


def test_a_palette_becomes_rgb(tmp_path: Path) -> None:
    source = tmp_path / "original.png"
    image = Image.fromarray(CODES).quantize(32)
    image.save(source)
    with Image.open(copied(source)) as other:
        assert other.mode == "RGB"
        off = np.asarray(other) - np.asarray(image.convert("RGB")) * GAINS
        assert np.abs(off).max() <= 0.5001


@pytest.mark.parametrize("lossless", [True, False])
def test_webp_keeps_profile_and_exif(tmp_path: Path, lossless: bool) -> None:  # noqa: FBT001
    source = tmp_path / "original.webp"
    Image.fromarray(CODES).save(source, lossless=lossless, exif=exif().tobytes(), icc_profile=P3)
    with Image.open(source) as one, Image.open(copied(source)) as other:
        assert other.info["exif"] == one.info["exif"]
        assert other.info["icc_profile"] == P3
        off = np.abs(np.asarray(other) - np.asarray(one) * GAINS)
        assert off.max() <= 0.5001 if lossless else off.mean() < 4


@pytest.mark.parametrize(
    ("name", "how", "says"),
    [
        ("a.gif", {}, "is GIF, of which no copy is written"),
        ("a.bmp", {}, "is BMP, of which no copy is written"),
        ("a.tif", {"compression": "jpeg"}, "save it as RGB of 8 or 16 bits"),
    ],
)
def test_other_kinds_are_refused_in_one_sentence(
    tmp_path: Path, name: str, how: dict[str, Any], says: str
) -> None:
    source = tmp_path / name
    Image.fromarray(CODES).save(source, **how)
    with pytest.raises(UnsupportedPicture, match=says):
        copy_picture(source, tmp_path / f"copy{source.suffix}", dimmed, quiet, force=False)
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_several_pages_are_refused(tmp_path: Path) -> None:
    source = tmp_path / "a.tif"
    tifffile.imwrite(source, np.stack([CODES, CODES]), photometric="rgb")
    with pytest.raises(UnsupportedPicture, match="several pictures"):
        copy_picture(source, tmp_path / "b.tif", dimmed, quiet, force=False)


def test_the_original_is_never_written_to(tmp_path: Path) -> None:
    source = tmp_path / "a.png"
    Image.fromarray(CODES).save(source)
    for to in (source, tmp_path / "link.png"):
        if to != source:
            to.symlink_to(source)
        with pytest.raises(OutputError, match="is the original"):
            copy_picture(source, to, dimmed, quiet, force=True)


def test_a_file_that_is_there_is_replaced_by_force_alone(tmp_path: Path) -> None:
    source, to = tmp_path / "a.png", tmp_path / "b.png"
    Image.fromarray(CODES).save(source)
    to.write_bytes(b"dear")
    with pytest.raises(OutputError, match="exists already"):
        copy_picture(source, to, dimmed, quiet, force=False)
    assert to.read_bytes() == b"dear"
    copy_picture(source, to, dimmed, quiet, force=True)
    assert to.read_bytes().startswith(b"\x89PNG")


def test_a_strip_that_says_it_goes_on_for_ever_ends_at_once(tmp_path: Path) -> None:
    source = tmp_path / "a.tif"
    tifffile.imwrite(source, CODES, photometric="rgb", bigtiff=True)
    with tifffile.TiffFile(source, mode="r+") as tiff:
        tag = tiff.pages.first.tags["StripByteCounts"]
        at = tag.offset + 12
    data = bytearray(source.read_bytes())
    data[at : at + 8] = (CODES.shape[-1] << 58).to_bytes(8, "little")
    source.write_bytes(data)
    with pytest.raises(UnreadablePicture, match="cut short"):
        copy_picture(source, tmp_path / "b.tif", dimmed, quiet, force=False)


def test_a_copy_that_cannot_be_read_back_takes_no_place(tmp_path: Path) -> None:
    source, to = tmp_path / "a.png", tmp_path / "b.png"
    Image.fromarray(CODES).save(source)
    to.write_bytes(b"dear")

    def refused(copy: Path) -> None:
        assert copy.read_bytes().startswith(b"\x89PNG")
        raise UnreadablePicture("torn")

    with pytest.raises(OutputError, match=r"a\.png could not be read back and was not kept"):
        copy_picture(source, to, dimmed, quiet, force=True, read_back=refused)
    assert to.read_bytes() == b"dear"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "b.png"]


def test_another_ending_is_refused(tmp_path: Path) -> None:
    source = tmp_path / "a.png"
    Image.fromarray(CODES).save(source)
    with pytest.raises(OutputError, match=r"ends in \.png"):
        copy_picture(source, tmp_path / "b.jpg", dimmed, quiet, force=False)


def test_a_folder_is_answered_with_a_name_to_type(tmp_path: Path) -> None:
    source = tmp_path / "a.png"
    Image.fromarray(CODES).save(source)
    out = tmp_path / "out"
    out.mkdir()
    for folder, named in ((out, out / "a.png"), (tmp_path, tmp_path / "a-new.png")):
        with pytest.raises(OutputError) as told:
            copy_picture(source, folder, dimmed, quiet, force=True)
        assert str(told.value) == f"{folder} is a folder; name a file in it, such as {named}."
        copy_picture(source, named, dimmed, quiet, force=False)


@pytest.fixture(params=["without a name", "hidden"])
def written_beside(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both ways in which a file is written before it takes its place."""
    if request.param == "hidden":
        monkeypatch.delattr(os, "O_TMPFILE", raising=False)


@pytest.mark.usefixtures("written_beside")
def test_nothing_is_left_of_a_copy_that_fails(tmp_path: Path) -> None:
    source = tmp_path / "a.tif"
    tifffile.imwrite(source, CODES, photometric="rgb")

    def fails(_codes: NDArray[Any]) -> NDArray[Any]:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        copy_picture(source, tmp_path / "b.tif", fails, quiet, force=False)
    assert [p.name for p in tmp_path.iterdir()] == ["a.tif"]


@contextlib.contextmanager
def full_at(count: int) -> Iterator[None]:
    """As if the disk were full: no file grows beyond so many bytes."""
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (count, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif"])
@pytest.mark.parametrize("share", [0.0, 0.5, 0.98])
def test_a_full_disk_is_not_laid_to_the_original(tmp_path: Path, kind: str, share: float) -> None:
    source = tmp_path / f"a.{kind}"
    Image.fromarray(CODES).save(source)
    copy_picture(source, tmp_path / f"whole.{kind}", dimmed, quiet, force=False)
    size = (tmp_path / f"whole.{kind}").stat().st_size
    with full_at(int(size * share)), pytest.raises(OutputError) as caught:
        copy_picture(source, tmp_path / f"b.{kind}", dimmed, quiet, force=False)
    assert str(caught.value).startswith(f"{tmp_path / f'b.{kind}'} cannot be written (File too")
    assert {p.name for p in tmp_path.iterdir()} == {source.name, f"whole.{kind}"}


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif"])
def test_a_disk_that_fails_while_reading_is_no_damage_and_no_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    source = tmp_path / f"a.{kind}"
    Image.fromarray(CODES).save(source)
    opened = reading.open_file

    class Failing(io.BufferedReader):
        left = 2

        def read(self, size: int | None = -1, /) -> bytes:
            self.left -= 1
            if self.left < 0:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return super().read(size)

    monkeypatch.setattr(copying, "open_file", lambda path: Failing(opened(path).detach()))
    with pytest.raises(UnreadablePicture, match=r"cannot be read .Input/output error"):
        copy_picture(source, tmp_path / f"b.{kind}", dimmed, quiet, force=False)
    assert [p.name for p in tmp_path.iterdir()] == [source.name]


@pytest.mark.usefixtures("written_beside")
def test_a_new_file_has_the_usual_permissions_and_no_thread_sees_another_mask(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = tmp_path / "usual"
    usual.touch()
    monkeypatch.setattr(os, "umask", None)
    write_whole(tmp_path / "new", b"")
    assert (tmp_path / "new").stat().st_mode == usual.stat().st_mode
    usual.chmod(0o604)
    write_whole(usual, b"x")
    assert usual.stat().st_mode & 0o7777 == 0o604


@pytest.mark.usefixtures("written_beside")
def test_a_name_as_long_as_may_be_is_written(tmp_path: Path) -> None:
    long = tmp_path / ("x" * 251 + ".png")
    write_whole(long, b"x")
    write_whole(long, b"y")
    assert long.read_bytes() == b"y"
    with pytest.raises(OutputError, match=r"cannot be written .File name too long"):
        write_whole(tmp_path / ("x" * 256), b"x")


@pytest.mark.usefixtures("written_beside")
def test_a_file_that_comes_meanwhile_is_kept(tmp_path: Path) -> None:
    source, to = tmp_path / "a.png", tmp_path / "b.png"
    Image.fromarray(CODES).save(source)

    def late(codes: NDArray[Any]) -> NDArray[Any]:
        to.write_bytes(b"late")
        return codes

    with pytest.raises(OutputError, match="exists already"):
        copy_picture(source, to, late, quiet, force=False)
    assert to.read_bytes() == b"late"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "b.png"]


@pytest.mark.usefixtures("written_beside")
def test_a_folder_or_a_link_in_the_way_is_neither_filled_nor_followed(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(OutputError, match="cannot be written"):
        write_whole(tmp_path / "folder", b"x")
    (tmp_path / "there").write_bytes(b"kept")
    (tmp_path / "link").symlink_to("there")
    write_whole(tmp_path / "link", b"x")
    assert (tmp_path / "there").read_bytes() == b"kept"
    assert not (tmp_path / "link").is_symlink()
    assert {p.name for p in tmp_path.iterdir()} == {"folder", "there", "link"}


@pytest.mark.skipif(not hasattr(os, "O_TMPFILE"), reason="the system has no files without a name")
def test_nothing_is_there_of_a_file_until_it_is_whole(tmp_path: Path) -> None:
    for content in (b"new", b"in the place of another"):
        with whole(tmp_path / "a") as beside:
            if beside.parent == tmp_path:
                pytest.skip("the file system has no files without a name")
            before = sorted(tmp_path.iterdir())
            beside.write_bytes(content)
            assert sorted(tmp_path.iterdir()) == before  # all that a kill would leave
        assert (tmp_path / "a").read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


@pytest.mark.usefixtures("written_beside")
def test_of_two_who_write_one_file_the_last_stays_whole(tmp_path: Path) -> None:
    to, content = tmp_path / "a", [bytes([k]) * 100_000 for k in range(8)]
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(partial(write_whole, to), content * 4))
    assert to.read_bytes() in content
    assert [p.name for p in tmp_path.iterdir()] == ["a"]
