"""The a*b* plane: every vote with its spread, and the cast that they make together."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from autocast import colour as formulas
from autocast.judgement import EVIDENT_FROM, Cast, Judgement
from autocast.judgement.things import mark_of
from autocast.report.evidence_picture.looks import INK, MARKERS, SOFT, fraction, line
from autocast.report.evidence_picture.sheet import FAMILY, HALF, RIGHT, Anchor, Sheet
from autocast.report.evidence_picture.wording import votes
from autocast.report.text import percent, short_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from autocast.judgement import Evidence

LIGHT = 0.1
"""Weight below which a vote may not widen the plane by its spread (project convention)."""

Vote = tuple["Evidence", tuple[float, float]]


def plane(page: Sheet, judgement: Judgement, top: float) -> None:
    """Draw the plane in the right half, its top edge at ``top``."""
    drawn = [(e, e.explains) for e in judgement.evidence if e.explains and votes(e)]
    cast = judgement.cast
    axes = page.axes(RIGHT, top, HALF, HALF)
    _ground(axes, 1.12 * _reach(cast, drawn))
    anchors = [Anchor("combined", cast.a, cast.b, "bold"), *_votes(axes, drawn)]
    _combined(axes, cast)
    if cast.second is not None:
        second = cast.second
        axes.plot([second.a], [second.b], "*", ms=15, mfc="white", mec=INK, mew=1.4, zorder=7)
        anchors.append(Anchor(f"or this, {percent(second.share)}", second.a, second.b))
    points = [(anchor.x, anchor.y) for anchor in anchors] + [(0.0, 0.0)]
    anchors.append(Anchor("neutral", 0, 0))
    # On the far side of the ring from the cast there is room.
    away = math.atan2(-cast.b, -cast.a)
    ring = (EVIDENT_FROM * math.cos(away), EVIDENT_FROM * math.sin(away))
    anchors.append(Anchor(f"evident from C* {EVIDENT_FROM:g}", *ring))
    page.labelled(axes, anchors, points)


def _reach(cast: Cast, drawn: list[Vote]) -> float:
    return max(
        1.6 * EVIDENT_FROM,
        abs(cast.a) + cast.spread,
        abs(cast.b) + cast.spread,
        *(abs(v) + _room(e) for e, explains in drawn for v in explains),
        *(() if cast.second is None else (abs(cast.second.a) + 1, abs(cast.second.b) + 1)),
    )


def _room(evidence: Evidence) -> float:
    return min(evidence.spread, 8.0 if evidence.weight >= LIGHT else 1.0)


def _ground(axes: Axes, half: float) -> None:
    from matplotlib.patches import Circle
    from matplotlib.ticker import MaxNLocator

    axes.set(xlim=(-half, half), ylim=(-half, half))
    axes.imshow(colours(half), extent=(-half, half, -half, half), origin="lower", zorder=0)
    for spine in axes.spines.values():
        spine.set_color("#999999")
    axes.tick_params(direction="in", labelsize=8, colors=SOFT, labelfontfamily=FAMILY, length=3)
    axes.tick_params(axis="x", pad=-16)
    axes.tick_params(axis="y", pad=-26)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(6, integer=True))
        # The directions are named where the noughts would stand.
        axis.set_major_formatter(
            lambda value, _: f"{value:+.0f}".replace("-", "−") if value else ""
        )
    axes.axhline(0, color="white", lw=1.2, zorder=1)
    axes.axvline(0, color="white", lw=1.2, zorder=1)
    axes.add_patch(Circle((0, 0), EVIDENT_FROM, fill=False, ec="white", lw=3, zorder=1))
    axes.add_patch(Circle((0, 0), EVIDENT_FROM, fill=False, ec="#888888", lw=0.8, zorder=1))
    axes.plot([0], [0], marker="+", ms=12, mew=1.5, color=INK, zorder=3)
    _directions(axes)


def _votes(axes: Axes, drawn: list[Vote]) -> list[Anchor]:
    from matplotlib.patches import Circle

    for evidence, (a, b) in drawn:
        mark = mark_of(evidence.kind)
        darker = fraction(mark, 0.6)
        ring = Circle((a, b), evidence.spread, fill=False, ec=darker, ls=line(mark), zorder=4)
        # What weighs more is drawn heavier.
        ring.set_linewidth(1.0 + 1.8 * evidence.weight)
        axes.add_patch(ring)
        marker, colour = MARKERS[mark.shape], fraction(mark)
        axes.plot([a], [b], marker=marker, ms=10, mfc=colour, mec=INK, ls="", zorder=6)
    return [Anchor(short_name(evidence.kind), *explains) for evidence, explains in drawn]


def ellipse(cast: Cast) -> tuple[float, float, float]:
    """Half axes, the longer first, and turn in degrees of one standard deviation of a cast."""
    values, vectors = np.linalg.eigh(np.array(cast.covariance))
    shorter, longer = np.sqrt(np.maximum(values, 0))
    turn = math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
    return float(longer), float(shorter), turn


def _combined(axes: Axes, cast: Cast) -> None:
    from matplotlib.patches import Ellipse

    at = (cast.a, cast.b)
    longer, shorter, angle = ellipse(cast)
    axes.add_patch(
        Ellipse(at, 2 * longer, 2 * shorter, angle=angle, fc="#00000030", ec=INK, lw=2, zorder=4)
    )
    axes.plot([cast.a], [cast.b], "*", ms=17, mfc=INK, mec="white", mew=1, zorder=8)


def _directions(axes: Axes) -> None:
    for x, y, text, ha, va in (
        (0.5, 0.985, "+b*  yellow", "center", "top"),
        (0.5, 0.015, "−b*  blue", "center", "bottom"),
        (0.985, 0.5, "+a*  magenta-red", "right", "center"),
        (0.015, 0.5, "−a*  green", "left", "center"),
    ):
        axes.text(
            x,
            y,
            text,
            transform=axes.transAxes,
            ha=ha,
            va=va,
            fontsize=9,
            family=FAMILY,
            color=SOFT,
            rotation=90 if ha != "center" else 0,
        )


def colours(half: float) -> NDArray[np.float64]:
    """The colours of the plane at L* 85, paled, so that a direction can be seen."""
    steps = np.linspace(-half, half, 120)
    a, b = np.meshgrid(steps, steps)
    return paled(np.stack([np.full_like(a, 85.0), a, b], axis=-1))


def paled(lab: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIELAB colours mixed with as much white, sRGB 0..1."""
    encoded = formulas.linear_to_srgb(formulas.lab_to_linear(lab))
    return np.asarray(0.5 + 0.5 * np.clip(encoded, 0, 1), dtype=np.float64)
