"""Do complexions get equal judgements? Rendered portraits by individual typology angle.

    python -m autocast.evaluation.fairness --portraits 800

The same portraits are rendered with skin of every group, balanced perfectly,
and judged by the shipped models: without a cast and with one of C* 12 (at L* 60)
laid over them, both through the chain of simulation.py (exposure, contrast,
saturation, recompression). A *false alarm* is a picture without a cast that is
called ``cast``. Portraits are made of the half of the spectra kept for reporting.
False alarms should differ by at most 3 points between groups (project convention).
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from autocast.archive.workers import end_with_parent
from autocast.judgement import Verdict
from autocast.judging import judge
from autocast.modelstore import Models, default_models
from autocast.rendering.scenes import ITA_GROUPS, STUDIES, portrait
from autocast.training.gather import counted
from autocast.training.simulation import lay_cast

SIZE = 12.0
"""C* at L* 60 of the cast of the second copy."""
LARGEST_DIFFERENCE = 3.0
"""Points by which the groups' shares of false alarms may differ (project convention)."""
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Share:
    """A share with its Wilson interval, in per cent."""

    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Fairness:
    """How ``count`` portraits of one group of ITA_GROUPS were judged.

    Without a cast: how many were called ``cast`` (``false_alarms``), and how many
    anything but ``clear`` (``not_clear``). With one: how many were called ``cast``
    (``found``), and how many ``clear`` (``missed``).
    """

    group: str
    count: int
    false_alarms: Share
    not_clear: Share
    found: Share
    missed: Share


def _judged(
    seed: int, studies: Collection[str], models: Models, number: int
) -> list[tuple[Verdict, Verdict]]:
    """The verdicts, by group, on one portrait without a cast and with one."""
    out = []
    for group in ITA_GROUPS:
        pixels = portrait(np.random.default_rng([seed, number]), group, studies).pixels
        angle = float(np.random.default_rng([seed, number, 1]).uniform(0, 2 * np.pi))
        copies = (
            lay_cast(pixels, np.random.default_rng([seed, number, 2]), kind, SIZE, angle)
            for kind in ("none", "gain")
        )
        without, under = (judge(copy.data, models=models).verdict for copy in copies)
        out.append((without, under))
    return out


def fairness(  # noqa: PLR0913, PLR0917 -- all that a run is given
    count: int,
    seed: int,
    studies: Collection[str],
    processes: int,
    report: Callable[[str], None],
    models: Models,
) -> list[Fairness]:
    """Judge portraits of every group.

    Parameters
    ----------
    count : int
        How many of every group.
    seed : int
        The same seed renders the same portraits.
    studies : collection of str
        Whose spectra they are made of.
    processes : int
        In how many they are judged.
    report : callable
        Is given lines of progress.
    models : Models
        Those that judge.

    Returns
    -------
    list of Fairness
        One for each group, darkest first.
    """
    with ProcessPoolExecutor(processes, initializer=end_with_parent) as pool:
        many = pool.map(partial(_judged, seed, tuple(studies), models), range(count), chunksize=4)
        verdicts = list(counted(many, count, lambda done: report(f"{done} portraits judged")))
    return [_of_group(group, [row[k] for row in verdicts]) for k, group in enumerate(ITA_GROUPS)]


def fairness_text(groups: Sequence[Fairness]) -> str:
    """The table in Markdown, and how far the groups' false alarms lie apart.

    Parameters
    ----------
    groups : sequence of Fairness
        As of :func:`fairness`.

    Returns
    -------
    str
        Lines.
    """
    titles = (
        *("group", "n", "called cast, without one", "not clear, without one"),
        *(f"called cast, with C* {SIZE:.0f}", "called clear, with it"),
    )
    lines = [f"| {' | '.join(titles)} |", "|---" * len(titles) + "|"]
    for each in groups:
        shares = (each.false_alarms, each.not_clear, each.found, each.missed)
        cells = [f"{s.share:.1f} % [{s.low:.1f}, {s.high:.1f}]" for s in shares]
        lines.append(f"| {each.group} | {each.count} | {' | '.join(cells)} |")
    for name, pick in (("called cast", "false_alarms"), ("not clear", "not_clear")):
        share = [getattr(each, pick).share for each in groups]
        lines.append(
            f"Without a cast, shares {name} differ by up to {max(share) - min(share):.1f} points."
        )
    lines.append(f"False alarms should differ by at most {LARGEST_DIFFERENCE:.0f} points.")
    return "\n".join(lines)


def _of_group(group: str, verdicts: Sequence[tuple[Verdict, Verdict]]) -> Fairness:
    without, under = zip(*verdicts, strict=True)
    n = len(verdicts)
    return Fairness(
        group,
        n,
        _share(without.count("cast"), n),
        _share(n - without.count("clear"), n),
        _share(under.count("cast"), n),
        _share(under.count("clear"), n),
    )


def _share(hits: int, n: int) -> Share:
    """Wilson's interval (J. Am. Stat. Assoc. 22, 1927), as scipy computes it."""
    from scipy.stats import binomtest

    interval = binomtest(hits, n).proportion_ci(CONFIDENCE, method="wilson")
    return Share(100 * hits / n, 100 * interval.low, 100 * interval.high)


def main() -> None:
    """Judge portraits from the command line."""
    parser = argparse.ArgumentParser(description="Judge rendered portraits by complexion.")
    parser.add_argument("--portraits", type=int, default=800, help="how many of every group")
    parser.add_argument("--seed", type=int, default=1, help="same seed, same portraits")
    arguments = parser.parse_args()
    groups = fairness(
        arguments.portraits, arguments.seed, STUDIES["report"], os.cpu_count() or 1, print,
        default_models(),
    )  # fmt: skip
    print(fairness_text(groups))


if __name__ == "__main__":
    main()
