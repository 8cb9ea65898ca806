"""The report and the review attacked in a browser. A script, no test.

    python tests/studies/attacking.py [--texts N] [--only PART] [--seed N]

An archive and a ledger are made whose every text carries an attack (``attacks.py``): folders,
files, the ledger itself, camera, time, failure, the judgement's own words, decisions' notes,
reasons and persons. Its twin has plain texts in the same places. Debian's chromium then opens
each page of the ``report`` and of the ``review``, once as it is and once with the policies of
the pages switched off, so that escaping alone must hold; every element is sent the events
that inline handlers wait for, addresses (query and
fragment) carry the attacks, and notes are typed.

Counted are scripts that ran, dialogs, windows, requests and navigations elsewhere, errors on
the console, addresses with another scheme, characters that no page is to hold, and elements
that the twin does not have: kind, parent and attributes' names; on the report's pages also how
many of each. Wanted is 0 of each.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import contextlib
import hashlib
import os
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.archive.decisions import Wish, decide  # noqa: E402
from autocast.archive.ledger import Ledger, now  # noqa: E402
from autocast.archive.rate import refresh  # noqa: E402
from autocast.archive.rows import Entry, Outcome, clean  # noqa: E402
from autocast.judgement import DECISION_WORDS, Judgement  # noqa: E402
from autocast.modelstore import default_models  # noqa: E402
from autocast.report import pages  # noqa: E402
from tests import ledgers  # noqa: E402
from tests.reviews import Served, serving  # noqa: E402
from tests.studies.attacks import TEXTS, path_of  # noqa: E402

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

FAILED = 9
"""Every so many pictures one could not be judged."""
DECIDED = 2
"""Every so many pictures one is decided."""
TYPED = 24
"""Notes typed by hand."""
BYPASSED = (False, True)
"""Whether the pages' policies are switched off."""
QUERIES = 6
"""Queries of the report's addresses; its pages read none."""

HIT = "globalThis.hits = 0; globalThis.hit = () => { hits += 1; };"

SEEN = r"""() => {
  const out = {}, schemes = new Set();
  for (const e of document.querySelectorAll("*")) {
    if (e.localName === "wbr") continue;
    const names = e.getAttributeNames().sort();
    const key = [e.parentElement?.localName ?? "", e.localName, ...names].join(" ");
    out[key] = (out[key] ?? 0) + 1;
    for (const name of names) {
      if (!/href|src|action|data$|poster|background|ping|cite|manifest/.test(name)) continue;
      const [found] = /^[^/?#]*:/.exec(e.getAttribute(name).trim().toLowerCase()) ?? [];
      if (found) schemes.add(found);
    }
  }
  const hidden = /(?![\n\t\u200c\u200d\u2060])[\p{Cc}\p{Cf}\p{Cs}\p{Zl}\p{Zp}]/u;
  const told = document.title + document.documentElement.outerHTML;
  return [out, [...schemes], hidden.exec(told)?.[0] ?? ""];
}"""
"""Elements by kind, parent and attributes; schemes; the first character that is not to be there."""

PROVOKED = """() => {
  const names = ["mouseover", "mouseenter", "pointerover", "focus", "blur", "toggle", "error",
    "load", "begin", "start", "animationstart", "close", "pageshow", "beforetoggle"];
  for (const e of document.querySelectorAll("*")) {
    for (const name of names) e.dispatchEvent(new Event(name));
  }
}"""

TURNED = """async (fragments) => {
  for (const each of fragments) {
    location.hash = each;
    await new Promise((done) => setTimeout(done, 2));
  }
}"""


