"""Writing model files, the same bytes for the same arrays."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


def write_arrays(path: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write arrays as NPZ with a fixed date and no pickled objects.

    They are stored as they are: to inflate them took longer, at every start, than all else
    that reading does, and packages and repositories deflate what they hold anyway.

    Parameters
    ----------
    path : Path
        The file, which is replaced where it is there.
    arrays : mapping of str to ndarray
        What to write, by name.

    Raises
    ------
    OSError
        The file cannot be written.
    ValueError
        An array holds objects.
    """
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        for name, array in arrays.items():
            entry = zipfile.ZipInfo(f"{name}.npy", date_time=(1980, 1, 1, 0, 0, 0))
            with archive.open(entry, "w") as stream:
                np.lib.format.write_array(stream, array, allow_pickle=False)
