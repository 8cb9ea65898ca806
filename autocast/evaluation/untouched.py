"""A folder without judgements: casts laid over its pictures as they are.

Untouched is not clean: what the pictures carry already counts as none, so the
figures come out worse than the same models deserve.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from autocast.errors import PictureError, UnreadablePicture
from autocast.modelstore import default_models
from autocast.picture import full_pixels
from autocast.training.fit import Predictions
from autocast.training.gather import REPORT_EVERY, Table, laid_copies, tabulate
from autocast.voting.fitted import predict

ENDINGS = frozenset(
    f".{ending}"
    for ending in (
        *("avif", "heic", "heif", "jp2", "jpe", "jpeg", "jpg", "jxl"),
        *("png", "tif", "tiff", "webp"),
    )
)
"""Endings of files that are taken for pictures."""
LONG_SIDE = 512
"""Pixels that a picture is reduced to before casts are laid (as the fit's were)."""
ROWS_AT_ONCE = 500
"""Rows that are weighed at once, so that memory stays flat."""


def pictures(folder: Path) -> list[Path]:
    """Every picture in a folder and its sub-folders, by ending, in order.

    Raises UnreadablePicture where there is none.
    """
    found = sorted(p for p in folder.rglob("*") if p.suffix.lower() in ENDINGS and p.is_file())
    if not found:
        raise UnreadablePicture(
            f"{folder} holds no pictures and no manifest.csv; give a folder of photographs."
        )
    return found


def group_of(folder: Path, path: Path) -> str:
    """The sub-folder that a picture lies in; the picture itself where it lies in none."""
    inside = path.relative_to(folder)
    return str(inside.parent if len(inside.parts) > 1 else inside)


def gather_untouched(
    folder: Path, seed: int, processes: int, report: Callable[[str], None]
) -> Table:
    """Laid copies of every picture that can be read; the others are reported and left out."""
    paths = pictures(folder)
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(processes) as pool:
        many = pool.map(partial(_rows, folder, seed), paths, chunksize=4)
        for done, some in enumerate(many, start=1):
            if isinstance(some, str):
                report(f"Left out: {some}")
            else:
                rows += some
            if done % REPORT_EVERY == 0 or done == len(paths):
                report(f"{done} of {len(paths)} pictures read, {len(rows)} rows")
    if not rows:
        raise UnreadablePicture(
            f"No picture in {folder} can be read; give a folder of photographs."
        )
    return tabulate(rows)


def _rows(folder: Path, seed: int, path: Path) -> list[dict[str, Any]] | str:
    """Rows of laid copies, or the sentence that says why there are none."""
    name = path.relative_to(folder).as_posix()
    try:
        pixels = _reduced(path)
    except PictureError as error:
        return str(error)
    common = {
        "file": name,
        "group": group_of(folder, path),
        "consensus": "",
        "looked": (np.nan, np.nan),
        "scene": "",
        "judgements": ("", ""),
    }
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    return [common | row for row in laid_copies(pixels, rng)]


def _reduced(path: Path) -> NDArray[np.uint8]:
    """H x W x 3 sRGB, upright, of about :data:`LONG_SIDE` pixels where the picture has them."""
    encoded = full_pixels(path)
    image = Image.fromarray(np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8))
    image.thumbnail((LONG_SIDE, LONG_SIDE), Image.Resampling.BOX)
    return np.asarray(image)


def shipped(table: Table) -> Predictions:
    """What the models that autocast came with say of every row."""
    told = [dict(zip(table.names, row, strict=True)) for row in table.features]
    parts = [
        predict(told[k : k + ROWS_AT_ONCE], default_models().trees)
        for k in range(0, len(told), ROWS_AT_ONCE)
    ]
    casts, deviation, probability, uneven = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("casts", "deviation", "probability", "uneven")
    )
    with np.errstate(divide="ignore"):
        logit = np.log(probability / (1 - probability))
    return Predictions(casts, deviation, logit, probability, uneven)