def archive(folder: Path, texts: Sequence[str], *, plain: bool) -> Path:
    """Pictures and a ledger whose texts attack; or their twin, with plain texts in their places."""
    stand_ins: dict[object, str] = {}

    def said(text: str) -> str:
        return stand_ins.setdefault(text, f"words {len(stand_ins)}") if plain else text

    def named(path: bytes) -> bytes:
        if not plain:
            return path
        parts = [stand_ins.setdefault(p, f"name-{len(stand_ins)}") for p in path.split(b"/")]
        return "/".join(parts).encode()

    root = os.fsencode(folder) + b"/" + named(b"archive <img src=x onerror=hit()>")
    outcomes = []
    for number, text in enumerate(texts):
        path = root + b"/" + named(path_of(text, number))
        os.makedirs(os.path.dirname(path), exist_ok=True)  # noqa: PTH103, PTH120 -- bytes
        if number % FAILED == FAILED - 1:
            outcomes.append(Outcome(Entry(path, 3, 5), now(), failure=said(text)))
            continue
        judgement = spoken(ledgers.cycle(4)[number % 4], text, said)
        with open(path, "wb") as file:  # noqa: PTH123 -- bytes
            Image.new("RGB", (60, 40), ledgers.colour(judgement)).save(file, "PNG")
        stat = os.stat(path)  # noqa: PTH116 -- bytes
        outcomes.append(
            Outcome(
                Entry(path, stat.st_size, stat.st_mtime_ns),
                now(),
                hashlib.sha256(path).hexdigest(),
                judgement.to_json(),
                camera=said(text),
                taken=said(text),
            )
        )
    made = folder / ("plain.ledger" if plain else "\"'><img src=x onerror=hit()>\u202e.ledger")
    with Ledger.write(made) as ledger:
        ledger.record(outcomes)
        refresh(ledger, default_models())
    with Ledger.share(made) as ledger:
        for number in range(1, len(texts) + 1, DECIDED):
            text = texts[number - 1]
            words = said(text)
            decision = list(DECISION_WORDS)[number % len(DECISION_WORDS)]
            wish = Wish(number, decision, f"Ada {words}"[:60], note=words, reason=words)
            with contextlib.suppress(Exception):  # one that was not judged is not decided
                decide(ledger, wish)
    return made


def spoken(judgement: Judgement, text: str, said: Callable[[str], str]) -> Judgement:
    """A judgement whose every free text is this one."""
    words = said(text)
    return replace(
        judgement,
        evidence=tuple(replace(each, label=words) for each in judgement.evidence),
        look_at=tuple(replace(each, what=words, why=words) for each in judgement.look_at),
        sentences=(words,) * len(judgement.sentences),
        model=clean(words),
        width=60,
        height=40,
        name=words,
        profile=words,
    )


@dataclass
class Watch:
    """What went wrong, and what the twin's pages hold."""

    counts: Counter[str] = field(default_factory=Counter)
    known: set[str] = field(default_factory=set)
    pages: int = 0

    def wrong(self, kind: str, detail: str = "") -> None:
        """One more; the first few of each are told."""
        self.counts[kind] += 1
        if self.counts[kind] <= 5:
            print(f"{kind}: {detail[:400]!r}", flush=True)

    def look(self, page: Page, schemes: frozenset[str], *, plain: bool) -> Counter[str]:
        """Provoke a page and see what it holds."""
        page.evaluate(PROVOKED)
        shape, found, hidden = page.evaluate(SEEN)
        self.pages += 1
        if plain:
            self.known |= shape.keys()
        else:
            for key in shape.keys() - self.known:
                self.wrong("element that should not be", f"{page.url}: {key}")
            for each in set(found) - schemes:
                self.wrong("another scheme", f"{page.url}: {each}")
            if hidden:
                self.wrong("character that should not be", f"{page.url}: {hidden}")
        if page.evaluate("hits"):
            self.wrong("script ran", page.url)
        return Counter(shape)


