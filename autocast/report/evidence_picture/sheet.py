"""The sheet that an evidence picture is laid out on: text, pictures and labels, in pixels."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.errors import OutputError
from autocast.judgement.things import Mark
from autocast.report.evidence_picture.looks import INK, MARKERS, fraction
from autocast.report.text import printable, shorten

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.ft2font import FT2Font

WIDTH = 1200
"""Width of the picture in pixels."""
DPI = 100
MARGIN = 32
GAP = 24
HALF = (WIDTH - 2 * MARGIN - GAP) // 2
RIGHT = MARGIN + HALF + GAP
"""Where the right half begins."""
FAMILY = "DejaVu Sans"


@dataclass(frozen=True)
class Line:
    """One line of text; sizes in points, places in pixels."""

    text: str
    size: float = 9.5
    weight: str = "normal"
    indent: int = 0
    mark: Mark | None = None
    before: int = 0
    ink: str = INK

    @property
    def height(self) -> float:
        """Pixels from this line's top to the next one's."""
        return self.size * DPI / 72 * 1.42 + self.before


class Anchor(NamedTuple):
    """A label and the data point it belongs to."""

    text: str
    x: float
    y: float
    weight: str = "normal"


def height_of(lines: Sequence[Line]) -> float:
    """Pixels that lines take."""
    return sum(line.height for line in lines)


def title(text: str) -> Line:
    """The heading of a panel."""
    return Line(text, 11, "bold")


def new_figure(what: str) -> tuple[Figure, FigureCanvasAgg]:
    """An empty figure on an Agg canvas. Raises OutputError when matplotlib is missing."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise OutputError(
            f"Drawing {what} needs matplotlib; install it with: pip install 'autocast[plot]'."
        ) from error
    drawn = Figure(dpi=DPI, facecolor="white")
    return drawn, FigureCanvasAgg(drawn)


class Sheet:
    """The figure, addressed in pixels from its top left corner."""

    def __init__(self, drawn: Figure, canvas: FigureCanvasAgg, height: int) -> None:
        self.drawn = drawn
        self.canvas = canvas
        self.height = height

    def axes(self, x: float, y: float, width: float, height: float) -> Axes:
        """Axes whose top left corner stands at ``x``, ``y``."""
        return self.drawn.add_axes(
            (
                x / WIDTH,
                1 - (y + height) / self.height,
                width / WIDTH,
                height / self.height,
            )
        )

    def picture(self, pixels: NDArray[np.uint8], x: float, y: float) -> Axes:
        """Pixels at their own size, one to one."""
        rows, columns = pixels.shape[:2]
        # Whole pixels, so that nothing is resampled.
        axes = self.axes(round(x), round(y), columns, rows)
        axes.imshow(pixels, interpolation="nearest", aspect="auto")
        axes.set_axis_off()
        return axes

    def at(self, x: float, y: float) -> tuple[float, float]:
        """A place in pixels from the top left corner, as the figure takes it."""
        return x / WIDTH, 1 - y / self.height

    def block(self, colour: str, top: int, height: int) -> None:
        """A ground from edge to edge, below all else."""
        from matplotlib.patches import Rectangle

        corner, whole = self.at(0, top + height), self.drawn.transFigure
        ground = Rectangle(corner, 1.0, height / self.height, transform=whole, fc=colour, ec="none")
        ground.set_zorder(-1)
        self.drawn.add_artist(ground)

    def rule(self, y: float) -> None:
        """A thin line from margin to margin."""
        self.stroke((MARGIN, y), (WIDTH - MARGIN, y), "#c8c8c8")

    def stroke(self, start: tuple[float, float], end: tuple[float, float], ink: str) -> None:
        """A straight line, one pixel wide."""
        from matplotlib.lines import Line2D

        (x, y), (to_x, to_y) = self.at(*start), self.at(*end)
        self.drawn.add_artist(
            Line2D(
                [x, to_x],
                [y, to_y],
                transform=self.drawn.transFigure,
                color=ink,
                lw=72 / DPI,
                solid_capstyle="butt",
            )
        )

    def word(self, text: str, at: tuple[float, float], anchor: tuple[str, str], ink: str) -> None:
        """A small word beside a tick, at the ``anchor`` of it, across and down."""
        ha, va = anchor
        self.drawn.text(
            *self.at(*at), text, fontsize=7, family=FAMILY, color=ink, ha=ha, va=va, gid="tick"
        )

    def lines(self, lines: Sequence[Line], x: float, y: float) -> None:
        """Lines of text, one below the other."""
        for line in lines:
            y += line.before
            self.drawn.text(
                (x + line.indent) / WIDTH,
                1 - y / self.height,
                line.text,
                fontsize=line.size,
                weight=line.weight,
                family=FAMILY,
                color=line.ink,
                va="top",
                parse_math=False,
            )
            middle = y + line.size * DPI / 72 * 0.6
            if line.mark is not None:
                self.sign(line.mark, x + 9, middle)
            y += line.height - line.before

    def sign(self, mark: Mark, x: float, y: float) -> None:
        """The mark of a kind of evidence."""
        from matplotlib.lines import Line2D

        self.drawn.add_artist(
            Line2D(
                [x / WIDTH],
                [1 - y / self.height],
                transform=self.drawn.transFigure,
                marker=MARKERS[mark.shape],
                markersize=9,
                markerfacecolor=fraction(mark),
                markeredgecolor=INK,
                linestyle="none",
            )
        )

    def labelled(
        self, axes: Axes, anchors: Sequence[Anchor], points: Sequence[tuple[float, float]] = ()
    ) -> None:
        """Write labels on or beside their anchors, clear of each other, of points and the edge."""
        from matplotlib.text import Text

        renderer = self.canvas.get_renderer()  # type: ignore[no-untyped-call]
        frame = axes.get_window_extent(renderer)
        taken = [(x - 7, y - 7, x + 7, y + 7) for x, y in map(axes.transData.transform, points)]
        taken += [text.get_window_extent(renderer).extents for text in axes.texts]
        for anchor in anchors:
            label = axes.annotate(
                anchor.text,
                (anchor.x, anchor.y),
                xytext=(0, 0),
                textcoords="offset pixels",
                fontsize=9,
                weight=anchor.weight,
                family=FAMILY,
                color=INK,
                ha="center",
                va="center",
                parse_math=False,
                bbox={"boxstyle": "round,pad=0.2", "fc": "white", "ec": "#999999", "lw": 0.6},
                arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.7},
                zorder=9,
                gid="label",
            )
            label.update_positions(renderer)
            box = Text.get_window_extent(label, renderer).padded(4)
            offsets = _offsets(box.width, box.height)
            boxes = np.asarray(box.extents) + np.tile(offsets, 2)
            cost = _crowding(boxes, np.array(taken).reshape(-1, 4), np.asarray(frame.extents))
            best = int(np.argmin(cost + np.hypot(*offsets.T) / 50))
            label.set_position(offsets[best])
            taken.append(tuple(boxes[best]))


