"""What each rule that keeps pictures from a verdict costs, and which errors it prevents."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.evaluation.resampling import Draws, mean
from autocast.training.gather import VERDICTS, Table

Bools = NDArray[np.bool_]

WRONG = {"clear": "evident", "cast": "none"}
"""The consensus that makes each verdict an error, as the risks count them."""


def rules(
    table: Table,
    verdict: NDArray[np.str_],
    by_probability: NDArray[np.str_],
    kept_from: Mapping[str, Bools],
    seed: int,
) -> list[dict[str, Any]]:
    """Count what each rule blocks, and how much of it would have been wrong.

    Parameters
    ----------
    table : Table
        Judged pictures.
    verdict : ndarray of str, (n,)
        As given.
    by_probability : ndarray of str, (n,)
        As the probability alone would give them.
    kept_from : mapping of str to (n, 2) ndarray of bool
        Which rows each rule keeps from ``clear`` and from ``cast``.
    seed : int
        Of the draws.

    Returns
    -------
    list of dict
        For each verdict first what is given it (``rule`` None), then a row for each rule
        that blocks any: ``n`` pictures blocked, ``alone`` those that no other rule blocks
        as well; ``wrong`` and ``alone_wrong`` are the shares of these that the judgements
        would have called an error, None where there are none.
    """
    out: list[dict[str, Any]] = []
    for k, name in enumerate(VERDICTS):
        error = table.consensus == WRONG[name]
        given = table.natural & (verdict == name)
        out.append(
            {
                "verdict": name,
                "rule": None,
                "n": int(given.sum()),
                "wrong": _share(table, error, given, seed),
                "alone": None,
                "alone_wrong": None,
            }
        )
        likely = table.natural & (by_probability == name)
        blocking = {rule: keeps[:, k] & likely for rule, keeps in kept_from.items()}
        count = np.sum([*blocking.values(), np.zeros(len(likely))], axis=0)
        for rule, blocked in blocking.items():
            alone = blocked & (count == 1)
            if blocked.any():
                out.append(
                    {
                        "verdict": name,
                        "rule": rule,
                        "n": int(blocked.sum()),
                        "wrong": _share(table, error, blocked, seed),
                        "alone": int(alone.sum()),
                        "alone_wrong": _share(table, error, alone, seed),
                    }
                )
    return out


def _share(table: Table, error: Bools, among: Bools, seed: int) -> dict[str, Any] | None:
    rows = np.flatnonzero(among)
    if not len(rows):
        return None
    return Draws(table.group[rows], seed).cell(mean(error[rows].astype(float)))
