"""The notebooks run from top to bottom, without a warning, and hold no logic.

They are percent scripts: plain text that differs line by line and that Jupyter
opens through jupytext. Run as scripts they need no kernel, and the checks of
the code hold for them as well.
"""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.py"))
PRINTED = {
    "1_a_judgement": ("laid", "estimated", "statistics"),
    "2_calibration": ("base_rate", "all of them:"),
    "3_an_archive": ("Judging its", "what is known", "index.html"),
}


def test_there_are_three() -> None:
    assert [p.stem for p in NOTEBOOKS] == sorted(PRINTED)


@pytest.mark.slow
@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_runs_without_a_warning_and_prints_what_it_promises(
    notebook: Path, tmp_path: Path
) -> None:
    done = subprocess.run(
        # As a script, which has no guard: processes that judge must not run it once more.
        [sys.executable, "-W", "error", str(notebook)],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "MPLBACKEND": "agg", "PYTHONPATH": str(ROOT)},
        check=False,
        timeout=200,
    )
    assert done.returncode == 0, done.stderr
    for words in PRINTED[notebook.stem]:
        assert words in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_defines_nothing_and_explains_itself(notebook: Path) -> None:
    text = notebook.read_text(encoding="utf-8")
    tree = ast.parse(text)
    logic = (ast.FunctionDef, ast.ClassDef, ast.Lambda, ast.If, ast.While, ast.Try)
    assert not [node for node in ast.walk(tree) if isinstance(node, logic)]
    assert text.count("# %% [markdown]") >= 4
