"""What a rule blocks, alone and beside others, and how much of that would be wrong."""

from __future__ import annotations

import numpy as np
import pytest

from autocast.evaluation.rules import rules
from tests.tables import judged_only


def test_blocked_pictures_and_their_errors_are_counted_by_rule() -> None:
    # Six would be clear, two of them evident; four would be a cast, one of them without.
    evident = np.array([1, 1, 0, 0, 0, 0, 1, 1, 1, 0], dtype=bool)
    table = judged_only(evident)
    by_probability = np.array(["clear"] * 6 + ["cast"] * 4)
    keeps = {name: np.zeros((10, 2), dtype=bool) for name in ("one", "other", "idle", "elsewhere")}
    keeps["one"][[0, 1, 2], 0] = True
    keeps["other"][[2, 3], 0] = True
    keeps["other"][9, 1] = True
    # Keeps pictures from what their probability would not call them anyway.
    keeps["elsewhere"][7, 0] = True
    verdict = by_probability.copy()
    verdict[[0, 1, 2, 3, 9]] = "ask"
    found = {
        (row["verdict"], row["rule"]): row
        for row in rules(table, verdict, by_probability, keeps, 0)
    }
    assert list(found) == [
        ("clear", None), ("clear", "one"), ("clear", "other"), ("cast", None), ("cast", "other"),
    ]  # fmt: skip
    given, one, other = (found["clear", name] for name in (None, "one", "other"))
    assert (given["n"], given["wrong"]["value"]) == (2, 0.0)
    assert (one["n"], one["alone"], one["alone_wrong"]["value"]) == (3, 2, 1.0)
    assert one["wrong"]["value"] == pytest.approx(2 / 3)
    assert (other["n"], other["alone"], other["wrong"]["value"]) == (2, 1, 0.0)
    assert found["cast", None]["wrong"]["value"] == 0.0
    assert (found["cast", "other"]["alone"], found["cast", "other"]["wrong"]["value"]) == (1, 1.0)


def test_a_rule_that_never_blocks_alone_has_no_share_of_its_own() -> None:
    table = judged_only(np.zeros(3, dtype=bool))
    keeps = {name: np.ones((3, 2), dtype=bool) for name in ("one", "other")}
    rows = rules(table, np.full(3, "ask"), np.full(3, "clear"), keeps, 0)
    assert [(row["rule"], row["alone"]) for row in rows] == [
        (None, None), ("one", 0), ("other", 0), (None, None),
    ]  # fmt: skip
    assert all(row["alone_wrong"] is None for row in rows)
    assert rows[0]["wrong"] is None
