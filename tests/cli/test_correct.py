"""``autocast correct`` as a person meets it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner, Result

from autocast.cli import app
from tests.voting.test_hints import under


@pytest.fixture
def blue(tmp_path: Path) -> Path:
    path = tmp_path / "blue.png"
    Image.fromarray(under((-2.0, -16.0))).save(path)
    return path


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["correct", *map(str, arguments)])


LAKE = ("--neutral", "494,268,5")


@pytest.mark.slow
def test_a_hint_leads_to_a_copy_a_table_and_a_pair(blue: Path) -> None:
    to, clf, pair = (blue.with_name(n) for n in ("copy.png", "move.clf", "pair.png"))
    done = run(blue, "--to", to, *LAKE, "--clf", clf, "--pair", pair)
    assert done.exit_code in {0, 4}, done.output
    assert ("Check passed" in done.stdout) == (done.exit_code == 0)
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "Caution" in done.stdout
    assert "neutral, as you said" in done.stdout
    assert clf.read_text(encoding="utf-8").startswith("<?xml")
    with Image.open(pair) as drawn:
        assert drawn.width == 1200
    with Image.open(to) as one, Image.open(blue) as other:
        assert one.size == other.size
        blueness = [np.asarray(i).astype(float)[..., 2].mean() for i in (one, other)]
    assert blueness[0] < blueness[1]


def test_without_a_place_the_move_is_given_alone(blue: Path) -> None:
    done = run(blue, *LAKE)
    assert done.exit_code == 0
    assert "The correction by hand" in done.stdout
    assert [p.name for p in blue.parent.iterdir()] == ["blue.png"]


def test_json_holds_the_move(blue: Path) -> None:
    document = json.loads(run(blue, *LAKE, "--json").stdout)
    assert document["written"] is None
    assert len(document["advice"]["points"]["red"]) == 7


def test_strength_is_a_share(blue: Path) -> None:
    half, whole = (
        json.loads(run(blue, *LAKE, "--json", "--strength", s).stdout)["advice"]["points"]["blue"]
        for s in ("50", "100")
    )
    assert whole[3][1] < half[3][1] < 0.5


def test_clear_writes_nothing(tmp_path: Path) -> None:
    source, to = tmp_path / "a.png", tmp_path / "b.png"
    Image.fromarray(under((0.0, 0.0))).save(source)
    done = run(source, "--to", to, "--best-guess")
    assert done.exit_code == 3
    assert "No evident cast is seen" in done.stdout
    assert not to.exists()


def test_bad_words_are_usage_errors(blue: Path) -> None:
    for bad in (
        ["--own-colour", "x,y"],
        ["--neutral", "x,y"],
        ["--neutral", "1"],
        ["--strength", "0"],
        ["--pair", "a.png"],
    ):
        assert run(blue, *bad).exit_code == 2
    said = run(blue, "--pair", "a.png").stderr.replace("│", " ")
    assert "give --to OUT as well" in " ".join(said.split())


def test_a_file_that_exists_is_kept(blue: Path) -> None:
    to = blue.with_name("copy.png")
    to.write_bytes(b"dear")
    done = run(blue, "--to", to, *LAKE)
    assert done.exit_code == 1
    assert "exists already" in done.stderr
    assert to.read_bytes() == b"dear"


def test_judge_takes_hints(blue: Path) -> None:
    done = CliRunner().invoke(app, ["judge", str(blue), *LAKE])
    assert done.exit_code == 0
    assert "as you said" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    two = CliRunner().invoke(app, ["judge", str(blue), str(blue), *LAKE])
    assert two.exit_code == 2


def test_a_pair_does_not_take_the_place_of_the_copy(blue: Path) -> None:
    done = run(blue, "--to", blue.with_name("s.png"), "--pair", blue.parent / "." / "s.png", *LAKE)
    assert done.exit_code == 1
    assert "is the copy itself; give another name" in done.stderr
    assert [p.name for p in blue.parent.iterdir()] == ["blue.png"]


def test_a_second_name_is_answered_by_the_command_that_is_meant(blue: Path) -> None:
    refused = run(blue, "a copy.png")
    assert refused.exit_code == 2
    told = " ".join(refused.stderr.split())
    assert f"autocast correct {blue} --to 'a copy.png'" in told.replace("│", "").replace("  ", " ")
