"""The invented archive: what `autocast demo` makes, says, and how often it is right."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from autocast.archive.rows import Row
from autocast.cli import app
from autocast.demonstration import invented
from autocast.demonstration.invented import PHOTOGRAPHS, Made, described, make
from autocast.demonstration.scoring import KINDS, Known, pointing, score
from autocast.rendering.scenes import ITA_GROUPS, RECIPES

EXPECTED = Path(__file__).parents[2] / "demo" / "expected.json"
MAY_DIFFER = 2
"""Verdicts of one kind that may change with the fit of the models before a person looks again."""


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The command run once: its folder, and what it printed."""
    folder = tmp_path_factory.mktemp("shown") / "demo"
    result = CliRunner().invoke(app, ["demo", "--to", str(folder)])
    assert result.exit_code == 0, result.output
    return folder, result.stdout


def _table(printed: str) -> dict[str, tuple[int, int, int, int]]:
    rows = re.findall(r"^(.+?)\s+(\d+)\s+(\d+)\s+(\d+)\s+(\d+)$", printed, flags=re.MULTILINE)
    return {known: (int(n), int(r), int(p), int(w)) for known, n, r, p, w in rows}


@pytest.mark.slow
def test_it_says_how_often_it_was_right_about_as_expected(shown: tuple[Path, str]) -> None:
    table = _table(shown[1])
    expected = json.loads(EXPECTED.read_text(encoding="utf-8"))
    assert list(expected) == list(KINDS)
    for kind, known in KINDS.items():
        count, right, person, wrong = table[known.description]
        assert count == right + person + wrong == expected[kind]["pictures"]
        for figure, name in ((right, "right"), (person, "left to a person"), (wrong, "wrong")):
            assert abs(figure - expected[kind][name]) <= MAY_DIFFER, (kind, name, figure)


def test_what_is_certain_is_exactly_so(shown: tuple[Path, str]) -> None:
    table = _table(shown[1])
    for kind in ("black and white", "no photograph", "damaged"):
        count, right, *_ = table[KINDS[kind].description]
        assert right == count
    for kind in ("coloured object", "few neutrals", "mixed light", "toned print"):
        assert table[KINDS[kind].description][3] == 0
    assert table["all"][3] <= 6
    within, of = re.findall(r"Of the (\d+) known casts.*?way\s+in (\d+)", shown[1])[0][::-1]
    assert int(within) >= 0.7 * int(of)


def test_the_page_that_it_names_is_there_and_shows_the_fault_of_the_scanner(
    shown: tuple[Path, str],
) -> None:
    folder, printed = shown
    page = folder / "report" / "index.html"
    assert page.as_uri() in printed
    text = page.read_text(encoding="utf-8")
    clustered = re.findall(r'<h4><a href="[^"]+">([^/]+?)</a></h4>\s*<p><strong class="badge', text)
    assert [name.replace("<wbr>", "") for name in clustered] == ["slides-box-7"]


def test_nothing_that_is_there_is_overwritten(shown: tuple[Path, str], tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    result = CliRunner().invoke(app, ["demo", "--to", str(tmp_path)])
    assert result.exit_code == 1
    assert "is not empty; name another folder with --to" in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
    assert CliRunner().invoke(app, ["demo", "--to", str(shown[0])]).exit_code == 1


def test_without_the_extra_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(invented, "find_spec", lambda name: name != "earthlib" or None)
    result = CliRunner().invoke(app, ["demo", "--to", str(tmp_path / "new")])
    assert result.exit_code == 1
    assert "needs the package earthlib" in result.stderr
    assert "pip install 'autocast[demo]'" in result.stderr
    assert not (tmp_path / "new").exists()


def test_every_kind_and_every_photograph_of_the_description_is_known() -> None:
    listed = described()["set"]
    assert {each["kind"] for each in listed} == {*KINDS, "as they come"}
    assert {name for each in listed for name in each.get("photographs", ())} == set(PHOTOGRAPHS)
    assert {name for each in listed for name in each.get("scenes", ())} <= set(RECIPES)
    assert {name for each in listed for name in each.get("complexions", ())} == set(ITA_GROUPS)
    assert all(invented._photograph(name).ndim == 3 for name in PHOTOGRAPHS)


@pytest.fixture
def three_sets(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[Made]:
    """The copies of one photograph, an office under FL2 and one toned print, in this order."""
    copies = {"folder": "c", "photographs": ["flower"], "casts": [[-18.0, 10.0], [16.0, -14.0]]}
    scene = {"scenes": ["interior"], "camera": "Ostrel Reflex 2"}
    sets = [
        {**copies, "kind": "known cast"},
        {**scene, "folder": "o", "kind": "known cast", "light": "FL2"},
        {**scene, "folder": "p", "kind": "toned print", "tones": ["#8d7355"]},
    ]
    monkeypatch.setattr(invented, "described", lambda: {"set": sets})
    return make(tmp_path)


def test_the_known_cast_is_what_greys_read(three_sets: list[Made]) -> None:
    first, second, office, print_ = (each.cast for each in three_sets)
    assert first == pytest.approx((-18, 10), abs=1)
    assert second == pytest.approx((16, -14), abs=1)
    assert office == pytest.approx((4.7, 19.4), abs=0.3)
    assert print_ is None


def test_a_toned_print_has_one_ink(three_sets: list[Made]) -> None:
    with Image.open(three_sets[-1].path) as image:
        red, green, blue = np.asarray(image.resize((8, 8)), dtype=int).reshape(-1, 3).T
    assert ((red >= green) & (green >= blue)).all()
    assert (red - blue).max() > 40


def test_the_same_archive_is_made_each_time(three_sets: list[Made], tmp_path: Path) -> None:
    again = make(tmp_path / "again")
    for one, other in zip(three_sets, again, strict=True):
        assert (
            Path(os.fsdecode(one.path)).read_bytes() == Path(os.fsdecode(other.path)).read_bytes()
        )


def _row(verdict: str | None, a: float = 0.0, b: float = 0.0) -> Row:
    failure = None if verdict else "damaged"
    return Row(1, b"/x", b"/", 1, 1, None, "", False, failure, verdict=verdict, a=a, b=b)  # type: ignore[arg-type]  # noqa: FBT003


@pytest.mark.parametrize(
    ("kind", "cast", "row", "outcome"),
    [
        ("nothing wrong", None, _row("clear"), "right"),
        ("nothing wrong", None, _row("ask"), "person"),
        ("nothing wrong", None, _row("cast"), "wrong"),
        ("known cast", (0.0, -12.0), _row("cast", 1, -9), "right"),
        ("known cast", (0.0, -12.0), _row("cast", 9, 1), "wrong"),
        ("known cast", (0.0, -12.0), _row("clear"), "wrong"),
        ("toned print", None, _row("ask"), "right"),
        ("damaged", None, _row(None), "right"),
        ("damaged", None, _row("clear"), "wrong"),
    ],
)
def test_what_counts_as_right(
    kind: str, cast: tuple[float, float] | None, row: Row, outcome: str
) -> None:
    made = [Made(b"/x", kind, cast)]
    (one,) = [s for s in score(made, [row]) if s.count]
    assert (one.kind, getattr(one, outcome)) == (kind, 1)
    assert one.right + one.person + one.wrong == 1
    assert isinstance(KINDS[kind], Known)


def test_directions_are_compared_whatever_the_verdict() -> None:
    made = [Made(b"/x", "known cast", (0.0, -10.0))]
    assert pointing(made, [_row("ask", 3, -10)]) == (1, 1, 3.0)
