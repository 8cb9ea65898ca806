"""The plate: one examination as one picture (PNG, sRGB, 1200 px wide).

Top: which picture, the verdict and why. Middle: the photograph with the points
worth a look, and the same in grey with what was recognised. Bottom: what each
kind of evidence votes for on the a*b* plane, beside the key. Every class and
every vote has a name and a pattern or a marker of its own; colour only helps.
"""

from __future__ import annotations

import functools
import io
import math
import os
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast import colour as formulas
from autocast.errors import OutputError
from autocast.judgement import EVIDENT_FROM, Evidence, Judgement, describe
from autocast.report.text import (
    cast_figures,
    chance_words,
    name_of,
    no_votes,
    percent,
    printable,
    reading,
    shorten,
    side,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.axes import Axes
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.ft2font import FT2Font

    from autocast.judgement import ToneCast
    from autocast.judging import Examination

WIDTH = 1200
"""Width of the plate in pixels."""
_DPI = 100
_MARGIN = 32
_GAP = 24
_HALF = (WIDTH - 2 * _MARGIN - _GAP) // 2
_TALLEST = 600
"""A photograph is shown at most this high, in pixels."""
_SMALLEST_LABEL = 0.02
"""Share of the frame from which a recognised class is labelled on the picture."""

_INK = "#1a1a1a"
_SOFT = "#5c5c5c"
_FAMILY = "DejaVu Sans"


class _Look(NamedTuple):
    """How one class or kind of evidence is told apart: colour, pattern, marker, line."""

    colour: tuple[int, int, int]
    pattern: str
    marker: str
    line: str | tuple[int, tuple[int, ...]]


# Colours: Okabe & Ito, "Color Universal Design" (2008, from memory, not verified), which
# colour-blind people tell apart; white stands for what should be neutral.
_LOOKS = {
    "neutrals": _Look((250, 250, 250), "dots", "o", "-"),
    "sky": _Look((86, 180, 233), "level", "s", "--"),
    "vegetation": _Look((0, 158, 115), "rising", "^", "-."),
    "skin": _Look((213, 94, 0), "crossed", "D", ":"),
    "statistics": _Look((204, 121, 167), "plain", "P", (0, (6, 2, 1, 2, 1, 2))),
}
_OTHER = _Look((150, 150, 150), "plain", "h", "-")

_NEUTRAL_KINDS = ("pavement", "metal", "white", "cloud", "dark")


def check_target(to: Path, source: Path, *, force: bool) -> None:
    """Refuse, before any work is done, a place where the plate must not be written.

    Raises OutputError when ``to`` is not named .png, exists already (unless
    ``force``), or is the picture itself (always).
    """
    shown = printable(str(to))
    if to.suffix.lower() != ".png":
        raise OutputError(f"The plate is a PNG; give {shown} a name that ends in .png.")
    if not to.exists():
        return
    if source.exists() and to.samefile(source):
        raise OutputError(f"{shown} is the picture itself; write the plate somewhere else.")
    if not force:
        raise OutputError(f"{shown} exists already; choose another name or add --force.")


def draw(examination: Examination, to: Path | BinaryIO) -> None:
    """Write the plate of one examination as a PNG, to a path or an open binary file.

    A file at a path appears whole or not at all; one that is there is replaced.
    Raises OutputError when matplotlib is missing or the file cannot be written.
    """
    png = _png(figure(examination))
    if not isinstance(to, Path):
        to.write(png)
        return
    try:
        handle, name = tempfile.mkstemp(suffix=".png", dir=to.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(png)
            Path(name).chmod(0o666 & ~_umask())
            Path(name).replace(to)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        shown = printable(str(to))
        raise OutputError(f"{shown} cannot be written: {error.strerror or error}.") from error


def _umask() -> int:
    # There is no way to read it but to set it.
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _png(drawn: Figure) -> bytes:
    from PIL import Image, ImageCms

    canvas: Any = drawn.canvas
    canvas.draw()
    image = Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3])
    # Untagged numbers would be shown in whatever the screen makes of them.
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    out = io.BytesIO()
    image.save(out, "PNG", icc_profile=profile, dpi=(_DPI, _DPI))
    return out.getvalue()