@contextlib.contextmanager
def watched(browser: Browser, watch: Watch, home: str, **options: Any) -> Iterator[Page]:  # noqa: ANN401
    """A page of a context of its own, whose every step elsewhere is counted."""
    context = browser.new_context(**options)
    context.add_init_script(HIT)
    page = context.new_page()

    def asked(request: Any) -> None:  # noqa: ANN401 -- Playwright's own
        if not request.url.startswith((home, "data:image/")):
            watch.wrong("request elsewhere", request.url)

    def moved(frame: Any) -> None:  # noqa: ANN401 -- Playwright's own
        if not frame.url.startswith((home, "about:blank")):
            watch.wrong("navigation elsewhere", frame.url)

    def said(message: Any) -> None:  # noqa: ANN401 -- Playwright's own
        # What a server refuses, browsers tell on the console as well; the status is looked at.
        if message.type == "error" and "the server responded" not in message.text:
            watch.wrong("error on the console", message.text)

    def opened(dialog: Any) -> None:  # noqa: ANN401 -- Playwright's own
        watch.wrong("dialog", dialog.message)
        dialog.dismiss()

    page.on("request", asked)
    page.on("framenavigated", moved)
    page.on("console", said)
    page.on("dialog", opened)
    page.on("pageerror", lambda error: watch.wrong("error in a script", str(error)))
    page.on("popup", lambda other: watch.wrong("window", other.url))
    page.on("download", lambda other: watch.wrong("download", other.url))
    yield page
    context.close()


def attack_report(browser: Browser, folder: Path, texts: Sequence[str], watch: Watch) -> None:
    """Every page of the report, with the twin's beside it."""
    shapes = {}
    for plain in (True, False):
        with Ledger.read(archive(folder / f"report-{plain}", texts, plain=plain)) as ledger:
            index = pages.write(ledger, folder / f"report-{plain}" / "report")
        for bypass in BYPASSED:
            home = index.parent.as_uri()
            with watched(browser, watch, home, bypass_csp=bypass) as page:
                shapes[plain, bypass] = report_pages(page, home, watch, plain=plain)
                if not plain:
                    turn_fragments(page, home, texts, watch)
    for bypass in BYPASSED:
        more = shapes[False, bypass] - shapes[True, bypass]
        fewer = shapes[True, bypass] - shapes[False, bypass]
        for key, count in (more | fewer).items():
            watch.wrong("another number of elements", f"{key}: {count}")


def report_pages(page: Page, home: str, watch: Watch, *, plain: bool) -> Counter[str]:
    """All of the report: how many elements of each kind."""
    schemes, total = frozenset({"file:"}), Counter[str]()
    page.goto(f"{home}/index.html")
    total += watch.look(page, schemes, plain=plain)
    for name in ("pictures.html", "ask.html"):
        page.goto(f"{home}/{name}")
        while True:
            settle(page)
            total += watch.look(page, schemes, plain=plain)
            on = page.locator("nav.pager [name=on]").first
            if not on.is_visible() or on.is_disabled():
                break
            before = page.text_content(".pager span")
            on.click()
            while page.text_content(".pager span") == before:
                page.wait_for_timeout(5)
    return total


def settle(page: Page) -> None:
    """Wait until the filters have counted."""
    while not page.text_content(".found"):
        page.wait_for_timeout(5)


