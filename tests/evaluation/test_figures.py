"""Every table of figures of one run, as JSON, as text and drawn."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from autocast.cli import app
from autocast.errors import OutputError
from autocast.evaluation import figures
from autocast.evidence.statistics import ESTIMATORS
from autocast.report import curves
from autocast.report.figures import figures_text
from autocast.training.gather import Table
from autocast.training.nested import Outcome, nested
from autocast.voting.features import dictionary
from autocast.voting.fitted import ANCHORS, anchored
from tests.tables import table


@pytest.fixture(scope="module")
def measured(small_trees: None) -> tuple[Table, Outcome, dict[str, Any]]:  # noqa: ARG001 -- patches
    made = table(72)
    outcome = nested(made, 0, lambda _: None)
    plain = figures.plain_fit(made, 0, lambda _: None)
    return made, outcome, figures.figures(made, outcome, 0, plain)


@pytest.mark.slow
def test_withholding_what_informs_costs_and_withholding_what_does_not_does_not(
    measured: tuple[Table, Outcome, dict[str, Any]],
) -> None:
    made, outcome, found = measured
    for probability in outcome.without.values():
        assert probability.shape == (made.natural.sum(),)
        assert not np.isnan(probability).any()
    # The count stays when neutrals' own reading goes; without any feature, nothing is left.
    assert abs(found["without"]["neutrals"]["evident"]["adds"]["value"]) < 0.1
    blind = found["without"]["statistics"]["evident"]
    assert blind["without"]["value"] == pytest.approx(0.5, abs=0.15)
    assert blind["adds"]["interval"][0] > 0.2


def test_the_plain_fit_is_given_the_statistics_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    made = table(48)
    given: list[Table] = []

    def spy(some: Table, *_: object, **__: object) -> SimpleNamespace:
        given.append(some)
        return SimpleNamespace(predictions=None)

    monkeypatch.setattr(figures, "nested", spy)
    figures.plain_fit(made, 0, lambda _: None)
    (some,) = given
    assert {dictionary()[name].kind for name in some.names} == {"statistics"}
    assert len(some.names) == sum(dictionary()[n].kind == "statistics" for n in made.names)
    for name, column in zip(some.names, some.features.T, strict=True):
        np.testing.assert_array_equal(column, made.features[:, made.names.index(name)])
    # The anchor is where the statistics among the anchors put it.
    columns = [made.names.index(f"{name}.a") for name in ANCHORS if name != "joint"]
    anchor, _ = anchored(some.names, some.features)
    assert anchor[:, 0] == pytest.approx(np.median(made.features[:, columns], axis=1))


def test_every_table_is_shown_within_80_columns_and_is_plain_json(
    measured: tuple[Table, Outcome, dict[str, Any]],
) -> None:
    found = json.loads(json.dumps(measured[2], allow_nan=False))
    text = figures_text(found)
    assert max(map(len, text.splitlines())) <= 80
    for words in (
        "median error",
        "plain fit, statistics alone",
        "within 45",
        "cannot_tell",
        "By kind of scene",
        "Rules that keep a picture from a verdict",
        "quay",
        "Crossed casts",
        "By kind of simulated cast",
        "ECE, 10 bins of equal count",
        "a perfect forecaster",
        "AURC",
        "right to ask",
        "evident among clear",
        "at the mix assumed",
        "withheld",
        *(each.words for each in ESTIMATORS.values()),
    ):
        assert words in text
    assert f"{found['simulated']['quoted']['12']['auc']['value']:.3f}" in text


def test_every_plot_is_drawn_and_none_replaces_a_file(
    measured: tuple[Table, Outcome, dict[str, Any]], tmp_path: Path
) -> None:
    to = tmp_path / "new" / "plots"
    curves.check_folder(to)
    paths = list(curves.draw(measured[2], to))
    assert [p.name for p in paths] == list(curves.DRAWN)
    assert sorted(p.name for p in to.iterdir()) == sorted(curves.DRAWN)
    for path in paths:
        with Image.open(path) as image:
            assert image.format == "PNG"
            assert min(image.size) > 500
            assert np.asarray(image.convert("L")).std() > 5
    with pytest.raises(OutputError, match="already"):
        curves.check_folder(to)
    with pytest.raises(OutputError, match="already"):
        list(curves.draw(measured[2], to))
    with pytest.raises(OutputError, match="no folder"):
        curves.check_folder(paths[0])


def test_plots_name_what_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    result = CliRunner().invoke(app, ["evaluate", str(tmp_path), "--plots", str(tmp_path / "p")])
    assert result.exit_code == 1
    assert "autocast[plot]" in result.stderr


def test_labels_are_kept_apart_and_in_order() -> None:
    heights = [0.7, 0.71, 0.9, 0.705]
    spaced = curves._spaced(heights, 0.02)
    assert np.diff(np.sort(spaced)).min() >= 0.02 - 1e-9
    assert list(np.argsort(spaced)) == list(np.argsort(heights))
