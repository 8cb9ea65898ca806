"""The review as a person uses it: in a real browser, by keys alone and by mouse alone.

Where there is no chromium these tests are skipped, unless AUTOCAST_BROWSER is
"required", as in .ci/run: then they fail.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from autocast.archive.decisions import decided
from autocast.archive.ledger import Ledger
from tests.reviews import Served, serving

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Route, ViewportSize

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
WIDE: ViewportSize = {"width": 1280, "height": 860}
NARROW: ViewportSize = {"width": 390, "height": 800}
CANT_TELL = "Can\u2019t tell"

pytestmark = pytest.mark.slow


class Visit:
    """A browser that was let in, and what went wrong in it."""

    def __init__(self, browser: Browser, served: Served, **options: Any) -> None:  # noqa: ANN401
        self.served = served
        self.context = browser.new_context(**{"viewport": WIDE, **options})
        self.context.add_cookies(
            [{"name": served.keys.cookie_name, "value": served.keys.cookie, "url": served.origin}]
        )
        self.wrong: list[str] = []
        self.page = self.window()

    def window(self) -> Page:
        page = self.context.new_page()
        page.set_default_timeout(15_000)
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" else None)
        return page

    def open(self, path: str = "/") -> Page:
        self.page.goto(self.served.origin + path)
        if path.startswith("/look"):
            shown(self.page)
        return self.page


@pytest.fixture
def visit(browser: Browser, served: Served) -> Iterator[Visit]:
    one = Visit(browser, served)
    yield one
    one.context.close()
    assert one.wrong == []


def shown(page: Page, after: int | None = None) -> int:
    """Wait until a picture is there (another than ``after``); its number."""
    other = "" if after is None else f":not([data-shown='{after}'])"
    page.wait_for_selector(f"body[data-shown]{other}")
    return int(page.get_attribute("body", "data-shown") or 0)


def named(served: Served, ending: str) -> int:
    """The number of a picture."""
    with Ledger.read(served.ledger) as ledger:
        return next(r.id for p in ledger.pages() for r in p if r.name.endswith(ending))


def latest(served: Served, number: int) -> list[tuple[str, str, str]]:
    """What stands on a picture: decision, reason, note."""
    with Ledger.read(served.ledger) as ledger:
        return [(d.decision, d.reason, d.note) for d in decided(ledger, ledger.row(number))]


def count(served: Served) -> int:
    with Ledger.read(served.ledger) as ledger:
        return int(ledger.select("SELECT count(*) FROM standing")[0][0])


def violations(page: Page) -> list[str]:
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}})
    return [
        f"{each['id']}: {node['html'][:160]}"
        for each in found.response["violations"]
        for node in each["nodes"]
    ]


def test_by_keys_alone(visit: Visit) -> None:
    page = visit.open("/")
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Likely casts":
            break
    page.keyboard.press("Enter")
    one = shown(page)
    page.keyboard.press("c")
    two = shown(page, one)
    expect(page.locator(".said")).to_contain_text("Saved: cast")
    assert latest(visit.served, one) == [("cast", "", "")]
    page.keyboard.press("m")
    expect(page.locator("dialog")).to_be_visible()
    page.keyboard.press("l")
    three = shown(page, two)
    assert latest(visit.served, two) == [("meant_so", "low sun", "")]
    page.keyboard.press("u")
    assert shown(page, three) == two
    expect(page.locator(".said")).to_contain_text("Taken back")
    assert latest(visit.served, two) == []
    page.keyboard.press("n")
    page.keyboard.type("fine by me, f c m")
    page.keyboard.press("Enter")
    page.keyboard.press("t")
    three = shown(page, two)
    assert latest(visit.served, two) == [("cant_tell", "", "fine by me, f c m")]
    page.keyboard.press("s")
    four = shown(page, three)
    assert latest(visit.served, three) == []
    page.keyboard.press("m")
    page.keyboard.press("o")
    page.keyboard.type("harbour lamps")
    page.keyboard.press("Enter")
    five = shown(page, four)
    assert latest(visit.served, four) == [("meant_so", "harbour lamps", "")]
    page.keyboard.press("Control+c")
    page.keyboard.press("x")
    assert shown(page) == five
    expect(page.locator("#decided")).to_have_text("3")


def test_by_mouse_alone(visit: Visit) -> None:
    page = visit.open("/")
    page.get_by_role("link", name="Every picture").click()
    met = [shown(page)]
    for name in ("Fine", "Cast", CANT_TELL):
        page.get_by_role("button", name=name).click()
        met.append(shown(page, met[-1]))
    page.get_by_role("button", name="Meant so…").click()
    page.get_by_label("the folder").check()
    page.get_by_role("button", name="Water").click()
    shown(page, met[-1])
    expect(page.locator(".said")).to_contain_text("Saved: meant so")
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".said")).to_contain_text("Taken back")
    assert [latest(visit.served, k)[0][0] for k in met[:3]] == ["fine", "cast", "cant_tell"]
    page.get_by_role("button", name="Skip").click()
    page.get_by_role("link", name="What the decisions show").click()
    expect(page.get_by_role("row", name=re.compile("^ada"))).to_contain_text("1")


def test_the_correction_is_seen_while_a_key_is_held_and_beside(visit: Visit) -> None:
    page = visit.open("/look?queue=casts")
    page.keyboard.down("p")
    expect(page.locator("img.proposed")).to_have_count(1)
    expect(page.locator(".first figcaption")).to_have_text("proposed")
    page.keyboard.up("p")
    expect(page.locator("img.proposed")).to_have_count(0)
    page.keyboard.press("b")
    expect(page.locator(".second img")).to_be_visible()
    one, other = (page.locator(f".{name} .frame").bounding_box() for name in ("first", "second"))
    assert one
    assert other
    assert one["width"] == other["width"]
    # It stays so for the next one, until it is put away.
    number = shown(page)
    page.keyboard.press("s")
    shown(page, number)
    expect(page.locator(".second img")).to_be_visible()
    page.keyboard.press("b")
    expect(page.locator(".second")).to_be_hidden()
    page.get_by_role("button", name="Hold to preview").hover()
    page.mouse.down()
    expect(page.locator("img.proposed")).to_have_count(1)
    page.mouse.up()
    expect(page.locator("img.proposed")).to_have_count(0)


def test_a_place_is_read_told_and_withdrawn_by_keys(visit: Visit) -> None:
    number = named(visit.served, "cold/china.jpg")
    page = visit.open(f"/look?queue=all&picture={number}")
    page.locator(".first .frame").focus()
    for key in ("ArrowLeft", "ArrowUp", "Shift+ArrowRight", "Enter"):
        page.keyboard.press(key)
    expect(page.locator(".spot")).to_contain_text("reads")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches('[data-hint]')"):
            break
    page.keyboard.press("Enter")
    expect(page.locator(".compare")).to_contain_text("With what you said")
    page.get_by_role("button", name=re.compile("^Withdraw")).click()
    expect(page.locator(".compare")).to_have_count(0)
    # By its letter, and kept with the decision.
    page.get_by_role("button", name="Read place A").click()
    page.get_by_role("button", name="is neutral").click()
    expect(page.locator(".compare")).to_be_visible()
    page.get_by_role("button", name="Cast").click()
    shown(page, number)
    with Ledger.read(visit.served.ledger) as ledger:
        (said,) = decided(ledger, ledger.row(number))
    assert [hint.what for hint in said.hints] == ["neutral"]


def test_regions_have_their_key_in_words(visit: Visit) -> None:
    page = visit.open(f"/look?queue=all&picture={named(visit.served, 'plain/china.jpg')}")
    page.keyboard.press("r")
    expect(page.locator("img.map")).to_be_visible()
    expect(page.locator(".regions .here")).to_contain_text("neutral")
    key = page.locator(".regions li").all_text_contents()
    assert {"clear sky", "skin", "left out"} <= {words.strip() for words in key}
    frame = page.locator(".first .frame").bounding_box()
    assert frame
    for label in page.locator(".called").all():
        box = label.bounding_box()
        assert box
        assert box["x"] >= frame["x"] - 1
        assert box["x"] + box["width"] <= frame["x"] + frame["width"] + 1
    page.keyboard.press("r")
    expect(page.locator("img.map")).to_have_count(0)


def test_what_takes_a_while_says_so(visit: Visit) -> None:
    held: dict[str, list[Route]] = {"regions": [], "proposed": []}

    def hold(route: Route) -> None:
        held["regions" if "/regions" in route.request.url else "proposed"].append(route)

    # Before the page opens: it asks for the correction ahead.
    visit.page.route(re.compile("/picture/[0-9]+/(regions|proposed)"), hold)
    page = visit.open(f"/look?queue=casts&picture={named(visit.served, 'cold/china.jpg')}")
    for path, key, name, words in (
        ("regions", "r", "Regions", "The regions are being worked out"),
        ("proposed", "b", "Side by side", "The correction is being worked out"),
    ):
        page.keyboard.press(key)
        button = page.get_by_role("button", name=name)
        expect(button).to_have_attribute("aria-busy", "true")
        expect(page.get_by_role("status")).to_contain_text(words)
        for route in held[path]:
            route.continue_()
        expect(button).not_to_have_attribute("aria-busy", "true")
        expect(page.get_by_role("status")).to_have_text("")
        page.keyboard.press(key)
    visit.page.unroute_all(behavior="ignoreErrors")


def test_two_stand_side_by_side_where_there_is_room(visit: Visit) -> None:
    """And one below the other on a narrow screen."""
    page = visit.open(f"/look?queue=casts&picture={named(visit.served, 'cold/china.jpg')}")
    page.keyboard.press("b")
    expect(page.locator(".second img")).to_be_visible()
    for width, beside in ((1280, True), (390, False)):
        page.set_viewport_size({"width": width, "height": 800})
        one, other = (page.locator(f".{n} .frame").bounding_box() for n in ("first", "second"))
        assert one
        assert other
        assert (other["x"] >= one["x"] + one["width"]) == beside
        assert (other["y"] >= one["y"] + one["height"]) != beside


def test_a_series_is_decided_at_once_and_remembered(visit: Visit) -> None:
    leaf = named(visit.served, "leaf_001.jpg")
    page = visit.open(f"/look?queue=all&picture={leaf}")
    expect(page.locator("ul.small img")).to_have_count(4)
    page.keyboard.press("w")
    page.keyboard.press("c")
    shown(page, leaf)
    expect(page.locator(".said")).to_contain_text("for 4 pictures")
    assert count(visit.served) == 4
    page.keyboard.press("u")
    expect(page.locator(".said")).to_contain_text("Taken back, for 4 pictures")
    assert count(visit.served) == 0
    # What was said of one of a series is preset for the next of it.
    page.goto(f"{visit.served.origin}/look?queue=all&picture={leaf}")
    shown(page)
    page.keyboard.press("m")
    page.keyboard.press("e")
    page.keyboard.press("s")
    expect(page.locator(".said")).to_contain_text("for 4 pictures")
    page.go_back()
    shown(page, int(page.get_attribute("body", "data-shown") or 0))
    page.keyboard.press("m")
    expect(page.locator("[name=over][value=series]")).to_be_checked()
    assert page.evaluate("document.activeElement.dataset.reason") == "stage"
    page.keyboard.press("Escape")


def test_reload_and_back_and_two_windows(visit: Visit) -> None:
    page = visit.open("/look?queue=all")
    one = shown(page)
    page.keyboard.press("f")
    two = shown(page, one)
    page.reload()
    assert shown(page) == two
    page.go_back()
    assert shown(page, two) == one
    expect(page.locator(".standing")).to_contain_text("You: fine")
    page.go_forward()
    assert shown(page, one) == two
    other = visit.window()
    other.goto(f"{visit.served.origin}/look?queue=all")
    assert shown(other) == two
    other.keyboard.press("c")
    three = shown(other, two)
    page.keyboard.press("t")
    shown(page, two)
    assert latest(visit.served, two)[0][0] == "cant_tell"
    other.keyboard.press("u")
    assert shown(other, three) == two
    assert latest(visit.served, two)[0][0] == "cast"


def test_nothing_is_shown_as_kept_that_is_not(visit: Visit) -> None:
    page = visit.open("/look?queue=all")
    one = shown(page)
    page.route("**/decide", lambda route: route.abort())
    page.keyboard.press("f")
    expect(page.locator(".alert")).to_contain_text("does not answer")
    assert shown(page) == one
    assert page.text_content(".said") == ""
    page.unroute("**/decide")
    sentence = "The ledger cannot grow: the disk is full; free space and run again."
    page.route("**/decide", lambda route: route.fulfill(status=503, body=sentence))
    page.keyboard.press("c")
    expect(page.locator(".alert")).to_have_text(sentence)
    assert shown(page) == one
    assert count(visit.served) == 0
    page.unroute("**/decide")
    page.keyboard.press("f")
    shown(page, one)
    expect(page.locator(".alert")).to_be_hidden()
    visit.wrong.clear()  # the browser's own lines about the requests that failed


def test_what_is_gone_can_be_skipped_and_not_decided(
    browser: Browser, tmp_path: Path, archive: Path
) -> None:
    copied = tmp_path / "copied.ledger"
    shutil.copy(archive, copied)
    with serving(copied) as served:
        with Ledger.share(copied) as ledger:
            ledger.run("UPDATE pictures SET mtime = mtime + 1 WHERE id IN (1, 2)")
        visit = Visit(browser, served)
        page = visit.open("/look?queue=all&picture=1")
        expect(page.locator(".unseen")).to_contain_text("changed since it was judged")
        for name in ("Fine", "Cast", "Meant so…", CANT_TELL):
            expect(page.get_by_role("button", name=name)).to_be_disabled()
        page.keyboard.press("f")
        expect(page.locator(".alert")).to_contain_text("cannot be decided")
        assert violations(page) == []
        page.keyboard.press("s")
        shown(page, 1)
        assert count(served) == 0
        visit.context.close()
        assert visit.wrong == []


def test_letters_can_be_switched_off(visit: Visit) -> None:
    page = visit.open("/look?queue=all")
    one = shown(page)
    page.get_by_label("Letter keys").uncheck()
    page.keyboard.press("f")
    page.wait_for_timeout(300)
    assert shown(page) == one
    assert count(visit.served) == 0
    page.reload()
    shown(page)
    expect(page.get_by_label("Letter keys")).not_to_be_checked()
    page.get_by_label("Letter keys").check()
    page.keyboard.press("f")
    shown(page, one)


def test_filters_narrow_the_queues(visit: Visit) -> None:
    page = visit.open("/")
    page.get_by_label("Folder, and all below").select_option(label="box")
    page.wait_for_url("**folder=**")
    link = page.get_by_role("link", name="Every picture")
    assert "folder=" in (link.get_attribute("href") or "")
    link.click()
    shown(page)
    expect(page.locator("#left")).to_have_text("4")
    expect(page.locator(".panel h1")).to_contain_text("leaf")


@pytest.mark.parametrize(
    ("size", "scheme"), [(WIDE, "light"), (NARROW, "dark")], ids=["1280", "390"]
)
def test_nothing_bars_anybody(
    browser: Browser, served: Served, size: ViewportSize, scheme: str
) -> None:
    visit = Visit(browser, served, viewport=size, color_scheme=scheme)
    leaf = named(served, "leaf_001.jpg")
    for path in (
        "/",
        "/told",
        "/look?queue=casts&after=1&hue=violet",
        f"/look?queue=all&picture={leaf}",
    ):
        page = visit.page
        page.goto(served.origin + path)
        if page.locator("article.look").count():
            shown(page)
        assert violations(page) == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path
        assert page.locator("h1").count() == 1
    page.get_by_role("button", name="Read place A").click()
    expect(page.locator(".spot")).to_be_visible()
    page.get_by_role("button", name="is neutral").click()
    expect(page.locator(".compare")).to_be_visible()
    page.keyboard.press("r")
    expect(page.locator("img.map")).to_be_visible()
    assert violations(page) == []
    page.keyboard.press("r")
    page.keyboard.press("b")
    expect(page.locator(".second img")).to_be_visible()
    page.keyboard.press("n")
    assert violations(page) == []
    page.keyboard.press("Escape")
    page.keyboard.press("m")
    expect(page.locator("dialog")).to_be_visible()
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    visit.context.close()
    assert visit.wrong == []


def test_the_check_for_barriers_can_fail(visit: Visit) -> None:
    page = visit.open("/")
    page.evaluate("document.querySelector('h1').style.color = '#bbb'")
    assert any(each.startswith("color-contrast") for each in violations(page))


def test_focus_goes_in_the_order_of_the_page_and_is_seen(visit: Visit) -> None:
    page = visit.open("/look?queue=casts")
    met = []
    for _ in range(30):
        page.keyboard.press("Tab")
        met.append(
            page.evaluate(
                "(e => e.textContent.trim().slice(0, 30) || e.className)(document.activeElement)"
            )
        )
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
        if met[-1] == "Note":
            break
    wanted = ["Skip to the content", "Queues", "Hold to preview", "Side by side", "Regions",
              "Fine", "Cast", "Meant so…", CANT_TELL, "Skip", "Undo", "Note"]  # fmt: skip
    assert [each for each in met if each in wanted] == wanted


def test_the_surround_is_one_neutral_grey_in_every_scheme(browser: Browser, served: Served) -> None:
    for scheme in ("light", "dark"):
        visit = Visit(browser, served, color_scheme=scheme)
        page = visit.open("/look?queue=casts")
        ground = page.evaluate("getComputedStyle(document.querySelector('.stage')).backgroundColor")
        assert ground == "rgb(119, 119, 119)"
        hues = page.evaluate(
            "[...document.querySelectorAll('body *:not(svg *)')].flatMap(e => {"
            "  const s = getComputedStyle(e);"
            "  return [s.color, s.backgroundColor, s.borderTopColor].map("
            "    c => c.match(/[\\d.]+/g).slice(0, 3).join()); })"
            ".filter(c => new Set(c.split(',')).size > 1)"
        )
        assert hues == []
        visit.context.close()


def test_the_refusal_is_a_page_for_everybody(browser: Browser, served: Served) -> None:
    context = browser.new_context(viewport=NARROW)
    page = context.new_page()
    page.goto(served.origin)
    expect(page.locator("main p")).to_contain_text("autocast review")
    assert violations(page) == []
    context.close()