@dataclass(frozen=True)
class _Line:
    """One line of text on the plate; sizes in points, places in pixels."""

    text: str
    size: float = 9.5
    weight: str = "normal"
    indent: int = 0
    look: _Look | None = None
    number: int | None = None
    before: int = 0
    ink: str = _INK

    @property
    def height(self) -> float:
        return self.size * _DPI / 72 * 1.42 + self.before


def figure(examination: Examination) -> Figure:
    """The plate as a matplotlib figure on an Agg canvas.

    Raises OutputError when matplotlib is missing.
    """
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise OutputError(
            "Drawing the plate needs matplotlib; install it with: pip install 'autocast[plot]'."
        ) from error

    judgement = examination.judgement
    drawn = Figure(dpi=_DPI, facecolor="white")
    canvas = FigureCanvasAgg(drawn)

    head = list(_head_lines(judgement))
    key = list(_key_lines(judgement))
    rows, columns = examination.labels.shape
    scale = min(_HALF / columns, _TALLEST / rows)
    size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
    head_height = sum(line.height for line in head)
    pictures_top = _MARGIN + head_height + _GAP
    plane_top = pictures_top + size[1] + 30 + _GAP
    height = math.ceil(plane_top + max(_HALF, sum(line.height for line in key)) + _MARGIN)
    drawn.set_size_inches(WIDTH / _DPI, height / _DPI)

    page = _Sheet(drawn, canvas, height)
    page.lines(head, _MARGIN, _MARGIN)
    shown = _resized(examination.picture.encoded, size)
    page.text("The photograph", _MARGIN, pictures_top + size[1] + 6, 9, _SOFT)
    _photograph(page.picture(shown, _MARGIN, pictures_top), examination, size)
    right = _MARGIN + _HALF + _GAP
    page.text("What was recognised", right, pictures_top + size[1] + 6, 9, _SOFT)
    patterned, anchors = _recognised(examination, shown, size)
    page.labelled(page.picture(patterned, right, pictures_top), anchors)
    _plane(page, judgement, plane_top)
    page.lines(key, right, plane_top)
    return drawn


class _Anchor(NamedTuple):
    """A label and the data point it belongs to."""

    text: str
    x: float
    y: float
    weight: str = "normal"


