"""Attacks of tests/studies, a few of each: names and notes are shown, kept, and never obeyed."""

from __future__ import annotations

import csv
import json
import os
import unicodedata
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING
from urllib.parse import unquote_to_bytes
from xml.etree import ElementTree as ET

import pytest
from typer.testing import CliRunner

from autocast.archive.decisions import Wish, decide
from autocast.archive.ledger import Ledger
from autocast.archive.rows import clean
from autocast.cli import app
from autocast.judgement import Judgement
from autocast.report.text import printable
from tests import ledgers, samples
from tests.reviews import serving
from tests.studies import attacking, knocking
from tests.studies.attacks import ALONE, CONTROLS, TEXTS, path_of

if TYPE_CHECKING:
    from playwright.sync_api import Browser

FEW = Random(1).sample(TEXTS, 9)  # noqa: S311 -- repeatable, not secret


def obeyed(text: str) -> list[str]:
    """Characters in which a terminal would see an order, line ends and joiners aside."""
    hidden = {c for c in text if unicodedata.category(c) in CONTROLS}
    return sorted(hidden - {"\n", "\u200c", "\u200d"})


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One picture for each attack that stands alone, the attack also its note."""
    folder = tmp_path_factory.mktemp("attacked")
    names = [path_of(text, number) for number, text in enumerate(ALONE)]
    made = ledgers.build(folder, names, ledgers.cycle(len(names)))
    with Ledger.share(made) as opened:
        for number, text in enumerate(ALONE, start=1):
            decide(opened, Wish(number, "fine", "Ada", note=text))
    return made


def run(*arguments: str | Path) -> str:
    done = CliRunner().invoke(app, [*map(str, arguments)])
    assert done.exit_code in {0, 1}, done.output
    return done.output


@pytest.mark.parametrize("more", [(), ("--plain",), ("--decided", "fine")])
def test_nothing_that_a_terminal_would_obey_is_listed(ledger: Path, more: tuple[str, ...]) -> None:
    said = run("list", ledger, "--count", "0", *more)
    assert len(said.splitlines()) > len(ALONE)
    assert obeyed(said.replace("\t", " ")) == []


def test_no_name_of_a_file_is_obeyed_by_the_terminal() -> None:
    names = [os.fsdecode(b"/nowhere/" + path_of(text, number)) for number, text in enumerate(ALONE)]
    said = run("judge", "--brief", "--", *names)
    assert len(said.splitlines()) == len(names) + 1
    assert obeyed(said) == []
    assert obeyed("".join(map(printable, ALONE))) == []


def test_a_table_tells_every_name_exactly_and_calculates_none(ledger: Path, tmp_path: Path) -> None:
    run("export", ledger, "--to", tmp_path / "a.csv")
    with (tmp_path / "a.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    root = os.fsencode(ledger.parent / "archive") + b"/"
    told = {unquote_to_bytes(row["uri"].removeprefix("file://")) for row in rows}
    assert told >= {root + path_of(text, number) for number, text in enumerate(ALONE)}
    assert not [cell for row in rows for cell in row.values() if cell.startswith(("=", "+", "@"))]


def test_decisions_come_back_from_json_as_they_were_kept(ledger: Path, tmp_path: Path) -> None:
    run("export", ledger, "--decisions", tmp_path / "a.jsonl")
    lines = (tmp_path / "a.jsonl").read_text("ascii").splitlines()
    assert [json.loads(line)["note"] for line in lines] == [clean(text.strip()) for text in ALONE]


def test_a_judgement_comes_back_from_json_whatever_its_name() -> None:
    for text in ALONE:
        judgement = replace(samples.LIKELY, name=text, sentences=(text,))
        assert Judgement.from_json(judgement.to_json()) == judgement


def test_notes_stand_in_sidecars_as_xml_can_hold_them(ledger: Path) -> None:
    run("sidecars", ledger)
    notes = set()
    for place in (ledger.parent / "archive").rglob("*.xmp"):
        tree = ET.parse(place)  # noqa: S314 -- our own
        for each in tree.iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li"):
            if each.text and each.text.startswith("Ada: "):
                notes.add(each.text.removeprefix("Ada: "))
    kept = [clean(text.strip()) for text in ALONE]
    xml = [t for t in kept if not any(ord(c) < 32 and c not in "\t\n\r" for c in t)]
    assert {t for t in xml if t and not {"\ufffe", "\uffff"} & {*t}} <= notes


@pytest.fixture
def watch(monkeypatch: pytest.MonkeyPatch) -> attacking.Watch:
    """What counts; the pages' policies are switched off, so that escaping alone holds."""
    monkeypatch.setattr(attacking, "BYPASSED", (True,))
    monkeypatch.setattr(attacking, "QUERIES", 1)
    return attacking.Watch()


@pytest.mark.slow
def test_a_browser_obeys_nothing_in_the_report(
    browser: Browser, tmp_path: Path, watch: attacking.Watch
) -> None:
    attacking.attack_report(browser, tmp_path, FEW, watch)
    assert watch.counts.total() == 0
    assert watch.pages > 8


@pytest.mark.slow
def test_a_browser_obeys_nothing_in_the_review(
    browser: Browser, tmp_path: Path, watch: attacking.Watch
) -> None:
    attacking.attack_review(browser, tmp_path, FEW[:2], watch)
    assert watch.counts.total() == 0
    assert watch.pages > 16


@pytest.mark.slow
def test_the_attack_shows_a_page_that_does_not_escape(
    browser: Browser, tmp_path: Path, watch: attacking.Watch
) -> None:
    for name, text in (("twin", "plain words"), ("attacked", "<img src=x onerror=hit()>")):
        place = tmp_path / f"{name}.html"
        place.write_text(f"<!doctype html><meta charset=utf-8><p>{text}\u202e</p>")
        with attacking.watched(browser, watch, tmp_path.as_uri()) as page:
            page.goto(place.as_uri())
            watch.look(page, frozenset({"file:"}), plain=name == "twin")
    assert {
        "element that should not be",
        "script ran",
        "character that should not be",
        "error on the console",
    } == watch.counts.keys()


@pytest.mark.slow
def test_who_knocks_is_refused(tmp_path: Path) -> None:
    names = [b"%d.png" % k for k in range(len(knocking.ODD))]
    made = ledgers.build(tmp_path, names, ledgers.cycle(len(names)))
    count = knocking.Count()
    with serving(made) as served:
        line = knocking.Line(served)
        knocking.follow(line, count)
        knocking.note(line, count)
    assert count.found.total() == 0
    assert count.sent == 3 + len(knocking.ODD)
