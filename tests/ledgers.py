"""A small archive on the disk, with a ledger of invented judgements, for tests of the report."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from PIL import Image

from autocast.archive.ledger import Ledger, now
from autocast.archive.rows import Entry, Outcome
from autocast.judgement import Judgement
from tests import samples

HOSTILE = [
    b"plain.png",
    b"<img src=x onerror=hit()>.png",
    b"\"'><svg onload=hit()>.png",
    b"' onmouseover='hit()' x='.png",
    b"</script><script>hit()<.png".replace(b"/", b"\xe2\x81\x84"),
    b"{{ 7 * 7 }}{% raw %}${hit()}`.png",
    b"]]>--><!--.png",
    b"#frag?query&amp;%3Cb%3E.png",
    "\u2028\u202egnp.exe.png".encode(),
    b"line\nbreak\ttab\x1b[31m.png",
    b"not-utf8-\xff\xfe.png",
    "写真 Fährhaus.png".encode(),
    b"javascript:hit().png",
]
"""Names that a file may have and a page must not obey."""


def colour(judgement: Judgement) -> tuple[int, int, int]:
    return {"cast": (90, 110, 170), "clear": (128, 128, 128), "ask": (150, 120, 90)}[
        judgement.verdict
    ]


def build(
    folder: Path,
    names: Iterable[bytes],
    judgements: Iterable[Judgement],
    failures: int = 1,
    regions: str | None = None,
) -> Path:
    """Write pictures below ``folder`` and a ledger that says ``judgements`` of them.

    ``regions`` is the map of each.
    """
    outcomes = []
    for name, judgement in zip(names, judgements, strict=True):
        path = os.fsencode(folder / "archive") + b"/" + name
        os.makedirs(os.path.dirname(path), exist_ok=True)  # noqa: PTH103, PTH120 -- bytes
        with open(path, "wb") as file:  # noqa: PTH123 -- bytes
            Image.new("RGB", (60, 40), colour(judgement)).save(file, "PNG")
        said = replace(judgement, name="").to_json()
        stat = os.stat(path)  # noqa: PTH116 -- bytes
        content = hashlib.sha256(path).hexdigest()  # as if no two pictures were alike
        entry = Entry(path, stat.st_size, stat.st_mtime_ns)
        outcomes.append(Outcome(entry, now(), content, said, regions=regions))
    for number in range(failures):
        path = os.fsencode(folder / "archive" / f"torn-{number}.jpg")
        said = "<b onclick=hit()>torn</b> is damaged; get a whole copy of it."
        outcomes.append(Outcome(Entry(path, 3, 5), now(), failure=said))
    ledger = folder / "archive.ledger"
    with Ledger.write(ledger) as opened:
        opened.record(outcomes)
    return ledger


def cycle(count: int) -> list[Judgement]:
    """``count`` judgements of every verdict, with casts of growing size."""
    out = []
    for k in range(count):
        base = samples.ALL[k % len(samples.ALL)]
        cast = replace(base.cast, a=base.cast.a * (1 + k / count), b=base.cast.b * (1 + k / count))
        out.append(replace(base, cast=cast))
    return out
