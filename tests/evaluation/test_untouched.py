"""A folder without judgements."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from autocast.cli import app
from autocast.errors import UnreadablePicture
from autocast.evaluation import untouched
from autocast.modelstore import default_models, register
from autocast.report.figures import figures_text
from autocast.training.gather import tabulate
from autocast.voting.fitted import Given, assess, estimate


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, photograph: Path) -> Path:
    from skimage import data

    made = tmp_path_factory.mktemp("untouched")
    (made / "shoot").mkdir()
    with Image.open(photograph) as image:
        image.reduce(3).save(made / "flat.jpg", quality=95)
    for name, pixels in (("a.png", data.astronaut()[::2, ::2]), ("b.TIF", data.coffee()[::2, ::2])):
        Image.fromarray(pixels).save(made / "shoot" / name)
    (made / "shoot" / "broken.jpg").write_bytes(b"no picture at all")
    (made / "notes.txt").write_text("not a picture")
    return made


def test_sub_folders_are_groups_and_pictures_outside_them_stand_alone(folder: Path) -> None:
    names = {
        p.relative_to(folder).as_posix(): untouched.group_of(folder, p)
        for p in untouched.pictures(folder)
    }
    assert names == {
        "flat.jpg": "flat.jpg",
        "shoot/a.png": "shoot",
        "shoot/b.TIF": "shoot",
        "shoot/broken.jpg": "shoot",
    }


@pytest.mark.slow
def test_a_folder_without_judgements_is_measured_by_the_models_given(
    folder: Path, tmp_path: Path
) -> None:
    models = tmp_path / "models"
    shutil.copytree(default_models().folder, models)
    (models / "verdict.json").write_text((models / "verdict.json").read_text() + "\n")
    given = register(models, "verdict.json", made_by="a test", what="thresholds")
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    arguments = ["evaluate", str(folder), "--json", "--risk-cast", "0.2", "--models", str(models)]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    figures = json.loads(result.stdout)
    assert figures["fit"] == "none"
    assert figures["model"] == given != default_models().id
    assert (figures["pictures"], figures["groups"]) == (3, 2)
    assert set(figures) & {"judged", "risks", "calibration"} == set()
    assert "broken.jpg" in result.stderr
    assert "risks given play no part" in result.stderr
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before
    text = figures_text(figures)
    assert "untouched is not clean" in " ".join(text.split())
    assert given in text
    gains = [row["n"] for row in figures["simulated"]["quoted"].values()]
    assert 0 < sum(gains) <= 15


@pytest.mark.slow
def test_models_predict_of_a_table_what_they_predict_of_its_rows(folder: Path) -> None:
    models = default_models()
    rows = untouched._rows(folder, 1, models, folder / "flat.jpg")
    assert not isinstance(rows, str)
    rows[4]["monochrome"] = True
    made = tabulate(rows)
    found = untouched.predictions_of(made, models)
    features = dict(zip(made.names, made.features[3], strict=True))
    alone = estimate([features], models.estimator)
    np.testing.assert_allclose(found.casts[3], alone.casts[0])
    given = Given.plain(alone.casts, alone.deviation)
    probability, uneven = assess(alone.features, given, models.estimator)
    assert probability[0] == pytest.approx(found.probability[3])
    assert uneven[0] == pytest.approx(found.uneven[3])
    assert found.probability[4] == models.verdict["monochrome"]
    off = np.hypot(*(found.casts[:, 0] - made.truth[:, 0]).T)
    assert np.median(off[made.kind == "gain"]) < np.median(
        np.hypot(*made.truth[made.kind == "gain", 0].T)
    )


def test_a_folder_of_nothing_is_named(tmp_path: Path) -> None:
    with pytest.raises(UnreadablePicture, match=r"manifest\.csv"):
        untouched.pictures(tmp_path)
    (tmp_path / "only.jpg").write_bytes(b"no")
    result = CliRunner().invoke(app, ["evaluate", str(tmp_path)])
    assert result.exit_code == 1
    assert "No picture in" in result.stderr
    assert "Traceback" not in result.output
