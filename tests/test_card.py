"""models/CARD.md says what the model files hold."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from autocast.advisor.risk import CONSENSUS, Curve
from autocast.judgement.limits import (
    HINT_DOUBTED_FROM,
    PLAIN_FROM,
    SLIGHT_FROM,
    TONES_APART,
)
from autocast.judgement.things import KINDS
from autocast.modelstore import TARGETS, Models
from autocast.modelstore.network import CEILING
from autocast.rendering import densities
from autocast.segmentation.content import CHANNELS, SIDE
from autocast.training.gather import COLUMNS
from autocast.voting.features import dictionary
from autocast.voting.fitted import Layout
from tests.documents import ROOT, figures, number, table, text

CARD = text("models/CARD.md")
MODELS = Models.load(ROOT / "models")
VERDICT = MODELS.verdict
CURVE = Curve.from_plain(VERDICT["curve"])
NONE, EVIDENT = CONSENSUS.index("none"), CONSENSUS.index("evident")


def _counts(*stated: str) -> tuple[int, ...]:
    return tuple(int(each.replace(" ", "")) for each in stated)


def test_every_model_file_is_listed_with_its_size() -> None:
    listed = {row[0]: int(row[1]) for row in table("| file | kB |", CARD)}
    held = json.loads(text("models/REGISTRY.json"))["files"]
    assert listed == {name: round((ROOT / "models" / name).stat().st_size / 1000) for name in held}


def test_nothing_else_lies_among_the_models() -> None:
    documents = {"CARD.md", "STUDIES.md", "REGISTRY.json", "content.LICENSE.txt"}
    listed = {row[0] for row in table("| file | kB |", CARD)}
    assert {path.name for path in Path(ROOT / "models").iterdir()} == listed | documents


def test_the_photographs_are_those_that_the_verdicts_come_from() -> None:
    (row,) = table("| consensus of two looks | none | doubtful | slight | evident |", CARD)
    assert [int(cell) for cell in row[1:]] == CURVE.total.tolist()
    pictures, _ = figures(r"features of (\d+) photographs in (\d+) groups", CARD)
    assert int(pictures) == CURVE.total.sum()
    assert f"fitted on {pictures} photographs" in CARD
    registry = json.loads(text("models/REGISTRY.json"))["files"]
    assert registry["fitted.npz"]["made_by"].endswith(f" {pictures} pictures")


def test_the_base_rate_is_that_of_the_file() -> None:
    rate, evident, known = figures(
        r"The base rate, ([\d.]+) \((\d+) evident of the (\d+) that could be judged\)", CARD
    )
    assert float(rate) == round(VERDICT["base_rate"], 3)
    assert int(evident) / int(known) == pytest.approx(VERDICT["base_rate"])
    assert int(evident) == CURVE.total[EVIDENT]


def test_the_risks_are_those_of_the_file() -> None:
    stated = figures(
        r"at most (\d+) % of \*clear\* evident, at most (\d+) % of evident called \*clear\*, "
        r"at most (\d+) % of \*cast\* judged none,",
        CARD,
    )
    risks = VERDICT["risks"]
    allowed = [risks["clear"], risks["missed"], risks["cast"]]
    assert [int(each) / 100 for each in stated] == allowed
    for part in CARD.split("The same at a mix of"):
        rows = [row for row in table("| risk | share |", part) if row[3]]
        assert [number(row[3]) / 100 for row in rows] == allowed


def test_the_thresholds_are_those_of_the_file() -> None:
    clear, cast = figures(
        r"\(\*clear\* at ([\d.]+) or less, \*cast\* above ([\d.]+)\) are chosen", CARD
    )
    assert (float(clear), float(cast)) == (VERDICT["clear_below"], VERDICT["cast_above"])
    figures(r"Both keep their risks as expected, with one error more", CARD)
    assert (VERDICT["clear_held"], VERDICT["cast_held"]) == ("expected", "expected")


def test_what_lies_beyond_the_thresholds_is_counted_as_in_the_file() -> None:
    stated = figures(
        r"of (\d+) such pictures at or below the one, (\d+) are evident; "
        r"of (\d+) above the other, (\d+) are judged none\.",
        CARD,
    )
    clear = CURVE.clear[CURVE.levels <= VERDICT["clear_below"]][-1]
    cast = CURVE.cast[-1] - CURVE.cast[CURVE.levels <= VERDICT["cast_above"]][-1]
    assert _counts(*stated) == (clear.sum(), clear[EVIDENT], cast.sum(), cast[NONE])
    (levels,) = figures(r"at each of (\d+) probabilities, how many pictures", CARD)
    assert int(levels) == len(CURVE.levels)


def test_what_keeps_from_clear_is_that_of_the_file() -> None:
    tones, plain, unseen = figures(
        r"Tone ranges that lie ([\d.]+) or more apart and an estimate of C\\\* ([\d.]+) or more "
        r"keep a picture from \*clear\*, one below ([\d.]+) everywhere",
        CARD,
    )
    assert (float(tones), float(plain), float(unseen)) == (TONES_APART, PLAIN_FROM, SLIGHT_FROM)
    (parts,) = figures(r"\(log-odds of ([\d.]+) and more\)", CARD)
    assert float(parts) == round(VERDICT["parts_apart"], 4)
    (monochrome,) = figures(r"a black-and-white is given the probability ([\d.]+) ", CARD)
    assert float(monochrome) == VERDICT["monochrome"]


def test_features_are_counted_as_in_the_file() -> None:
    stated = figures(
        r"Features: (\d+), namely (\d+) of picture-wide statistics, (\d+) of what the picture "
        r"seems to show, (\d+) of the joint count, (\d+) of the scene, (\d+) of neutrals and (\d+) "
        r"each of sky, vegetation and skin\.",
        CARD,
    )
    names = MODELS.estimator.features
    kinds = [dictionary()[name].kind for name in names]
    parts = ["statistics", "content", "joint", "scene", "neutrals"]
    each = {kinds.count(kind) for kind in ("sky", "vegetation", "skin")}
    assert _counts(*stated) == (len(names), *(kinds.count(kind) for kind in parts), *each)


def test_trees_are_counted_as_in_the_file() -> None:
    stated = figures(
        r"First stage: ([\d ]+) trees of ([\d ]+) nodes in (\d+) models .*?, given (\d+) of the "
        r"features\. Last stage: (\d+) trees of (\d+) nodes, the mean of (\d+) models, given all\. "
        r"Parts of the frame: (\d+) trees of (\d+) nodes\.",
        CARD,
    )
    trees = MODELS.estimator
    anchors = 2
    assert _counts(*stated) == (
        len(trees.first.root),
        len(trees.first.feature),
        len(trees.first.start),
        len(Layout.of(trees.features).first) - anchors,
        len(trees.last.root),
        len(trees.last.feature),
        len(trees.last.start),
        len(trees.uneven.root),
        len(trees.uneven.feature),
    )
    assert len(trees.first.start) == 2 * len(TARGETS)
    assert len(trees.uneven.start) == 1


def test_the_correlations_are_those_of_the_file() -> None:
    least, most = figures(r"targets correlate by ([\d.]+) to ([\d.]+) \(`correlation`\)", CARD)
    apart = MODELS.estimator.correlation[np.triu_indices(len(TARGETS), 1)]
    assert (float(least), float(most)) == (round(apart.min(), 2), round(apart.max(), 2))


def test_densities_are_as_in_the_file() -> None:
    rows = {row[0]: row[1] for row in table("| array | what it holds |", CARD)}
    assert rows[f"kinds ({len(KINDS)})"] == ", ".join(KINDS)
    (step,) = figures(r"−3 to 3 in steps of ([\d.]+)", rows["origin (2), step"])
    held = MODELS.densities
    assert (float(step), held.origin.tolist()) == (held.step, [-3, -3])
    assert held.origin[0] + held.step * (held.shape[0] - 1) == pytest.approx(3)
    shape = ", ".join(map(str, (len(held.table), *held.shape)))
    assert f"log_density ({shape})" in rows
    lightness = ", ".join(map(str, held.lightness.shape))
    (floor,) = figures(r"floored at ln ([\d.]+)", rows[f"lightness ({lightness})"])
    assert float(np.exp(held.lightness.min())) >= float(floor) - 1e-6


def test_what_broadens_a_kind_is_as_in_the_code() -> None:
    rows = {row[0]: row[1:] for row in table("| kind | left-over light, mired", CARD)}
    assert tuple(rows) == tuple(densities.NUISANCES)
    for kind, (mired, veil, blur, exposure) in rows.items():
        by = densities.NUISANCES[kind]
        mean, spread = mired.split(", ")
        assert (float(mean), float(spread)) == (by.mired, by.mired_spread), kind
        assert (number(veil), number(blur)) == (by.veil, by.blur), kind
        if not exposure.startswith("bell"):
            mean, spread = exposure.split(", ")
            assert (float(mean), float(spread)) == (by.exposure, by.exposure_spread), kind
    stated = figures(
        r"a lognormal factor of median ([\d.]+) and spread ([\d.]+); ([\d.]+) and ([\d.]+) for "
        r"vegetation, ([\d.]+) and ([\d.]+) for sky\.",
        CARD,
    )
    factors = [(float(stated[k]), float(stated[k + 1])) for k in (0, 2, 4)]
    special = {"vegetation": factors[1], "sky": factors[2]}
    for kind, by in densities.NUISANCES.items():
        factor = (by.saturation, by.saturation_spread)
        assert factor == special.get(kind, factors[0]), kind


def test_the_network_is_as_in_the_file() -> None:
    figures(r"the stem and the first eleven blocks of a small network", CARD)
    assert len(MODELS.network.strides) == 11
    (ceiling,) = figures(r"ReLU(\d)\), trained by its makers", CARD)
    assert int(ceiling) == CEILING
    wide, tall, channels = figures(
        r"squeezes a picture to (\d+) × (\d+) pixels, .*? of each of the last (\d+) channels\.",
        CARD,
    )
    assert (int(wide), int(tall), int(channels)) == (SIDE, SIDE, CHANNELS)
    *_, last = (layer for name, layer in MODELS.network.layers.items() if "10.project" in name)
    assert last[0].shape[1] == CHANNELS
    (millions,) = figures(r"\| ([\d.]+) million weights \|", CARD)
    held = sum(part.size for layer in MODELS.network.layers.values() for part in layer)
    assert float(millions) == round(held / 1e6, 1)


def test_the_weights_say_of_themselves_that_they_are_not_fitted() -> None:
    figures(r"`weights\.json` is set by hand, not fitted", CARD)
    assert "set by hand, not fitted" in MODELS.weights["standing"]


def test_the_distance_of_a_doubted_hint_is_that_of_the_code() -> None:
    (distance,) = figures(r"from which a hint is doubted \(([\d.]+) deviations\)", CARD)
    assert float(distance) == HINT_DOUBTED_FROM


def test_risks_follow_from_the_verdicts_that_are_counted() -> None:
    rows = {row[0]: [int(cell) for cell in row[1:]] for row in table("| consensus | clear |", CARD)}
    counts = np.array([rows[name] for name in CONSENSUS])
    assert counts.sum(axis=1).tolist() == CURVE.total.tolist()
    clear, ask, cast = counts.sum(axis=0)
    own, _ = CARD.split("The same at a mix of")
    stated = [(row[0], number(row[1])) for row in table("| risk | share |", own)]
    expected = {
        f"evident among clear (n {clear})": counts[EVIDENT, 0] / clear,
        f"clear among evident (n {CURVE.total[EVIDENT]})": counts[EVIDENT, 0]
        / CURVE.total[EVIDENT],
        f"none among cast (n {cast})": counts[NONE, 2] / cast,
        "left to a person": ask / counts.sum(),
    }
    assert stated == [(name, round(100 * share, 1)) for name, share in expected.items()]
    figures(rf"Of the {ask} left to a person .*? of the {clear + cast} others", CARD)


def test_studies_stand_under_headings_of_the_card() -> None:
    headings = re.findall(r"^##+ .*$", text("models/STUDIES.md"), flags=re.MULTILINE)
    assert headings
    assert set(headings) <= set(re.findall(r"^##+ .*$", CARD, flags=re.MULTILINE))


def test_the_tables_that_evaluate_prints_are_named_as_they_are() -> None:
    printed = text("autocast/report/figures.py")
    sections = re.findall(r"_section\(\s*\"([^\"]+)\"", printed)
    (simulated,) = re.findall(r"\"(Casts simulated in linear light)", printed)
    named = [row[0] for row in table("| table | answers | without a manifest |", CARD)]
    assert len(named) == len(sections) + 1
    for name in named:
        assert any(title.startswith(name) for title in [simulated, *sections]), name


def test_a_manifest_needs_the_columns_that_are_named() -> None:
    (columns,) = figures(
        r"\*\*With a `manifest\.csv`\*\* of the columns (.*?\)) and `consensus`", CARD
    )
    named = re.findall(r"`(\w+)`", columns)
    assert {*named, "consensus"} == set(COLUMNS)
    (grades,) = figures(r"and `consensus` \((.*?)\), every", CARD)
    assert tuple(re.findall(r"`(\w+)`", grades)) == CONSENSUS
