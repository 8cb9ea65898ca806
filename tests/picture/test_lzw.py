"""LZW strips, whole and damaged; what is right is what tifffile decodes of sound ones."""

from __future__ import annotations

import io
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile

import autocast
from autocast.errors import UnreadablePicture
from autocast.picture.lzw import unpacked_by_libtiff


def _tiff(pixels: np.ndarray[Any, Any], **options: Any) -> io.BytesIO:  # noqa: ANN401 -- as imwrite's
    out = io.BytesIO()
    tifffile.imwrite(out, pixels, photometric="rgb", compression="lzw", **options)
    out.seek(0)
    return out


@pytest.mark.parametrize("dtype", ["u1", "u2", ">u2", "f4"])
@pytest.mark.parametrize(
    "options",
    [
        {"rowsperstrip": 7},
        {"rowsperstrip": 7, "predictor": True},
        {"tile": (16, 32)},
        {"tile": (16, 32), "predictor": True, "planarconfig": "separate"},
    ],
    ids=["strips", "predicted", "tiles", "planes"],
)
def test_libtiff_unpacks_what_tifffile_does(dtype: str, options: dict[str, Any]) -> None:
    shape = (3, 45, 70) if "planarconfig" in options else (45, 70, 3)
    noise = np.random.default_rng(0).integers(0, 200, shape).cumsum(axis=1) // 50
    order = ">" if dtype[0] == ">" else "<"
    file = _tiff(noise.astype(dtype), byteorder=order, **options)
    expected = tifffile.imread(file)
    file.seek(0)
    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages.first
        unpacked_by_libtiff(page)
        assert page.compression == tifffile.COMPRESSION.LZW
        np.testing.assert_array_equal(page.asarray(), expected)


def test_bits_in_reversed_order_are_unpacked() -> None:
    pixels = np.arange(40 * 40 * 3, dtype="u2").reshape(40, 40, 3).astype("u1")
    file = _tiff(pixels, rowsperstrip=40)
    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages.first
        at, size = page.dataoffsets[0], page.databytecounts[0]
    data = bytearray(file.getvalue())
    data[at : at + size] = imagecodecs.bitorder_encode(bytes(data[at : at + size]))
    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        page = tiff.pages.first
        page.fillorder = tifffile.FILLORDER.LSB2MSB  # tifffile writes no such tag
        unpacked_by_libtiff(page)
        np.testing.assert_array_equal(page.asarray(), pixels)


def test_codes_beyond_the_table_are_damage_which_libtiff_tells() -> None:
    file = _tiff(np.zeros((40, 40, 3), "u1"), rowsperstrip=40)
    with tifffile.TiffFile(file) as tiff:
        at = tiff.pages.first.dataoffsets[0]
    data = bytearray(file.getvalue())
    data[at : at + 4] = b"\x80\x3f\xff\xff"  # after the code that clears, one that nobody made
    with pytest.raises(UnreadablePicture, match="damaged") as raised:
        autocast.measure(bytes(data), [(0.5, 0.5)])
    assert isinstance(raised.value.__cause__, imagecodecs.TiffError)
