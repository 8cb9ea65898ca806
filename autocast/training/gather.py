"""A folder of judged photographs -> one table of figures, natural and with casts laid on.

The folder holds ``manifest.csv`` with at least the columns ``file``, ``group``
and ``consensus`` (none, doubtful, slight, evident or cannot_tell). Every judged
picture is told as it came and more than once cropped; known casts are laid over those
judged to have none; and scenes are rendered from spectra, whose truth no
photograph's history can blur.
"""

from __future__ import annotations

import csv
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from autocast.advisor.gates import eligibility, remarks
from autocast.errors import UnreadablePicture
from autocast.judging import prepare
from autocast.rendering.scenes import STUDIES, render
from autocast.training.simulation import LARGEST, cropped, lay
from autocast.voting.analysis import Analysis
from autocast.voting.features import ABLATED, extract, leave_out

Floats = NDArray[np.floating[Any]]

PLAN = (
    "none",
    *("gain",) * 5,
    "encoded",
    *("offset",) * 2,
    *("power",) * 2,
    *("crossed",) * 3,
    "shadows",
    "midtones",
    "highlights",
    "two_lights",
    "part",
    "faded",
    # Added later, at the end, so that the draws of those before stay as they were.
    *("part",) * 2,
    "two_lights",
    "shadows",
    "midtones",
    "highlights",
    "power",
    "offset",
)
"""Kinds of cast laid over each picture judged to have none."""
CROPS = 4
"""Crops of every judged picture."""
BY_TONE = frozenset({"crossed", "shadows", "midtones", "highlights"})
SCENES = 500
"""Scenes rendered for the fit, and as many of other studies' spectra for the report."""
SCENE_PLAN = ("none", "gain", "none", "crossed", "gain", "part", "none", "midtones")
"""Kinds of cast laid over rendered scenes, in turn."""
LEFT_OUT = 0.12
"""Share of laid copies told without one kind of evidence, so that trees learn to do without."""
LARGEST_BY_TONE = 20.0
"""Largest C* of a cast that differs by tone: beyond, no film or scanner goes."""
REPORT_EVERY = 100
"""Pictures between two lines of progress."""
COLUMNS = ("file", "group", "consensus")


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """n rows of F figures; ``truth`` (n, 4, 2) are the casts laid (whole, then tone ranges).

    ``kind`` is ``natural`` for pictures as they came, ``crop`` for their crops,
    the kind of cast for laid ones, and begins with ``rendered.`` (for the fit)
    or ``held.`` (for the report) for rendered scenes. ``worst`` is the largest C* laid in
    any tone range or part of the frame. ``looked`` (n, 2) is the mean cast of two
    looks that both called it evident (columns ``judgement_1``, ``a_1``, ``b_1``
    and likewise 2, where the manifest has them), NaN elsewhere; ``judgements``
    (n, 2) their grades and ``scene`` the manifest's word for the scene, '' where
    it has none. ``eligible`` (n, 2) says whether remarks and count leave a row open
    to ``clear`` and to ``cast``. ``without`` holds the natural rows' figures told
    without each of :data:`autocast.voting.features.HEARD`.
    """

    names: tuple[str, ...]
    features: Floats
    file: NDArray[np.str_]
    group: NDArray[np.str_]
    consensus: NDArray[np.str_]
    kind: NDArray[np.str_]
    truth: Floats
    worst: Floats
    looked: Floats
    scene: NDArray[np.str_]
    judgements: NDArray[np.str_]
    eligible: NDArray[np.bool_]
    without: Mapping[str, Floats]

    @property
    def natural(self) -> NDArray[np.bool_]:
        """Rows of pictures as they came."""
        return np.asarray(self.kind == "natural", dtype=np.bool_)

    @property
    def disagree(self) -> NDArray[np.bool_]:
        """Rows on which two looks were taken and differ."""
        first, second = self.judgements[:, 0], self.judgements[:, 1]
        return np.asarray((first != second) & (first != "") & (second != ""), dtype=np.bool_)


def read_manifest(folder: Path) -> list[dict[str, str]]:
    """The manifest's rows. Raises UnreadablePicture where it is missing or lacks a column."""
    path = folder / "manifest.csv"
    try:
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
    except OSError as error:
        raise UnreadablePicture(
            f"{path} cannot be read; give a folder with a manifest.csv that names "
            f"{', '.join(COLUMNS)}."
        ) from error
    if not rows or not set(COLUMNS) <= set(rows[0]):
        raise UnreadablePicture(f"{path} must have the columns {', '.join(COLUMNS)} and rows.")
    return rows


def gather(folder: Path, seed: int, processes: int, report: Callable[[str], None]) -> Table:
    """Every picture of the manifest as it came, and laid copies of those judged to have none."""
    manifest = read_manifest(folder)
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(processes) as pool:
        many = pool.map(partial(_rows, folder, seed), manifest, chunksize=8)
        for done, some in enumerate(many, start=1):
            rows += some
            if done % REPORT_EVERY == 0 or done == len(manifest):
                report(f"{done} of {len(manifest)} pictures read, {len(rows)} rows")
        for half in STUDIES:
            rows += pool.map(partial(_rendered, seed, half), range(SCENES), chunksize=8)
            report(f"{SCENES} scenes rendered, {len(rows)} rows")
    return tabulate(rows)


