"""What people decided, as a table and as a manifest to fit and measure on."""

from __future__ import annotations

import csv
import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from autocast.archive.decisions import Wish, decide, undo
from autocast.archive.grades import Manifest, export_decisions, write_manifest
from autocast.archive.ledger import Ledger
from autocast.errors import OutputError
from autocast.judgement import Hint
from autocast.training.gather import gather, looked, read_manifest
from tests import ledgers

NAMES = [b"one/=a.png", b"one/b.png", b"two/c.png", b"two/d.png", b"two/not-utf8-\xff.png"]


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    path = ledgers.build(tmp_path, NAMES, ledgers.cycle(5))
    with Ledger.share(path) as ledger:
        for picture, decision, person in (
            (1, "cast", "Ada"), (1, "cast", "Ben"), (1, "fine", "Cy"),
            (2, "fine", "Ada"), (2, "cast", "Ben"),
            (3, "meant_so", "Ben"), (3, "cant_tell", "Ada"),
            (4, "fine", "Ada"), (4, "cast", "Ada"), (5, "fine", "Ada"),
        ):  # fmt: skip
            decide(ledger, Wish(picture, decision, person, note=f"=note {picture}"))
        undo(ledger, "Ada")
        decide(ledger, Wish(5, "fine", "Ada", hints=(Hint("neutral", 1, 2),)))
    return path


def test_a_manifest_has_two_peoples_grades(archive: Path, tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    with Ledger.read(archive) as ledger:
        assert write_manifest(ledger, folder) == Manifest(4, ("Ada", "Ben"), 1)  # one has no text
        row = ledger.row(1)
        with pytest.raises(OutputError, match="exists already"):
            write_manifest(ledger, folder)
        write_manifest(ledger, folder, force=True)
    rows = {Path(each["file"]).name: each for each in read_manifest(folder)}
    said = {name: (r["consensus"], r["judgement_1"], r["judgement_2"]) for name, r in rows.items()}
    assert said == {
        "=a.png": ("evident", "evident", "evident"),
        "b.png": ("slight", "none", "evident"),
        "c.png": ("cannot_tell", "cannot_tell", "none"),
        "d.png": ("evident", "evident", ""),
    }
    assert float(rows["=a.png"]["b_1"]) == pytest.approx(row.b, abs=0.01)
    assert {r["group"] for r in rows.values()} == {
        str(tmp_path / "archive" / name) for name in ("one", "two")
    }
    assert Path(rows["=a.png"]["file"]).is_file()


def test_a_cast_that_was_not_estimated_has_no_figures(tmp_path: Path) -> None:
    """The person saw one; the tool's own reading of none is not what they saw."""
    said = ledgers.cycle(3)
    small, large = (replace(said[0], cast=replace(said[0].cast, a=a, b=0.1)) for a in (5.9, 6.0))
    archive = ledgers.build(tmp_path, [b"a/small.png", b"b/large.png"], [small, large], failures=0)
    with Ledger.share(archive) as ledger:
        for person in ("Ada", "Ben"):
            for picture in (1, 2):
                decide(ledger, Wish(picture, "cast", person))
        decide(ledger, Wish(2, "cast", "Cy", cast=(0.36, -0.03)))  # hints left nothing of it
        write_manifest(ledger, tmp_path / "mine")
        export_decisions(ledger, tmp_path / "d.csv")
    rows = {Path(each["file"]).name: each for each in read_manifest(tmp_path / "mine")}
    figures = {name: [row[key] for key in ("a_1", "b_1")] for name, row in rows.items()}
    assert figures == {"small.png": ["", ""], "large.png": ["6.0", "0.1"]}
    assert np.isnan(looked(rows["small.png"])).all()
    assert looked(rows["large.png"]) == (6.0, 0.1)
    with (tmp_path / "d.csv").open(encoding="utf-8-sig", newline="") as file:
        found = [(row["cast_a"], row["cast_b"]) for row in csv.DictReader(file)]
    assert found == [("", ""), ("6.0", "0.1"), ("", ""), ("6.0", "0.1"), ("", "")]


def test_train_reads_the_manifest_where_the_pictures_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from autocast.modelstore import default_models

    archive = ledgers.build(tmp_path, [b"a.png", b"b.png"], ledgers.cycle(2), failures=0)
    rng = np.random.default_rng(1)
    for name in ("a.png", "b.png"):
        pixels = rng.integers(0, 255, (24, 32, 3), dtype=np.uint8)
        Image.fromarray(pixels).save(tmp_path / "archive" / name)
    with Ledger.share(archive) as ledger:
        for picture, decision in ((1, "cast"), (2, "cant_tell")):
            decide(ledger, Wish(picture, decision, "Ada"))
        write_manifest(ledger, tmp_path / "mine")
    monkeypatch.setattr("autocast.training.gather.CROPS", 0)
    monkeypatch.setattr("autocast.training.gather.SCENES", 0)
    table = gather(tmp_path / "mine", 1, 1, lambda _: None, default_models())
    assert dict(zip(map(os.path.basename, table.file), table.consensus, strict=True)) == {
        "a.png": "evident",
        "b.png": "cannot_tell",
    }
    assert len(set(table.group)) == 2  # in one folder, each picture is a group of its own


def test_without_decisions_there_is_no_manifest(tmp_path: Path) -> None:
    archive = ledgers.build(tmp_path, NAMES[:1], ledgers.cycle(1))
    with (
        Ledger.read(archive) as ledger,
        pytest.raises(OutputError, match="no decisions on pictures that are there"),
    ):
        write_manifest(ledger, tmp_path / "mine")
    assert not (tmp_path / "mine").exists()


def test_the_table_has_every_decision_and_what_became_of_it(archive: Path, tmp_path: Path) -> None:
    with Ledger.read(archive) as ledger:
        assert export_decisions(ledger, tmp_path / "d.csv") == 11
        assert export_decisions(ledger, tmp_path / "d.jsonl") == 11
        with pytest.raises(OutputError, match="must end in"):
            export_decisions(ledger, tmp_path / "d.parquet")
        with pytest.raises(OutputError, match="exists already"):
            export_decisions(ledger, tmp_path / "d.csv")
    text = (tmp_path / "d.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(text.splitlines(keepends=True)))
    assert [row["decision"] for row in rows if row["person"] == "Ben"] == [
        "cast",
        "cast",
        "meant so",
    ]
    states = [row["state"] for row in rows if row["path"].endswith("d.png")]
    assert states == ["superseded", "stands"]
    assert [row["state"] for row in rows][-2:] == ["taken back", "stands"]
    assert all(row["note"].startswith("'=note") for row in rows[:-1])
    lines = [json.loads(line) for line in (tmp_path / "d.jsonl").read_text().splitlines()]
    assert lines[-1]["hints"] == [{"what": "neutral", "x": 1, "y": 2, "radius": None}]
    assert lines[0]["sha256"] != lines[3]["sha256"]
