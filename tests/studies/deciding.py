"""What people's decisions are worth: shares, leaks and thresholds, on judged photographs. A script.

    OMP_NUM_THREADS=1 python tests/studies/deciding.py judge FOLDER --to NESTED.npz [--jobs N]
    OMP_NUM_THREADS=1 python tests/studies/deciding.py play NESTED.npz [--draws N]

``judge`` makes the file that ``play`` reads: FOLDER holds photographs and a
``manifest.csv`` with two looks, as ``autocast train`` takes it. Every photograph is
judged by trees grown without its group (:mod:`autocast.training.nested`), which takes
as long as ``autocast train``. The file holds, of each of n photographs, ``group``,
``consensus``, ``judgements`` (n, 2), ``probability``, ``eligible`` (n, 2) and
``monochrome``.

``play`` plays a desk over them. The first look is the person, and *evident* a cast; so is
*slight* to a second person; all else is fine, but for *cannot tell*, which is no
decision. Two people are both looks, whose label is the share of them that say
*evident*; and the consensus is what the models were fitted to. Archives are drawn by
whole groups, with replacement, and thinned at random until casts have the rate wanted.

1. How often the interval of the share of casts covers, and how wide it is, beside the
   normal interval on labels alone (Wald), the exact one (Clopper and Pearson), the plain
   difference estimator with the pictures' own probabilities and with those moved by the
   archive's estimated rate, and that estimate with its error; and with other corrections
   for continuity.
2. How often the bound on what slipped through covers, and how many looks it takes to
   bring it below 2 % when one goes on until it is.
3. What is asked and what risks are run before and after decisions, with thresholds that
   are learned on pictures of two thirds of the groups and measured on the others.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest, norm

from autocast.advisor.risk import Curve, Thresholds
from autocast.archive import shares
from autocast.archive.rate import archive_rate
from autocast.archive.shares import cast_share, looks_needed, slipped
from autocast.archive.thresholds import LEAST_DECIDED, in_decisions, own_thresholds
from autocast.judgement import RISKS, Risks
from autocast.judgement.probability import at_base_rate
from autocast.modelstore import default_models

Floats = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]
Rows = NDArray[np.intp]
Interval = tuple[float, float]

VERDICT = default_models().verdict
BASE = float(VERDICT["base_rate"])
SHIPPED = Thresholds(VERDICT["clear_below"], VERDICT["cast_above"])
SAMPLES = (30, 60, 100, 200)
RATES = (0.01, 0.03, 0.10, 0.25, 0.50)
SIZES = (300, 3000)
DECISIONS = (50, 200, 500)
PEOPLE = ("one, evident", "one, slight or evident", "two, evident", "consensus, evident")
"""Who decides, and what they call a cast."""
NORMAL = float(norm.ppf(0.975))


@dataclass(frozen=True, slots=True, eq=False)
class Photographs:
    """The file's columns, of photographs that the first look could tell."""

    group: NDArray[np.str_]
    consensus: NDArray[np.str_]
    looks: NDArray[np.str_]
    probability: Floats
    eligible: Bools
    monochrome: Bools

    @classmethod
    def read(cls, path: Path) -> Photographs:
        with np.load(path) as held:
            told = held["judgements"][:, 0] != "cannot_tell"
            return cls(
                held["group"][told],
                held["consensus"][told],
                held["judgements"][told],
                np.round(held["probability"][told], 4),
                held["eligible"][told],
                held["monochrome"][told],
            )

    def labels(self, who: str) -> Floats:
        """1 for what is called a cast, 0 for what is fine, and between where two differ."""
        if who == "consensus, evident":
            return np.asarray(self.consensus == "evident", dtype=np.float64)
        if who == "two, evident":
            count = (self.looks != "cannot_tell").sum(axis=1)
            return np.asarray((self.looks == "evident").sum(axis=1) / count, dtype=np.float64)
        casts = ("slight", "evident") if who == "one, slight or evident" else ("evident",)
        return np.asarray(np.isin(self.looks[:, 0], casts), dtype=np.float64)


def judge(folder: Path, to: Path, seed: int, jobs: int) -> None:
    """Judge every photograph by models that did not see its group, and keep what came of it."""
    from autocast.training.gather import gather
    from autocast.training.nested import nested

    table = gather(folder, seed, jobs, print, default_models())
    outcome = nested(table, seed, print, processes=jobs)
    natural = table.natural
    kept = np.any(list(outcome.rules.values()), axis=0)
    np.savez(
        to,
        group=table.group[natural],
        consensus=table.consensus[natural],
        judgements=table.judgements[natural],
        probability=outcome.predictions.probability[natural],
        eligible=~kept[natural],
        monochrome=table.monochrome[natural],
    )


