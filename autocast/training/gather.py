"""A folder of judged photographs -> one table of features, natural and with casts simulated.

The folder holds ``manifest.csv`` with at least the columns ``file``, ``group``
and ``consensus`` (none, doubtful, slight, evident or cannot_tell). Every judged
picture is read as it came and more than once cropped; known casts are laid over those
judged to have none; and scenes are rendered from spectra, whose truth no
photograph's history can blur.
"""

from __future__ import annotations

import csv
import io
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from autocast.advisor.gates import kept_from, remarks
from autocast.advisor.risk import CONSENSUS
from autocast.archive.workers import end_with_parent
from autocast.errors import UnreadablePicture
from autocast.judging import prepare
from autocast.modelstore import TARGETS, Models
from autocast.picture.reading import open_file
from autocast.rendering.scenes import STUDIES, render
from autocast.training.simulation import LARGEST, cropped, lay_cast
from autocast.voting.analysis import Analysis
from autocast.voting.features import ABLATED, extract, leave_out

Floats = NDArray[np.floating[Any]]
T = TypeVar("T")

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
"""Kinds of cast simulated on each picture judged to have none."""
CROPS = 4
"""Crops of every judged picture."""
BY_TONE = frozenset({"crossed", "shadows", "midtones", "highlights"})
"""Kinds of cast that differ by tone."""
SCENES = 500
"""Scenes rendered for the fit, and as many of other studies' spectra for the report."""
SCENE_PLAN = ("none", "gain", "none", "crossed", "gain", "part", "none", "midtones")
"""Kinds of cast simulated on rendered scenes, in turn."""
LEFT_OUT = 0.12
"""Share of simulated casts without one kind of evidence, so that trees learn to do without."""
LARGEST_BY_TONE = 20.0
"""Largest C* of a cast that differs by tone: beyond, no film or scanner goes."""
REPORT_EVERY = 10.0
"""Seconds between two lines of progress (project convention)."""
VERDICTS = ("clear", "cast")
"""The verdicts that a rule may keep a picture from, in the order of tables."""
COLUMNS = ("file", "group", "consensus")
"""What the manifest must have of each picture."""
UNJUDGED: Mapping[str, Any] = {
    "consensus": "",
    "truth": np.zeros((len(TARGETS), 2)),
    "worst": 0.0,
    "looked": (np.nan, np.nan),
    "scene": "",
    "judgements": ("", ""),
}
"""What a row has of which nothing else is known."""


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """n rows of F features; ``truth`` (n, 4, 2) are the casts simulated, of each target.

    ``kind`` is ``natural`` for pictures as they came, ``crop`` for their crops,
    the kind of cast for simulated ones, and begins with ``rendered.`` (for the fit)
    or ``held.`` (for the report) for rendered scenes. ``worst`` is the largest C* in
    any tone range or part of the frame. ``looked`` (n, 2) is the mean cast of two
    looks that both called it evident (columns ``judgement_1``, ``a_1``, ``b_1``
    and likewise 2, where the manifest has them), NaN elsewhere; ``judgements``
    (n, 2) their grades and ``scene`` the manifest's name for the scene, '' where
    it has none. ``rules`` say by name which rows (n, 2) each keeps from ``clear`` and
    from ``cast``, ``monochrome`` (n,) which rows are black and white.
    ``without`` holds the natural rows' features without each of
    :data:`autocast.voting.features.ABLATED`.
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
    rules: Mapping[str, NDArray[np.bool_]]
    monochrome: NDArray[np.bool_]
    without: Mapping[str, Floats]

    @property
    def natural(self) -> NDArray[np.bool_]:
        """Rows of pictures as they came."""
        return np.asarray(self.kind == "natural", dtype=np.bool_)

    @property
    def eligible(self) -> NDArray[np.bool_]:
        """Which rows (n, 2) no rule keeps from ``clear`` and from ``cast``."""
        kept = np.zeros((len(self.file), len(VERDICTS)), dtype=np.bool_)
        for keeps in self.rules.values():
            kept |= keeps
        return ~kept

    @property
    def disagree(self) -> NDArray[np.bool_]:
        """Rows on which two looks were taken and differ."""
        first, second = self.judgements[:, 0], self.judgements[:, 1]
        return np.asarray((first != second) & (first != "") & (second != ""), dtype=np.bool_)


def read_manifest(folder: Path) -> list[dict[str, str]]:
    """The manifest's rows. Raises UnreadablePicture where it cannot be read or understood."""
    path = folder / "manifest.csv"
    try:
        with io.TextIOWrapper(open_file(path), "utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise UnreadablePicture(
            f"{path} cannot be read; give a folder with a manifest.csv that names "
            f"{', '.join(COLUMNS)}."
        ) from error
    if not rows or not set(COLUMNS) <= set(rows[0]):
        raise UnreadablePicture(f"{path} must have the columns {', '.join(COLUMNS)} and rows.")
    for row in rows:
        if row["consensus"] not in CONSENSUS:
            raise UnreadablePicture(
                f"{path} has {row['consensus']!r} as the consensus of {row['file']}; "
                f"give one of {', '.join(CONSENSUS)}."
            )
    return rows