def tabulate(rows: Sequence[Mapping[str, Any]]) -> Table:
    """Rows of :func:`_rows` as one table."""
    names = tuple(rows[0]["features"])
    told_without = [row["without"] for row in rows if row["kind"] == "natural"]
    return Table(
        names=names,
        features=np.array([[row["features"][name] for name in names] for row in rows]),
        file=np.array([row["file"] for row in rows]),
        group=np.array([row["group"] for row in rows]),
        consensus=np.array([row["consensus"] for row in rows]),
        kind=np.array([row["kind"] for row in rows]),
        truth=np.array([row["truth"] for row in rows], dtype=np.float64),
        worst=np.array([row["worst"] for row in rows], dtype=np.float64),
        looked=np.array([row["looked"] for row in rows], dtype=np.float64),
        scene=np.array([row["scene"] for row in rows]),
        judgements=np.array([row["judgements"] for row in rows]),
        eligible=np.array([row["eligible"] for row in rows], dtype=np.bool_),
        without={
            kind: np.array([[each[kind][name] for name in names] for each in told_without])
            for kind in (told_without[0] if told_without else ())
        },
    )


def looked(entry: Mapping[str, str]) -> tuple[float, float]:
    """The mean cast of two looks that both called it evident; NaN where they did not."""
    if {entry.get("judgement_1"), entry.get("judgement_2")} != {"evident"}:
        return (np.nan, np.nan)
    a, b = ((float(entry[f"{axis}_1"]) + float(entry[f"{axis}_2"])) / 2 for axis in ("a", "b"))
    return (a, b)


def _rows(folder: Path, seed: int, entry: Mapping[str, str]) -> list[dict[str, Any]]:
    path = folder / entry["file"]
    common = {**_UNKNOWN, **{name: entry[name] for name in COLUMNS}}
    analysis = prepare(path)
    features = _told(analysis)
    natural = {
        "kind": "natural",
        **features,
        "looked": looked(entry),
        "scene": entry.get("scene", ""),
        "judgements": (entry.get("judgement_1", ""), entry.get("judgement_2", "")),
        "without": {kind: leave_out(features["features"], analysis, kind) for kind in ABLATED},
    }
    out = [common | natural]
    rng = np.random.default_rng([seed, zlib.crc32(entry["file"].encode())])
    if entry["consensus"] != "cannot_tell":
        with Image.open(path) as image:
            pixels = np.asarray(image.convert("RGB"))
        crops = (prepare(cropped(pixels, rng)) for _ in range(CROPS))
        out += [common | {"kind": "crop", **_told(crop)} for crop in crops]
        if entry["consensus"] == "none":
            out += [common | row for row in laid_copies(pixels, rng)]
    return out


_UNKNOWN: Mapping[str, Any] = {
    "truth": np.zeros((4, 2)),
    "worst": 0.0,
    "looked": (np.nan, np.nan),
    "scene": "",
    "judgements": ("", ""),
}


def _rendered(seed: int, half: str, number: int) -> dict[str, Any]:
    """A rendered scene with a cast of a kind of SCENE_PLAN."""
    name = f"{half}-{number}"
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    pixels = render(rng, STUDIES[half]).pixels
    kind = SCENE_PLAN[number % len(SCENE_PLAN)]
    row = _copy(pixels, kind, rng)
    prefix = "rendered" if half == "fit" else "held"
    own = {"file": name, "group": f"scene-{name}", "consensus": "none", "kind": f"{prefix}.{kind}"}
    return {**_UNKNOWN, **row, **own}


def laid_copies(pixels: NDArray[np.uint8], rng: np.random.Generator) -> Iterator[dict[str, Any]]:
    """Rows of copies of a picture (H x W x 3, sRGB) with casts laid on, as :data:`PLAN` says."""
    for kind in PLAN:
        yield _copy(pixels, kind, rng)


def _copy(pixels: NDArray[np.uint8], kind: str, rng: np.random.Generator) -> dict[str, Any]:
    """Figures and truth of one copy with a cast of ``kind`` laid on."""
    made = None
    while made is None:
        size = float(rng.uniform(2, 14) if rng.random() < 0.67 else rng.uniform(14, LARGEST))
        if kind in BY_TONE:
            size = min(size, LARGEST_BY_TONE)
        try:
            made = lay(pixels, rng, kind, size, float(rng.uniform(0, 2 * np.pi)))
        except ValueError:
            continue  # no light lays that cast; draw another
    analysis = prepare(made.data)
    features = _told(analysis)
    if rng.random() < LEFT_OUT:
        kind_left = str(rng.choice(ABLATED))
        features["features"] = leave_out(features["features"], analysis, kind_left)
    return {
        "kind": kind,
        "truth": np.array([made.whole, *made.tones]),
        "worst": max(made.part, *(float(np.hypot(*tone)) for tone in made.tones)),
        **features,
    }


def _told(analysis: Analysis) -> dict[str, Any]:
    """What a row tells of its picture."""
    # Whether tones or parts lie apart the trees will say, once they are grown.
    earned = remarks(analysis, tones_apart=False, parts_apart=False)
    return {
        "features": extract(analysis),
        "eligible": eligibility(analysis, earned),
    }
