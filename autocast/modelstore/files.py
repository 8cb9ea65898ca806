"""Find, check and load what the folder ``models/`` holds.

``REGISTRY.json`` lists each file with its SHA-256 and how it was made::

    {"schema": 1, "model": "<id>",
     "files": {"<name>": {"sha256": "...", "made_by": "...", "what": "..."}}}

No file is read before its bytes match the registry, and none holds pickled
objects. Every failure is a ModelError that names the file and what to do.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.errors import ModelError

REGISTRY_SCHEMA = 1
REGISTRY_NAME = "REGISTRY.json"

_REINSTALL = "Install autocast again, or give another folder of models."


def models_folder() -> Path:
    """The folder that holds the fitted files.

    Returns
    -------
    Path
        Inside the package when installed from a wheel, beside it in a checkout or
        an editable install.

    Raises
    ------
    ModelError
        Neither is there.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "models", package.parent / "models"):
        if (folder / REGISTRY_NAME).is_file():
            return folder
    raise ModelError(
        f"No {REGISTRY_NAME} was found in {package / 'models'} or "
        f"{package.parent / 'models'}. {_REINSTALL}"
    )


def model_id(folder: Path) -> str:
    """A short name for all fitted files of a folder, derived from their hashes.

    Parameters
    ----------
    folder : Path
        A folder with a registry.

    Returns
    -------
    str
        The first 12 hexadecimal digits of the SHA-256 over the sorted lines
        ``name sha256``; they change whenever any file does.

    Raises
    ------
    ModelError
        The registry cannot be read.
    """
    return _derived_id(_registry(folder)["files"])


def load_arrays(folder: Path, name: str) -> Mapping[str, NDArray[Any]]:
    """The arrays of an NPZ file, checked.

    Parameters
    ----------
    folder : Path
        A folder with a registry.
    name : str
        The file's name in it.

    Returns
    -------
    mapping of str to ndarray
        The arrays by their names, read-only.

    Raises
    ------
    ModelError
        The file is missing, altered or no NPZ.
    """
    content = _checked_bytes(folder, name)
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            arrays = {
                member.removesuffix(".npy"): np.lib.format.read_array(
                    io.BytesIO(archive.read(member)), allow_pickle=False
                )
                for member in archive.namelist()
            }
    except (ValueError, EOFError, zlib.error, zipfile.BadZipFile) as error:
        raise ModelError(
            f"{folder / name} holds no plain arrays ({error}). {_REINSTALL}"
        ) from error
    for array in arrays.values():
        array.setflags(write=False)
    return MappingProxyType(arrays)


def load_json(folder: Path, name: str) -> dict[str, Any]:
    """The JSON object in a file, checked.

    Parameters
    ----------
    folder : Path
        A folder with a registry.
    name : str
        The file's name in it.

    Returns
    -------
    dict
        The object.

    Raises
    ------
    ModelError
        The file is missing, altered or holds no JSON object.
    """
    return _json_object(_checked_bytes(folder, name), folder / name)


def register(folder: Path, name: str, *, made_by: str, what: str) -> str:
    """Enter a file in the registry of its folder; entries of other files stay as they are.

    Parameters
    ----------
    folder : Path
        The folder, with a registry or without.
    name : str
        The file's name in it.
    made_by : str
        The command that wrote the file.
    what : str
        What it holds, in a sentence.

    Returns
    -------
    str
        The new model id.

    Raises
    ------
    ModelError
        The file or the registry cannot be read.
    """
    registry_path = folder / REGISTRY_NAME
    files = _registry(folder)["files"] if registry_path.exists() else {}
    files[name] = {"sha256": _sha256(_bytes(folder / name)), "made_by": made_by, "what": what}
    registry = {
        "schema": REGISTRY_SCHEMA,
        "model": _derived_id(files),
        "files": dict(sorted(files.items())),
    }
    _write_whole(registry_path, json.dumps(registry, indent=2, ensure_ascii=False) + "\n")
    return str(registry["model"])


def _write_whole(path: Path, text: str) -> None:
    """Write beside, then move, so that a reader never meets half a file."""
    beside = path.with_suffix(".new")
    beside.unlink(missing_ok=True)  # never through a link
    with beside.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    beside.replace(path)


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _derived_id(files: Mapping[str, Mapping[str, str]]) -> str:
    lines = sorted(f"{name} {entry['sha256']}" for name, entry in files.items())
    return _sha256("\n".join(lines).encode())[:12]


def _bytes(path: Path) -> bytes:
    if path.exists() and not path.is_file():  # reading a pipe would never end
        raise ModelError(f"{path} is no file. {_REINSTALL}")
    try:
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise ModelError(f"{path} cannot be read ({reason}). {_REINSTALL}") from error


def _json_object(content: bytes, path: Path) -> dict[str, Any]:
    try:
        data = json.loads(content)
    except ValueError as error:
        raise ModelError(f"{path} is not JSON ({error}). {_REINSTALL}") from error
    if not isinstance(data, dict):
        raise ModelError(f"{path} holds no JSON object. {_REINSTALL}")
    return data


def _registry(folder: Path) -> dict[str, Any]:
    path = folder / REGISTRY_NAME
    registry = _json_object(_bytes(path), path)
    schema = registry.get("schema")
    if schema != REGISTRY_SCHEMA:
        raise ModelError(
            f"{path} has schema version {schema}; version {REGISTRY_SCHEMA} is read. {_REINSTALL}"
        )
    files = registry.get("files")
    if not isinstance(files, dict) or not all(
        isinstance(entry, dict) and isinstance(entry.get("sha256"), str) for entry in files.values()
    ):
        raise ModelError(f"{path} does not list files with their SHA-256. {_REINSTALL}")
    return registry


def _checked_bytes(folder: Path, name: str) -> bytes:
    files = _registry(folder)["files"]
    if name not in files:
        raise ModelError(f"{name} is not listed in {folder / REGISTRY_NAME}. {_REINSTALL}")
    content = _bytes(folder / name)
    expected, got = files[name]["sha256"], _sha256(content)
    if got != expected:
        raise ModelError(
            f"{folder / name} was altered: SHA-256 {expected} was expected, {got} was found. "
            f"{_REINSTALL}"
        )
    return content
