"""Spots read what they hold, from light to dark."""

from __future__ import annotations

import json
from pathlib import Path

import colour
import numpy as np
import pytest
import tifffile
from PIL import Image
from typer.testing import CliRunner

import autocast
from autocast.cli import app
from autocast.errors import HintError
from autocast.measuring import Measuring
from autocast.picture import Source, decoding, open_picture
from autocast.report.spots import measures_text
from tests.photographs import pixels


def test_a_disc_reads_its_mean_spread_and_lab(tmp_path: Path) -> None:
    source = tmp_path / "a.tif"
    codes = np.random.default_rng(0).normal(30000, 900, (300, 400, 3))
    codes = np.rint(codes + np.array([0, 2000, 6000])).astype(np.uint16)
    tifffile.imwrite(source, codes, photometric="rgb")
    (spot,) = autocast.measure(source, [(200.5, 150.5)], 20).spots
    y, x = np.ogrid[:300, :400]
    inside = codes[np.hypot(x - 200, y - 150) <= 20]
    assert spot.top == 65535
    assert spot.values == pytest.approx(inside.mean(axis=0), abs=0.06)
    assert spot.values_spread == pytest.approx(inside.std(axis=0), abs=0.06)
    light = colour.cctf_decoding(inside / 65535, function="sRGB").mean(axis=0)
    xyz = colour.RGB_to_XYZ(light, "sRGB", chromatic_adaptation_transform=None)
    lab = colour.XYZ_to_Lab(xyz, np.array([0.3127, 0.3290]))
    assert spot.reads == pytest.approx(lab, abs=0.03)
    assert spot.clipped == spot.buried == 0


def test_the_places_are_those_of_the_upright_picture(tmp_path: Path) -> None:
    image = Image.fromarray(pixels("china"))
    exif = Image.Exif()
    exif[0x0112] = 6
    turned = image.transpose(Image.Transpose.ROTATE_90)
    turned.save(tmp_path / "turned.png", exif=exif)
    image.save(tmp_path / "plain.png")
    at = [(100, 50), (500, 300)]
    plain = autocast.measure(tmp_path / "plain.png", at)
    assert autocast.measure(tmp_path / "turned.png", at).spots == plain.spots


@pytest.mark.parametrize(("suffix", "sizes"), [(".png", [None]), (".jpg", [512, None])])
def test_a_picture_is_decoded_once_for_all_that_is_read_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str, sizes: list[int | None]
) -> None:
    path = tmp_path / f"a{suffix}"
    Image.fromarray(pixels("china")).resize((1400, 900)).save(path)
    plain = autocast.measure(path)
    asked = []
    decode = decoding.decode

    def counted(
        name: str, source: Source, side: int | None, memory: int | None
    ) -> decoding.Decoded:
        if not isinstance(source, decoding.DecodedOnce):
            asked.append(side)
        return decode(name, source, side, memory)

    monkeypatch.setattr(decoding, "decode", counted)
    measuring = Measuring(path)
    read = [measuring.at([(spot.x, spot.y)]).spots[0] for spot in plain.spots]
    assert sorted(asked, key=str) == sizes
    # A proposed spot says why it was proposed, and is read as any other is.
    for one, other in zip(read, plain.spots, strict=True):
        assert one.values == pytest.approx(other.values, abs=0.5)
        assert one.reads == pytest.approx(other.reads, abs=0.5)


def test_a_jpeg_is_judged_by_the_small_pixels_that_it_always_has(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(pixels("china")).resize((1400, 900)).save(path)
    once = decoding.DecodedOnce(path)
    once.decoded(None)
    assert (open_picture(once).pixels == open_picture(path).pixels).all()


def test_clipping_is_counted() -> None:
    image = pixels("china").copy()
    image[100:120, 100:110] = 255
    (spot,) = autocast.measure(image, [(110, 110)], 8).spots
    assert 0.3 < spot.clipped < 0.7


def test_proposed_spots_run_from_light_to_dark() -> None:
    measures = autocast.measure(pixels("china"))
    lightness = [spot.reads.lightness for spot in measures.spots]
    assert lightness == sorted(lightness, reverse=True)
    words = " ".join(spot.what for spot in measures.spots)
    for what in ("lightest", "darkest", "probable neutral", "foliage"):
        assert what in words
    assert measures.spots[0].clipped == 0


def test_what_is_known_has_an_expected_reading() -> None:
    for spot in autocast.measure(pixels("china")).spots:
        known = any(w in spot.what for w in ("probable neutral", "foliage", "sky", "skin"))
        assert (spot.expected is not None) == known


def test_a_spot_outside_is_refused() -> None:
    with pytest.raises(HintError, match="outside"):
        autocast.measure(pixels("china"), [(700, 10)])
    with pytest.raises(HintError, match="makes no sense"):
        autocast.measure(pixels("china"), [(70, 10)], 0)


def test_the_table_fits_80_columns(tmp_path: Path) -> None:
    source = tmp_path / f"{'long' * 30}.png"
    Image.fromarray(pixels("china")).save(source)
    text = measures_text(autocast.measure(source))
    assert max(map(len, text.splitlines())) <= 80
    assert "white point D65" in text


def test_on_the_command_line(tmp_path: Path) -> None:
    source = tmp_path / "a.png"
    Image.fromarray(pixels("china")).save(source)
    run = CliRunner().invoke
    printed = run(app, ["measure", str(source), "--at", "494,268", "--at", "24,341", "--json"])
    assert printed.exit_code == 0
    document = json.loads(printed.stdout)
    assert [s["number"] for s in document["spots"]] == [1, 2]
    assert run(app, ["measure", str(source), "--at", "494"]).exit_code == 2
    outside = run(app, ["measure", str(source), "--at", "9999,1"])
    assert outside.exit_code == 1
    assert "lies outside" in outside.stderr
