"""The notebooks run from top to bottom, without a warning, hold no logic, and say what is so.

They are percent scripts: plain text that differs line by line and that Jupyter
opens through jupytext. Run as scripts they need no kernel, and the checks of
the code hold for them as well.
"""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from autocast.archive.shares import LEAST_SAMPLED
from autocast.archive.thresholds import LEAST_DECIDED
from autocast.judgement import (
    EVIDENT_FROM,
    SLIGHT_FROM,
    STRONG_FROM,
    TONE_RANGES,
    VERDICT_WORDS,
)
from tests.documents import ROOT, figures, table, text

NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.py"))
PRINTED = {
    "1_a_judgement": ("LIKELY CAST", "with the hint", "where 5 % have an evident cast"),
    "2_an_archive": ("Judging its", "passed pictures drawn at random", "what is known"),
}
MOST_PRINTED = 2500
"""Characters: a notebook is for reading."""
SETTINGS = json.loads(text("models/verdict.json"))


def _words(name: str) -> str:
    """The Markdown of a notebook."""
    lines = text(f"notebooks/{name}.py").splitlines()
    return "\n".join(line[1:].removeprefix(" ") for line in lines if line.startswith("#"))


JUDGEMENT, ARCHIVE = _words("1_a_judgement"), _words("2_an_archive")


def test_there_are_two() -> None:
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
    assert len(done.stdout) <= MOST_PRINTED
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_defines_nothing_and_explains_itself(notebook: Path) -> None:
    source = notebook.read_text(encoding="utf-8")
    tree = ast.parse(source)
    logic = (ast.FunctionDef, ast.ClassDef, ast.Lambda, ast.If, ast.While, ast.Try)
    assert not [node for node in ast.walk(tree) if isinstance(node, logic)]
    assert source.count("# %% [markdown]") >= 4


@pytest.mark.slow
@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda p: p.stem)
def test_jupytext_makes_a_notebook_of_it_that_alternates_words_and_code(notebook: Path) -> None:
    made = subprocess.run(
        [sys.executable, "-m", "jupytext", "--to", "ipynb", "--output", "-", str(notebook)],
        capture_output=True,
        text=True,
        check=True,
    )
    document = json.loads(made.stdout)
    cells = [(cell["cell_type"], "".join(cell["source"])) for cell in document["cells"]]
    assert document["nbformat"] == 4
    assert cells[0][1].startswith("# ")
    kinds = [kind for kind, _ in cells]
    assert all(kinds[k : k + 2] != ["code", "code"] for k in range(len(kinds)))
    drawn = [source for kind, source in cells if kind == "code" and "plt.show()" in source]
    assert len(drawn) >= 4
    assert all(source.rstrip().splitlines().count("plt.show()") == 1 for source in drawn)


def test_verdicts_are_listed_as_they_are() -> None:
    listed = {row[0]: row[1] for row in table("| in JSON | as printed |", JUDGEMENT)}
    assert listed == VERDICT_WORDS


def test_thresholds_are_those_of_the_code() -> None:
    assert (
        f"below {SLIGHT_FROM:g} *negligible*, from {SLIGHT_FROM:g} *slight*, "
        f"from {EVIDENT_FROM:g} *evident*, from {STRONG_FROM:g} *strong*"
    ) in " ".join(JUDGEMENT.split())
    for low, high, at in TONE_RANGES.values():
        assert re.search(rf"{low:g}–{high:g},\s+(quoted )?at {at:g}\b", JUDGEMENT)


def test_the_risks_where_nothing_is_given_are_those_of_the_models() -> None:
    rows = table("| option | allowed share", JUDGEMENT)
    given = {option.removeprefix("--risk-"): float(share) for option, _, share in rows}
    assert given == SETTINGS["risks"]


def test_the_base_rate_is_about_that_of_the_models() -> None:
    figures(r"among pictures of which a quarter have an evident cast", JUDGEMENT)
    assert round(SETTINGS["base_rate"], 2) == 0.25


def test_decisions_tell_from_as_many_on_as_in_the_code() -> None:
    (sampled,) = figures(r"from (\d+) decisions on a random sample on", ARCHIVE)
    (decided,) = figures(r"From (\d+) decisions on, the page proposes", ARCHIVE)
    assert (int(sampled), int(decided)) == (LEAST_SAMPLED, LEAST_DECIDED)


def test_the_picture_of_the_first_is_the_one_that_readme_judges() -> None:
    laid = figures(r"laid, a\\\* (\S+), b\\\* (\S+) at", JUDGEMENT)
    assert laid == figures(
        r"a green cast laid over it \(a\\\* (\S+), b\\\* (\S+)\)", text("README.md")
    )
