"""The report in a real browser: Debian's chromium, driven by Playwright, from the disk.

Where there is no chromium these tests are skipped, unless AUTOCAST_BROWSER is
"required", as in .ci/run: then they fail.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from PIL import Image
from playwright.sync_api import expect

from autocast.archive.decisions import Wish, decide
from autocast.archive.ledger import Ledger
from autocast.judgement import DECISION_WORDS
from autocast.report import pages
from autocast.report.text import printable
from tests import ledgers

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.slow

PAGES = ("index.html", "pictures.html", "ask.html")
PICTURES = 130

# Contrast ratio of WCAG 2.2: text against the nearest opaque ground; 4.5, or 3 for large text.
CONTRAST = """() => {
  const parts = (c) => c.match(/[\\d.]+/g).map(Number);
  const light = (c) => {
    const [r, g, b] = parts(c).slice(0, 3)
      .map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const c = getComputedStyle(e).backgroundColor;
      if (parts(c)[3] !== 0) return c;
    }
    return "rgb(255, 255, 255)";
  };
  const out = [];
  for (const e of document.querySelectorAll("body *")) {
    if (e instanceof SVGElement || !e.checkVisibility()) continue;
    if (![...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())) continue;
    if (e.matches(":disabled, .hidden, .skip")) continue;
    const style = getComputedStyle(e);
    const [a, b] = [light(style.color), light(ground(e))].sort((x, y) => y - x);
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < (large ? 3 : 4.5)) out.push([e.tagName, e.className, ratio]);
  }
  return out;
}"""


# Small copies on the list that reach over the words beside them.
OVERLAID = """async () => {
  const small = [...document.querySelectorAll(".asks img")];
  for (const image of small) image.loading = "eager";
  await Promise.all(small.map((image) => image.decode()));
  return [...document.querySelectorAll(".asks li")].filter((each) =>
    each.querySelector("img, .blank").getBoundingClientRect().right
      > each.querySelector("div").getBoundingClientRect().left).length;
}"""


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("seen")
    plain = [b"%d/below/%03d.png" % (k % 3, k) for k in range(PICTURES - len(ledgers.HOSTILE))]
    names = [*ledgers.HOSTILE, *plain]
    made = ledgers.build(folder, names, ledgers.cycle(len(names)))
    # One that asks is as wide as photographs are.
    Image.new("RGB", (640, 320)).save(folder / "archive" / "1" / "below" / "001.png")
    with Ledger.share(made) as ledger:
        for number, decision in enumerate(DECISION_WORDS, start=40):
            decide(ledger, Wish(number, decision, "Ada"))
    with Ledger.read(made) as ledger:
        return pages.write(ledger, folder / "report").parent


def filled(page: Page) -> None:
    """Wait until the filters have counted. The page's policy forbids waiting for a text of code."""
    expect(page.locator(".found")).not_to_be_empty()


class Watched:
    """A page that notes what must not happen."""

    def __init__(self, browser: Browser, **options: Any) -> None:  # noqa: ANN401 -- Playwright's own
        self.context = browser.new_context(**options)
        self.context.add_init_script("globalThis.hits = 0; globalThis.hit = () => { hits += 1; };")
        self.page: Page = self.context.new_page()
        self.wrong: list[str] = []
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" else None)
        self.page.on("requestfailed", self._failed)
        self.page.on("request", self._asked)

    def _failed(self, request: Any) -> None:  # noqa: ANN401 -- Playwright's own
        # A picture still on its way when the filters replace it is called off, not missing.
        if request.failure != "net::ERR_ABORTED":
            self.wrong.append(request.url)

    def _asked(self, request: Any) -> None:  # noqa: ANN401 -- Playwright's own
        if not request.url.startswith(("file:", "data:")):
            self.wrong.append(request.url)

    def open(self, report: Path, name: str) -> Page:
        self.page.goto(f"{report.as_uri()}/{name}")
        if not name.startswith("index"):
            filled(self.page)
        return self.page


@pytest.fixture
def watched(browser: Browser) -> Iterator[Watched]:
    one = Watched(browser, viewport={"width": 1280, "height": 900})
    yield one
    assert one.page.evaluate("hits") == 0
    one.context.close()
    assert one.wrong == []


@pytest.mark.parametrize("name", PAGES)
def test_nothing_that_a_name_holds_is_obeyed_and_nothing_is_fetched(
    watched: Watched, report: Path, name: str
) -> None:
    page = watched.open(report, name)
    page.mouse.move(300, 500)
    assert "http" not in (page.evaluate("performance.getEntries().map(e => e.name).join()"))


