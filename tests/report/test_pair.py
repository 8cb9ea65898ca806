"""The pair of a correction, and the table that goes with it. All figures are invented."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PIL import Image

from autocast.colour import lab_to_linear, linear_to_srgb
from autocast.correction import Correction, Proof, ProvenReading
from autocast.correction.check import lettered
from autocast.errors import OutputError
from autocast.judgement import Place, Reading
from autocast.report.evidence_picture import png_of
from autocast.report.pair import draw_pair, figure
from autocast.report.spots import correction_text
from tests import samples

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

READINGS = (
    ProvenReading(
        1,
        "probable neutral",
        0.25,
        0.2,
        Reading(80.0, -1.0, -10.0),
        Reading(80.0, 0.5, -1.0),
        "a* 0, b* 0",
        "better",
    ),
    ProvenReading(
        2,
        "strongly coloured",
        0.7,
        0.9,
        Reading(40.0, 30.0, 20.0),
        Reading(40.0, 33.0, 27.0),
        "its own colour",
        "own",
    ),
)
PROOF = Proof(
    passed=True,
    failed=False,
    sentence="Check passed: invented.",
    nearer=0.97,
    readings=READINGS,
    after=replace(samples.CLEAR, width=600, height=400),
)


def picture(colour: tuple[float, float, float], shape: tuple[int, int] = (120, 180)) -> Any:  # noqa: ANN401
    encoded = np.broadcast_to(np.asarray(colour, dtype=np.float32), (*shape, 3))
    return SimpleNamespace(encoded=encoded, frame=Place(0, 0, 1, 1), name="boat.jpg")


def drawn(proof: Proof = PROOF, shape: tuple[int, int] = (120, 180)) -> Figure:
    return figure(picture((0.4, 0.4, 0.6), shape), picture((0.5, 0.5, 0.5), shape), proof)


def pictures(figure: Figure) -> tuple[Axes, Axes]:
    first, second = figure.axes[:2]
    return first, second


def letters(axes: Axes) -> dict[str, tuple[float, float]]:
    rows, columns = np.asarray(axes.images[0].get_array()).shape[:2]
    return {
        t.get_text(): ((t.xy[0] + 0.5) / columns, (t.xy[1] + 0.5) / rows)  # type: ignore[attr-defined]
        for t in axes.texts
    }


def test_both_pictures_bear_the_same_letters_at_the_places_that_were_read() -> None:
    for axes in pictures(drawn()):
        marked = letters(axes)
        assert [*marked] == ["A", "B"]
        assert marked["A"] == pytest.approx((0.25, 0.2), abs=0.01)
        assert marked["B"] == pytest.approx((0.7, 0.9), abs=0.01)


def test_photographs_are_shown_at_the_size_of_the_sheet() -> None:
    """Stripes that the working pixels cannot hold are seen, within the frame that was judged."""
    stripes = np.zeros((800, 1200, 3), dtype=np.float32)
    stripes[:, ::4] = stripes[:, 1::4] = 1.0
    stripes[:, :120] = 0.5  # a border that was cut away
    frame = Place(0.1, 0.0, 0.9, 1.0)
    shown = picture((0.5, 0.5, 0.5))
    shown.frame = frame
    soft, sharp = (
        [np.asarray(axes.images[0].get_array()) for axes in pictures(made)]
        for made in (
            figure(shown, shown, PROOF),
            figure(shown, shown, PROOF, (stripes, stripes)),
        )
    )
    assert {each.std() for each in soft} == {0.0}
    for each in sharp:
        assert each.std() > 60
        assert each[:, :4].std() > 60  # the border is not shown


def test_letters_are_tied_to_words_and_no_number_marks_a_place() -> None:
    made = drawn()
    said = [text.get_text().replace("\xa0", " ") for text in made.texts]
    assert said.index("A") < said.index("probable neutral")
    assert "150,80 (25%,20%)" in said
    assert "should read a* 0, b* 0: closer" in said
    assert "own colour" in said
    assert "Check passed: invented." in said
    everywhere = said + [text.get_text() for axes in made.axes for text in axes.texts]
    assert not [text for text in everywhere if text.strip().isdigit()]


def test_patches_show_what_was_read_before_and_after() -> None:
    made = drawn()
    with Image.open(io.BytesIO(png_of(made))) as image:
        sheet = np.asarray(image).astype(int)
    for axes, reading in zip(made.axes[2:], READINGS, strict=True):
        box = axes.get_window_extent()
        y = round(made.bbox.height - box.y1) + 17
        for x, value in ((33, reading.before), (99, reading.after)):
            wanted = np.clip(linear_to_srgb(lab_to_linear(value)), 0, 1) * 255
            assert abs(sheet[y, round(box.x0) + x] - wanted).max() <= 1


@pytest.mark.parametrize("shape", [(40, 40), (240, 60), (20, 256), (1, 1)])
def test_pictures_of_any_shape_make_a_pair(shape: tuple[int, int]) -> None:
    made = drawn(shape=shape)
    one, other = (axes.get_window_extent() for axes in pictures(made))
    assert (one.width, one.height) == pytest.approx((other.width, other.height))
    assert not one.overlaps(other)
    with Image.open(io.BytesIO(png_of(made))) as image:
        assert image.width == 1200


def test_many_readings_and_none_can_be_shown() -> None:
    many = tuple(
        replace(READINGS[0], number=k, x=(k % 6 + 0.5) / 6, y=(k // 6 + 0.5) / 6)
        for k in range(1, 31)
    )
    marked = letters(pictures(drawn(replace(PROOF, readings=many)))[0])
    assert len(marked) == 30
    assert {"Z", "AA", "AD"} <= set(marked)
    assert letters(pictures(drawn(replace(PROOF, readings=())))[0]) == {}


def test_a_pair_is_written_whole_and_replaces_nothing_unasked(tmp_path: Path) -> None:
    to = tmp_path / "pair.png"
    one, other = picture((0.4, 0.4, 0.6)), picture((0.5, 0.5, 0.5))
    draw_pair(one, other, PROOF, to, force=False)
    written = to.read_bytes()
    with pytest.raises(OutputError, match=r"pair\.png"):
        draw_pair(one, other, PROOF, to, force=False)
    assert to.read_bytes() == written
    assert [path.name for path in tmp_path.iterdir()] == ["pair.png"]


def test_the_table_bears_the_letters_and_pixels_of_the_pair() -> None:
    text = correction_text(Correction(samples.LIKELY, None, "Invented.", None, PROOF))
    assert "  A 150,80" in text
    assert "(25%,20%) probable neutral: closer" in text
    assert "  B 420,360" in text
    assert "#" not in text
    assert max(map(len, text.splitlines())) <= 80


def test_letters_go_on_after_z() -> None:
    assert [lettered(k) for k in (1, 26, 27, 52, 53, 702, 703)] == [
        *("A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"),
    ]
