"""``train``: model files that hold, and that do not mix with others."""

from __future__ import annotations

import pickle
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import autocast
from autocast.cli import app
from autocast.errors import ModelError
from autocast.judgement import Risks
from autocast.modelstore import Models, default_models, register
from autocast.modelstore.files import load_arrays
from autocast.modelstore.storing import write_arrays
from autocast.training import commands
from tests.tables import table


@pytest.fixture
def models(tmp_path: Path) -> Path:
    """A copy of the shipped models."""
    return Path(shutil.copytree(default_models().folder, tmp_path / "models"))


@pytest.mark.slow
@pytest.mark.usefixtures("small_trees")
def test_refitted_models_and_the_shipped_ones_do_not_mix(models: Path, photograph: Path) -> None:
    shipped = default_models()
    before = autocast.judge(photograph)
    risks = Risks(0.04, 0.2, 0.3)
    commands.write_models(table(48), models, 0, lambda _: None, risks=risks)
    refitted = Models.load(models)
    assert refitted.id != shipped.id
    # Between processes it travels as its folder and its id.
    sent = pickle.loads(pickle.dumps(refitted))  # noqa: S301 -- what this test wrote
    other = autocast.judge(photograph, models=refitted)
    assert (before.model, other.model) == (shipped.id, refitted.id)
    assert before.probability != other.probability
    assert other.risks == risks != before.risks
    for given, expected in ((None, before), (sent, other), (shipped, before), (refitted, other)):
        assert autocast.judge(photograph, models=given) == expected


@pytest.mark.parametrize("name", ["densities.npz", "weights.json", "content.npz", "REGISTRY.json"])
def test_trees_are_not_written_beside_files_they_were_not_grown_with(
    models: Path, name: str, tmp_path: Path
) -> None:
    (tmp_path / "manifest.csv").write_text("file,group,consensus\na.jpg,one,none\n")
    if name == "weights.json":
        (models / name).write_text((models / name).read_text() + "\n")
        register(models, name, made_by="a test", what="weights")
    else:
        (models / name).unlink()
    result = CliRunner().invoke(app, ["train", str(tmp_path), "--to", str(models)])
    assert result.exit_code == 1
    assert f"{models / name} is missing, or is not that of" in result.stderr
    assert "Traceback" not in result.output


def test_models_are_written_in_the_place_of_a_link_and_not_through_it(
    models: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dear = tmp_path / "photograph.jpg"
    dear.write_bytes(b"dear")
    for name in ("fitted.npz", "verdict.json", "REGISTRY.new"):
        (models / name).unlink(missing_ok=True)
        (models / name).symlink_to(dear)
    given: Any = SimpleNamespace(logistic=None)
    monkeypatch.setattr(commands, "replace", lambda fitted, **_: fitted)
    monkeypatch.setattr(commands, "export", lambda _: {"a": np.zeros(2)})
    monkeypatch.setattr(commands, "verdict_file", lambda *_: {"curve": {"a": [1]}})
    commands.write_fitted(models, given, given, Risks(), "a test")
    assert dear.read_bytes() == b"dear"
    assert load_arrays(models, "fitted.npz")["a"].shape == (2,)
    assert not (models / "REGISTRY.new").exists()


def test_a_folder_of_damaged_models_is_named(models: Path, tmp_path: Path) -> None:
    (models / "verdict.json").write_text("{}")
    for command in (["train", "--to", str(models)], ["evaluate"]):
        result = CliRunner().invoke(app, [*command, str(tmp_path), "--models", str(models)])
        assert result.exit_code == 1
        assert f"{models / 'verdict.json'} was altered" in result.stderr


@pytest.mark.parametrize("lack", ["correlation", "first/start", "gate", "uneven"])
def test_trees_of_another_version_are_refused(lack: str, models: Path) -> None:
    arrays = dict(load_arrays(models, "fitted.npz"))
    if lack == "first/start":
        arrays[lack] = arrays[lack][:5]
    else:
        arrays = {name: each for name, each in arrays.items() if not name.startswith(lack)}
    write_arrays(models / "fitted.npz", arrays)
    register(models, "fitted.npz", made_by="a test", what="trees")
    with pytest.raises(ModelError, match=r"fitted\.npz was fitted for another version of autocast"):
        Models.load(models)