def gather(
    folder: Path, seed: int, processes: int, report: Callable[[str], None], models: Models
) -> Table:
    """Every picture of the manifest as it came, and simulated casts on those judged to have none.

    Features are those that ``models`` make: their densities, weights and network.
    """
    manifest = read_manifest(folder)
    report("Reading every picture, and simulating casts on those judged to have none.")
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(processes, initializer=end_with_parent) as pool:
        many = pool.map(partial(_rows, folder, seed, models), manifest)
        for some in counted(
            many, len(manifest), lambda done: report(f"{done} pictures read, {len(rows)} rows")
        ):
            rows.extend(some)
        for half in STUDIES:
            made = pool.map(partial(rendered, seed, half, models), range(SCENES), chunksize=8)
            words = f"scenes rendered for the {half}"
            rows.extend(counted(made, SCENES, partial(_say_of, report, words)))
            report(f"{len(rows)} rows")
    return tabulate(rows)


def _say_of(report: Callable[[str], None], words: str, done: str) -> None:
    report(f"{done} {words}")


def counted(many: Iterable[T], count: int, say: Callable[[str], None]) -> Iterator[T]:
    """Pass on each of ``count`` things, and say at times how many have been worked on."""
    told = time.monotonic()
    for done, each in enumerate(many, start=1):
        yield each
        if done == count or time.monotonic() - told >= REPORT_EVERY:
            told = time.monotonic()
            say(f"{done} of {count}")


def awaited(futures: Sequence[Future[T]], say: Callable[[int], None]) -> Iterator[T]:
    """Results in their order; while one is waited for, say at times how many are done."""
    for future in futures:
        while not wait([future], timeout=REPORT_EVERY).done:
            say(sum(each.done() for each in futures))
        yield future.result()


def tabulate(rows: Sequence[Mapping[str, Any]]) -> Table:
    """Rows of :func:`simulated_casts`, or of pictures as they came, as one table."""
    names = tuple(rows[0]["features"])
    ablated = [row["without"] for row in rows if row["kind"] == "natural"]

    def values(many: Sequence[Mapping[str, float]]) -> Floats:
        return np.array([[each[name] for name in names] for each in many])

    def column(name: str, dtype: type | None = None) -> NDArray[Any]:
        return np.array([row[name] for row in rows], dtype=dtype)

    return Table(
        names=names,
        features=values([row["features"] for row in rows]),
        file=column("file"),
        group=column("group"),
        consensus=column("consensus"),
        kind=column("kind"),
        truth=column("truth", np.float64),
        worst=column("worst", np.float64),
        looked=column("looked", np.float64),
        scene=column("scene"),
        judgements=column("judgements"),
        rules={
            rule: np.array([np.isin(VERDICTS, row["kept_from"].get(rule, ())) for row in rows])
            for rule in sorted({rule for row in rows for rule in row["kept_from"]})
        },
        monochrome=column("monochrome", np.bool_),
        without={
            kind: values([each[kind] for each in ablated])
            for kind in (ablated[0] if ablated else ())
        },
    )


