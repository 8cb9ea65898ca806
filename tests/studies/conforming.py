"""What open test suites of picture formats show. A script, no test: the suites are others'.

    python tests/studies/conforming.py FOLDER ... [--processes N] [--beside] [--keep FOLDER]

Every file below the folders that may be a picture goes through ``judge``, ``measure`` and
``correct``, as mutated pictures do (``tests/studies/mutating.py``). An ICC profile goes through
laid into a small picture of its colour space.

``--beside`` then compares pixels with those of a second reader: Debian's chromium, whose
decoders and colour management are none of autocast's, for what browsers show; Pillow for
8-bit RGB TIFFs without a profile, which autocast reads by tifffile. Told is each file where
more than one pixel in a hundred lies ``APART`` codes away, and each that only one of the two
reads.
A difference is no defect by itself: the two may follow different rules, and the suites hold
files that are broken on purpose. What was found stands in ``models/STUDIES.md``.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import base64
import io
import os
import re
import shutil
import sys
import time
import warnings
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.errors import PictureError  # noqa: E402
from autocast.picture import full_pixels, is_picture  # noqa: E402
from tests.studies import mutants, mutating  # noqa: E402

if TYPE_CHECKING:
    from playwright.sync_api import Page

ENDINGS = re.compile(
    "apng|avif|bin|bmp|cr2|crw|cur|dds|dng|eps|exv|fli|fpx|gif|heic|heif|hif|icns|ico|j2k|jfif|jp2"
    "|jpeg|jpg|mpo|mrw|nef|orf|pbm|pcx|pef|pgm|png|ppm|psd|qoi|raf|rgb|rw2|sgi|srw|svg|tga|tif"
    "|tiff|webp|xbm|xpm"
)
"""Endings of pictures, also of such kinds as autocast refuses; others are told by their head."""
PROFILES = frozenset({"icc", "icm"})
SHOWN = {
    "png": "png", "apng": "png", "jpg": "jpeg", "jpeg": "jpeg", "jfif": "jpeg", "webp": "webp",
    "gif": "gif", "bmp": "bmp", "avif": "avif",
}  # fmt: skip
"""What a browser shows, by its ending: the media type's second part."""
APART = 6
"""Codes of 255: rounding, another IDCT and another way to enlarge chroma lie below (convention)."""
MOST = 4_000_000
"""Pixels beyond which pictures are not compared (project convention)."""

DRAWN = """async (address) => {
  const image = new Image();
  image.src = address;
  try { await image.decode(); } catch { return null; }
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [image.naturalWidth, image.naturalHeight];
  const context = canvas.getContext("2d", { colorSpace: "srgb" });
  context.drawImage(image, 0, 0);
  const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
  let text = "";
  for (let at = 0; at < data.length; at += 32768) {
    text += String.fromCharCode(...data.subarray(at, at + 32768));
  }
  return [canvas.width, canvas.height, btoa(text)];
}"""


def gathered(folders: list[Path]) -> list[Path]:
    """Every file that may be a picture or is a profile."""
    found = []
    for folder in folders:
        for path in sorted(p for p in folder.rglob("*") if p.is_file() and not p.is_symlink()):
            ending = path.suffix[1:].lower()
            with path.open("rb") as file:
                head = file.read(64)
            if ENDINGS.fullmatch(ending) or ending in PROFILES or is_picture(head):
                found.append(path)
    return found


def made(path: Path) -> tuple[str, bytes]:
    """The ending and the bytes that go through; a profile is laid into a picture."""
    data, ending = path.read_bytes(), path.suffix[1:].lower() or "bin"
    if ending not in PROFILES:
        return ending, data
    mode = {b"GRAY": "L", b"CMYK": "CMYK"}.get(data[16:20], "RGB")
    out = io.BytesIO()
    mutants.scene().convert(mode).save(out, "JPEG", quality=90, icc_profile=data)
    return "jpg", out.getvalue()


def commands(_: int, path: Path, out: Path) -> list[tuple[str, list[str]]]:
    """What a file goes through."""
    copy = str(out / path.name)  # so that what is said of the copy names the file, too
    return [
        ("judge", ["judge", str(path)]),
        ("measure", ["measure", str(path)]),
        ("correct", ["correct", str(path), "--best-guess", "--force", "--to", copy]),
    ]


@dataclass
class Suites(mutating.Found):
    """Counts that name the file."""

    paths: tuple[Path, ...] = ()

    def defect(self, kind: str, number: int, command: str, detail: str) -> None:
        """One more of a kind."""
        super().defect(kind, number, command, f"{self.paths[number]}\n    {detail}")


