"""The study of hints and moves: what it lays, what it hints at, and how it counts."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from PIL import Image

from autocast.colour import linear_to_lab
from autocast.evaluation import second_opinion
from autocast.evaluation.second_opinion import Fold, figures, study
from autocast.judging import examine
from autocast.modelstore import default_models
from autocast.report.figures import figures_text
from autocast.training.simulation import lay_cast
from tests.photographs import pixels


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    folder = tmp_path_factory.mktemp("clean")
    Image.fromarray(pixels("china")[::2, ::2]).save(folder / "china.png")
    return study(folder, [Fold(default_models(), ["china.png"])], 1, 1, lambda _: None)


@pytest.mark.slow
def test_every_kind_is_simulated_judged_corrected_and_hinted_at(rows: list[dict[str, Any]]) -> None:
    assert {row["kind"] for row in rows} <= set(second_opinion.KINDS)
    assert len(rows) >= 3
    for row in rows:
        assert row["before"] > 2
        assert row["lightness"][0] <= 0.5
        assert row["lightness"][1] <= 1.5
    assert set().union(*(row["hints"] for row in rows)) == {"neutral", "nearly", "any", "false"}
    near = [row for row in rows if "nearly" in row["hints"]]
    hinted = [row["hints"]["nearly"]["error"] for row in near]
    assert np.mean(hinted) < np.mean([row["error"] for row in near]) - 1
    false = [hint for row in rows for name, hint in row["hints"].items() if name == "false"]
    doubted = [hint for hint in false if hint["doubted"]]
    assert doubted
    assert {hint["verdict"] for hint in doubted} == {"ask"}
    assert np.median([hint["error"] for hint in false]) > 10


def test_spots_are_what_they_are_called() -> None:
    picture, draw = pixels("china")[::2, ::2], [1, 5]
    copy = second_opinion._simulated(picture, draw, "gain")
    assert copy is not None
    assert np.hypot(*copy.whole) >= second_opinion.LEAST - 0.5
    twin = examine(lay_cast(picture, np.random.default_rng(draw), "none", 0.0, 0.0).data)
    found = examine(copy.data)
    lab = linear_to_lab(twin.picture.pixels)
    tall, wide = lab.shape[:2]
    spots = dict(second_opinion._spots(twin, found, np.random.default_rng(2)))
    assert set(spots) == {"neutral", "nearly", "any", "false"}
    for name, hint in spots.items():
        y = int(hint.y / found.picture.height * tall)
        x = int(hint.x / found.picture.width * wide)
        half = round(second_opinion.SPOT * max(tall, wide))
        square = lab[y - half : y + half + 1, x - half : x + half + 1, 1:]
        chroma = np.hypot(*square.mean(axis=(0, 1)))
        if name == "false":
            assert chroma >= second_opinion.COLOURED - 0.01
        else:
            most = second_opinion.NEUTRAL if name == "neutral" else second_opinion.NEARLY
            assert chroma < most + 0.01


def row(kind: str, *, written: bool, residual: float, verdict: str = "cast") -> dict[str, Any]:
    hint = {"error": 1.5, "doubted": False, "verdict": "cast", "residual": 0.1}
    false = {"error": 20.0, "doubted": True, "verdict": "ask", "residual": 1.4}
    return {
        "file": f"{kind}.jpg", "kind": kind, "error": 6.0, "verdict": verdict, "written": written,
        "residual": residual, "before": 10.0, "after": 20.0 * residual, "lightness": (0.1, 0.6),
        "size": 16.0, "passed": residual < 0.5, "failed": residual >= 0.5, "sure": 0.9,
        "raised": [0.01, 0.05] if kind == "gain" else [],
        "hints": {"neutral": hint, "any": None, "false": false},
    }  # fmt: skip


def test_what_is_not_written_counts_as_uncorrected() -> None:
    rows = [
        row("gain", written=True, residual=0.2),
        row("gain", written=True, residual=0.6),
        row("offset", written=False, residual=0.3, verdict="ask"),
        row("offset", written=False, residual=0.4, verdict="clear"),
        row("offset", written=False, residual=0.3, verdict="ask"),
    ]
    group = {each["file"]: each["file"] for each in rows}
    found = figures(rows, group, 1)
    every, gain, offset = (found["mend"][kind] for kind in ("all", "gain", "offset"))
    assert every["written"]["value"] == pytest.approx(0.4)
    assert every["nearer"] | {"interval": None} == {"n": 2, "value": 0.5, "interval": None}
    assert (every["over_all"]["value"], offset["over_all"]["value"]) == (1, 1)
    assert gain["residual"]["value"] == pytest.approx(0.2)
    assert offset["residual"] is None
    assert offset["best_guess"] | {"interval": None} == {"n": 2, "value": 0.3, "interval": None}
    assert "power" not in found["mend"]
    proof = found["proof"]["all"]
    assert proof["passed"]["value"] == pytest.approx(0.2)
    assert (proof["passed"]["n"], proof["right"]["n"], proof["failed"]["n"]) == (5, 1, 2)
    assert proof["right"]["value"] == 1
    assert (proof["failed"]["value"], proof["failed_nearer"]["value"]) == (0.5, 0)
    assert proof["nearer"]["value"] == 0.5
    assert found["hints"]["all"]["faultless"]["raised"]["value"] == 0.5
    hints = found["hints"]["all"]
    assert hints["neutral"]["error"]["value"] == pytest.approx(1.5)
    assert hints["any"]["error"] is None
    assert hints["false"]["doubted"]["value"] == 1
    json.dumps(found, allow_nan=False)


def test_the_study_is_shown_within_80_columns() -> None:
    rows = [row(k, written=True, residual=0.2) for k in second_opinion.KINDS]
    found = figures(rows, {each["file"]: each["file"] for each in rows}, 1)
    head = {"pictures": 4, "groups": 4, "fit": "none", "model": "x", "simulated": {}}
    text = figures_text(
        {**head, "by_tone": None, "kinds": None, "spreads": None, "second_opinion": found}
    )
    assert max(map(len, text.splitlines())) <= 80
    assert "Copies corrected" in text
    assert "A spot called neutral" in text
