"""A position is read in pixels and in per cent, and printed so that it can be pasted back."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from PIL import Image
from skimage import data
from typer.testing import CliRunner

from autocast.cli import app

if TYPE_CHECKING:
    from typer.testing import Result


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def turned(tmp_path: Path) -> Path:
    """A photograph 300 wide and 451 high once it is upright."""
    path = tmp_path / "turned.jpg"
    exif = Image.Exif()
    exif[0x0112] = 6  # EXIF 2.32: turn by 90 degrees clockwise
    Image.fromarray(data.chelsea()).save(path, exif=exif, quality=95)
    return path


def test_per_cent_and_pixels_name_the_same_spot(turned: Path) -> None:
    one = json.loads(run("judge", turned, "--json", "--neutral", "150,45.1,9.02").stdout)
    other = json.loads(run("judge", turned, "--json", "--neutral", "50%,10%,2%").stdout)
    assert one["hints"][0] == pytest.approx(other["hints"][0])
    assert one["cast"] == other["cast"]
    one, other = (
        json.loads(run("measure", turned, "--json", "--at", at).stdout)["spots"]
        for at in ("150,225.5", "50%,50%")
    )
    assert one == other


def test_the_edge_itself_is_the_last_pixel(turned: Path) -> None:
    result = run("measure", turned, "--at", "100%,100%")
    assert result.exit_code == 0, result.stderr
    assert "300,451" in result.stdout or "299,450" in result.stdout


@pytest.mark.parametrize("spot", ["12", "a,b", "1%%,2", "%,2", "1,2,3,4", "nan,1", "1,inf%"])
def test_what_is_no_position_is_a_usage_error_that_shows_one(turned: Path, spot: str) -> None:
    result = run("judge", turned, "--neutral", spot)
    assert result.exit_code == 2
    assert "is not a position; write X,Y[,RADIUS]" in " ".join(result.stderr.split())


@pytest.mark.parametrize(
    "told", [("measure", "--at", "101%,5%"), ("judge", "--neutral", "20%,-1%,3%")]
)
def test_a_spot_beyond_the_picture_is_one_sentence_in_the_same_unit(
    turned: Path, told: tuple[str, str, str]
) -> None:
    command, option, spot = told
    result = run(command, turned, option, spot)
    assert result.exit_code == 1
    said = " ".join(result.stderr.split())
    assert f"{option} {spot} lies outside the picture, which goes from 0%,0%" in said
    beyond = run(command, turned, option, "9000,5")
    assert beyond.exit_code == 1
    assert "lies outside" in beyond.stderr


def test_a_printed_spot_can_be_pasted_into_a_hint(turned: Path) -> None:
    found = re.findall(r"(\d+,\d+) \((\d+%,\d+%)\)", run("judge", turned, "--details").stdout)
    assert found
    for pixels, share in found:
        for at in (pixels, share):
            assert run("measure", turned, "--at", at).exit_code == 0
    readings = run("measure", turned).stdout
    assert re.search(r"^ +A \d+,\d+ .*\n +\(\d+%,\d+%\)", readings, re.MULTILINE)


def test_a_missing_picture_is_one_sentence_where_per_cent_is_told(tmp_path: Path) -> None:
    result = run("judge", tmp_path / "none.jpg", "--neutral", "5%,5%")
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith("autocast: ")
