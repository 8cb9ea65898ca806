"""Known casts, the split by group, the export of trees, and the choice of thresholds."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from numpy.typing import NDArray
from PIL import Image
from sklearn.metrics import roc_auc_score
from typer.testing import CliRunner

from autocast.cli import app
from autocast.colour import linear_to_lab, srgb_to_linear
from autocast.errors import ModelError
from autocast.judgement import EVIDENT_FROM, Risks
from autocast.modelstore import trees
from autocast.modelstore.files import load_arrays
from autocast.training import fit, gather, nested
from autocast.training.gather import Table
from autocast.training.risks import choose
from autocast.training.simulation import lay
from autocast.voting import fitted as weighing

ANCHORS = tuple(f"{name}.{axis}" for name in weighing.ANCHORS for axis in "ab")
NAMES = (*ANCHORS, "statistics.plane.0_0", "scene.lightness", "scene.contrast")


def _ramp() -> NDArray[np.uint8]:
    grey = np.linspace(10, 245, 240).astype(np.uint8)
    return np.broadcast_to(grey[None, :, None], (120, 240, 3)).copy()


def _table(pictures: int = 90, seed: int = 4) -> Table:
    """A made-up table: every estimate is the laid cast with noise of its own."""
    rng = np.random.default_rng(seed)
    count = pictures * 4
    picture = np.repeat(np.arange(pictures), 4)
    kind = np.tile(["natural", "none", "gain", "part"], pictures)
    consensus = np.where(picture % 3 == 0, "evident", "none")
    kind[consensus == "evident"] = "natural"
    laid = np.isin(kind, ("gain", "part"))
    truth = np.where(laid[:, None], rng.normal(0, 9, (count, 2)), 0.0)
    shown = truth + np.where((consensus == "evident")[:, None], rng.normal(0, 9, (count, 2)), 0.0)
    figures = np.concatenate(
        [
            np.tile(shown, 4) + rng.normal(0, 1.5, (count, 8)),
            rng.normal(50, 10, (count, 3)),
        ],
        axis=1,
    )
    figures[rng.random(figures.shape) < 0.05] = np.nan
    return Table(
        names=NAMES,
        figures=figures,
        file=np.array([f"{p}.jpg" for p in picture]),
        group=np.array([f"group {p // 2}" for p in picture]),
        consensus=consensus,
        kind=kind,
        truth=np.repeat(truth[:, None], 4, axis=1),
        worst=np.hypot(*truth.T),
        looked=np.full((count, 2), np.nan),
        scene=np.full(count, ""),
        judgements=np.full((count, 2), ""),
        eligible=np.ones((count, 2), dtype=bool),
        without={},
    )


@pytest.fixture(scope="module")
def quick() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for name in ("STAGE_ONE", "STAGE_TONES", "STAGE_SPREAD", "STAGE_TWO", "STAGE_UNEVEN"):
            small = getattr(fit, name) | {"max_iter": 12, "min_samples_leaf": 5}
            patch.setattr(fit, name, small)
        yield


def _sides(table: Table) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    fold = fit.folds(table.group, 3, 0)
    return np.flatnonzero(fold != 0), np.flatnonzero(fold == 0)


@pytest.mark.parametrize("kind", ["gain", "encoded", "offset", "power"])
def test_a_laid_cast_reads_on_a_grey_ramp_what_its_truth_says(kind: str) -> None:
    laid = lay(_ramp(), np.random.default_rng(3), kind, 12.0, math.radians(200))
    with Image.open(io.BytesIO(laid.data)) as image:
        lab = linear_to_lab(srgb_to_linear(np.asarray(image) / 255.0)).reshape(-1, 3)
    near = np.abs(lab[:, 0] - 60) < 3
    # Saturation and JPEG stand between: greys off neutral move by some 10 %.
    assert np.hypot(*(lab[near, 1:].mean(axis=0) - laid.whole)) < 2.5
    assert 9 < math.hypot(*laid.whole) < 15


def test_a_gain_has_the_size_and_hue_asked_for() -> None:
    laid = lay(_ramp(), np.random.default_rng(1), "gain", 12.0, math.radians(130))
    expected = (12 * math.cos(math.radians(130)), 12 * math.sin(math.radians(130)))
    assert laid.whole == pytest.approx(expected, abs=0.2)


def test_a_crossed_cast_changes_sides_and_an_uncast_copy_has_none() -> None:
    crossed = lay(_ramp(), np.random.default_rng(1), "crossed", 12.0, 0.0)
    assert crossed.tones[0][0] * crossed.tones[2][0] < 0
    none = lay(_ramp(), np.random.default_rng(1), "none", 12.0, 0.0)
    assert none.whole == pytest.approx((0, 0), abs=1e-9)
    assert none.part == pytest.approx(0, abs=1e-9)


def test_the_same_seed_lays_the_same_bytes() -> None:
    one, two = (lay(_ramp(), np.random.default_rng(5), "part", 12.0, 1.0).data for _ in range(2))
    assert one == two


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.integers(0, 40), min_size=8, max_size=200), st.integers(2, 6), st.integers(0, 99)
)
def test_no_group_crosses_a_fold(groups: list[int], count: int, seed: int) -> None:
    names = np.array([str(g) for g in groups])
    fold = fit.folds(names, count, seed)
    for name in set(names):
        assert len(set(fold[names == name])) == 1


@pytest.mark.usefixtures("quick")
def test_walked_trees_say_what_scikit_learn_says() -> None:
    table = _table()
    fitting, aside = _sides(table)
    fitted = fit.grow(table, fitting, 0)
    walked = trees.unpack(fit.export(fitted), "first")
    anchor, relative = weighing.anchored(table.names, table.figures[aside])
    said = walked(relative)
    first = relative[:, fit.heard(table.names)]
    assert 0 < first.shape[1] < relative.shape[1]
    names = [
        f"{target}.{what}{axis}"
        for what in ("", "spread.")
        for target in weighing.TARGETS
        for axis in "ab"
    ]
    # Leaves are stored in single precision.
    for column, name in zip(said.T, names, strict=True):
        assert column == pytest.approx(fitted.stage_one[name].predict(first), abs=1e-5)
        assert np.ptp(column) > 0
    word = fit.apply(fitted, table, aside)
    assert said[:, 0] + anchor[:, 0] == pytest.approx(word.casts[:, 0, 0], abs=1e-5)
    assert np.exp(said[:, 8:]) == pytest.approx(word.deviation.reshape(-1, 8), abs=1e-5)
    last = trees.unpack(fit.export(fitted), "last")
    told = weighing.second_stage(table.names, table.figures[aside], word.casts, word.deviation)
    assert last(told).mean(axis=1) == pytest.approx(word.logit, abs=1e-5)
    uneven = trees.unpack(fit.export(fitted), "uneven")
    assert uneven(told)[:, 0] == pytest.approx(word.uneven, abs=1e-5)
    assert np.ptp(word.uneven) > 0


@pytest.mark.usefixtures("quick")
def test_the_same_seed_grows_the_same_trees() -> None:
    table = _table()
    fitting, _ = _sides(table)
    one, two = (fit.export(fit.grow(table, fitting, 7)) for _ in range(2))
    assert one.keys() == two.keys()
    for name, array in one.items():
        np.testing.assert_array_equal(array, two[name])


@pytest.mark.usefixtures("quick")
def test_rows_are_judged_by_models_that_did_not_see_their_group(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    table = _table()
    seen: list[set[str]] = []
    held: list[set[str]] = []
    grow, apply = fit.grow, fit.apply

    def spy_grow(table: Table, fitting: fit.Rows, seed: int) -> fit.Fitted:
        seen.append(set(table.group[fitting]))
        return grow(table, fitting, seed)

    def spy_apply(fitted: fit.Fitted, table: Table, rows: fit.Rows) -> fit.Predictions:
        held.append(set(table.group[rows]))
        return apply(fitted, table, rows)

    monkeypatch.setattr(nested, "grow", spy_grow)
    monkeypatch.setattr(nested, "apply", spy_apply)
    outcome = nested.nested(table, 0, lambda _: None)
    for fitted_on, judged in zip(seen, held, strict=True):
        assert fitted_on
        assert not fitted_on & judged
    assert set().union(*held) == set(table.group)
    assert not np.isnan(outcome.word.probability).any()


def test_errors_that_go_together_are_found() -> None:
    table = replace(_table(400), truth=np.zeros((1600, 4, 2)))
    drawn = np.random.default_rng(2)
    given = np.array(
        [[1, 0.7, 0.9, 0.8], [0.7, 1, 0.8, 0.5], [0.9, 0.8, 1, 0.8], [0.8, 0.5, 0.8, 1]]
    )
    errors = drawn.multivariate_normal(np.zeros(4), given, (1600, 2)).transpose(0, 2, 1)
    deviation = np.exp(drawn.normal(0, 0.5, (1600, 4, 2)))
    rows = np.arange(1600)
    found = fit._together(table, rows, errors * deviation, deviation)
    np.testing.assert_allclose(found, given, atol=0.05)


@pytest.mark.usefixtures("quick")
def test_an_estimate_follows_a_known_cast() -> None:
    table = _table()
    fitting, aside = _sides(table)
    fitted = fit.grow(table, fitting, 0)
    word = fit.apply(fitted, table, aside)
    laid = table.kind[aside] == "gain"
    error = np.hypot(*(word.casts[laid, 0] - table.truth[aside][laid, 0]).T)
    assert np.median(error) < 2.0


def test_thresholds_keep_the_risks_and_widen_with_them() -> None:
    rng = np.random.default_rng(0)
    probability = rng.random(4000)
    every = np.ones((4000, 2), dtype=bool)
    consensus = np.where(rng.random(4000) < probability, "evident", "none")
    strict = choose(probability, consensus, every, Risks(0.02, 0.05, 0.02))
    loose = choose(probability, consensus, every, Risks(0.10, 0.30, 0.20))
    for thresholds, risks in ((strict, (0.02, 0.05, 0.02)), (loose, (0.10, 0.30, 0.20))):
        verdict = thresholds.verdict(probability, every)
        evident = consensus == "evident"
        assert evident[verdict == "clear"].mean() <= risks[0]
        assert (verdict == "clear")[evident].mean() <= risks[1]
        assert (~evident)[verdict == "cast"].mean() <= risks[2]
    assert loose.clear_below > strict.clear_below
    assert loose.cast_above < strict.cast_above


def test_figures_that_cannot_be_read_do_not_anchor() -> None:
    figures = np.full((1, len(NAMES)), np.nan)
    figures[0, 0:2] = (6.0, -3.0)
    anchor, _ = weighing.anchored(NAMES, figures)
    assert anchor[0] == pytest.approx((6.0, -3.0))
    nothing, _ = weighing.anchored(NAMES, np.full((1, len(NAMES)), np.nan))
    assert nothing[0] == pytest.approx((0.0, 0.0))


def test_a_laid_cast_shifts_relative_figures_by_nothing() -> None:
    table = _table()
    shifted = replace(table, figures=table.figures.copy())
    for k, name in enumerate(NAMES):
        if name.endswith(".a"):
            shifted.figures[:, k] += 5.0
    one, relative = weighing.anchored(NAMES, table.figures)
    two, moved = weighing.anchored(NAMES, shifted.figures)
    heard = ~np.isnan(table.figures[:, ::2][:, :4]).all(axis=1)
    assert two[heard, 0] - one[heard, 0] == pytest.approx(5.0)
    np.testing.assert_allclose(moved[heard][:, :10], relative[heard][:, :10], atol=1e-9)


@pytest.mark.parametrize("content", [None, "", "file,group\na.jpg,one\n"])
def test_a_folder_without_a_usable_manifest_is_named(tmp_path: Path, content: str | None) -> None:
    if content is not None:
        (tmp_path / "manifest.csv").write_text(content)
    for command in (["train", str(tmp_path), "--to", str(tmp_path)], ["evaluate", str(tmp_path)]):
        result = CliRunner().invoke(app, command)
        assert result.exit_code == 1
        assert "manifest.csv" in result.stderr
        assert "Traceback" not in result.output
    assert [p.name for p in tmp_path.iterdir()] in ([], ["manifest.csv"])


def test_a_folder_becomes_natural_rows_crops_and_laid_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from skimage import data

    monkeypatch.setattr(gather, "SCENES", 8)

    Image.fromarray(data.astronaut()).save(tmp_path / "a.jpg", quality=95)
    Image.fromarray(data.coffee()).save(tmp_path / "b.jpg", quality=95)
    (tmp_path / "manifest.csv").write_text(
        "file,group,consensus,judgement_1,judgement_2,a_1,a_2,b_1,b_2\n"
        "a.jpg,one,none,none,none,0,0,0,0\nb.jpg,two,evident,evident,evident,4,2,10,12\n"
    )
    lines: list[str] = []
    table = gather.gather(tmp_path, 1, 1, lines.append)
    assert table.natural.sum() == 2
    scene = np.char.startswith(table.group, "scene-")
    assert (
        sorted(table.file[table.kind == "crop"])
        == ["a.jpg"] * gather.CROPS + ["b.jpg"] * gather.CROPS
    )
    laid = ~table.natural & ~scene & (table.kind != "crop")
    assert set(table.file[laid]) == {"a.jpg"}
    assert sorted(table.kind[laid]) == sorted(gather.PLAN)
    assert sorted(table.kind[scene]) == sorted(
        f"{half}.{kind}" for half in ("rendered", "held") for kind in gather.SCENE_PLAN
    )
    assert len(set(table.group[scene])) == scene.sum()
    assert table.looked[table.natural & (table.file == "b.jpg")] == pytest.approx(
        np.array([[3.0, 11.0]])
    )
    column = [table.names.index(f"statistics.shades_of_grey.{axis}") for axis in "ab"]
    gains = np.flatnonzero(table.kind == "gain")
    uncast = table.figures[table.kind == "none"][:, column].mean(axis=0)
    moved = table.figures[gains][:, column] - uncast
    heard = ~np.isnan(moved[:, 0])
    along = (moved[heard] * table.truth[gains][heard, 0]).sum(axis=1)
    assert (along > 0).all()
    assert any("2 of 2 pictures" in line for line in lines)


@pytest.mark.usefixtures("quick")
def test_a_cast_on_a_part_of_the_frame_is_told_from_one_over_all() -> None:
    table = _table()
    # Any one figure that parts alone have: here the lightness.
    partly = (table.kind == "part") & (table.worst >= EVIDENT_FROM)
    table.figures[:, NAMES.index("scene.lightness")] = np.where(partly, 40.0, 50.0)
    fitting, aside = _sides(table)
    said = fit.apply(fit.grow(table, fitting, 0), table, aside).uneven
    assert roc_auc_score(partly[aside], said) > 0.95


@pytest.mark.parametrize("lack", ["joint", "first/start", "uneven"])
def test_trees_of_another_version_are_refused(lack: str, monkeypatch: pytest.MonkeyPatch) -> None:
    arrays = dict(load_arrays(weighing.FILE))
    if lack == "first/start":
        arrays[lack] = arrays[lack][:10]
    else:
        arrays = {name: each for name, each in arrays.items() if not name.startswith(lack)}
    monkeypatch.setattr(weighing, "load_arrays", lambda _: arrays)
    weighing._models.cache_clear()
    with pytest.raises(ModelError, match=r"fitted.npz in .* another version of autocast. Train"):
        weighing.predict([{}])
    weighing._models.cache_clear()
