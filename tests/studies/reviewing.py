"""How long a person waits in the review. A script, no test.

    python tests/studies/reviewing.py [--pictures N] [--rows N]

**The next picture**: from a key pressed that decides to the next picture decoded and
painted (two animation frames after its element stands in the page), in Debian's chromium
driven by Playwright, on JPEGs of 24 million pixels: real content, photographs that
scikit-image ships, enlarged to 6000 x 4000 with the mild noise of a sensor. *Paced* lets
half a second pass between pictures, as a look does; *unpaced* decides as soon as a picture
stands, which nobody does and which shows what the fetching ahead cannot hide. Beside it
stands the decoding of one such picture at reduced scale by Pillow, in the same run.

**The first screen** of an archive of a million invented rows: the page of queues as the
server answers it, and its first picture found. The target of either is 1 s.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from statistics import median, quantiles
from typing import TYPE_CHECKING

import httpx
import numpy as np
from PIL import Image
from playwright.sync_api import sync_playwright
from skimage import data

from autocast.archive.ledger import Ledger, now
from autocast.archive.rate import refresh
from autocast.archive.rows import Entry, Outcome
from autocast.archive.work import judged
from autocast.judgement import Judgement, Verdict
from autocast.modelstore import default_models

if TYPE_CHECKING:
    from playwright.sync_api import Page

SIZE = (6000, 4000)
QUALITY = 92
LOOK = 0.5
"""Seconds of a look."""
AT_LEAST = 512
"""Pixels that the reduced decoding beside it must give, as in benchmark.py."""
GROUP = 20_000
"""Rows written at a time."""

WATCH = """
() => {
  globalThis.took = [];
  addEventListener("keydown", () => { globalThis.pressed = performance.now(); }, true);
  new MutationObserver(() => {
    requestAnimationFrame(() => requestAnimationFrame(() => {
      took.push(performance.now() - pressed);
    }));
  }).observe(document.body, { attributes: true, attributeFilter: ["data-shown"] });
}
"""


def photographs(folder: Path, count: int) -> None:
    """JPEGs as a camera of 24 million pixels would write them, each of other content."""
    rng = np.random.default_rng(0)
    sources = [data.astronaut(), data.chelsea(), data.coffee(), data.rocket()]
    noise = rng.normal(0, 6.0, (SIZE[1], SIZE[0])).astype(np.float32)
    folder.mkdir()
    for number in range(count):
        image = Image.fromarray(sources[number % len(sources)])
        width, height = image.size
        crop = min(width, height * 3 // 2) - 8 * (number // len(sources))
        part = image.crop((0, 0, crop, crop * 2 // 3)).resize(SIZE, Image.Resampling.BICUBIC)
        values = np.asarray(part).astype(np.float32) + np.roll(noise, number, axis=0)[..., None]
        codes = np.rint(np.clip(values, 0, 255)).astype(np.uint8)
        Image.fromarray(codes).save(folder / f"{number:04}.jpg", "JPEG", quality=QUALITY)


def ledger_of(folder: Path, ledger: Path) -> None:
    """What presort makes of them."""
    outcomes = []
    for path in sorted(folder.iterdir()):
        stat = path.stat()
        outcomes.append(
            judged(Entry(os.fsencode(path), stat.st_size, stat.st_mtime_ns), default_models())
        )
    with Ledger.write(ledger) as opened:
        opened.record(outcomes)
        refresh(opened, default_models())


def invented(ledger: Path, rows: int) -> None:
    """A ledger of a million rows, their judgements invented."""
    rng = np.random.default_rng(1)
    base = judged(_tiny(ledger.parent), default_models())
    judgement = Judgement.from_json(base.judgement or "")
    with Ledger.write(ledger) as opened:
        for start in range(0, rows, GROUP):
            outcomes = []
            for number in range(start, min(start + GROUP, rows)):
                probability = float(rng.beta(0.7, 1.6))
                verdict: Verdict = (
                    "clear" if probability < 0.15 else "cast" if probability > 0.6 else "ask"
                )
                said = replace(
                    judgement,
                    verdict=verdict,
                    probability=probability,
                    evidence=(),
                    look_at=(),
                    remarks=(),
                )
                path = b"/archive/%04d/%07d.jpg" % (number // 500, number)
                content = hashlib.sha256(path).hexdigest()
                outcomes.append(Outcome(Entry(path, 1, 1), now(), content, said.to_json()))
            opened.record(outcomes)


def _tiny(folder: Path) -> Entry:
    path = folder / "tiny.jpg"
    Image.fromarray(data.astronaut()).resize((128, 128)).save(path)
    return Entry(os.fsencode(path), path.stat().st_size, path.stat().st_mtime_ns)


@contextmanager
def review(ledger: Path) -> Iterator[str]:
    """The command, and the address it prints."""
    command = [sys.executable, "-m", "autocast", "review", str(ledger), "--no-open"]
    with subprocess.Popen(
        [*command, "--person", "study"], stderr=subprocess.PIPE, text=True
    ) as process:
        found = re.search(r"http://\S+", process.stderr.readline() if process.stderr else "")
        if found is None:
            raise SystemExit("The review did not start.")
        yield found.group()
        process.terminate()


def waits(page: Page, address: str, count: int, pause: float) -> list[float]:
    """Milliseconds from the key to the picture painted."""
    page.goto(address)
    page.wait_for_selector("body[data-shown]")
    page.evaluate(WATCH)
    time.sleep(2)  # a person arrives
    for number in range(count):
        time.sleep(pause)
        page.keyboard.press("f")
        page.wait_for_function("n => took.length > n", arg=number)
    return [float(each) for each in page.evaluate("took")]


def decoding(path: Path) -> float:
    """Milliseconds of the least that must be done with a picture."""

    def once() -> None:
        with Image.open(path) as image:
            image.draft("RGB", (AT_LEAST, AT_LEAST))
            image.load()

    return 1000 * timed(once, 5)


def timed(work: Callable[[], object], rounds: int) -> float:
    """The median of seconds."""
    took = []
    for _ in range(rounds + 1):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return median(took[1:])


def next_picture(folder: Path, count: int) -> None:
    photographs(folder / "large", 2 * count + 8)
    ledger = folder / "large.ledger"
    ledger_of(folder / "large", ledger)
    floor = decoding(folder / "large" / "0000.jpg")
    print(f"Next picture, {count} of 6000 x 4000 each; reduced decoding of one {floor:.0f} ms")
    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("chromium is needed.")
    with review(ledger) as entry, sync_playwright() as started:
        browser = started.chromium.launch(
            executable_path=chromium, args=["--headless", "--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1280, "height": 860})
        page.goto(entry)
        address = page.url + "look?queue=all"
        for words, pause in (("paced", LOOK), ("unpaced", 0.0)):
            took = waits(page, address, count, pause)
            high = quantiles(took, n=20)[-1]
            print(
                f"  {words:<8} median {median(took):6.0f} ms, 95th percentile {high:6.0f} ms; "
                f"of the decoding {median(took) / floor:.2f} and {high / floor:.2f}"
            )
        browser.close()


def first_screen(folder: Path, rows: int) -> None:
    ledger = folder / "many.ledger"
    invented(ledger, rows)
    print(f"First screen, {rows:,} rows")
    with review(ledger) as entry, httpx.Client(follow_redirects=True, timeout=120) as client:
        page = client.get(entry)
        origin = str(page.url)
        paths = [
            "",
            *(f"look?queue={name}" for name in ("asks", "casts", "audit", "sample", "all")),
        ]
        paths += ["?hue=blue", "look?queue=asks&hue=blue", "told"]
        for path in paths:
            start = time.perf_counter()
            client.get(origin + path)
            first = time.perf_counter() - start
            again = timed(lambda path=path: client.get(origin + path), 3)  # type: ignore[misc]
            print(f"  /{path:<24} first {first:6.2f} s, then {again:6.2f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pictures", type=int, default=40)
    parser.add_argument("--rows", type=int, default=1_000_000)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        if given.rows:
            first_screen(Path(made), given.rows)
        if given.pictures:
            next_picture(Path(made), given.pictures)


if __name__ == "__main__":
    main()
