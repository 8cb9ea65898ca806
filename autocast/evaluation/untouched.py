"""A folder without judgements: casts simulated on its pictures as they are.

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
from scipy.special import logit

from autocast.archive.workers import end_with_parent
from autocast.errors import PictureError, UnreadablePicture
from autocast.modelstore import TARGETS, Models
from autocast.picture import full_pixels
from autocast.training.fit import Predictions
from autocast.training.gather import UNJUDGED, Table, counted, simulated_casts, tabulate
from autocast.voting.fitted import Given, assess, estimate

ENDINGS = frozenset(
    f".{ending}"
    for ending in (
        *("avif", "heic", "heif", "jp2", "jpe", "jpeg", "jpg", "jxl"),
        *("png", "tif", "tiff", "webp"),
    )
)
"""Endings of files that are taken for pictures."""
LONG_SIDE = 512
"""Pixels that a picture is reduced to before casts are simulated (as the fit's were)."""
ROWS_AT_ONCE = 500
"""Rows that are asked about at once, so that memory stays flat."""


def pictures(folder: Path) -> list[Path]:
    """Every picture in a folder and its sub-folders, by ending.

    Parameters
    ----------
    folder : Path
        Where to look.

    Returns
    -------
    list of Path
        In order.

    Raises
    ------
    UnreadablePicture
        There is none.
    """
    found = sorted(p for p in folder.rglob("*") if p.suffix.lower() in ENDINGS and p.is_file())
    if not found:
        raise UnreadablePicture(
            f"{folder} holds no pictures and no manifest.csv; give a folder of photographs."
        )
    return found


def group_of(folder: Path, path: Path) -> str:
    """The group of a picture: its sub-folder, or itself where it lies in none.

    Parameters
    ----------
    folder, path : Path
        The folder that is measured, and the picture.

    Returns
    -------
    str
        A path within the folder.
    """
    inside = path.relative_to(folder)
    return str(inside.parent if len(inside.parts) > 1 else inside)


def gather_untouched(
    folder: Path, seed: int, processes: int, report: Callable[[str], None], models: Models
) -> Table:
    """Simulate casts on every picture that can be read; the others are reported and left out.

    Parameters
    ----------
    folder : Path
        The pictures.
    seed : int
        The same seed simulates the same casts.
    processes : int
        In how many they are read.
    report : callable
        Is given lines of progress, and why a picture is left out.
    models : Models
        Those that features are made with.

    Returns
    -------
    Table
        Of simulated casts alone.

    Raises
    ------
    UnreadablePicture
        No picture can be read.
    """
    paths = pictures(folder)
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(processes, initializer=end_with_parent) as pool:
        many = pool.map(partial(_rows, folder, seed, models), paths)
        for some in counted(
            many, len(paths), lambda done: report(f"{done} pictures read, {len(rows)} rows")
        ):
            if isinstance(some, str):
                report(f"Left out: {some}")
            else:
                rows.extend(some)
    if not rows:
        raise UnreadablePicture(
            f"No picture in {folder} can be read; give a folder of photographs."
        )
    return tabulate(rows)


def _rows(folder: Path, seed: int, models: Models, path: Path) -> list[dict[str, Any]] | str:
    """Rows of simulated casts, or the sentence that says why there are none."""
    name = path.relative_to(folder).as_posix()
    try:
        pixels = _reduced(path)
    except PictureError as error:
        return str(error)
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    own = {**UNJUDGED, "file": name, "group": group_of(folder, path)}
    return [own | row for row in simulated_casts(pixels, rng, models)]


def _reduced(path: Path) -> NDArray[np.uint8]:
    """H x W x 3 sRGB, upright, of about :data:`LONG_SIDE` pixels where the picture has them."""
    encoded = full_pixels(path)
    image = Image.fromarray(np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8))
    image.thumbnail((LONG_SIDE, LONG_SIDE), Image.Resampling.BOX)
    return np.asarray(image)


def predictions_of(table: Table, models: Models) -> Predictions:
    """What models predict of every row of a table.

    Parameters
    ----------
    table : Table
        Pictures or simulated casts, their features made with these models.
    models : Models
        Those that are asked.

    Returns
    -------
    Predictions
        Of every row.
    """
    every = [dict(zip(table.names, row, strict=True)) for row in table.features]
    parts = []
    targets = len(TARGETS)
    for k in range(0, len(every), ROWS_AT_ONCE):
        found = estimate(every[k : k + ROWS_AT_ONCE], models.estimator)
        given = Given.plain(found.casts, found.deviation)
        said, uneven = assess(found.features, given, models.estimator)
        monochrome = table.monochrome[k : k + ROWS_AT_ONCE]
        parts.append(
            Predictions(
                found.casts,
                found.deviation,
                np.broadcast_to(found.correlation, (len(said), targets, targets)),
                logit(said),
                np.where(monochrome, models.verdict["monochrome"], said),
                uneven,
                found.voices[:, -targets:],
            )
        )
    return Predictions(*(np.concatenate(some) for some in zip(*parts, strict=True)))