class _Sheet:
    """The figure, addressed in pixels from its top left corner."""

    def __init__(self, drawn: Figure, canvas: FigureCanvasAgg, height: int) -> None:
        self.drawn = drawn
        self.canvas = canvas
        self.height = height

    def axes(self, x: float, y: float, width: float, height: float) -> Axes:
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

    def text(self, text: str, x: float, y: float, size: float, ink: str = _INK) -> None:
        self.lines([_Line(text, size, ink=ink)], x, y)

    def lines(self, lines: Sequence[_Line], x: float, y: float) -> None:
        for line in lines:
            y += line.before
            self.drawn.text(
                (x + line.indent) / WIDTH,
                1 - y / self.height,
                line.text,
                fontsize=line.size,
                weight=line.weight,
                family=_FAMILY,
                color=line.ink,
                va="top",
                parse_math=False,
            )
            middle = y + line.size * _DPI / 72 * 0.6
            if line.look is not None:
                self._sign(line.look, x + 9, middle)
            if line.number is not None:
                _numbered(self.drawn, line.number, (x + 9) / WIDTH, 1 - middle / self.height)
            y += line.height - line.before

    def _sign(self, look: _Look, x: float, y: float) -> None:
        from matplotlib.lines import Line2D

        self.drawn.add_artist(
            Line2D(
                [x / WIDTH],
                [1 - y / self.height],
                transform=self.drawn.transFigure,
                marker=look.marker,
                markersize=9,
                markerfacecolor=_fraction(look.colour),
                markeredgecolor=_INK,
                linestyle="none",
            )
        )

    def labelled(
        self, axes: Axes, anchors: Sequence[_Anchor], points: Sequence[tuple[float, float]] = ()
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
                family=_FAMILY,
                color=_INK,
                ha="center",
                va="center",
                parse_math=False,
                bbox={"boxstyle": "round,pad=0.2", "fc": "white", "ec": "#999999", "lw": 0.6},
                arrowprops={"arrowstyle": "-", "color": _INK, "lw": 0.7},
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


def _numbered(drawn: Figure | Axes, number: int, x: float, y: float) -> None:
    """A number in a ring, at ``x``, ``y`` of a figure or of an axes."""
    drawn.text(
        x,
        y,
        str(number),
        fontsize=8,
        weight="bold",
        family=_FAMILY,
        color=_INK,
        ha="center",
        va="center_baseline",
        bbox={"boxstyle": "circle,pad=0.25", "fc": "white", "ec": _INK, "lw": 1.2},
    )


def _fraction(colour: tuple[int, int, int]) -> tuple[float, float, float]:
    return colour[0] / 255, colour[1] / 255, colour[2] / 255


@functools.cache
def _font(weight: str) -> FT2Font:
    from matplotlib.font_manager import FontProperties, findfont
    from matplotlib.ft2font import FT2Font

    font = FT2Font(findfont(FontProperties(family=_FAMILY, weight=weight)))
    font.set_size(100, 72)
    return font


@functools.cache
def _advance(character: str, weight: str) -> float:
    """How far a character moves the pen, in parts of the size."""
    return float(_font(weight).load_char(ord(character)).linearHoriAdvance) / 65536 / 100


def _text_width(text: str, size: float, weight: str) -> float:
    """Pixels, without kerning; ``size`` in points."""
    return sum(_advance(c, weight) for c in text) * size * _DPI / 72


def _drawable(text: str) -> str:
    """``text`` with characters that the plate's font lacks replaced by U+FFFD."""
    known = _font("normal").get_charmap()
    return "".join(c if ord(c) in known else "\ufffd" for c in printable(text))


def _wrapped(line: _Line, width: float) -> list[_Line]:
    """The line broken at spaces to a width in pixels; only the first keeps its sign."""
    parts: list[str] = []
    for word in filter(None, _drawable(line.text).split(" ")):
        longer = f"{parts[-1]} {word}" if parts else word
        if parts and _text_width(longer, line.size, line.weight) <= width - line.indent:
            parts[-1] = longer
        else:
            parts.append(shorten(word, 60))
    return [
        replace(line, text=part)
        if number == 0
        else replace(line, text=part, look=None, number=None, before=0)
        for number, part in enumerate(parts)
    ]


def _head_lines(judgement: Judgement) -> Iterator[_Line]:
    cast = judgement.cast
    verdict = judgement.verdict_words
    if judgement.verdict == "cast":
        verdict += f": {cast.words}"
    facts = f"{judgement.width} × {judgement.height} pixels, {judgement.profile}"
    lines = [
        _Line(shorten(printable(judgement.name), 80), 11, ink=_SOFT),
        _Line(verdict[0].upper() + verdict[1:], 20, "bold"),
        _Line(f"{chance_words(judgement)}. {shorten(facts, 60)}.", 10, ink=_SOFT),
        *(_Line(sentence, 11, before=4) for sentence in judgement.sentences[:2]),
    ]
    for line in lines:
        yield from _wrapped(line, WIDTH - 2 * _MARGIN)


def _key_lines(judgement: Judgement) -> Iterator[_Line]:
    for line in _key(judgement):
        yield from _wrapped(line, _HALF)


def _key(judgement: Judgement) -> Iterator[_Line]:
    yield _Line("What each kind of evidence votes for", 11, "bold")
    for evidence in judgement.evidence:
        if evidence.explains is None:
            continue
        look = _LOOKS.get(evidence.kind, _OTHER) if _votes(evidence) else None
        yield _Line(name_of(evidence), 9.5, "bold", 26, look, before=6)
        area = f"{percent(evidence.share)} of the picture, " if evidence.reads else ""
        spread = f" ±{evidence.spread:.1f}" if evidence.spread else ""
        yield _Line(
            f"{cast_figures(*evidence.explains)}{spread}; {area}"
            f"weight {evidence.weight:.2f}, speaks {side(evidence.stance, judgement.verdict)}",
            indent=26,
        )
    missing = no_votes(judgement)
    if missing:
        yield _Line(f"too little for a vote: {missing}", indent=26, before=6, ink=_SOFT)
    if judgement.tones:
        yield _Line("Cast by tone, each at its own lightness", 11, "bold", before=12)
    for tone, cast in judgement.tones.items():
        yield _Line(
            f"{tone} (L* {cast.lightness:.0f}, {percent(cast.share)}): "
            f"{cast_figures(cast.a, cast.b)} ±{cast.spread:.1f}, {describe(*_at_60(cast))}",
            indent=26,
        )
    if judgement.look_at:
        yield _Line("Where to look", 11, "bold", before=12)
    for number, spot in enumerate(judgement.look_at, 1):
        yield _Line(
            f"{spot.what}: {reading(spot.reads)} ({spot.why})", indent=26, number=number, before=3
        )


def _votes(evidence: Evidence) -> bool:
    """What weighs nothing is told in the key and not drawn on the plane."""
    return evidence.explains is not None and evidence.weight > 0


def _at_60(cast: ToneCast) -> tuple[float, float]:
    a, b = formulas.requote((cast.a, cast.b), formulas.QUOTED_AT, cast.lightness)
    return float(a), float(b)


def _resized(encoded: NDArray[np.floating[Any]], size: tuple[int, int]) -> NDArray[np.uint8]:
    from PIL import Image

    eight = np.round(np.clip(encoded, 0, 1) * 255).astype(np.uint8)
    return np.asarray(Image.fromarray(eight).resize(size, Image.Resampling.LANCZOS))


def _photograph(axes: Axes, examination: Examination, size: tuple[int, int]) -> None:
    frame = examination.picture.frame
    for number, spot in enumerate(examination.judgement.look_at, 1):
        x = (spot.x - frame.x) / frame.width * size[0]
        y = (spot.y - frame.y) / frame.height * size[1]
        _numbered(axes, number, x, y)


def _recognised(
    examination: Examination, shown: NDArray[np.uint8], size: tuple[int, int]
) -> tuple[NDArray[np.uint8], list[_Anchor]]:
    """The picture in light grey, classes in colour and pattern; and where to name them."""
    from PIL import Image, ImageFilter

    labels = examination.labels
    kinds = list(examination.kinds)
    rows = (np.arange(size[1]) * labels.shape[0] // size[1]).clip(0, labels.shape[0] - 1)
    columns = (np.arange(size[0]) * labels.shape[1] // size[0]).clip(0, labels.shape[1] - 1)
    # The five neutrals stand or fall together against the other classes.
    groups = ["neutrals" if kind in _NEUTRAL_KINDS else kind for kind in kinds]
    names = sorted(set(groups), key=groups.index)
    summed = np.stack(
        [
            examination.memberships[:, [i for i, g in enumerate(groups) if g == name]].sum(axis=1)
            for name in names
        ],
        axis=1,
    )
    # A speck of a few pixels cannot be told by its pattern: the most common neighbour wins.
    coarse = Image.fromarray(np.append(summed.argmax(axis=1), len(names)).astype(np.uint8)[labels])
    group = np.asarray(coarse.filter(ImageFilter.ModeFilter(5)))[rows[:, None], columns]
    neutral = [i for i, g in enumerate(groups) if g == "neutrals"]
    which = np.array(neutral)[examination.memberships[:, neutral].argmax(axis=1)]
    kind = np.append(which, -1)[labels[rows[:, None], columns]]

    grey = np.repeat(shown.mean(axis=-1, keepdims=True), 3, axis=-1)
    out = 0.5 * grey + 60
    anchors: list[_Anchor] = []
    for index, name in enumerate([*names, "left out"]):
        inside = group == index
        if name in _LOOKS:
            tint = np.array(_LOOKS[name].colour, dtype=float)
            out[inside] = 0.35 * grey[inside] + 0.6 * tint
            out[inside & _pattern(_LOOKS[name].pattern, inside.shape)] = 0.4 * tint
        parts = (
            [(f"neutral: {kinds[k]}", inside & (kind == k)) for k in neutral]
            if name == "neutrals"
            else [("something else" if name == "else" else name, inside)]
        )
        for label, mask in parts:
            if mask.mean() < _SMALLEST_LABEL:
                continue
            x, y = _thickest(mask)
            anchors.append(_Anchor(label, x, y))
    out[group == len(names)] = 0.3 * grey[group == len(names)]
    edge = np.zeros(group.shape, dtype=bool)
    edge[1:] |= group[1:] != group[:-1]
    edge[:, 1:] |= group[:, 1:] != group[:, :-1]
    out[edge] = 30
    anchors.sort(key=lambda a: a.y)
    return np.clip(np.round(out), 0, 255).astype(np.uint8), anchors


def _thickest(mask: NDArray[np.bool_]) -> tuple[float, float]:
    """The middle (x, y) of the thickest part, so that a label lies on what it names."""
    from PIL import Image, ImageFilter

    pad = 120
    padded = Image.fromarray(np.pad(mask, pad).astype(np.uint8) * 255)
    soft = sum(
        np.asarray(padded.filter(ImageFilter.BoxBlur(radius)), dtype=np.float64)
        for radius in (pad // 6, pad // 2, pad)
    )
    inner = np.asarray(soft)[pad:-pad, pad:-pad]
    y, x = np.unravel_index(int(np.argmax(inner)), inner.shape)
    return float(x), float(y)


def _pattern(name: str, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Where the ink of a pattern falls, in pixels."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    if name == "dots":
        return np.asarray((x % 10 - 5) ** 2 + ((y + 5 * (x // 10 % 2)) % 10 - 5) ** 2 < 4)
    if name == "level":
        return np.asarray(y % 9 < 2)
    if name == "rising":
        return np.asarray((x + y) % 10 < 2)
    if name == "crossed":
        return np.asarray(((x + y) % 14 < 2) | ((x - y) % 14 < 2))
    return np.zeros(shape, dtype=bool)


def _plane(page: _Sheet, judgement: Judgement, top: float) -> None:
    """The a*b* plane with every vote, the combined cast and the tones."""
    from matplotlib.patches import Circle, Ellipse
    from matplotlib.ticker import MaxNLocator

    votes = [(e, e.explains) for e in judgement.evidence if e.explains and _votes(e)]
    tones = [(tone, _at_60(cast)) for tone, cast in judgement.tones.items()]
    cast = judgement.cast
    reach = max(
        1.6 * EVIDENT_FROM,
        abs(cast.a) + cast.spread,
        abs(cast.b) + cast.spread,
        *(abs(v) + min(e.spread, 8) for e, explains in votes for v in explains),
        *(abs(v) + 1 for _, point in tones for v in point),
        *(() if cast.second is None else (abs(cast.second.a) + 1, abs(cast.second.b) + 1)),
    )
    half = 1.12 * reach
    axes = page.axes(_MARGIN, top, _HALF, _HALF)
    axes.set(xlim=(-half, half), ylim=(-half, half))
    axes.imshow(_plane_colours(half), extent=(-half, half, -half, half), origin="lower", zorder=0)
    for spine in axes.spines.values():
        spine.set_color("#999999")
    axes.tick_params(direction="in", labelsize=8, colors=_SOFT, labelfontfamily=_FAMILY, length=3)
    axes.tick_params(axis="x", pad=-16)
    axes.tick_params(axis="y", pad=-26)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(6, integer=True))
        # The directions are named where the noughts would stand.
        axis.set_major_formatter(lambda value, _: f"{value:+.0f}" if value else "")
    axes.axhline(0, color="white", lw=1.2, zorder=1)
    axes.axvline(0, color="white", lw=1.2, zorder=1)
    axes.add_patch(Circle((0, 0), EVIDENT_FROM, fill=False, ec="white", lw=3, zorder=1))
    axes.add_patch(Circle((0, 0), EVIDENT_FROM, fill=False, ec="#888888", lw=0.8, zorder=1))
    axes.plot([0], [0], marker="+", ms=12, mew=1.5, color=_INK, zorder=3)

    anchors = [_Anchor("combined", cast.a, cast.b, "bold")]
    for evidence, (a, b) in votes:
        look = _LOOKS.get(evidence.kind, _OTHER)
        colour = _fraction(look.colour)
        axes.add_patch(
            Circle(
                (a, b),
                evidence.spread,
                fill=False,
                ec=_darker(colour),
                lw=1.6,
                ls=look.line,
                zorder=4,
            )
        )
        axes.plot([a], [b], marker=look.marker, ms=10, mfc=colour, mec=_INK, ls="none", zorder=6)
        anchors.append(_Anchor(evidence.kind, a, b))
    values, vectors = np.linalg.eigh(np.array(cast.covariance))
    widths = 2 * np.sqrt(np.maximum(values, 0))
    angle = math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
    axes.add_patch(
        Ellipse(
            (cast.a, cast.b),
            widths[1],
            widths[0],
            angle=angle,
            fc="#00000030",
            ec=_INK,
            lw=2,
            zorder=4,
        )
    )
    axes.plot([cast.a], [cast.b], "*", ms=17, mfc=_INK, mec="white", mew=1, zorder=8)
    if cast.second is not None:
        second = cast.second
        axes.plot([second.a], [second.b], "*", ms=15, mfc="white", mec=_INK, mew=1.4, zorder=7)
        anchors.append(_Anchor(f"or this, {percent(second.share)}", second.a, second.b))
    if tones:
        xs, ys = zip(*(point for _, point in tones), strict=True)
        axes.plot(xs, ys, "-o", color=_INK, lw=1.2, ms=4, mfc="white", zorder=5)
        anchors += [_Anchor(tone, *point) for tone, point in tones]
    points = [(anchor.x, anchor.y) for anchor in anchors] + [(0.0, 0.0)]
    anchors.append(_Anchor("neutral", 0, 0))
    # On the far side of the ring from the cast there is room.
    away = math.atan2(-cast.b, -cast.a)
    ring = (EVIDENT_FROM * math.cos(away), EVIDENT_FROM * math.sin(away))
    anchors.append(_Anchor(f"evident from C* {EVIDENT_FROM:g}", *ring))
    _directions(axes)
    page.labelled(axes, anchors, points)


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
            family=_FAMILY,
            color=_SOFT,
            rotation=90 if ha != "center" else 0,
        )


def _darker(colour: tuple[float, float, float]) -> tuple[float, float, float]:
    return colour[0] * 0.6, colour[1] * 0.6, colour[2] * 0.6


def _plane_colours(half: float) -> NDArray[np.float64]:
    """The colours of the plane at L* 85, paled, so that a direction can be seen."""
    steps = np.linspace(-half, half, 120)
    a, b = np.meshgrid(steps, steps)
    lab = np.stack([np.full_like(a, 85.0), a, b], axis=-1)
    encoded = formulas.linear_to_srgb(formulas.lab_to_linear(lab))
    return np.asarray(0.5 + 0.5 * np.clip(encoded, 0, 1), dtype=np.float64)
