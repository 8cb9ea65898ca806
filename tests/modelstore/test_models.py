"""The models as one value: read whole or refused, and the same in another process."""

from __future__ import annotations

import io
import json
import pickle
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import autocast
from autocast import judging
from autocast.errors import ModelError
from autocast.judgement.things import KINDS
from autocast.modelstore import TARGETS, Models, default_models, models_folder, register
from tests import scenes

PICTURE = scenes.developed(scenes.scene(scenes.QUAY, 3, (80, 120)), 3)


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    return Path(shutil.copytree(models_folder(), tmp_path / "models"))


def changed(folder: Path, name: str, change: Callable[[dict[str, Any]], object]) -> None:
    """Rewrite a file of a folder, and enter it again, as a fit of another version would."""
    path = folder / name
    if path.suffix == ".json":
        content = json.loads(path.read_text(encoding="utf-8"))
        change(content)
        path.write_text(json.dumps(content), encoding="utf-8")
    else:
        with np.load(io.BytesIO(path.read_bytes())) as stored:
            arrays = dict(stored)
        change(arrays)
        with path.open("wb") as stream:
            np.savez(stream, **arrays)
    register(folder, name, made_by="a test", what="another version")


def test_the_shipped_models_are_whole_and_read_once() -> None:
    models = default_models()
    assert default_models() is models
    assert models.densities.table.shape == (len(KINDS), np.prod(models.densities.shape))
    assert models.estimator.correlation.shape == (len(TARGETS), len(TARGETS))
    assert len(models.estimator.features) == len(set(models.estimator.features))
    assert models.network.layers
    assert autocast.judge(PICTURE).model == models.id


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("densities.npz", lambda a: a.pop("lightness")),
        ("densities.npz", lambda a: a.update(kinds=a["kinds"][::-1])),
        ("weights.json", lambda d: d.pop("voting")),
        ("weights.json", lambda d: d.update(regions=[])),
        ("fitted.npz", lambda a: a.pop("features")),
        ("fitted.npz", lambda a: a.pop("uneven/root")),
        ("fitted.npz", lambda a: a.pop("gate/hidden")),
        ("fitted.npz", lambda a: a.update({"first/start": a["first/start"][:-1]})),
        ("content.npz", lambda a: a.pop("strides")),
        ("content.npz", lambda a: a.pop("stem.bias")),
        ("verdict.json", lambda d: d.update(schema=2)),
        ("verdict.json", lambda d: d.pop("nearer")),
    ],
)
def test_a_file_of_another_version_is_refused_by_its_name(
    copied: Path, name: str, change: Callable[[dict[str, Any]], object]
) -> None:
    changed(copied, name, change)
    with pytest.raises(ModelError) as caught:
        Models.load(copied)
    sentence = str(caught.value)
    assert str(copied / name) in sentence
    assert "was fitted for another version of autocast" in sentence
    assert sentence.endswith("Train again, or install autocast again.")


@pytest.mark.parametrize("name", ["densities.npz", "weights.json", "fitted.npz", "verdict.json"])
def test_a_folder_that_lacks_a_file_is_refused(copied: Path, name: str) -> None:
    (copied / name).unlink()
    with pytest.raises(ModelError, match=f"{name} cannot be read"):
        Models.load(copied)


def test_a_picture_is_judged_by_the_models_that_are_passed(copied: Path) -> None:
    never = {"clear_below": 0.0, "clear_held": "none"}
    changed(copied, "verdict.json", lambda d: d.update(never))
    shipped, other = default_models(), Models.load(copied)
    assert other.id != shipped.id
    one, two = (judging.judge(PICTURE, models=models) for models in (shipped, other))
    assert (one.verdict, one.model) == ("clear", shipped.id)
    assert (two.verdict, two.model) == ("ask", other.id)
    assert two.probability == one.probability
    # Passing others leaves nothing behind.
    assert autocast.judge(PICTURE) == one


def test_models_travel_as_their_folder_and_their_id(copied: Path) -> None:
    assert pickle.loads(pickle.dumps(default_models())) is default_models()  # noqa: S301 - our own
    models = Models.load(copied)
    travelling = pickle.dumps(models)
    assert len(travelling) < 1000
    arrived = pickle.loads(travelling)  # noqa: S301
    assert (arrived.id, arrived.folder) == (models.id, copied.resolve())
    assert judging.judge(PICTURE, models=arrived) == judging.judge(PICTURE, models=models)


def test_models_that_arrive_as_others_are_refused(copied: Path) -> None:
    travelling = pickle.dumps(replace(Models.load(copied), id="0123456789ab"))
    with pytest.raises(ModelError, match=r"not 0123456789ab; give every machine the same"):
        pickle.loads(travelling)  # noqa: S301
