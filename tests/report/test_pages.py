"""The report on an archive: what the pages say, and that names in them stay names."""

from __future__ import annotations

import json
import os
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote_to_bytes

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from autocast import judging
from autocast.archive.decisions import Wish, decide
from autocast.archive.folders import common_root
from autocast.archive.ledger import Ledger
from autocast.archive.rows import InSeries, Row
from autocast.cli import app
from autocast.colour import linear_to_lab, srgb_to_linear
from autocast.errors import OutputError
from autocast.judgement import DECISION_WORDS, REMARKS, Cast
from autocast.judgement.sentences import compose, letter, question
from autocast.judgement.things import BY_NAME, OBJECT, mark_of
from autocast.report import pages
from autocast.report.pages import overview
from autocast.report.pages.cards import Shown, card, series_words
from autocast.report.text import cast_figures, printable, typeset
from tests import ledgers, samples


class Reader(HTMLParser):
    """Elements with their attributes, the text of links, and all text."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.links: list[tuple[str, str]] = []
        self._link: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag == "a":
            self._link = dict(attrs).get("href")
            self.links.append((self._link or "", ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "a":
            self._link = None

    def handle_data(self, data: str) -> None:
        self.text += data
        if self._link is not None:
            href, text = self.links[-1]
            self.links[-1] = (href, text + data)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    return reader


def written(folder: Path, ledger: Path) -> Path:
    with Ledger.read(ledger) as opened:
        return pages.write(opened, folder / "report").parent


def cards(report: Path, of: str = "cards") -> list[str]:
    out: list[str] = []
    for place in sorted((report / "data").glob(f"{of}-*.js")):
        found = re.fullmatch(
            r"autocastCards\((\d+), (.*)\);\n", place.read_text("utf-8"), re.DOTALL
        )
        assert found is not None
        out += json.loads(found[2])
    return out


def index(report: Path) -> dict[str, Any]:
    text = (report / "data" / "index.js").read_text("utf-8")
    document: dict[str, Any] = json.loads(text.removeprefix("globalThis.autocastIndex = ")[:-2])
    return document


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    judgements = [
        replace(j, verdict="ask") if k % 2 else j
        for k, j in enumerate(ledgers.cycle(len(ledgers.HOSTILE)))
    ]
    return written(folder, ledgers.build(folder, ledgers.HOSTILE, judgements))


def test_names_stay_names_wherever_they_stand(hostile: Path) -> None:
    html = [p.read_text("utf-8") for p in sorted(hostile.glob("*.html"))]
    html += cards(hostile) + cards(hostile, "asks")
    allowed = {"class", "href", "src", "alt", "title", "width", "height", "id", "lang", "content"}
    for page in html:
        reader = read(page)
        for tag, attributes in reader.elements:
            assert not [name for name in attributes if name.startswith("on")], (tag, attributes)
            if tag == "script":
                assert attributes["src"] in {"data/index.js", "pictures.js"}
            if tag == "img":
                assert (attributes["src"] or "").startswith("small/")
                assert set(attributes) <= allowed | {"loading", "decoding"}
        assert "49" not in [word for word in reader.text.split() if word == "49"]


def test_every_name_can_be_read_and_its_link_leads_to_the_file(hostile: Path) -> None:
    linked = dict(read("".join(cards(hostile))).links)
    texts = {unquote_to_bytes(href.removeprefix("file://")): text for href, text in linked.items()}
    for name in ledgers.HOSTILE:
        path = os.fsencode(hostile.parent / "archive") + b"/" + name
        assert texts[path] == printable(os.fsdecode(name))
        assert os.path.exists(path)  # noqa: PTH110 -- bytes


def test_pages_are_plain_utf8_without_control_or_direction_characters(hostile: Path) -> None:
    for place in [*hostile.glob("*.html"), *hostile.glob("data/*.js")]:
        text = place.read_bytes().decode("utf-8")
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u2028\u2029\u202a-\u202e]", text)
        if place.suffix == ".js":
            assert "<" not in text


@pytest.mark.slow
def test_counts_filters_and_cards_tell_of_the_same_pictures(tmp_path: Path) -> None:
    names = [b"%d/%03d.png" % (k % 3, k) for k in range(60)]
    judgements = ledgers.cycle(60)
    report = written(tmp_path, ledgers.build(tmp_path, names, judgements, failures=2))
    data = index(report)
    assert len(cards(report)) == len(data["verdict"]) == 62
    expected = [j.verdict for j in judgements] + ["failed"] * 2
    assert sorted(data["verdict"]) == sorted(expected)
    first = read((report / "index.html").read_text("utf-8")).text
    for verdict, words in (("cast", "likely cast"), ("failed", "could not be judged")):
        assert f"{expected.count(verdict)}{words}" in first
    for k, text in enumerate(cards(report)):
        assert f'class="badge {data["verdict"][k]}"' in text
    # All are as likely: the stronger come first among the likely casts.
    sizes = [
        float(re.findall(r"C\* ([\d.]+)<", text)[0])
        for text, verdict in zip(cards(report), data["verdict"], strict=True)
        if verdict == "cast"
    ]
    assert sizes == sorted(sizes, reverse=True)
    assert len(sizes) == 15
    # Every folder lies below the one that holds them all.
    assert sorted(set(data["above"])) == [-1, data["folder"][data["verdict"].index("failed")]]


def test_the_list_gives_every_asking_picture_with_its_reason(tmp_path: Path) -> None:
    judgements = [samples.ASK, samples.NOTHING, replace(samples.ASK, remarks=())]
    ledger = ledgers.build(tmp_path, [b"a.png", b"b.png", b"c.png"], judgements)
    text = read((written(tmp_path, ledger) / "ask.html").read_text("utf-8")).text
    assert "A person should look at 3 pictures" in text
    for sentence in (
        "Things of known colour contradict each other.",
        REMARKS["no_known_colour"].sentence,
        "almost black",
    ):
        assert sentence in text


def asks(report: Path) -> tuple[dict[str, int], list[str]]:
    """How many pictures each reason is counted for, and the reason of each picture."""
    html = (report / "ask.html").read_text("utf-8")
    table = re.findall(r'<th scope="row">(?:<a [^>]*>)?([^<]+)(?:</a>)?</th><td>(\d+)</td>', html)
    return {words: int(count) for words, count in table}, re.findall(r'"reason">([^<]+)<', html)


def test_a_reason_is_counted_for_as_many_pictures_as_show_it(tmp_path: Path) -> None:
    remarks = [
        ("conflict", "dark", "border"),
        ("believable_warmth",),
        ("believable_warmth", "conflict"),
        ("believable_warmth", "tones_disagree"),
        ("tones_disagree", "parts_disagree"),
        ("parts_disagree",),
        ("no_profile",),
        (),
    ]
    judgements = [replace(samples.ASK, remarks=codes) for codes in remarks]
    judgements = [replace(j, sentences=compose(j)) for j in judgements]
    names = [b"%d.png" % k for k in range(len(judgements))]
    report = written(tmp_path, ledgers.build(tmp_path, names, [*judgements]))
    counted, shown = asks(report)
    assert len(shown) == len(judgements)
    # Where the figures are the reason, they stand in brackets.
    plain = [re.sub(r" \(a\*[^)]*\)", "", reason) for reason in shown]
    assert counted == {words: sum(words in reason for reason in plain) for words in counted}
    assert sorted(counted.values()) == [1, 1, 1, 2, 2, 2]
    # Terminal and JSON say the same.
    sentences = [j.sentences[0].removeprefix("A person should look: ") for j in judgements]
    assert sorted(typeset(s[0].upper() + s[1:]) for s in sentences) == sorted(shown)
    # Every reason leads to as many pictures as are counted.
    data = index(report)
    html = (report / "ask.html").read_text("utf-8")
    links = re.findall(r"#reason=(\d+)\"[^>]*>[^<]+</a></th><td>(\d+)", html)
    assert len(links) == len(counted)
    for key, count in links:
        assert sum(int(key) in keys for keys in data["reasons"]) == int(count)


def test_what_asks_leads_to_its_card_and_gives_the_question_that_decides_it(
    tmp_path: Path,
) -> None:
    judgements = [samples.LIKELY, samples.ASK, samples.NOTHING]
    names = [b"a.png", b"b.png", b"c.png"]
    report = written(tmp_path, ledgers.build(tmp_path, names, judgements))
    html = (report / "ask.html").read_text("utf-8")
    assert "file:" not in html.partition("<body>")[2]
    links = re.findall(r'href="pictures\.html#verdict=ask&amp;picture=(\d+)">([^<]+)<', html)
    assert sorted(name for _, name in links) == ["b.png", "c.png"]
    for number, name in links:
        assert f'aria-label="a person should look: {name}"' in cards(report)[int(number) - 1]
    asked = [each for each in map(question, judgements) if each is not None]
    assert sorted(re.findall(r'"question">([^<]+)<', html)) == sorted(e.text for e in asked)
    # The place that it is about is marked, and no other.
    letters = [letter(e.spot) for e in asked if e.spot is not None]
    assert letters
    assert re.findall(r'<svg class="asked".*?<text[^>]*>(\w)<', html) == letters


def test_the_list_has_every_asking_picture_and_menus_of_what_they_have(tmp_path: Path) -> None:
    warm = replace(samples.ASK, cast=replace(samples.ASK.cast, a=2.0, b=9.0))
    judgements = [samples.LIKELY, *[samples.ASK, warm] * 35]
    names = [b"%d/%02d.png" % (k % 2, k) for k in range(len(judgements))]
    report = written(tmp_path, ledgers.build(tmp_path, names, judgements))
    html = (report / "ask.html").read_text("utf-8")
    assert html.count("<li>\n<span class=") == pages.FIRST
    listed = cards(report, "asks")
    assert len(listed) == 70
    for text in listed:
        number, name = re.findall(r"picture=(\d+)\">([^<]+)<", text)[0]
        assert f"a person should look: {name}" in cards(report)[int(number) - 1]
    menus = re.findall(r'<select name="(\w+)">(.*?)</select>', html)
    assert [name for name, _ in menus] == ["reason", "hue", "remark", "decision", "folder"]
    # What only a likely cast has is not offered here.
    hues = re.findall(r'data-words="([^"]+)"', dict(menus)["hue"])
    assert sorted(hues) == ["all", "magenta", "yellow"]


def test_a_report_tells_what_was_decided_as_the_list_does(tmp_path: Path) -> None:
    path = ledgers.build(tmp_path, [b"%d.png" % k for k in range(8)], ledgers.cycle(8))
    with Ledger.share(path) as opened:
        decide(opened, Wish(3, "fine", "Ada <b>"))
        decide(opened, Wish(5, "cast", "Ada <b>"))
        decide(opened, Wish(5, "meant_so", "Ben"))
    report = written(tmp_path, path)
    shown = [read(text).text for text in cards(report)]
    listed = CliRunner().invoke(app, ["list", str(path), "--count", "0"]).stdout
    for words in ("ecided: fine, by Ada <b>", "ecided: cast, by Ada <b>; meant so, by Ben"):
        assert sum(f"D{words}" in text for text in shown) == 1
        assert f"d{words}" in listed
    assert sum("Decided:" in text for text in shown) == 2
    html = (report / "pictures.html").read_text("utf-8")
    menu = re.search(r'<select name="decision">(.*?)</select>', html)
    assert menu is not None
    offers = dict(re.findall(r'value="(\d+)" data-words="([^"]+)"', menu[1]))
    data = index(report)
    met = {
        words: sorted(
            Path(os.fsdecode(unquote_to_bytes(dict(read(card).links).popitem()[0]))).name
            for card, keys in zip(cards(report), data["decided"], strict=True)
            if int(key) in keys
        )
        for key, words in offers.items()
    }

    def names(*arguments: str) -> list[str]:
        run = CliRunner().invoke(app, ["list", str(path), "--plain", "--count", "0", *arguments])
        return sorted(Path(line.split("\t")[5]).name for line in run.stdout.splitlines())

    decided = {words: names("--decided", key) for key, words in DECISION_WORDS.items()}
    undecided = names("--undecided")
    assert len(undecided) == 6
    assert met == {
        "undecided": undecided,
        "decided": ["2.png", "4.png"],
        **{words: found for words, found in decided.items() if found},
    }
    # As on the list, it stands in the place of the question.
    asks = [k for k, verdict in enumerate(data["verdict"]) if verdict == "ask"]
    assert any(1 in data["decided"][k] for k in asks)
    for k in asks:
        assert ('class="question"' in cards(report)[k]) != (1 in data["decided"][k])
    # What is decided is not among the first any more, but stays on the list.
    first = (report / "index.html").read_text("utf-8")
    assert "People have decided 2 pictures" in first
    assert first.count('class="decided"') == 0
    assert len(cards(report, "asks")) == sum(v == "ask" for v in data["verdict"])


def test_an_archive_that_asks_more_than_its_judgements_gives_a_question_too(
    tmp_path: Path,
) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png"], [samples.LIKELY], failures=0)
    with Ledger.read(ledger) as opened:
        (row,) = next(iter(opened.pages(documents=True)))
    shown = card(replace(row, verdict="ask"), Shown(), "")
    asked = question(replace(samples.LIKELY, verdict="ask"))
    assert asked is not None
    assert shown.question == asked.text
    assert card(row, Shown(), "").question == ""


def test_a_remark_of_most_pictures_is_said_once_with_its_count(tmp_path: Path) -> None:
    remarks = [("no_profile",), ("no_profile", "border"), ("no_profile",), ("border",)]
    judgements = [replace(samples.CLEAR, remarks=codes) for codes in remarks]
    names = [b"%d.png" % k for k in range(4)]
    report = written(tmp_path, ledgers.build(tmp_path, names, judgements))
    page = read((report / "pictures.html").read_text("utf-8")).text
    assert f"{REMARKS['no_profile'].sentence} (3 of 4 pictures)" in page
    # Half of the pictures are not most of them.
    assert f"{REMARKS['border'].sentence} (2 of 4 pictures)" not in page
    told = "".join(cards(report))
    assert REMARKS["no_profile"].sentence not in told
    assert told.count(REMARKS["border"].sentence) == 2


def test_a_remark_that_is_the_reason_is_not_said_again_below_it(tmp_path: Path) -> None:
    codes = ("tones_disagree", "border")
    judgements = [replace(samples.ASK, remarks=codes), samples.CLEAR, samples.CLEAR]
    judgements = [replace(j, sentences=()) for j in judgements]
    names = [b"%d.png" % k for k in range(3)]
    (asking,) = [
        text
        for text in cards(written(tmp_path, ledgers.build(tmp_path, names, judgements)))
        if 'badge ask"' in text
    ]
    assert asking.count(REMARKS["tones_disagree"].sentence) == 1
    assert asking.count(REMARKS["border"].sentence) == 1


def test_every_mark_is_drawn_as_the_table_of_things_has_it(tmp_path: Path) -> None:
    kinds = [*BY_NAME, OBJECT]
    first = samples.LIKELY.evidence[0]
    evidence = tuple(replace(first, kind=kind, label=kind) for kind in kinds)
    judgement = replace(samples.LIKELY, evidence=evidence)
    (text,) = cards(written(tmp_path, ledgers.build(tmp_path, [b"a.png"], [judgement], 0)))
    elements = read(text).elements
    marks = [a for _, a in elements if a.get("class") == "mark"]
    votes = [a for _, a in elements if a.get("class") == "vote"]
    assert len({m["d"] for m in marks}) == len(kinds)
    for kind, mark, vote in zip(kinds, marks, votes, strict=False):
        assert mark["fill"] == f"rgb{mark_of(kind).colour}"
        assert vote["stroke-dasharray"] == (" ".join(map(str, mark_of(kind).dash)) or "none")
    assert not [a for _, a in elements if "style" in a]


def test_evidence_is_given_with_the_figures_of_the_judgement(tmp_path: Path) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png"], [samples.LIKELY])
    text = read(cards(written(tmp_path, ledger))[0]).text.replace("\u00a0", " ")
    for evidence in samples.LIKELY.evidence:
        if evidence.explains is not None:
            assert evidence.label in text
            a, b = (f"{v:+.1f}".replace("-", "−") for v in evidence.explains)
            assert f"a* {a} b* {b} ±{evidence.spread:.1f}" in text
    assert samples.LIKELY.sentences[0] in text
    assert "87 %" in text
    assert "cast 3.1, chance −22 points" in text


def test_a_likely_cast_is_shown_beside_the_proposed_move(tmp_path: Path, photograph: Path) -> None:
    from autocast.colour import cast_to_gains, linear_to_srgb, srgb_to_linear

    ledger = ledgers.build(tmp_path, [b"a.png", b"b.png"], [samples.LIKELY, samples.CLEAR])
    linear = srgb_to_linear(np.asarray(Image.open(photograph)) / 255) * 0.8
    blue = linear_to_srgb(np.clip(linear * cast_to_gains([0.0, -20.0]), 0, 1))
    Image.fromarray((blue * 255).astype(np.uint8)).save(tmp_path / "archive" / "a.png")
    report = written(tmp_path, ledger)
    sources = re.findall(r'src="(small/[^"]+)"', cards(report)[0])
    before, after = (np.asarray(Image.open(report / s)).astype(float) for s in sources)
    assert before.shape == after.shape
    colder = (before[..., 2] - before[..., 0]).mean() - (after[..., 2] - after[..., 0]).mean()
    assert colder > 10
    assert len(re.findall(r'src="(small/[^"]+)"', cards(report)[1])) == 1


def test_a_folder_with_one_fault_is_pointed_out_and_a_mixed_one_is_not() -> None:
    def row(folder: bytes, a: float, b: float) -> Row:
        path = folder + b"/a.png"
        return Row(1, path, folder, 1, 1, None, "", False, None, verdict="ask", a=a, b=b)  # noqa: FBT003

    gathered = overview.Gathered(common_root([b"/x/fault", b"/x/mixed"]))
    for k in range(8):
        gathered.add(row(b"/x/fault", -12 + k % 3, 8 - k % 2))
        gathered.add(row(b"/x/mixed", 12.0 * (-1) ** k, 5.0 * k))
        gathered.add(row(b"/x/plain", 0.3 * k, -0.2 * k))
    folders = {f.name: f for f in gathered.by_folder()}
    assert {name: f.clustered for name, f in folders.items()} == {
        "fault": True,
        "mixed": False,
        "plain": False,
    }
    assert folders["fault"].near == "100\u00a0%"


def test_many_points_are_thinned_evenly() -> None:
    gathered = overview.Gathered()
    for k in range(4000):
        gathered.verdicts.append("clear")
        gathered.casts.append((k / 100, 0.0))
    points = gathered.points(range(4000), 100)
    assert len(points) == 100
    assert np.ptp([p.a for p in points]) > 39


def test_written_again_it_is_renewed_and_what_is_stale_goes(tmp_path: Path) -> None:
    names = [b"%03d.png" % k for k in range(30)]
    report = written(tmp_path, ledgers.build(tmp_path, names, ledgers.cycle(30)))
    small = {p: p.stat().st_mtime_ns for p in report.glob("small/*/*.jpg")}
    other = tmp_path / "other"
    other.mkdir()
    (tmp_path / "archive.ledger").unlink()
    written(tmp_path, ledgers.build(tmp_path, names[:4], ledgers.cycle(4), failures=0))
    left = {p: p.stat().st_mtime_ns for p in report.glob("small/*/*.jpg")}
    assert 4 <= len(left) < len(small)
    assert [p.name for p in report.glob("data/cards-*.js")] == ["cards-00000.js"]
    assert len(cards(report)) == 4
    written(tmp_path, tmp_path / "archive.ledger")
    assert {p: p.stat().st_mtime_ns for p in report.glob("small/*/*.jpg")} == left


def test_other_things_are_never_overwritten(tmp_path: Path) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png"], [samples.CLEAR])
    taken = tmp_path / "report"
    taken.mkdir()
    (taken / "index.html").write_text("mine")
    with pytest.raises(OutputError, match="holds other things; name a new or empty folder"):
        written(tmp_path, ledger)
    assert [p.name for p in taken.iterdir()] == ["index.html"]
    assert (taken / "index.html").read_text() == "mine"


def test_what_a_report_did_not_write_is_neither_replaced_nor_removed(tmp_path: Path) -> None:
    names = [b"%03d.png" % k for k in range(30)]
    report = written(tmp_path, ledgers.build(tmp_path, names, ledgers.cycle(30)))
    mine = [report / "ask-9.html", report / "data/cards-00077.js", report / "small/00/my.jpg"]
    for place in mine:
        place.parent.mkdir(exist_ok=True)
        place.write_text("mine")
    written(tmp_path, tmp_path / "archive.ledger")
    assert [place.read_text() for place in mine] == ["mine"] * 3
    (report / "data/cards-00001.js").unlink()
    listed = report / "autocast-report.txt"
    listed.write_text(listed.read_text().replace("data/cards-00001.js\n", "../archive.ledger\n"))
    (report / "data/cards-00001.js").write_text("mine")
    with pytest.raises(OutputError, match=r"cards-00001.js was not written by this report"):
        written(tmp_path, tmp_path / "archive.ledger")
    assert (report / "data/cards-00001.js").read_text() == "mine"
    assert (tmp_path / "archive.ledger").exists()


def test_a_report_of_an_earlier_version_is_known_by_its_names(tmp_path: Path) -> None:
    names = [b"%03d.png" % k for k in range(30)]
    report = written(tmp_path, ledgers.build(tmp_path, names, ledgers.cycle(30)))
    listed = report / "autocast-report.txt"
    listed.write_text(listed.read_text().splitlines(keepends=True)[0])
    (report / "notes.html").write_text("mine")
    (tmp_path / "archive.ledger").unlink()
    written(tmp_path, ledgers.build(tmp_path, names[:4], ledgers.cycle(4), failures=0))
    assert [p.name for p in report.glob("data/cards-*.js")] == ["cards-00000.js"]
    assert (report / "notes.html").read_text() == "mine"


def test_no_report_is_written_among_the_pictures(tmp_path: Path) -> None:
    report = written(tmp_path, ledgers.build(tmp_path, [b"a.png"], [samples.CLEAR]))
    (tmp_path / "archive.ledger").unlink()
    ledger = ledgers.build(report, [b"a.png"], [samples.CLEAR])
    (tmp_path / "link").symlink_to(report)
    with (
        Ledger.read(ledger) as opened,
        pytest.raises(OutputError, match="holds pictures of the ledger"),
    ):
        pages.write(opened, tmp_path / "link")


def test_a_small_copy_that_was_damaged_is_made_anew(tmp_path: Path) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png", b"b.png"], [samples.CLEAR, samples.LIKELY])
    report = written(tmp_path, ledger)
    small = sorted(report.glob("small/*/*.jpg"))
    before = [np.asarray(Image.open(place)) for place in small]
    small[0].write_bytes(b"")
    small[1].write_bytes(small[1].read_bytes()[:-20])
    written(tmp_path, ledger)
    for place, pixels in zip(small, before, strict=True):
        assert (np.asarray(Image.open(place)) == pixels).all()


def test_a_file_where_a_folder_of_the_report_was_gets_a_sentence(tmp_path: Path) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png"], [samples.CLEAR])
    report = written(tmp_path, ledger)
    (place,) = report.glob("small/*")
    for each in place.iterdir():
        each.unlink()
    place.rmdir()
    place.write_text("mine")
    with pytest.raises(OutputError, match="cannot be made or written"):
        written(tmp_path, ledger)
    assert place.read_text() == "mine"


def test_a_model_by_any_name_leads_nowhere(tmp_path: Path) -> None:
    odd = replace(samples.LIKELY, model="/../../../../x" + "y" * 300)
    report = written(tmp_path, ledgers.build(tmp_path, [b"a.png"], [odd]))
    assert len(list(report.glob("small/*/*.jpg"))) == 2
    assert not list(tmp_path.parent.glob("x*")) + list(tmp_path.glob("x*"))


def test_a_proposed_correction_is_what_the_judgement_says_and_nothing_is_judged_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(judging, "examine")
    report = written(tmp_path, ledgers.build(tmp_path, [b"a.png"], [samples.LIKELY], failures=0))
    before, after = (
        np.asarray(Image.open(report / name))[20, 30] / 255
        for name in re.findall(r'src="(small/[^"]+)"', cards(report)[0])
    )
    # LIKELY is blue: some of that is gone, and the lightness stays.
    was, became = (linear_to_lab(srgb_to_linear(pixel)) for pixel in (before, after))
    assert became[2] > was[2] + 4
    assert became[0] == pytest.approx(was[0], abs=0.7)


def test_a_picture_that_is_gone_leaves_a_card_without_small_copy(tmp_path: Path) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png"], [samples.ASK], failures=0)
    (tmp_path / "archive" / "a.png").unlink()
    assert "no small copy" in cards(written(tmp_path, ledger))[0]


def test_an_empty_ledger_gives_a_page_that_says_so(tmp_path: Path) -> None:
    report = written(tmp_path, ledgers.build(tmp_path, [], [], failures=0))
    assert "0 pictures" in (report / "index.html").read_text("utf-8")


def test_the_command_writes_the_report_and_says_what_to_open(tmp_path: Path) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png"], [samples.CLEAR])
    result = CliRunner().invoke(app, ["report", str(ledger), "--to", str(tmp_path / "out")])
    assert result.exit_code == 0
    assert (tmp_path / "out" / "index.html").as_uri() in result.stdout + result.stderr
    result = CliRunner().invoke(app, ["report", str(tmp_path / "no.ledger"), "--to", "x"])
    assert result.exit_code == 1
    assert "no.ledger" in result.stderr


def test_a_cast_is_never_said_in_more_certain_words_than_its_verdict(tmp_path: Path) -> None:
    strong = replace(samples.ASK, cast=Cast(0.0, -20.0, ((4.0, 0.0), (0.0, 4.0)), 2.0))
    text = cards(written(tmp_path, ledgers.build(tmp_path, [b"a.png"], [strong])))[0]
    assert "A person should look" in text
    assert "Likely cast" not in read(text).text


def test_every_mark_of_a_plane_lies_inside_with_a_margin(tmp_path: Path) -> None:
    far = [overview.Point(a, 3.0, "ask", "#000000") for a in (-41.0, 1.0)]
    assert overview.reach(far) > 1.1 * 41
    assert overview.reach(()) > 12
    cast = Cast(3.0, 30.0, ((4.0, 0.0), (0.0, 100.0)), 7.0)
    ledger = ledgers.build(tmp_path, [b"a.png"], [replace(samples.ASK, cast=cast)], failures=0)
    with Ledger.read(ledger) as opened:
        (row,) = next(iter(opened.pages(documents=True)))
    details = card(row, Shown(), "").details
    assert details is not None
    # The estimate and one standard deviation of it.
    assert details.reach > 1.1 * (30 + 10)


def test_a_series_is_told_in_words_that_say_what_it_shares() -> None:
    blue = InSeries(
        series=1, count=12, sharing=11, a=-2.0, b=-9.0, spread=1.0, share=0.9, odd=False,
        shared_a=-2.0, shared_b=-9.0, shared_spread=1.0, apart=1.0, probability=0.95,
        finding=True, leads=False,
    )  # fmt: skip
    said = f"one cast: evident, colder, towards blue, {typeset(cast_figures(-2.0, -9.0))}."
    assert series_words(blue) == f"11 of the 12 pictures of its series share {said}"
    odd = replace(blue, odd=True)
    assert series_words(odd) == f"Differs from its series of 12, which shares {said}"
    none = replace(odd, finding=False, shared_a=-0.1, shared_b=0.1)
    assert series_words(none) == "Differs from its series of 12, which has no cast to speak of."
    assert not series_words(replace(none, odd=False))
