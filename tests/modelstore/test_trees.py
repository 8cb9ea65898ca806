"""Forests walked by hand; that they say what scikit-learn says is held where they are grown."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from autocast.modelstore.trees import FIELDS, Forest, unpack

NAN = float("nan")

FOREST = Forest(
    # Tree 0 asks feature 0, then feature 1; tree 1 is a leaf; tree 2 asks feature 1.
    feature=np.array([0, -1, 1, -1, -1, -1, 1, -1, -1]),
    threshold=np.array([0.5, 0, 2.0, 0, 0, 0, -1.0, 0, 0]),
    missing_left=np.array([True, False, False, False, False, False, False, False, False]),
    left=np.array([1, 0, 3, 0, 0, 0, 7, 0, 0]),
    right=np.array([2, 0, 4, 0, 0, 0, 8, 0, 0]),
    value=np.array([0, 1.0, 0, 10.0, 100.0, 0.25, 0, -1.0, -2.0]),
    root=np.array([0, 5, 6]),
    first=np.array([0, 2]),
    start=np.array([1000.0, 2000.0]),
)


def test_the_fields_are_what_is_stored() -> None:
    assert tuple(field.name for field in fields(Forest)) == FIELDS


@pytest.mark.parametrize(
    ("row", "sums"),
    [
        ((0.5, 9.0), (1001.25, 1998.0)),  # a threshold belongs to the left
        ((0.6, 2.0), (1010.25, 1998.0)),
        ((0.6, 2.1), (1100.25, 1998.0)),
        ((NAN, -1.0), (1001.25, 1999.0)),  # what is missing goes left where the node says so
        ((0.6, NAN), (1100.25, 1998.0)),  # and right where it does not
    ],
)
def test_a_row_goes_down_every_tree(row: tuple[float, float], sums: tuple[float, float]) -> None:
    # In company, since all rows are walked at once.
    found = FOREST(np.array([row, (0.0, 0.0)]))
    assert found[0].tolist() == list(sums)


def test_a_forest_whose_nodes_stand_in_another_order_is_refused() -> None:
    with pytest.raises(ValueError, match="not followed by its left side"):
        replace(FOREST, left=FOREST.right, right=FOREST.left)


@pytest.mark.parametrize("depth", [3, 5, 63])
def test_a_tree_of_up_to_64_leaves_is_walked(depth: int) -> None:
    # Node 2 k asks whether the value lies above k; its left side is the leaf 2 k + 1.
    nodes = np.arange(2 * depth + 1)
    asks = (nodes % 2 == 0) & (nodes < 2 * depth)
    stairs = Forest(
        feature=np.where(asks, 0, -1),
        threshold=nodes / 2,
        missing_left=nodes == 2,
        left=nodes + 1,
        right=nodes + 2,
        value=nodes.astype(np.float64),
        root=np.array([0]),
        first=np.array([0]),
        start=np.array([0.5]),
    )
    rows = np.array([*range(depth + 1), NAN])[:, None]
    leaves = [*(2 * k + 1.5 for k in range(depth)), 2 * depth + 0.5, 3.5]
    assert stairs(rows).ravel().tolist() == leaves


def test_a_forest_comes_back_from_its_arrays() -> None:
    arrays = {f"last/{name}": getattr(FOREST, name) for name in FIELDS}
    rows = np.random.default_rng(0).normal(size=(20, 2))
    np.testing.assert_array_equal(unpack(arrays, "last")(rows), FOREST(rows))
    with pytest.raises(KeyError, match="first/feature"):
        unpack(arrays, "first")
