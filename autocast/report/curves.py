"""The figures of an evaluation as pictures (PNG): one question each, labelled where it is drawn."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from autocast.errors import OutputError
from autocast.judgement import EVIDENT_FROM
from autocast.picture.writing import whole
from autocast.report.text import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_INK, _SOFT, _FAINT = "#1a1a1a", "#5c5c5c", "#d9d9d9"
# Okabe & Ito, "Color Universal Design" (2008, from memory, not verified); colour-blind
# people tell these apart, and every line has a mark or a dash of its own besides.
_BLUE, _VERMILION, _GREEN, _PURPLE = "#0072b2", "#d55e00", "#009e73", "#cc79a7"
_SIZE = (7.2, 5.4)
_DPI = 120
_STYLE: Mapping[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
    "text.color": _INK,
    "axes.labelcolor": _INK,
    "axes.edgecolor": _SOFT,
    "xtick.color": _SOFT,
    "ytick.color": _SOFT,
    "axes.spines.top": False,
    "axes.spines.right": False,
}
_FITTED = {
    "probability": (_VERMILION, "s", "--"),
    "quoted": (_BLUE, "o", "-"),
    "counted": (_GREEN, "^", "-."),
    "plain fit, statistics alone": (_PURPLE, "D", ":"),
}
"""Colour, marker and dash of what is autocast's own; classical estimators are grey."""


def check_folder(folder: Path) -> None:
    """Refuse, before any work is done, a place where the pictures cannot be written.

    Raises OutputError when ``folder`` is a file or holds one of them already, or
    when matplotlib is missing.
    """
    shown = printable(str(folder))
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{shown} is no folder; give a folder for the pictures.")
    for name in DRAWN:
        if os.path.lexists(folder / name):
            raise OutputError(f"{shown} holds {name} already; give another folder.")
    _matplotlib()


