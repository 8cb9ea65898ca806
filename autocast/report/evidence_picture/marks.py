"""The mark of a place: two corners that face each other, and a letter; the same on every screen."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

from autocast.report.evidence_picture.looks import INK
from autocast.report.evidence_picture.sheet import DPI, FAMILY

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path

HALF_SIZE = 10
"""Pixels from the middle of a mark to its corners (project convention)."""
_POINT = 72 / DPI
"""Points to the pixel."""


@functools.cache
def corners() -> Path:
    """The two corners within -1..1, upper left and lower right."""
    from matplotlib.path import Path

    ends = [(-1, 0.3), (-1, 1), (-0.3, 1), (0.3, -1), (1, -1), (1, -0.3)]
    start, on = Path.MOVETO, Path.LINETO
    return Path(ends, [start, on, on, start, on, on])


def on_picture(axes: Axes, letter: str, x: float, y: float) -> None:
    """Mark the place ``x``, ``y`` of a picture's axes, legible on light and on dark."""
    from matplotlib.patheffects import withStroke

    for colour, width in (("black", 4.5), ("white", 2.0)):
        axes.plot(
            [x],
            [y],
            marker=corners(),
            ms=2 * HALF_SIZE * _POINT,
            mfc="none",
            mec=colour,
            mew=width * _POINT,
            ls="",
            clip_on=False,
            zorder=7,
            gid="mark",
        )
    # Inward from the right edge and from the upper one.
    across, down = axes.transAxes.inverted().transform(axes.transData.transform((x, y)))
    side = -1 if across > 0.9 else 1
    axes.annotate(
        letter,
        (x, y),
        xytext=(14 if side > 0 else -16, -14 if down > 0.95 else 3),
        textcoords="offset pixels",
        ha="right" if side < 0 else "left",
        va="baseline",
        fontsize=15 * _POINT,
        weight="bold",
        family=FAMILY,
        color="white",
        path_effects=[withStroke(linewidth=3.5 * _POINT, foreground="black")],
        annotation_clip=False,
        zorder=8,
        gid="letter",
    )


def in_text(drawn: Figure, letter: str, x: float, y: float) -> None:
    """The same mark in ink, its letter within, at ``x``, ``y`` of a figure (0..1 from below)."""
    from matplotlib.lines import Line2D

    drawn.add_artist(
        Line2D(
            [x],
            [y],
            transform=drawn.transFigure,
            marker=corners(),
            markersize=2 * HALF_SIZE * _POINT,
            markerfacecolor="none",
            markeredgecolor=INK,
            markeredgewidth=1.6 * _POINT,
            linestyle="none",
        )
    )
    drawn.text(
        x,
        y,
        letter,
        fontsize=13 * _POINT,
        weight="bold",
        family=FAMILY,
        color=INK,
        ha="center",
        va="center_baseline",
    )