def thinned(rows: Rows, cast: Floats, rate: float | None, rng: np.random.Generator) -> Rows:
    """Some of the rows, so many that casts have about the rate among them."""
    if rate is None:
        return rows
    is_cast = cast[rows] > 0
    had = is_cast.mean()
    keep = np.where(is_cast, rate / had, (1 - rate) / (1 - had))
    return np.asarray(rows[rng.random(len(rows)) < keep / keep.max()])


def drawn_archive(
    groups: list[Rows], cast: Floats, size: int, rate: float, rng: np.random.Generator
) -> Rows:
    """``size`` rows of groups drawn with replacement, of which about a share are casts."""
    every = np.concatenate(groups)
    had = cast[every].mean()
    keep = np.where(cast > 0, rate / had, (1 - rate) / (1 - had))
    keep /= keep.max()
    some: list[Rows] = []
    count = 0
    while count < size:
        group = groups[rng.integers(len(groups))]
        some.append(group[rng.random(len(group)) < keep[group]])
        count += len(some[-1])
    return np.concatenate(some)[:size]


def by_group(group: NDArray[np.str_]) -> list[Rows]:
    """The rows of every group."""
    return [np.flatnonzero(group == each) for each in np.unique(group)]


# 1. The share of casts -----------------------------------------------------------------------


def intervals(p: Floats, which: Rows, labels: Floats) -> Iterator[tuple[str, float, Interval]]:
    """Name, estimate and 95 % interval of each way to tell the share."""
    n, left, found = len(which), 1 - len(which) / len(p), labels[which]
    share = cast_share(p, p[which], found)
    yield "ours", share.share, (share.low, share.high)
    usual = shares._CONTINUITY
    for name, correction in (("ours, none", 0.0), ("ours, a half", 0.5)):
        shares._CONTINUITY = correction
        other = cast_share(p, p[which], found)
        yield name, other.share, (other.low, other.high)
    shares._CONTINUITY = usual
    mean = float(found.mean())
    wide = NORMAL * np.sqrt(mean * (1 - mean) * left / n)
    yield "labels alone, Wald", mean, (mean - wide, mean + wide)
    exact = binomtest(int(found.sum()), n).proportion_ci(method="exact")
    yield "labels alone, exact", mean, (exact.low, exact.high)
    estimated = archive_rate(p, np.full(len(p), BASE))
    assert estimated is not None
    moved = at_base_rate(p, BASE, estimated.rate)
    for name, q in (("difference, own", p), ("difference, moved", moved)):
        off = found - q[which]
        at = float(q.mean() + off.mean())
        wide = NORMAL * np.sqrt(off.var(ddof=1) * left / n)
        yield name, at, (at - wide, at + wide)
    wide = NORMAL * estimated.error
    yield "scores alone (EM)", estimated.rate, (estimated.rate - wide, estimated.rate + wide)


def tell_shares(held: Photographs, who: str, draws: int, rng: np.random.Generator) -> None:
    """Coverage, width and error by setting; and the least and mean over settings."""
    labels, groups = held.labels(who), by_group(held.group)
    print(f"\nShare of casts, {who}; {draws} archives each: coverage %, mean width, in points")
    total: dict[str, list[tuple[float, float, float]]] = {}
    for size in SIZES:
        for rate in RATES:
            for n in SAMPLES:
                seen: dict[str, list[tuple[float, float, float]]] = {}
                for _ in range(draws):
                    rows = drawn_archive(groups, labels, size, rate, rng)
                    p, found = held.probability[rows], labels[rows]
                    truth = float(found.mean())
                    which = rng.choice(size, n, replace=False)
                    for name, at, (low, high) in intervals(p, which, found):
                        covers = float(low - 1e-9 <= truth <= high + 1e-9)
                        width = min(high, 1.0) - max(low, 0.0)
                        seen.setdefault(name, []).append((covers, width, (at - truth) ** 2))
                cells = []
                for name, values in seen.items():
                    covers, width, square = np.mean(values, axis=0)
                    total.setdefault(name, []).append((covers, width, square))
                    cells.append(f"{name} {100 * covers:.1f} {100 * width:.1f}")
                print(f"  {size:5d} pictures, {rate:4.0%}, {n:3d} decided: " + "; ".join(cells))
    print("  over all settings: least coverage, mean coverage, mean width, root mean square error")
    for name, values in total.items():
        covers, width, square = np.array(values).T
        print(
            f"  {name:22s} {100 * covers.min():5.1f} {100 * covers.mean():5.1f} "
            f"{100 * width.mean():5.1f} {100 * np.sqrt(square.mean()):5.1f}"
        )


