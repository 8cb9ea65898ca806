"""Reviews for tests: ledgers with real pictures, and a server at a port of its own."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import uvicorn
from PIL import Image

from autocast.archive.ledger import Ledger
from autocast.archive.queues import start_of_draw
from autocast.archive.rate import refresh
from autocast.archive.rows import Entry, Outcome
from autocast.archive.work import judged
from autocast.modelstore import default_models
from autocast.report.pages.environment import environment
from autocast.review import server
from autocast.review.pictures import Pictures
from autocast.review.security import TOKEN_HEADER, Keys
from tests import photographs

LAID = {"plain": (1.0, 1.0, 1.0), "cold": (0.8, 0.98, 1.32), "warm": (1.25, 1.0, 0.62)}
"""Gains of linear light."""


def laid(image: Image.Image, gains: tuple[float, float, float]) -> Image.Image:
    """A picture with a cast laid over it."""
    gamma = 2.2  # near enough to sRGB's curve for a cast
    parts = [
        band.point(
            [round(min(1.0, (v / 255) ** gamma * g) ** (1 / gamma) * 255) for v in range(256)]
        )
        for band, g in zip(image.split(), gains, strict=True)
    ]
    return Image.merge("RGB", parts)


def presorted(folder: Path, names: list[str], *, side: int = 400, leaves: int = 0) -> Path:
    """An archive of photographs under three lights, and its ledger.

    ``leaves`` are scans of one thing in a box of their own, all under the cold light.
    """
    pictures = {}
    for light, gains in LAID.items():
        for name in names:
            image = Image.fromarray(photographs.pixels(name))
            image.thumbnail((side, side))
            pictures[f"{light}/{name}.jpg"] = laid(image, gains)
    whole = Image.fromarray(photographs.pixels("china"))
    for number in range(leaves):
        part = whole.crop((20 * number, 0, 480 + 20 * number, whole.height))
        part.thumbnail((side, side))
        pictures[f"box/leaf_{number:03}.jpg"] = laid(part, LAID["cold"])
    outcomes = []
    for name, image in pictures.items():
        path = folder / "archive" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        image.save(path, quality=90)
        stat = path.stat()
        entry = Entry(os.fsencode(path), stat.st_size, stat.st_mtime_ns)
        outcomes.append(judged(entry, default_models()))
    return kept(folder / "archive.ledger", outcomes)


def kept(ledger: Path, outcomes: list[Outcome]) -> Path:
    """A ledger of outcomes, its series found."""
    with Ledger.write(ledger) as opened:
        opened.record(outcomes)
        refresh(opened, default_models())
    return ledger


@dataclass
class Served:
    """A server that runs, and its keys."""

    ledger: Path
    keys: Keys
    entry: str

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.keys.port}"

    def client(self, **options: Any) -> httpx.Client:  # noqa: ANN401 -- httpx's own
        """One that was let in."""
        headers = {"Origin": self.origin, TOKEN_HEADER: self.keys.token}
        cookies = {self.keys.cookie_name: self.keys.cookie}
        return httpx.Client(
            base_url=self.origin, headers=headers, cookies=cookies, timeout=30, **options
        )


@contextlib.contextmanager
def serving(ledger: Path, person: str = "ada") -> Iterator[Served]:
    """The review of a ledger, served by a thread as the command serves it."""
    with Ledger.share(ledger) as opened:
        start_of_draw(opened)
    listening = server._listening(0)
    keys = Keys(listening.getsockname()[1])
    pictures = Pictures(default_models())
    review = server.Review(ledger, person, keys, pictures, environment(server.REVIEW))
    running = uvicorn.Server(server.settings(server.application(review)))
    thread = threading.Thread(target=running.run, kwargs={"sockets": [listening]})
    thread.start()
    try:
        while not running.started:
            time.sleep(0.01)
        yield Served(ledger, keys, keys.address)
    finally:
        running.should_exit = True
        thread.join()
        pictures.close()
        listening.close()