def draw(figures: Mapping[str, Any], folder: Path) -> Iterator[Path]:
    """Write every picture that the figures allow into a folder, and tell its path.

    Raises OutputError when one cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, (needs, make) in DRAWN.items():
            if figures.get(needs):
                path = folder / name
                if os.path.lexists(path):  # appeared meanwhile
                    raise OutputError(
                        f"{printable(str(path))} exists already; give another folder."
                    )
                with whole(path, force=False) as beside:
                    beside.write_bytes(picture(make, figures))
                yield path
    except OSError as error:
        shown = printable(str(folder))
        raise OutputError(
            f"{shown} cannot be written: {error.strerror or error}; give another folder."
        ) from error


def picture(make: Callable[[Figure, Mapping[str, Any]], None], figures: Mapping[str, Any]) -> bytes:
    """One of :data:`DRAWN` as PNG."""
    mpl = _matplotlib()
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context(dict(_STYLE)):
        drawn = Figure(figsize=_SIZE, dpi=_DPI, facecolor="white", layout="constrained")
        FigureCanvasAgg(drawn)
        make(drawn, figures)
        out = io.BytesIO()
        drawn.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _matplotlib() -> Any:  # noqa: ANN401 -- a module
    try:
        import matplotlib as mpl
    except ImportError as error:
        raise OutputError(
            "Drawing needs matplotlib; install it with: pip install 'autocast[plot]'."
        ) from error
    return mpl


def _headed(axes: Axes, title: str, subtitle: str) -> None:
    axes.set_title(f"{title}\n", loc="left", fontsize=12, fontweight="bold", color=_INK)
    axes.text(0, 1.02, subtitle, transform=axes.transAxes, fontsize=9, color=_SOFT, va="bottom")
    axes.grid(visible=True, color=_FAINT, lw=0.6)
    axes.set_axisbelow(True)


def _percent(axes: Axes, *names: str) -> None:
    from matplotlib.ticker import PercentFormatter

    for name in names:
        getattr(axes, f"{name}axis").set_major_formatter(PercentFormatter(1, decimals=0))


def _reliability(drawn: Figure, figures: Mapping[str, Any]) -> None:
    """What was predicted against what was observed, and how often each was predicted."""
    calibration = figures["calibration"]
    bins = calibration["reliability"]
    upper, lower = drawn.subplots(2, 1, sharex=True, height_ratios=[4, 1])
    predicted = [b["predicted"] for b in bins]
    observed = [b["observed"]["value"] for b in bins]
    ends = [b["observed"]["interval"] or [v, v] for b, v in zip(bins, observed, strict=True)]
    upper.plot([0, 1], [0, 1], color=_SOFT, lw=1, ls="--")
    upper.text(
        0.93, 0.955, "as predicted", color=_SOFT, rotation=33, ha="center", va="center", fontsize=9
    )
    upper.vlines(predicted, *zip(*ends, strict=True), color=_BLUE, lw=1.4)
    upper.plot(predicted, observed, "o", color=_BLUE, ms=6, mec="white", mew=0.8)
    upper.text(
        0.03,
        0.9,
        f"share observed in each of {len(bins)} bins\n"
        f"of about {bins[0]['observed']['n']} pictures, with 95 % interval",
        color=_BLUE,
        va="top",
        fontsize=9,
    )
    ece, slope = calibration["ece"], calibration["slope"]
    _headed(
        upper,
        "Does the probability hold?",
        f"n {calibration['n']}; slope {slope['value']:.2f}, ECE {ece['value']:.3f} "
        f"(a perfect forecaster: {ece['perfect'][0]:.3f} to {ece['perfect'][1]:.3f})",
    )
    upper.set_xlim(0, 1)
    upper.set_ylim(0, 1)
    upper.set_ylabel("judged evident")
    _percent(upper, "x", "y")
    counts = calibration["histogram"]
    edges = np.linspace(0, 1, len(counts) + 1)
    lower.bar(edges[:-1], counts, 1 / len(counts), align="edge", color="#b0b0b0", ec="white")
    for x, count in zip(edges, counts, strict=False):
        lower.text(x + 0.5 / len(counts), count, f"{count}", ha="center", va="bottom", fontsize=7.5)
    lower.set_ylim(0, max(counts) * 1.25)
    lower.set_ylabel("pictures")
    lower.set_xlabel("probability predicted")


def _coverage(drawn: Figure, figures: Mapping[str, Any]) -> None:
    """Risk as ever more pictures are decided, the surest first."""
    coverage = figures["coverage"]
    axes = drawn.subplots()
    curve = coverage["curve"]
    x = [p["coverage"] for p in curve]
    y = [p["risk"] for p in curve]
    if all(p["interval"] for p in curve):
        low, high = zip(*(p["interval"] for p in curve), strict=True)
        axes.fill_between(x, low, high, color=_BLUE, alpha=0.15, lw=0)
        half = len(x) // 2
        axes.text(x[half], high[half], "95 % interval ", color=_BLUE, ha="right", va="bottom")
    axes.plot(x, y, color=_BLUE, lw=2)
    axes.text(x[-1] + 0.01, y[-1], "called at\none half", color=_BLUE, va="center")
    axes.plot([0, 1], [y[-1]] * 2, color=_SOFT, lw=1, ls="--")
    axes.text(0.01, y[-1], "left out at random", color=_SOFT, va="bottom")
    decided = coverage["decided"]
    if decided["risk"] is not None:
        at = (decided["coverage"]["value"], decided["risk"]["value"])
        axes.plot(*at, "D", color=_VERMILION, ms=8, mec="white", zorder=5)
        axes.annotate(
            f"the verdicts: {at[0]:.0%} decided,\n{at[1]:.0%} of them wrongly",
            at,
            xytext=(-12, 26),
            textcoords="offset points",
            color=_VERMILION,
            ha="right",
            arrowprops={"arrowstyle": "-", "color": _VERMILION, "lw": 0.8},
        )
    _headed(
        axes,
        "What does leaving pictures to a person buy?",
        f"n {coverage['n']}; AURC {coverage['aurc']['value']:.3f}, best that these calls allow "
        f"{coverage['best']['value']:.3f}",
    )
    axes.set_xlim(0, 1.12)
    axes.set_ylim(0, None)
    axes.set_xticks(np.linspace(0, 1, 6))
    axes.set_xlabel("pictures decided, the surest first")
    axes.set_ylabel("of these, decided against the judgement")
    _percent(axes, "x", "y")


def _simulated(drawn: Figure, figures: Mapping[str, Any]) -> None:
    """AUC by size of the cast simulated."""
    simulated = figures["simulated"]
    axes = drawn.subplots()
    sizes = [int(s) for s in next(iter(simulated.values()))]
    place = np.arange(len(sizes))
    ends = []
    for name, rows in simulated.items():
        values = [row["auc"]["value"] for row in rows.values()]
        if name not in _FITTED:
            axes.plot(place, values, color="#b0b0b0", lw=1)
            continue
        colour, marker, dash = _FITTED[name]
        axes.plot(place, values, dash, marker=marker, color=colour, lw=1.8, ms=5.5, zorder=4)
        ends.append((values[0], name, colour))
        spans = [row["auc"]["interval"] for row in rows.values()]
        if name == "quoted" and all(spans):
            low, high = zip(*spans, strict=True)
            axes.fill_between(place, low, high, color=colour, alpha=0.15, lw=0)
    classical = {
        name: next(iter(rows.values()))["auc"]["value"]
        for name, rows in simulated.items()
        if name not in _FITTED
    }
    for pick in (max, min):
        name = pick(classical, key=lambda n: classical[n])
        ends.append((classical[name], name, _SOFT))
    for y, (_, name, colour) in zip(_spaced([e[0] for e in ends], 0.021), ends, strict=True):
        axes.text(-0.12, y, name, color=colour, ha="right", va="center", fontsize=9)
    axes.text(
        place[-1],
        0.51,
        f"grey: the {len(classical)} classical estimators, the best and the worst at the left "
        "named; band: 95 % of fitted",
        color=_SOFT,
        ha="right",
        fontsize=8.5,
    )
    _headed(
        axes,
        "How small a cast is told from none?",
        f"gains in linear light over {figures['groups']} groups, against uncast copies",
    )
    axes.set_xlim(-2.0, len(sizes) - 0.7)
    axes.set_ylim(0.5, 1.0)
    axes.set_xticks(place, [str(s) for s in sizes])
    axes.set_xlabel("C* of the cast simulated")
    axes.set_ylabel("AUC")


def _spaced(values: list[float], apart: float) -> list[float]:
    """The same heights, moved as little upwards as keeps labels apart."""
    out = [0.0] * len(values)
    last = -np.inf
    for k in np.argsort(values):
        last = max(values[k], last + apart)
        out[k] = float(last)
    return out


def _plane(drawn: Figure, figures: Mapping[str, Any]) -> None:
    """Judged casts on the a*b* plane, each with a line to what was estimated."""
    from matplotlib.collections import LineCollection

    axes = drawn.subplots()
    points = figures["points"]
    judged = np.array([(p["judged_a"], p["judged_b"]) for p in points])
    fitted = np.array([(p["quoted_a"], p["quoted_b"]) for p in points])
    agrees = np.array([p["agrees"] for p in points], dtype=bool)
    for chosen, colour, marker in ((agrees, _BLUE, "o"), (~agrees, _VERMILION, "D")):
        lines = list(np.stack([judged[chosen], fitted[chosen]], axis=1))
        axes.add_collection(LineCollection(lines, colors=colour, linewidths=0.7, alpha=0.6))
        axes.plot(*judged[chosen].T, marker, color=colour, ms=4.5, mec="white", mew=0.5)
    turn = np.linspace(0, 2 * np.pi, 200)
    axes.plot(EVIDENT_FROM * np.cos(turn), EVIDENT_FROM * np.sin(turn), color=_INK, lw=1, ls="--")
    axes.axhline(0, color=_SOFT, lw=0.6)
    axes.axvline(0, color=_SOFT, lw=0.6)
    ends = np.concatenate([judged, fitted])
    low, high = ends.min(axis=0) - 3, ends.max(axis=0) + 3
    axes.set_aspect("equal", adjustable="box")
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    labels = (
        (0.98, "mark: as judged, mean of two looks", _INK),
        (0.93, "line: from there to the fitted estimate", _INK),
        (0.85, f"\u25cf direction within 45\u00b0 ({agrees.mean():.0%})", _BLUE),
        (0.80, f"\u25c6 direction further off ({(~agrees).mean():.0%})", _VERMILION),
        (0.72, f"dashed: evident from C* {EVIDENT_FROM:g}", _SOFT),
    )
    for y, text, colour in labels:
        axes.text(1.03, y, text, transform=axes.transAxes, color=colour, va="top", fontsize=9)
    _headed(
        axes,
        "Judged and estimated casts",
        f"{len(points)} casts that both looks call evident; CIELAB D65 at L* 60",
    )
    axes.set_xlabel("a*  (green to magenta-red)")
    axes.set_ylabel("b*  (blue to yellow)")


DRAWN: Mapping[str, tuple[str, Callable[[Figure, Mapping[str, Any]], None]]] = {
    "reliability.png": ("calibration", _reliability),
    "risk_coverage.png": ("coverage", _coverage),
    "laid_casts.png": ("simulated", _simulated),
    "judged_and_estimated.png": ("points", _plane),
}
"""Name of each picture, the table it needs, and what draws it."""