# 2. What slipped through ---------------------------------------------------------------------


def tell_leaks(held: Photographs, draws: int, rng: np.random.Generator) -> None:
    """Coverage of the bound, and the looks until it is below 2 %."""
    labels, groups = held.labels(PEOPLE[0]), by_group(held.group)
    given = SHIPPED.verdict(held.probability, held.eligible, held.monochrome)
    print(f"\nWhat slipped through, {PEOPLE[0]}; {draws} archives of 3000 each")
    for rate in RATES:
        covers: dict[int, list[bool]] = {n: [] for n in SAMPLES}
        looks, true, held_true, bounded = [], [], [], []
        for _ in range(draws):
            rows = drawn_archive(groups, labels, 3000, rate, rng)
            passed = labels[rows[given[rows] == "clear"]]
            rng.shuffle(passed)
            share = passed.mean()
            true.append(share)
            for n in SAMPLES:
                covers[n].append(slipped(int(passed[:n].sum()), n).at_most >= share)
            seen = casts = 0
            while (more := looks_needed(casts, seen)) and seen < len(passed):
                # Looked at until the next cast turns up or the bound is low enough.
                ahead = passed[seen : seen + more]
                step = int(ahead.argmax()) + 1 if ahead.any() else len(ahead)
                casts, seen = casts + int(ahead[:step].sum()), seen + step
            looks.append(seen)
            bounded.append(more == 0)
            if more == 0:
                held_true.append(share <= 0.02)
        covered = ", ".join(f"{100 * np.mean(c):.1f} ({n})" for n, c in covers.items())
        low, middle, high = np.quantile(looks, [0.05, 0.5, 0.95])
        kept = f"{100 * np.mean(held_true):.0f} % of them truly" if held_true else "none"
        print(
            f"  {rate:4.0%} casts, {100 * np.mean(true):.2f} % among clear: covers {covered}; "
            f"looks until below 2 %: {middle:.0f} [{low:.0f}, {high:.0f}], "
            f"reached in {100 * np.mean(bounded):.0f} %, {kept}"
        )


# 3. Thresholds of the archive's own -------------------------------------------------------------


def order(queue: str, p: Floats, verdict: NDArray[np.str_], rng: np.random.Generator) -> Rows:
    """In which order pictures are decided."""
    every = rng.permutation(len(p))
    if queue == "random":
        return every
    asks, casts, clear = (
        some[np.argsort(-p[some], kind="stable")]
        for some in (every[verdict[every] == v] for v in ("ask", "cast", "clear"))
    )
    if queue == "asks":
        return np.asarray(asks, dtype=np.intp)
    audited = rng.permutation(clear)
    # Of five, two that ask, two likely casts, one of those passed.
    place = [
        np.arange(len(some)) / weight for some, weight in ((asks, 2), (casts, 2), (audited, 1))
    ]
    mixed = np.concatenate([asks, casts, audited])
    return np.asarray(mixed[np.argsort(np.concatenate(place), kind="stable")], dtype=np.intp)


def measured(verdict: NDArray[np.str_], labels: Floats) -> tuple[float, float, float, float]:
    """Share asked, and the three risks."""
    clear, cast = verdict == "clear", verdict == "cast"
    return (
        float((verdict == "ask").mean()),
        float(labels[clear].mean()) if clear.any() else 0.0,
        float(labels[clear].sum() / max(labels.sum(), 1)),
        float(1 - labels[cast].mean()) if cast.any() else 0.0,
    )


