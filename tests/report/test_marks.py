"""What is drawn on the report's cards: marks of places with their letters, and maps of regions."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from autocast.archive.ledger import Ledger
from autocast.archive.regions import LEFT_OUT, Regions, written
from autocast.judgement import Judgement
from autocast.report import pages
from tests import ledgers, samples


def card(folder: Path, judgement: Judgement, regions: str | None = None) -> str:
    """The one card of an archive of one picture."""
    made = ledgers.build(folder, [b"a.png"], [judgement], failures=0, regions=regions)
    with Ledger.read(made) as ledger:
        report = pages.write(ledger, folder / "report").parent
    (place,) = (report / "data").glob("cards-*.js")
    found = re.fullmatch(r"autocastCards\(\d+, (.*)\);\n", place.read_text("utf-8"), re.DOTALL)
    assert found is not None
    (only,) = json.loads(found[1])
    return str(only)


@pytest.mark.parametrize("judgement", [samples.LIKELY, samples.ASK])
def test_each_place_is_marked_where_it_lies_and_told_by_its_letter(
    tmp_path: Path, judgement: Judgement
) -> None:
    html = card(tmp_path, judgement)
    svg = r'<svg(?: class="asked")? x="([\d.]+)%" y="([\d.]+)%".*?<text[^>]*>(\w)</text>'
    marks = re.findall(svg, html)
    assert [(float(x), float(y)) for x, y, _ in marks] == [(63.0, 41.0), (12.0, 84.0)]
    assert [called for *_, called in marks] == ["A", "B"]
    said = re.findall(r'class="letter">(\w)</span> <span>([^<]*)</span>', html)
    assert [called for called, _ in said] == ["A", "B"]
    assert said[0][1].replace("\xa0", " ").startswith("1890,820 (63%,41%): white door frame")
    # The one that the question is about is marked before the evidence is opened.
    assert html.count('<svg class="asked"') == (judgement.verdict == "ask")
    # Marks belong to the picture as it is, and not to its correction.
    assert html.count('class="spots"') == 1


def test_a_letter_keeps_within_the_picture(tmp_path: Path) -> None:
    spots = (
        replace(samples.LIKELY.look_at[0], x=0.95, y=0.02),
        replace(samples.LIKELY.look_at[1], x=0.05, y=0.5),
    )
    html = card(tmp_path, replace(samples.LIKELY, look_at=spots))
    first, second = re.findall(r"<text ([^>]*)>\w</text>", html)
    assert first == 'x="-15" y="18" text-anchor="end"'
    assert second == 'x="14" y="-3"'


def test_what_has_no_place_has_no_mark(tmp_path: Path) -> None:
    html = card(tmp_path, samples.NOTHING)
    assert "spots" not in html
    assert "Where to look" not in html


def test_a_map_paints_each_cell_once_with_what_it_was_taken_for(tmp_path: Path) -> None:
    names = ("neutrals", "sky", "else", LEFT_OUT)
    cells = np.array([[1, 1, 1, 3], [0, 2, 0, 3]], dtype=np.uint8)
    html = card(tmp_path, samples.ASK, written(Regions(names, cells)))
    paths = dict(re.findall(r'<path stroke="url\(#taken-(\w+)\)" d="([^"]*)"', html))
    assert paths == {"neutrals": "M0 1h1M2 1h1", "sky": "M0 0h3", "left_out": "M3 0h1M3 1h1"}
    assert 'viewBox="0 0 4 2"' in html
    key = re.findall(r"</svg> ([^<]*)</span>", html.partition("taken for: <")[2])
    assert key == ["probable neutrals", "clear sky", "left out"]
    assert "and in grey something else" in html
    # Whoever does not see it is told what is on it.
    assert 'aria-label="Regions by what they were taken for: probable neutrals, clear sky' in html
    page = (tmp_path / "report" / "pictures.html").read_text("utf-8")
    assert {f'<pattern id="taken-{name}"' in page for name in paths} == {True}


def test_what_was_judged_before_maps_were_kept_has_none(tmp_path: Path) -> None:
    assert 'class="map"' not in card(tmp_path, samples.ASK)