def looked(entry: Mapping[str, str]) -> tuple[float, float]:
    """The mean cast of two looks that both called it evident; NaN where they did not.

    NaN, too, where a look left its figures empty: it saw a cast and could not say which.
    Raises UnreadablePicture where the manifest does not hold both casts.
    """
    if {entry.get("judgement_1"), entry.get("judgement_2")} != {"evident"}:
        return (np.nan, np.nan)
    if any(entry.get(f"a_{look}") == entry.get(f"b_{look}") == "" for look in (1, 2)):
        return (np.nan, np.nan)
    try:
        a, b = ((float(entry[f"{axis}_1"]) + float(entry[f"{axis}_2"])) / 2 for axis in "ab")
    except (KeyError, TypeError, ValueError) as error:
        raise UnreadablePicture(
            f"manifest.csv calls {entry['file']} evident twice; give numbers as its "
            "a_1, b_1, a_2 and b_2, or leave both of a look empty."
        ) from error
    return (a, b)


def _rows(
    folder: Path, seed: int, models: Models, entry: Mapping[str, str]
) -> list[dict[str, Any]]:
    path = folder / entry["file"]
    common = {**UNJUDGED, **{name: entry[name] for name in COLUMNS}}
    analysis = prepare(path, models)
    found = found_of(analysis)
    natural = {
        "kind": "natural",
        **found,
        "looked": looked(entry),
        "scene": entry.get("scene", ""),
        "judgements": (entry.get("judgement_1", ""), entry.get("judgement_2", "")),
        "without": {kind: leave_out(found["features"], analysis, kind) for kind in ABLATED},
    }
    out = [common | natural]
    rng = np.random.default_rng([seed, zlib.crc32(entry["file"].encode())])
    if entry["consensus"] != "cannot_tell":
        with Image.open(path) as image:
            pixels = np.asarray(image.convert("RGB"))
        crops = (prepare(cropped(pixels, rng), models) for _ in range(CROPS))
        out += [common | {"kind": "crop", **found_of(crop)} for crop in crops]
        if entry["consensus"] == "none":
            out += [common | row for row in simulated_casts(pixels, rng, models)]
    return out


def rendered(seed: int, half: str, models: Models, number: int) -> dict[str, Any]:
    """The row of a rendered scene of one half of the spectra, with a cast of SCENE_PLAN's kinds."""
    name = f"{half}-{number}"
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    pixels = render(rng, STUDIES[half]).pixels
    kind = SCENE_PLAN[number % len(SCENE_PLAN)]
    row = _copy(pixels, kind, rng, models)
    prefix = "rendered" if half == "fit" else "held"
    own = {"file": name, "group": f"scene-{name}", "consensus": "none", "kind": f"{prefix}.{kind}"}
    return {**UNJUDGED, **row, **own}


def simulated_casts(
    pixels: NDArray[np.uint8], rng: np.random.Generator, models: Models
) -> Iterator[dict[str, Any]]:
    """Rows of copies of a picture (H x W x 3, sRGB) with the casts of :data:`PLAN`."""
    for kind in PLAN:
        yield _copy(pixels, kind, rng, models)


def _copy(
    pixels: NDArray[np.uint8], kind: str, rng: np.random.Generator, models: Models
) -> dict[str, Any]:
    """What is found in one copy with a cast of ``kind``, and its truth."""
    made = None
    while made is None:
        size = float(rng.uniform(2, 14) if rng.random() < 0.67 else rng.uniform(14, LARGEST))
        if kind in BY_TONE:
            size = min(size, LARGEST_BY_TONE)
        try:
            made = lay_cast(pixels, rng, kind, size, float(rng.uniform(0, 2 * np.pi)))
        except ValueError:
            continue  # no light lays that cast; draw another
    analysis = prepare(made.data, models)
    found = found_of(analysis)
    if rng.random() < LEFT_OUT:
        kind_left = str(rng.choice(ABLATED))
        found["features"] = leave_out(found["features"], analysis, kind_left)
    return {
        "kind": kind,
        "truth": np.array([made.whole, *made.tones]),
        "worst": max(made.part, *(float(np.hypot(*tone)) for tone in made.tones)),
        **found,
    }


def found_of(analysis: Analysis) -> dict[str, Any]:
    """What a row holds of its picture's analysis."""
    return {
        "features": extract(analysis),
        "kept_from": kept_from(remarks(analysis)),
        "monochrome": analysis.character.monochrome,
    }
