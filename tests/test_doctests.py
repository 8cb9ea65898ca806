"""The examples in docstrings give what they show."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import numpy as np

import autocast

PACKAGE = Path(autocast.__file__).parent


def test_every_example_gives_what_it_shows() -> None:
    files = [path for path in PACKAGE.rglob("*.py") if ">>>" in path.read_text(encoding="utf-8")]
    results = []
    # To import colour-science sets numpy's old way of printing for the whole process.
    with np.printoptions(legacy=False, sign="-"):
        for path in sorted(files):
            parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
            name = ".".join(parts).removesuffix(".__init__")
            results.append((name, doctest.testmod(importlib.import_module(name))))
    assert [name for name, result in results if result.failed] == []
    # An example that doctest does not find would pass unseen.
    assert [name for name, result in results if not result.attempted] == []
    assert sum(result.attempted for _, result in results) >= 8
