"""From a folder of judged photographs to a table."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from threading import Event

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from autocast.cli import app
from autocast.errors import UnreadablePicture
from autocast.modelstore import default_models
from autocast.training import gather
from tests.photographs import pixels


@pytest.mark.parametrize(
    "content",
    [None, "", "file,group\na.jpg,one\n", "file,group,consensus\na.jpg,one,plain\n"],
)
def test_a_folder_without_a_usable_manifest_is_named(tmp_path: Path, content: str | None) -> None:
    if content is not None:
        (tmp_path / "manifest.csv").write_text(content)
    for command in (["train", str(tmp_path), "--to", str(tmp_path)], ["evaluate", str(tmp_path)]):
        result = CliRunner().invoke(app, command)
        assert result.exit_code == 1
        assert "manifest.csv" in result.stderr
        assert "Traceback" not in result.output
    assert [p.name for p in tmp_path.iterdir()] in ([], ["manifest.csv"])


def test_a_manifest_that_is_a_pipe_or_no_text_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "manifest.csv").write_bytes(b"file,group,consensus\n\xff\xfe,a,none\n")
    with pytest.raises(UnreadablePicture, match=r"manifest\.csv cannot be read"):
        gather.read_manifest(tmp_path)
    (tmp_path / "manifest.csv").unlink()
    os.mkfifo(tmp_path / "manifest.csv")
    with pytest.raises(UnreadablePicture, match=r"manifest\.csv cannot be read"):
        gather.read_manifest(tmp_path)


@pytest.mark.parametrize("missing", [{}, {"a_2": ""}, {"a_2": "warm"}])
def test_looks_that_name_no_cast_are_refused_by_name(missing: dict[str, str]) -> None:
    looks = {"judgement_1": "evident", "judgement_2": "evident"}
    casts = dict.fromkeys(("a_1", "b_1", "b_2"), "4")
    with pytest.raises(UnreadablePicture, match=r"calls q\.jpg evident twice"):
        gather.looked({"file": "q.jpg", **looks, **casts, **missing})


def test_who_waits_is_told_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gather, "REPORT_EVERY", 0.01)
    go_on, lines = Event(), list[int]()

    def say(done: int) -> None:
        lines.append(done)
        go_on.set()  # the second is held until the wait was spoken of

    with ThreadPoolExecutor(1) as pool:
        futures = [pool.submit(bool), pool.submit(go_on.wait, 10), pool.submit(bool)]
        assert list(gather.awaited(futures, say)) == [False, True, False]
    assert lines
    assert set(lines) <= {0, 1, 2}
    told = list[str]()
    monkeypatch.setattr(gather, "REPORT_EVERY", 0.0)
    assert list(gather.counted("abc", 3, told.append)) == ["a", "b", "c"]
    assert told == ["1 of 3", "2 of 3", "3 of 3"]


@pytest.mark.slow
def test_a_folder_becomes_natural_rows_crops_and_simulated_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gather, "SCENES", 8)
    colour, grey = pixels("astronaut"), pixels("coffee").mean(axis=-1).astype(np.uint8)
    for name, picture in (("a.jpg", colour), ("b.jpg", pixels("coffee")), ("c.jpg", grey)):
        Image.fromarray(picture).save(tmp_path / name, quality=95)
    (tmp_path / "manifest.csv").write_text(
        "file,group,consensus,judgement_1,judgement_2,a_1,a_2,b_1,b_2\n"
        "a.jpg,one,none,none,none,0,0,0,0\nb.jpg,two,evident,evident,evident,4,2,10,12\n"
        "c.jpg,three,cannot_tell,,,,,,\n"
    )
    lines: list[str] = []
    table = gather.gather(tmp_path, 1, 1, lines.append, default_models())
    assert table.natural.sum() == 3
    scene = np.char.startswith(table.group, "scene-")
    assert (
        sorted(table.file[table.kind == "crop"])
        == ["a.jpg"] * gather.CROPS + ["b.jpg"] * gather.CROPS
    )
    simulated = ~table.natural & ~scene & (table.kind != "crop")
    assert set(table.file[simulated]) == {"a.jpg"}
    assert sorted(table.kind[simulated]) == sorted(gather.PLAN)
    assert sorted(table.kind[scene]) == sorted(
        f"{half}.{kind}" for half in ("rendered", "held") for kind in gather.SCENE_PLAN
    )
    assert len(set(table.group[scene])) == scene.sum()
    assert table.looked[table.natural & (table.file == "b.jpg")] == pytest.approx(
        np.array([[3.0, 11.0]])
    )
    assert set(table.file[table.monochrome]) == {"c.jpg"}
    column = [table.names.index(f"statistics.shades_of_grey.{axis}") for axis in "ab"]
    gains = np.flatnonzero(table.kind == "gain")
    uncast = table.features[table.kind == "none"][:, column].mean(axis=0)
    moved = table.features[gains][:, column] - uncast
    read = ~np.isnan(moved[:, 0])
    along = (moved[read] * table.truth[gains][read, 0]).sum(axis=1)
    assert (along > 0).all()
    assert any("3 of 3 pictures" in line for line in lines)


@pytest.mark.slow
def test_features_are_made_with_the_models_given() -> None:
    shipped = default_models()
    densities = replace(shipped.densities, lightness=np.zeros_like(shipped.densities.lightness))
    other = replace(shipped, densities=densities)
    one, two, again = (
        gather.rendered(1, "fit", models, 0)["features"] for models in (shipped, other, shipped)
    )
    assert one["joint.a"] != two["joint.a"]
    assert one == pytest.approx(again, nan_ok=True)
    assert one["statistics.grey_world.a"] == two["statistics.grey_world.a"]