def through(paths: list[Path], processes: int, keep: Path | None) -> None:
    """Send all through the commands, and print."""
    found = Suites(lambda number: made(paths[number]), keep, paths=tuple(paths))
    started = time.monotonic()
    mutating.run(found, commands, len(paths), processes)
    print(f"{found.count} files in {time.monotonic() - started:.0f} s")
    for kind, count in sorted(found.counts.items()):
        print(f"{count:>8}  {kind}")
    print(f"most memory beside what was held before: {found.most:.0f} MB")


def own(data: bytes) -> NDArray[np.float32] | str:
    """What autocast reads, in sRGB codes; or its sentence."""
    try:
        return np.clip(full_pixels(data), 0, 1) * np.float32(255)
    except PictureError as error:
        return str(error)


def drawn(page: Page, kind: str, data: bytes) -> NDArray[np.uint8] | None:
    """What a browser draws, (H, W, 4); None where it draws nothing."""
    address = f"data:image/{kind};base64,{base64.b64encode(data).decode()}"
    answer = page.evaluate(DRAWN, address)
    if answer is None:
        return None
    width, height, text = answer
    return np.frombuffer(base64.b64decode(text), np.uint8).reshape(height, width, 4)


def plain_tiff(data: bytes) -> NDArray[np.uint8] | None:
    """What Pillow reads of an 8-bit RGB TIFF without a profile, upright."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with Image.open(io.BytesIO(data)) as image:
                if image.mode != "RGB" or image.info.get("icc_profile"):
                    return None
                image.load()
                return np.dstack([np.asarray(image), np.full(image.size[::-1], 255, np.uint8)])
        except Exception:  # noqa: BLE001 -- a second reader may fail as it likes
            return None


def compared(mine: NDArray[np.float32] | str, theirs: NDArray[np.uint8] | None) -> tuple[str, str]:
    """What the two say of one picture: in a word, and in detail."""
    if isinstance(mine, str) or theirs is None:
        if theirs is not None:
            return "the other alone reads", str(mine)
        return ("both refuse" if isinstance(mine, str) else "autocast alone reads"), ""
    if mine.shape[:2] != theirs.shape[:2]:
        return "other sizes", f"{mine.shape[1::-1]} and {theirs.shape[1::-1]}"
    opaque = theirs[..., 3] == 255
    if not opaque.any():
        return "nothing opaque", ""
    apart = np.abs(mine - theirs[..., :3]).max(axis=-1)[opaque]
    share = float((apart > APART).mean())
    if share <= 0.01:
        return "agree", ""
    mean = (mine[opaque] - theirs[opaque][:, :3]).mean(axis=0)
    return "differ", f"{share:.0%} of the pixels, on average by {np.round(mean, 1)}"


def beside(paths: list[Path]) -> None:
    """Compare with second readers, and print."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("chromium is needed.")
    counts: Counter[str] = Counter()
    flags: list[Any] = ["--headless", "--no-sandbox", "--disable-gpu"]
    with sync_playwright() as begun:
        browser = begun.chromium.launch(
            executable_path=chromium, args=[*flags, "--force-color-profile=srgb"]
        )
        page = browser.new_page()
        for path in paths:
            ending, data = made(path)
            tiff = ending in {"tif", "tiff"}
            if len(data) > 8 * MOST or not (tiff or ending in SHOWN):
                continue
            mine = own(data)
            if not isinstance(mine, str) and mine.shape[0] * mine.shape[1] > MOST:
                counts["too large to compare"] += 1
                continue
            theirs = plain_tiff(data) if tiff else drawn(page, SHOWN[ending], data)
            if tiff and theirs is None:
                continue
            word, detail = compared(mine, theirs)
            counts[f"{'tiff' if tiff else SHOWN[ending]}: {word}"] += 1
            if word not in {"agree", "both refuse", "nothing opaque"}:
                print(f"{word}: {path}  {detail}", flush=True)
        browser.close()
    for word, count in sorted(counts.items()):
        print(f"{count:>8}  {word}")


def main() -> None:
    """Read the options, run, and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--beside", action="store_true")
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    paths = gathered(given.folders)
    kinds = Counter(path.suffix[1:].lower() or "no ending" for path in paths)
    print(", ".join(f"{count} {kind}" for kind, count in kinds.most_common()))
    if given.beside:
        beside(paths)
    else:
        through(paths, given.processes, given.keep)


if __name__ == "__main__":
    main()
