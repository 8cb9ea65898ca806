"""Simulated casts and judged casts, found again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocast.evaluation import agreement
from autocast.training import simulation
from tests.tables import predicted, table


def test_a_faultless_estimate_is_found_faultless_at_every_size() -> None:
    made = table()
    faultless = {"quoted": made.truth[:, 0], "blind": np.zeros((len(made.file), 2))}
    found = agreement.simulated(made, predicted(made.truth), faultless, 0)
    for row in found["quoted"].values():
        assert row["auc"]["value"] == 1.0
        assert row["error"]["value"] == 0.0
    for about, row in found["blind"].items():
        assert row["auc"]["value"] == 0.5
        assert row["error"]["value"] == pytest.approx(int(about))
        assert row["n"] == (made.kind == "none").sum() / 2


def test_direction_and_size_are_measured_against_both_looks() -> None:
    made = table()
    both = ~np.isnan(made.looked[:, 0])
    turned = np.nan_to_num(made.looked)
    turned[np.flatnonzero(both)[::4]] *= -1.0
    found = agreement.judged(
        made, predicted(made.truth), None, {"quoted": turned, "half": turned / 2}, 0
    )
    share = 1 - len(np.flatnonzero(both)[::4]) / both.sum()
    assert found["quoted"]["direction"]["value"] == pytest.approx(share)
    assert found["quoted"]["direction"]["n"] == both.sum()
    assert found["quoted"]["size"]["value"] == pytest.approx(0)
    assert found["half"]["size"]["value"] == pytest.approx(6.0)
    assert found["quoted"]["evident"]["value"] == 1.0


def test_the_band_of_crossed_casts_is_that_of_twelve_codes_at_the_ends() -> None:
    low, high = agreement.CROSSED
    sizes = []
    for move in ((1, 0, -1), (1, -1, 1), (1, 1, -1), (0, 1, -1), (1, -1, 0)):
        change = simulation._Change("crossed", np.array(move) * 12 / 255)
        sizes.append(np.hypot(*simulation._truth(change, 1.0).T).max())
    assert low == pytest.approx(min(sizes), abs=0.5)
    assert high == pytest.approx(max(sizes), abs=0.5)


def test_crossed_casts_are_found_by_tone_and_not_by_the_whole() -> None:
    made = table()
    predictions = predicted(np.where(made.natural[:, None, None], 0.0, made.truth))
    found = agreement.by_tone(made, predictions, 0)
    assert found["n"] == (made.kind == "crossed").sum()
    assert found["quoted"]["shadows"]["auc"]["value"] == 1.0
    assert found["quoted"]["highlights"]["auc"]["value"] == 1.0
    assert found["quoted"]["midtones"]["auc"]["value"] == 0.5
    assert found["quoted"]["apart"]["auc"]["value"] == 1.0
    assert found["counted"]["apart"]["auc"]["value"] > 0.95
    assert found["quoted"]["shadows"]["error"]["value"] == 0.0
    assert found["counted"]["shadows"]["auc"]["value"] > 0.95
    assert found["counted"]["shadows"]["error"]["value"] < 2.0
    verdict = np.where(made.kind == "gain", "cast", "clear")
    by_kind = {row["kind"]: row for row in agreement.kinds(made, predictions, 0, verdict)}
    assert set(by_kind) == {"gain", "crossed", "part"}
    assert [by_kind[kind]["clear"]["value"] for kind in ("gain", "crossed")] == [0.0, 1.0]
    assert by_kind["gain"]["counted"]["value"] > 0.95
    assert by_kind["crossed"]["counted"]["value"] < 0.65
    assert by_kind["crossed"]["largest"]["value"] == 1.0


def test_casts_over_rendered_scenes_stand_against_uncast_scenes() -> None:
    made = table(48)
    kind = made.kind.astype("U20")
    scenes = ~made.natural & (np.arange(len(kind)) % 2 == 0)
    kind[scenes] = np.char.add("held.", made.kind[scenes])
    mixed = replace(made, kind=kind)
    # All over scenes is shown as strongly cast: only casts over photographs stand out then.
    casts = np.where(scenes[:, None, None], 99.0, made.truth)
    by_kind = {row["kind"]: row for row in agreement.kinds(mixed, predicted(casts), 0)}
    assert by_kind["gain"]["quoted"]["value"] == 1.0
    assert by_kind["held.gain"]["quoted"]["value"] == 0.5
    assert (
        by_kind["held.gain"]["n"] + by_kind["gain"]["n"]
        == (made.worst[made.kind == "gain"] >= 6).sum()
    )
