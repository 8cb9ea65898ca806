"""What hints and moves are worth: known casts, hints of known truth, copies set beside the truth.

Casts are simulated on photographs judged to have none. Each is judged by models
that were grown, calibrated and given their thresholds on other groups. The
uncast twin went through the same chain (see simulation.py), so that what a spot
truly is, and what the copy should be, are known.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import uniform_filter

from autocast.archive.workers import end_with_parent
from autocast.colour import linear_to_lab, srgb_to_linear
from autocast.correction import corrected, plan, prove, refusal
from autocast.errors import HintError
from autocast.evaluation.resampling import Draws, Statistic, mean, median
from autocast.judgement import Hint
from autocast.judging import Examination, examine
from autocast.modelstore import Models
from autocast.training.gather import counted
from autocast.training.simulation import Simulated, lay_cast

Floats = NDArray[np.floating[Any]]

# What is simulated and which spots are hinted at is this project's own choice.
KINDS = ("gain", "offset", "power", "crossed")
"""Kinds of cast simulated: linear gain, offset, power, crossed by tone."""
SIZES = (12.0, 28.0)
"""C* simulated at L* 60."""
LARGEST_CROSSED = 20.0
"""The same of casts crossed by tone."""
LEAST = 12.0
"""C* that a simulated cast must reach over the whole or in a tone range to be counted."""
DRAWS = 20
"""Casts drawn until one reaches it."""
PICTURES = 60
"""Photographs of each fold."""
SPOT = 0.01
"""Half the side of a spot, as a share of the long side (a hint's own radius)."""
NEUTRAL, NEARLY = 1.0, 2.0
"""C* below which a spot is a true neutral, and below which it nearly is.

Common practice, no source: a neutral is called green or magenta from 1 to 3 on."""
EVEN = 3.0
"""How much a neutral spot's pixels may differ in a* or b*."""
COLOURED, MOTTLED = 25.0, 8.0
"""C* from which calling a spot neutral is false, and how much its pixels may differ."""
READ = (15.0, 92.0)
"""L* within which a spot is chosen."""
UNCLIPPED = (0.05, 0.95)
"""Encoded values of a spot's pixels in the cast copy."""
PROVEN = (14.0, 18.0)
"""C* of the casts, of about 16, on which the proof is measured."""
CLEARLY = 1.0
"""CIEDE2000 by which a copy is clearly nearer: just noticeable (common practice, no source)."""
RAISED = 0.03
"""What a true hint may add to the probability of a picture without a cast."""
MIDDLE = 60.0
"""L* near which a careful person would look for a neutral."""


@dataclass(frozen=True, slots=True)
class Fold:
    """Models, and the photographs of whose groups they saw none."""

    models: Models
    files: Sequence[str]


def study(
    photographs: Path,
    folds: Sequence[Fold],
    seed: int,
    processes: int,
    report: Callable[[str], None],
) -> list[dict[str, Any]]:
    """Judge, correct and hint at every photograph with every kind of cast.

    Parameters
    ----------
    photographs : Path
        The folder they lie in.
    folds : sequence of Fold
        Which photographs, and the models for them.
    seed : int
        The same seed simulates the same casts.
    processes : int
        In how many it is worked.
    report : callable
        Is given lines of progress.

    Returns
    -------
    list of dict
        A row for each copy, for :func:`figures`.
    """
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(processes, initializer=end_with_parent) as pool:
        for k, fold in enumerate(folds, start=1):
            work = partial(_rows, photographs, seed, fold.models)
            say = partial(_say_of, report, f"second opinion, fold {k} of {len(folds)}")
            for some in counted(pool.map(work, fold.files), len(fold.files), say):
                rows += some
    return rows


def _say_of(report: Callable[[str], None], what: str, done: str) -> None:
    report(f"{what}: {done} pictures")


def figures(
    rows: Sequence[Mapping[str, Any]], group: Mapping[str, str], seed: int
) -> dict[str, Any]:
    """What corrections and hints are worth.

    What a person would be asked about counts as not written; ``over_all`` is the median
    residual with 1 for each copy that is not written, ``best_guess`` that of all not
    called clear.

    Parameters
    ----------
    rows : sequence of dict
        As of :func:`study`.
    group : dict of str
        The group of each file.
    seed : int
        Of the draws.

    Returns
    -------
    dict
        ``mend``, ``proof`` and ``hints``, each by kind of cast and over all; every cell is a figure
        of :mod:`autocast.evaluation.resampling`.
    """
    out: dict[str, Any] = {"mend": {}, "proof": {}, "hints": {}}
    for kind in (*KINDS, "all"):
        some = [row for row in rows if kind in ("all", row["kind"])]
        if some:
            out["mend"][kind] = _mend(some, group, seed)
            out["proof"][kind] = _proof(some, group, seed)
            out["hints"][kind] = _hints(some, group, seed)
    return out


def _cell(
    rows: Sequence[Mapping[str, Any]],
    statistic: Callable[[Floats], Statistic],
    what: Callable[[Mapping[str, Any]], float],
    *,
    group: Mapping[str, str],
    seed: int,
) -> dict[str, Any] | None:
    """A statistic of one value of each row; None where there are no rows."""
    if not rows:
        return None
    drawn = Draws(np.array([group[row["file"]] for row in rows]), seed)
    return drawn.cell(statistic(np.array([float(what(row)) for row in rows])))


def _mend(rows: Sequence[Mapping[str, Any]], group: Mapping[str, str], seed: int) -> dict[str, Any]:
    cell = partial(_cell, group=group, seed=seed)
    written = [row for row in rows if row["written"]]
    unclear = [row for row in rows if row["verdict"] != "clear"]

    def nearer(row: Mapping[str, Any]) -> bool:
        return bool(row["after"] < row["before"])

    return {
        "written": cell(rows, mean, itemgetter("written")),
        "clear": cell(rows, mean, lambda r: r["verdict"] == "clear"),
        "nearer": cell(written, mean, nearer),
        "residual": cell(written, median, itemgetter("residual")),
        "before": cell(written, median, itemgetter("before")),
        "after": cell(written, median, itemgetter("after")),
        "over_all": cell(rows, median, lambda r: r["residual"] if r["written"] else 1),
        "best_guess": cell(unclear, median, itemgetter("residual")),
        "best_guess_nearer": cell(unclear, mean, nearer),
        "lightness": cell(rows, mean, lambda r: r["lightness"][0]),
        "lightness_most": cell(rows, _largest, lambda r: r["lightness"][1]),
    }


def _proof(
    rows: Sequence[Mapping[str, Any]], group: Mapping[str, str], seed: int
) -> dict[str, Any]:
    """Of casts of about C* 16 the share ``passed``; of all copies, what the proof says of them."""
    cell = partial(_cell, group=group, seed=seed)
    low, high = PROVEN
    about = [row for row in rows if low <= row["size"] < high]
    written = [row for row in rows if row["written"]]
    sure = [row for row in written if row["passed"]]
    return {
        "passed": cell(about, mean, lambda r: r["written"] and r["passed"]),
        "right": cell(sure, mean, lambda r: r["after"] < r["before"]),
        "failed": cell(written, mean, itemgetter("failed")),
        "failed_nearer": cell(
            written, mean, lambda r: r["failed"] and r["after"] < r["before"] - CLEARLY
        ),
        "sure": cell(written, mean, itemgetter("sure")),
        "nearer": cell(written, mean, lambda r: r["after"] < r["before"]),
    }


def _hints(
    rows: Sequence[Mapping[str, Any]], group: Mapping[str, str], seed: int
) -> dict[str, Any]:
    cell = partial(_cell, group=group, seed=seed)
    out: dict[str, Any] = {}
    for name in ("neutral", "nearly", "any", "false"):
        some = [
            {"file": r["file"], "unhinted": r["error"], **r["hints"][name]}
            for r in rows
            if r["hints"].get(name)
        ]
        out[name] = {
            "unhinted": cell(some, median, itemgetter("unhinted")),
            "error": cell(some, median, itemgetter("error")),
            "doubted": cell(some, mean, itemgetter("doubted")),
            "ask": cell(some, mean, lambda r: r["verdict"] == "ask"),
            "cast": cell(some, mean, lambda r: r["verdict"] == "cast"),
            "residual": cell(some, median, itemgetter("residual")),
        }
    raised = [{"file": row["file"], "by": by} for row in rows for by in row["raised"]]
    out["faultless"] = {
        "raised": cell(raised, mean, lambda r: r["by"] > RAISED),
    }
    return out


def _largest(values: Floats) -> Statistic:
    """The largest value of those drawn."""
    return lambda weights: np.where(weights > 0, values, -np.inf).max(axis=1)


def _rows(photographs: Path, seed: int, models: Models, file: str) -> list[dict[str, Any]]:
    with Image.open(photographs / file) as image:
        pixels = np.asarray(image.convert("RGB"))
    rows: list[dict[str, Any]] = []
    for kind in KINDS:
        draw = [seed, zlib.crc32(f"{file} {kind}".encode())]
        copy = _simulated(pixels, draw, kind)
        if copy is None:
            continue
        uncast = lay_cast(pixels, np.random.default_rng(draw), "none", 0.0, 0.0)
        twin, found = (examine(each.data, models=models, explain=False) for each in (uncast, copy))
        if found.picture.encoded.shape != twin.picture.encoded.shape:
            continue  # a border that only one of them shows
        rng = np.random.default_rng([*draw, 1])
        spots = dict(_spots(twin, found, rng))
        rows.append(
            {
                "file": file,
                "kind": kind,
                "size": float(np.hypot(*np.array((copy.whole, *copy.tones)).T).max()),
                **_corrected(found, twin, copy, models),
                "hints": {n: _hinted(copy, hint, models) for n, hint in spots.items()},
                # Each picture is without a cast once, whatever is then laid over it.
                "raised": [] if rows else list(_raised(uncast.data, twin, spots, models)),
            }
        )
    return rows


def _raised(
    picture: bytes, twin: Examination, spots: Mapping[str, Hint], models: Models
) -> Iterator[float]:
    """What true hints add to the probability of a picture without a cast."""
    for name in ("neutral", "any"):
        try:
            hinted = examine(picture, [spots[name]], models=models, explain=False)
        except (KeyError, HintError):
            continue
        yield hinted.judgement.probability - twin.judgement.probability


def _simulated(pixels: NDArray[np.uint8], draw: Sequence[int], kind: str) -> Simulated | None:
    """A cast copy, of the same chain as any other of ``draw``; None where none was large enough."""
    rng = np.random.default_rng([*draw, 0])
    most = min(SIZES[1], LARGEST_CROSSED) if kind == "crossed" else SIZES[1]
    for _ in range(DRAWS):
        size, angle = float(rng.uniform(SIZES[0], most)), float(rng.uniform(0, 2 * np.pi))
        try:
            copy = lay_cast(pixels, np.random.default_rng(draw), kind, size, angle)
        except ValueError:
            continue  # no light lays that cast
        if max(float(np.hypot(*cast)) for cast in (copy.whole, *copy.tones)) >= LEAST:
            return copy
    return None


def _corrected(
    found: Examination, twin: Examination, copy: Simulated, models: Models
) -> dict[str, Any]:
    """What the move does to the copy, written or not, and what is said of it."""
    from colour.difference import delta_E_CIE2000

    move = plan(found)
    # As a file of 8 bits would hold it.
    codes = np.rint(corrected(found.picture, move) * 255).astype(np.uint8)
    proof = prove(found, examine(codes, models=models, explain=False), move)
    before, after, truth = (
        linear_to_lab(srgb_to_linear(encoded))
        for encoded in (found.picture.encoded, codes / 255, twin.picture.encoded)
    )
    clipped = (found.picture.encoded >= 1).any(axis=-1)
    lightness = np.abs(after[..., 0] - before[..., 0])[~clipped]
    off = [float(delta_E_CIE2000(truth, shown).mean()) for shown in (before, after)]
    return {
        "error": _error(found, copy),
        "verdict": found.judgement.verdict,
        "written": not refusal(found.judgement, move, best_guess=False),
        "passed": proof.passed,
        "failed": proof.failed,
        "sure": proof.nearer,
        "residual": _residual(move.casts, copy),
        "before": off[0],
        "after": off[1],
        "lightness": (float(lightness.mean()), float(np.quantile(lightness, 0.99))),
    }


def _error(found: Examination, copy: Simulated) -> float:
    """How far the quoted cast lies from the truth, C*."""
    cast = found.judgement.cast
    return float(np.hypot(cast.a - copy.whole[0], cast.b - copy.whole[1]))


def _residual(casts: Sequence[Sequence[float]], copy: Simulated) -> float:
    """What is left of the simulated cast, as a share: mean C* over the tone ranges."""
    tones = np.array(copy.tones)
    left = np.hypot(*(tones - np.array(casts)).T).mean()
    return float(left / np.hypot(*tones.T).mean())


def _hinted(copy: Simulated, hint: Hint, models: Models) -> dict[str, Any] | None:
    """What becomes of the judgement once a spot is called neutral; None where it cannot be read."""
    try:
        found = examine(copy.data, [hint], models=models, explain=False)
    except HintError:
        return None
    return {
        "error": _error(found, copy),
        "doubted": "hint_doubted" in found.judgement.remarks,
        "verdict": found.judgement.verdict,
        "residual": _residual(plan(found).casts, copy),
    }


def _spots(
    twin: Examination, found: Examination, rng: np.random.Generator
) -> Iterator[tuple[str, Hint]]:
    """Spots called neutral: a true and a near one by the middle tones, any near one, a colour."""
    lab = linear_to_lab(twin.picture.pixels)
    tall, wide = lab.shape[:2]
    half = max(2, round(SPOT * max(tall, wide)))
    window = 2 * half + 1
    level = np.stack([uniform_filter(lab[..., c], window) for c in range(3)], axis=-1)
    square = np.stack([uniform_filter(lab[..., c] ** 2, window) for c in (1, 2)], axis=-1)
    spread = np.sqrt(np.maximum(square - level[..., 1:] ** 2, 0)).max(axis=-1)
    low, high = UNCLIPPED
    held = ((found.picture.encoded > low) & (found.picture.encoded < high)).all(axis=-1)
    usable = uniform_filter((held & found.picture.opaque).astype(float), window) > 0.99
    usable &= (level[..., 0] > READ[0]) & (level[..., 0] < READ[1])
    usable[: 2 * half] = usable[-2 * half :] = False
    usable[:, : 2 * half] = usable[:, -2 * half :] = False
    chroma = np.hypot(level[..., 1], level[..., 2])
    grey = usable & (spread < EVEN)
    for name, most in (("neutral", NEUTRAL), ("nearly", NEARLY)):
        spots = np.argwhere(grey & (chroma < most))
        if len(spots):
            lightness = level[spots[:, 0], spots[:, 1], 0]
            yield name, _hint(found, spots[np.abs(lightness - MIDDLE).argmin()])
    anywhere = np.argwhere(grey & (chroma < NEARLY))
    if len(anywhere):
        yield "any", _hint(found, anywhere[rng.integers(len(anywhere))])
    coloured = np.argwhere(usable & (chroma >= COLOURED) & (spread < MOTTLED))
    if len(coloured):
        yield "false", _hint(found, coloured[rng.integers(len(coloured))])


def _hint(found: Examination, place: NDArray[np.intp]) -> Hint:
    picture = found.picture
    tall, wide = picture.opaque.shape
    across = picture.frame.x + (place[1] + 0.5) / wide * picture.frame.width
    down = picture.frame.y + (place[0] + 0.5) / tall * picture.frame.height
    return Hint("neutral", float(across * picture.width), float(down * picture.height))
