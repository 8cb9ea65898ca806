"""``evaluate`` on judged photographs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from autocast.cli import app
from autocast.evaluation import commands, second_opinion
from autocast.judgement import RISKS
from autocast.modelstore import default_models
from autocast.report.figures import figures_text
from autocast.training.fit import folds, platt
from autocast.training.nested import FOLDS, nested
from tests.tables import table


@pytest.mark.slow
@pytest.mark.usefixtures("small_trees")
def test_a_judged_folder_is_measured_by_one_command(
    tmp_path: Path, photograph: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = table(30)
    clean = {str(f) for f in made.file[made.natural & (made.consensus == "none")]}
    with Image.open(photograph) as image:
        small = image.reduce(2)
    for name in clean:
        small.save(tmp_path / name, quality=92)
    (tmp_path / "manifest.csv").write_text("file,group,consensus\n")
    # Only the reading of the folder is left out: its features are made up, its pictures real.
    monkeypatch.setattr(commands, "gather", lambda *_: made)
    monkeypatch.setattr(second_opinion, "PICTURES", 1)
    before = {p: p.read_bytes() for p in default_models().folder.iterdir() if p.is_file()}
    lines: list[str] = []
    figures = commands.measure_up(tmp_path, 0, 2, lines.append)
    assert {p: p.read_bytes() for p in before} == before
    assert figures["risks"]["ask"]["n"] == 30
    found = figures["second_opinion"]
    # One photograph a fold, four kinds of cast; a cast that no light lays is left out.
    assert 10 <= found["mend"]["all"]["written"]["n"] <= 5 * len(second_opinion.KINDS)
    assert found["hints"]["all"]["nearly"]["error"] is not None
    assert f"fold {FOLDS} of {FOLDS}" in lines[-2]
    assert "Copies corrected" in figures_text(figures)


@pytest.mark.slow
@pytest.mark.usefixtures("small_trees")
def test_a_fold_is_studied_by_models_that_saw_none_of_its_groups(tmp_path: Path) -> None:
    made = table(48)
    outcome = nested(made, 0, lambda _: None)
    shipped = default_models()
    held_out = commands.write_folds(made, outcome, tmp_path, 0, RISKS, shipped)
    fold = folds(made.group, FOLDS, 0)
    assert len(held_out) == FOLDS
    for k, (each, fitted) in enumerate(zip(held_out, outcome.fitted, strict=True)):
        rows = np.isin(made.file, each.files)
        assert rows.any()
        assert set(fold[rows]) == {k}
        assert set(made.consensus[rows]) == {"none"}
        np.testing.assert_array_equal(each.models.estimator.correlation, fitted.correlation)
        others = np.flatnonzero(made.natural & (fold != k))
        expected = platt(outcome.predictions.logit[others], made.consensus[others])
        assert each.models.estimator.calibration == pytest.approx(expected)
        assert each.models.verdict["clear_below"] == outcome.thresholds[k].clear_below
        np.testing.assert_array_equal(each.models.densities.table, shipped.densities.table)


@pytest.mark.parametrize("command", [["train", "--to", "m"], ["evaluate"]])
@pytest.mark.parametrize("option", ["--risk-clear", "--risk-missed", "--risk-cast"])
def test_fitting_and_measuring_refuse_what_is_no_share(command: list[str], option: str) -> None:
    result = CliRunner().invoke(app, [*command, "folder", option, "5"])
    assert result.exit_code == 2
    assert option in result.stderr
