"""The lowest versions that pyproject.toml declares, as constraints for pip. A script.

PYTHON tests/lowest.py > constraints.txt
"""

# ruff: noqa: T201 -- it prints them

from __future__ import annotations

import re
import tomllib
from pathlib import Path


def lowest() -> list[str]:
    """What commands need, each ``name==version``, from all extras but those for fits and tests."""
    path = Path(__file__).parents[1] / "pyproject.toml"
    project = tomllib.loads(path.read_text(encoding="utf-8"))["project"]
    wanted = list(project["dependencies"])
    for name, extra in project["optional-dependencies"].items():
        if name not in ("cluster", "demo", "test", "train"):
            wanted += extra
    found = {}
    for each in wanted:
        named = re.match(r"([\w.-]+)>=([\w.]+)", each)
        if named is not None:
            found[named.group(1)] = named.group(2)
        elif not each.startswith("autocast["):
            raise SystemExit(f"{each} declares no lowest version")
    return [f"{name}=={version}" for name, version in sorted(found.items())]


if __name__ == "__main__":
    print("\n".join(lowest()))