def splits(
    held: Photographs, labels: Floats, rate: float | None, draws: int, rng: np.random.Generator
) -> Iterator[tuple[Rows, Rows]]:
    """Rows to decide and rows to measure on, of other groups, casts thinned to a rate in both."""
    names = np.unique(held.group)
    for _ in range(draws):
        first = rng.permutation(names)[: 2 * len(names) // 3]
        inside = np.isin(held.group, first)
        yield (
            thinned(np.flatnonzero(inside), labels, rate, rng),
            thinned(np.flatnonzero(~inside), labels, rate, rng),
        )


def tell_thresholds(  # noqa: PLR0913, PLR0917 -- what a table is of
    held: Photographs,
    who: str,
    rate: float | None,
    risks: Risks,
    draws: int,
    rng: np.random.Generator,
) -> None:
    """What is asked and risked before and after, by queue and number of decisions."""
    labels = held.labels(who)
    curve = Curve.from_plain(VERDICT["curve"])
    rows: dict[tuple[str, int], list[tuple[float, ...]]] = {}
    for learned_on, other in splits(held, labels, rate, draws, rng):
        p, found = held.probability[learned_on], labels[learned_on]
        may, grey = held.eligible[learned_on], held.monochrome[learned_on]
        shipped = SHIPPED.verdict(p, may, grey)

        def test(clear_below: float, cast_above: float, other: Rows = other) -> tuple[float, ...]:
            verdict = Thresholds(clear_below, cast_above).verdict(
                held.probability[other], held.eligible[other], held.monochrome[other]
            )
            return measured(verdict, labels[other])

        rows.setdefault(("as shipped", 0), []).append(
            (
                *test(SHIPPED.clear_below, SHIPPED.cast_above),
                0,
                SHIPPED.clear_below,
                SHIPPED.cast_above,
            )
        )
        estimated = archive_rate(p, np.full(len(p), BASE))
        assert estimated is not None
        moved = curve.thresholds(risks, min(max(estimated.rate, 0.005), 0.995))
        rows.setdefault(("at EM's rate", 0), []).append(
            (*test(moved.clear_below, moved.cast_above), 0, moved.clear_below, moved.cast_above)
        )
        for queue in ("asks", "random", "mixed"):
            line = order(queue, p, shipped, rng)
            for count in DECISIONS:
                which = line[:count]
                own = own_thresholds(
                    p, BASE, may, grey, which, found[which], risks,
                    (SHIPPED.clear_below, SHIPPED.cast_above), BASE,
                )  # fmt: skip
                rows.setdefault((queue, count), []).append(
                    (
                        *test(own.clear_below, own.cast_above),
                        len(which),
                        own.clear_below,
                        own.cast_above,
                    )
                )
    wanted = " / ".join(f"{100 * each:.1f}" for each in risks)
    mix = "as they are" if rate is None else f"{rate:.0%} casts"
    print(f"\nThresholds, {who}, {mix}; risks wanted {wanted} %; {draws} splits by group")
    print("  decided: asked % [95 % of splits], change; clear, missed, cast % (of splits above)")
    before = np.array(rows["as shipped", 0])
    for (queue, count), some in rows.items():
        values = np.array(some)
        asked = 100 * values[:, 0]
        change = asked - 100 * before[:, 0]
        low, high = np.quantile(asked, [0.025, 0.975])
        less, more = np.quantile(change, [0.025, 0.975])
        risk = ", ".join(
            f"{100 * values[:, 1 + k].mean():.1f} ({100 * (values[:, 1 + k] > each).mean():.0f})"
            for k, each in enumerate(risks)
        )
        print(
            f"  {queue:12s} {count:3d} ({values[:, 4].mean():.0f}): {asked.mean():.1f} "
            f"[{low:.1f}, {high:.1f}], {change.mean():+.1f} [{less:+.1f}, {more:+.1f}]; {risk}; "
            f"clear below {values[:, 5].mean():.3f}, cast above {values[:, 6].mean():.3f}"
        )


def play(path: Path, draws: int, seed: int) -> None:
    """Print all of it."""
    held = Photographs.read(path)
    print(
        f"{len(held.group)} photographs that the first look could tell, in "
        f"{len(np.unique(held.group))} groups; thresholds are kept below {LEAST_DECIDED} decisions"
    )
    tell_shares(held, PEOPLE[0], draws, np.random.default_rng(seed))
    tell_leaks(held, draws, np.random.default_rng(seed))
    risks = in_decisions(RISKS, VERDICT["curve"])
    for who in PEOPLE:
        for rate in (None, 0.10, 0.03, 0.50) if who == PEOPLE[0] else (None, 0.10):
            splits_ = max(2 * draws // 5, 20)
            tell_thresholds(held, who, rate, risks, splits_, np.random.default_rng(seed))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seed", type=int, default=1)
    commands = parser.add_subparsers(dest="command", required=True)
    judging = commands.add_parser("judge", help="make the file that play reads; long")
    judging.add_argument("folder", type=Path)
    judging.add_argument("--to", type=Path, required=True)
    judging.add_argument("--jobs", type=int, default=1)
    playing = commands.add_parser("play", help="play a desk over judged photographs")
    playing.add_argument("nested", type=Path)
    playing.add_argument("--draws", type=int, default=500)
    given_ = parser.parse_args()
    if given_.command == "judge":
        judge(given_.folder, given_.to, given_.seed, given_.jobs)
    else:
        play(given_.nested, given_.draws, given_.seed)