def _offsets(width: float, height: float) -> NDArray[np.float64]:
    """Places (n, 2) to try for a label: on its point, then in rings around it."""
    angle, ring = np.meshgrid(np.arange(16) * np.pi / 8, np.arange(1, 9))
    x = (width / 2 + 10 * ring) * np.cos(angle)
    y = (height / 2 + 10 * ring) * np.sin(angle)
    return np.vstack([(0.0, 0.0), np.stack([x.ravel(), y.ravel()], axis=1)])


def _crowding(
    boxes: NDArray[np.float64], taken: NDArray[np.float64], frame: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Square pixels by which boxes (n, 4) lie on others (m, 4), and, dearer, beyond the frame."""
    low = np.maximum(boxes[:, None, :2], taken[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], taken[None, :, 2:])
    wide, tall = np.moveaxis(high - low, -1, 0)
    over = np.where((wide > 0) & (tall > 0), 5 + wide * tall, 0).sum(axis=1)
    beyond = np.maximum(frame[:2] - boxes[:, :2], 0) + np.maximum(boxes[:, 2:] - frame[2:], 0)
    return np.asarray(over + 100 * beyond.sum(axis=1), dtype=np.float64)


@functools.cache
def _font(weight: str) -> FT2Font:
    from matplotlib.font_manager import FontProperties, findfont
    from matplotlib.ft2font import FT2Font

    font = FT2Font(findfont(FontProperties(family=FAMILY, weight=weight)))
    font.set_size(100, 72)
    return font


@functools.cache
def _advance(character: str, weight: str) -> float:
    """How far a character moves the pen, in parts of the size."""
    return float(_font(weight).load_char(ord(character)).linearHoriAdvance) / 65536 / 100


def _text_width(text: str, size: float, weight: str) -> float:
    """Pixels, without kerning; ``size`` in points."""
    return sum(_advance(c, weight) for c in text) * size * DPI / 72


def _drawable(text: str) -> str:
    """``text`` with characters that the font lacks replaced by U+FFFD."""
    known = _font("normal").get_charmap()
    return "".join(c if ord(c) in known else "\ufffd" for c in printable(text))


def wrapped(lines: Sequence[Line], width: float) -> list[Line]:
    """Lines broken at spaces to a width in pixels; only the first part keeps its sign."""
    return [part for line in lines for part in _broken(line, width)]


def _broken(line: Line, width: float) -> list[Line]:
    parts: list[str] = []
    for word in filter(None, _drawable(line.text).split(" ")):
        longer = f"{parts[-1]} {word}" if parts else word
        if parts and _text_width(longer, line.size, line.weight) <= width - line.indent:
            parts[-1] = longer
        else:
            parts.append(shorten(word, 60))
    return [
        replace(line, text=part) if place == 0 else replace(line, text=part, mark=None, before=0)
        for place, part in enumerate(parts)
    ]