def test_names_are_shown_as_they_are(watched: Watched, report: Path) -> None:
    page = watched.open(report, "pictures.html")
    seen: set[str] = set()
    while True:
        seen |= set(page.locator("h3.name").all_text_contents())
        on = page.locator("nav.pager [name=on]").first
        if on.is_disabled():
            break
        before = page.text_content(".pager span")
        on.click()
        expect(page.locator(".pager span").first).not_to_have_text(before or "")
    assert {printable(os.fsdecode(name)) for name in ledgers.HOSTILE} <= seen
    assert len(seen) == PICTURES + 1


def test_filters_choose_and_the_address_keeps_them(watched: Watched, report: Path) -> None:
    page = watched.open(report, "pictures.html#verdict=cast")
    casts = -(-PICTURES // 4)
    assert page.text_content(".found") == f"{casts} pictures, likeliest casts first."
    assert set(page.locator(".badge").all_text_contents()) == {"! Likely cast"}
    page.get_by_label("Hue of the cast").select_option(label=f"blue ({casts})")
    page.get_by_label("Folder").select_option(index=2)
    expect(page.locator(".found")).not_to_have_text(re.compile(f"^{casts} "))
    shown = page.locator(".card").count()
    assert 0 < shown < casts
    assert {"verdict", "hue", "folder"} == {
        part.split("=")[0] for part in page.url.partition("#")[2].split("&")
    }
    page.reload()
    filled(page)
    assert page.locator(".card").count() == shown
    page.get_by_role("button", name="Show all").click()
    expect(page.locator(".found")).to_have_text(re.compile(f"^{PICTURES + 1} "))


def test_a_folder_holds_what_lies_below_it(watched: Watched, report: Path) -> None:
    page = watched.open(report, "pictures.html")
    options = page.get_by_label("Folder").locator("option").all_text_contents()
    top = next(i for i, text in enumerate(options) if text == f"archive ({PICTURES + 1})")
    page.get_by_label("Folder").select_option(index=top)
    page.wait_for_timeout(100)
    assert (page.text_content(".found") or "").startswith(f"{PICTURES + 1} pictures")


MENUS = ("Reason to look", "Hue of the cast", "Remark", "Decision", "Folder")


@pytest.mark.parametrize(
    ("address", "menus"), [("pictures.html#verdict=ask", (*MENUS, "Verdict")), ("ask.html", MENUS)]
)
def test_each_menu_counts_what_the_other_filters_leave(
    watched: Watched, report: Path, address: str, menus: tuple[str, ...]
) -> None:
    page = watched.open(report, address)
    for name in menus:
        menu = page.get_by_label(name)
        for number, text in enumerate(menu.locator("option").all_text_contents()):
            menu.select_option(index=number)
            count = int(text.rpartition("(")[2].rstrip(")"))
            shown = "No picture" if count == 0 else f"{count} picture"
            expect(page.locator(".found")).to_have_text(re.compile(f"^{shown}"))
        menu.select_option(index=0)


def test_a_reason_narrows_the_list_of_what_to_look_at(watched: Watched, report: Path) -> None:
    page = watched.open(report, "ask.html")
    row = page.locator(".reasons tbody tr").first
    count = int(row.locator("td").text_content() or "")
    row.get_by_role("link").click()
    expect(page.locator(".found")).to_have_text(re.compile(f"^{count} pictures"))
    assert page.locator(".asks li").count() == min(count, 60)
    reason = row.get_by_role("link").text_content() or ""
    for each in page.locator(".asks .reason").all_text_contents():
        assert reason in each


@pytest.mark.parametrize("turn", ["first", "last"])
def test_what_asks_leads_to_its_card_opened(watched: Watched, report: Path, turn: str) -> None:
    page = watched.open(report, "ask.html")
    link = getattr(page.locator(".asks .name a"), turn)
    name = link.text_content()
    link.click()
    filled(page)
    opened = page.locator(".card:has(details[open])")
    assert opened.locator("h3.name").all_text_contents() == [name]
    expect(opened).to_be_in_viewport()
    assert page.evaluate("document.activeElement.closest('.card') !== null")
    # From there on it is a sheet as any other.
    page.get_by_label("Verdict").select_option("cast")
    expect(page.locator("details[open]")).to_have_count(0)
    assert "picture=" not in page.url


def test_wide_tables_scroll_by_keyboard_where_the_screen_is_narrow(
    browser: Browser, report: Path
) -> None:
    seen = Watched(browser, viewport={"width": 390, "height": 800})
    page = seen.open(report, "pictures.html#verdict=cast")
    page.locator("summary").first.click()
    table = page.get_by_role("region", name="What each kind of evidence votes for").first
    assert table.evaluate("e => e.scrollWidth > e.clientWidth")
    page.keyboard.press("Tab")
    expect(table).to_be_focused()
    page.keyboard.press("End")
    page.keyboard.press("ArrowRight")
    page.wait_for_function("e => e.scrollLeft > 0", arg=table.element_handle())
    seen.context.close()
    assert seen.wrong == []


def test_an_opened_card_leaves_no_hole(watched: Watched, report: Path) -> None:
    page = watched.open(report, "pictures.html#verdict=cast")
    page.locator("summary").nth(1).click()
    top = "(e) => Math.round(e.getBoundingClientRect().top)"
    rows = page.evaluate(f"[...document.querySelectorAll('.card')].map({top})")
    counts = Counter(rows)
    opened = rows[1]
    widest = max(counts.values())
    assert counts.pop(opened) == 1
    # Every row but the last is full.
    assert {n for top, n in counts.items() if top != max(counts)} == {widest}


def test_filters_that_meet_nothing_say_so(watched: Watched, report: Path) -> None:
    page = watched.open(report, "pictures.html#verdict=failed&reason=0")
    assert page.text_content(".found") == "No picture meets all these filters."
    assert page.locator(".card").count() == 0


def test_the_keyboard_reaches_filters_links_and_evidence(watched: Watched, report: Path) -> None:
    page = watched.open(report, "pictures.html#verdict=cast")
    met = []
    for _ in range(17):
        page.keyboard.press("Tab")
        met.append(page.evaluate("document.activeElement.tagName"))
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none"
        if met[-1] == "SUMMARY":
            break
    assert met[:4] == ["A", "A", "A", "A"]  # skip link and pages
    assert met.count("SELECT") == 6
    assert met[-1] == "SUMMARY"
    page.keyboard.press("Enter")
    assert page.locator("details[open] table").first.is_visible()


def test_a_screen_reader_finds_names_roles_and_one_main_heading(
    watched: Watched, report: Path
) -> None:
    for name in PAGES:
        page = watched.open(report, name)
        assert page.locator("h1").count() == 1
        assert page.locator("html[lang]").count() == 1
        assert page.locator("img:not([alt])").count() == 0
        assert page.locator("svg:not([aria-label]):not([aria-hidden])").count() == 0
        unnamed = page.evaluate(
            "[...document.querySelectorAll('a, button, select, summary')]"
            ".filter(e => !(e.textContent.trim() || e.getAttribute('aria-label')"
            " || e.querySelector('[aria-label]'))).length"
        )
        assert unnamed == 0
    assert watched.open(report, "pictures.html").locator("[role=status]").count() == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_text_stands_out_and_fits_the_width(
    browser: Browser, report: Path, scheme: str, width: int
) -> None:
    seen = Watched(browser, viewport={"width": width, "height": 800}, color_scheme=scheme)
    for name in PAGES:
        page = seen.open(report, name)
        if name == "pictures.html":
            page.locator("summary").first.click()
        assert page.evaluate(CONTRAST) == []
        assert page.evaluate(OVERLAID) == 0
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    seen.context.close()
    assert seen.wrong == []


def test_the_check_of_contrast_can_fail(watched: Watched, report: Path) -> None:
    page = watched.open(report, "index.html")
    page.evaluate("document.querySelector('h1').style.color = '#bbb'")
    assert page.evaluate(CONTRAST)


def test_without_scripts_the_first_pictures_are_there(browser: Browser, report: Path) -> None:
    bare = browser.new_context(java_script_enabled=False)
    page = bare.new_page()
    page.goto(f"{report.as_uri()}/pictures.html")
    assert page.locator(".card").count() == pages.FIRST
    assert not page.locator("form.filters").is_visible()
    assert "need JavaScript" in page.locator("noscript").inner_text()
    bare.close()


def test_print_leaves_out_what_paper_cannot_do(watched: Watched, report: Path) -> None:
    page = watched.open(report, "pictures.html#verdict=ask")
    page.emulate_media(media="print")
    assert not page.locator("form.filters").is_visible()
    assert page.locator(".card").first.is_visible()
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    for part in ("h3.name", ".to-fill"):
        assert page.locator(f".card {part}").first.is_visible()
    # The name, the reason and the line for the decision: none is cut, none lies on another.
    cut = """() => [...document.querySelectorAll(".card")].filter((card) => {
      const text = card.querySelector(".reason") ?? card.querySelector(".verdict");
      return text.getBoundingClientRect().bottom > card.querySelector(".to-fill").offsetTop
        + card.getBoundingClientRect().top
        || card.querySelector(".to-fill").getBoundingClientRect().bottom
        > card.getBoundingClientRect().bottom;
    }).length"""
    assert page.evaluate(cut) == 0


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_printed_pictures_are_sheets_of_twenty(watched: Watched, report: Path, paper: str) -> None:
    page = watched.open(report, "pictures.html")
    assert page.locator(".card").count() == 60
    # Six rows fit neither paper: sixty on three pages are twenty on each.
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper))) == 3