def turn_fragments(page: Page, home: str, texts: Sequence[str], watch: Watch) -> None:
    """Addresses of the report whose fragment or query attacks."""
    keys = ("verdict", "reason", "hue", "decision", "remark", "folder", "page", "picture")
    plain = [text.encode("utf-8", "replace").decode() for text in texts]
    for name in ("pictures.html", "ask.html", "index.html"):
        page.goto(f"{home}/{name}")
        page.evaluate(TURNED, plain)
        page.evaluate(TURNED, [f"{keys[k % 8]}={quote(t)}" for k, t in enumerate(plain)])
        page.evaluate(TURNED, [f"{quote(t)}=1&{quote(t)}" for t in plain])
        watch.look(page, frozenset({"file:"}), plain=False)
    for text in plain[:: len(plain) // QUERIES + 1]:
        page.goto(f"{home}/pictures.html?{quote(text)}#{quote(text)}")
        watch.look(page, frozenset({"file:"}), plain=False)


def attack_review(browser: Browser, folder: Path, texts: Sequence[str], watch: Watch) -> None:
    """Every page of the review, with the twin's before it."""
    for plain in (True, False):
        made = archive(folder / f"review-{plain}", texts, plain=plain)
        person = "Ada" if plain else "Ada <img src=x onerror=hit()>"
        with serving(made, person) as served:
            for bypass in BYPASSED:
                with watched(browser, watch, served.origin, bypass_csp=bypass) as page:
                    name, value = served.keys.cookie_name, served.keys.cookie
                    cookie = {"name": name, "value": value, "url": served.origin}
                    page.context.add_cookies([cookie])  # type: ignore[list-item]
                    review_pages(page, served, texts, watch, plain=plain)


def review_pages(
    page: Page, served: Served, texts: Sequence[str], watch: Watch, *, plain: bool
) -> None:
    """All of the review."""
    none: frozenset[str] = frozenset()
    paths = ["/", "/told", "/none", "/look?queue=casts", "/?hue=blue", "/look?queue=nothing"]
    paths += [f"/look?queue=all&picture={number}" for number in range(1, len(texts) + 1)]
    for path in paths:
        page.goto(served.origin + path)
        watch.look(page, none, plain=plain)
    for number, text in enumerate(texts[:: len(texts) // TYPED + 1]):
        words = "a plain note" if plain else text.encode("utf-8", "replace").decode()
        page.goto(f"{served.origin}/look?queue=all&picture={1 + number * 10}")
        if not page.locator("button[data-act=note]").is_visible():
            continue
        if page.locator("article[data-hindered]").count() == 0:
            page.wait_for_selector("body[data-shown]")
            page.click("button[data-act=note]")
            page.fill("label.note input", words)
            page.click("button[data-act=cant_tell]")
            page.wait_for_timeout(300)
            page.goto(f"{served.origin}/look?queue=all&picture={1 + number * 10}")
            page.wait_for_selector("body[data-shown]")
            letter = page.locator("button.letter").first
            if letter.is_visible() and letter.is_enabled():
                letter.click()
                page.wait_for_selector(".spot")
            watch.look(page, none, plain=plain)
    if plain:
        return
    forms = (
        "/look?queue={}",
        "/?folder={}",
        "/?hue={}",
        "/?remark={}",
        "/look?queue=all&after={}",
        "/look?queue=all&picture={}",
        "/{}",
        "/?{}",
        "/picture/{}?side=160",
        "/enter?token={}",
    )
    for number, text in enumerate(texts):
        path = forms[number % len(forms)].format(quote(text.encode("utf-8", "replace")))
        answer = page.goto(served.origin + path)
        if answer is not None and answer.status >= 500:
            watch.wrong("error of the server", f"{answer.status} {path}")
        watch.look(page, none, plain=False)


def main() -> None:
    """Read the options, run, and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--texts", type=int, default=len(TEXTS), help="how many attacks")
    parser.add_argument("--only", choices=("report", "review"))
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("chromium is needed.")
    # In another order at each seed, so that few are a sample of all.
    texts = Random(given.seed).sample(TEXTS, min(given.texts, len(TEXTS)))  # noqa: S311 -- no secret
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as made, sync_playwright() as begun:
        flags = ["--headless", "--no-sandbox", "--disable-gpu"]
        browser = begun.chromium.launch(executable_path=chromium, args=flags)
        for name, attack in (("report", attack_report), ("review", attack_review)):
            if given.only in (None, name):
                report_on(name, lambda w, a=attack: a(browser, Path(made), texts, w))  # type: ignore[misc]
        browser.close()


def report_on(name: str, attack: Callable[[Watch], None]) -> None:
    """Attack, and print what was counted."""
    started, watch = time.monotonic(), Watch()
    attack(watch)
    print(f"{name}: {watch.pages} looks in {time.monotonic() - started:.0f} s")
    for kind, count in sorted(watch.counts.items()):
        print(f"{count:>8}  {kind}")
    print(f"{watch.counts.total():>8}  in all")


if __name__ == "__main__":
    main()
