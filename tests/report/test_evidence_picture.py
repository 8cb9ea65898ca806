"""The evidence picture: its size, its labels; that nothing is shown by colour alone."""

from __future__ import annotations

import io
import sys
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import numpy as np
import pytest
from PIL import Image

from autocast.errors import OutputError
from autocast.judgement import Cast, Evidence, Judgement, Place
from autocast.judgement.things import CLASSES, OTHER_MARK, THINGS, Shape, mark_of
from autocast.report import evidence_picture
from autocast.report.evidence_picture import pictures
from autocast.report.evidence_picture.looks import MARKERS, line, pattern
from tests import samples

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def drawn(judgement: Judgement = samples.LIKELY, **size: int) -> Figure:
    return evidence_picture.figure(samples.examination(judgement, **size))  # type: ignore[arg-type]


def words(figure: Figure) -> str:
    return " ".join(text.get_text() for text in figure.texts).replace("\xa0", " ")


def test_a_png_of_the_promised_width_with_a_profile() -> None:
    out = io.BytesIO()
    evidence_picture.draw(samples.examination(), out)  # type: ignore[arg-type]
    with Image.open(io.BytesIO(out.getvalue())) as image:
        assert image.format == "PNG"
        assert image.width == evidence_picture.WIDTH == 1200
        assert 900 < image.height < 1800
        assert image.info["icc_profile"]
        assert np.asarray(image).std() > 20


@pytest.mark.parametrize(
    ("judgement", "size"),
    list(zip(samples.ALL, [(170, 256), (256, 150), (256, 256), (20, 256)], strict=True)),
)
def test_labels_keep_clear_of_each_other_and_stay_on_the_picture(
    judgement: Judgement, size: tuple[int, int]
) -> None:
    figure = drawn(judgement, height=size[0], width=size[1])
    figure.canvas.draw()  # lays the labels' boxes out
    for axes in figure.axes[1:3]:
        labels: list[Any] = [text for text in axes.texts if text.get_gid() == "label"]
        found = [label.get_bbox_patch().get_window_extent() for label in labels]
        assert found
        frame = axes.get_window_extent().padded(1)
        if size[0] > 100:  # a strip is too low to hold its labels
            assert all(frame.y0 <= b.y0 and b.y1 <= frame.y1 for b in found)
            assert not [pair for pair in combinations(found, 2) if pair[0].overlaps(pair[1])]
    page = figure.bbox
    for text in figure.texts:
        box = text.get_window_extent()
        assert page.x0 <= box.x0
        assert box.x1 <= page.x1
        assert page.y0 <= box.y0
        assert box.y1 <= page.y1


def test_lines_of_text_keep_clear_of_each_other_and_of_the_pictures() -> None:
    figure = drawn()
    texts = [text.get_window_extent() for text in figure.texts]
    frames = [axes.get_window_extent() for axes in figure.axes]
    assert not [pair for pair in combinations(texts, 2) if pair[0].overlaps(pair[1])]
    assert not [1 for text in texts for frame in frames if text.overlaps(frame)]


def test_every_vote_has_a_marker_of_its_own_and_its_name_beside_it() -> None:
    figure = drawn()
    plane = figure.axes[2]
    named = {text.get_text() for text in plane.texts}
    voting = [e for e in samples.LIKELY.evidence if e.explains is not None]
    assert {e.kind for e in voting} | {"combined", "neutral"} <= named
    markers = {
        tuple(np.asarray(line.get_xydata())[0]): line.get_marker()
        for line in plane.lines
        if line.get_marker() not in ("None", "")
    }
    assert len({markers[e.explains] for e in voting if e.explains}) == len(voting)
    text = words(figure)
    for evidence in voting:
        assert evidence.label in text
        assert f"{evidence.weight:.2f}" in text


def test_marks_differ_in_shape_and_in_line() -> None:
    marks = [thing.mark for thing in THINGS]
    assert len({MARKERS[m.shape] for m in (*marks, OTHER_MARK)}) == len(marks) + 1
    assert len({line(m) for m in marks}) == len(marks)
    assert set(MARKERS) == set(get_args(Shape))


def test_every_class_is_named_on_the_picture_and_has_a_pattern_of_its_own() -> None:
    named = {text.get_text() for text in drawn().axes[1].texts}
    assert named == {
        "probable neutral: pavement",
        "probable neutral: cloud",
        "sky",
        "vegetation",
        "skin",
        "something else",
        "left out",
    }
    masks = [pattern(mark_of(name).pattern, (60, 60)) for name in CLASSES]
    assert all(mask.any() and not mask.all() for mask in masks)
    assert all((one != other).mean() > 0.1 for one, other in combinations(masks, 2))


def test_the_pattern_is_seen_where_the_class_is() -> None:
    examination = samples.examination()
    pixels, _ = pictures.recognised(
        examination,  # type: ignore[arg-type]
        np.full((340, 512, 3), 128, dtype=np.uint8),
        (512, 340),
    )
    sky = pixels[20:90, 10:150].astype(float)
    assert sky.mean(axis=(1, 2)).std() > 20  # level lines
    assert sky.mean(axis=(0, 2)).std() < 1
    thing = pixels[230:320, 400:500].astype(float)
    assert np.ptp(thing) == 0  # something else has none


def test_each_tone_is_drawn_where_it_reads_with_its_spread() -> None:
    figure = drawn()
    tones = samples.LIKELY.tones
    axes = [a for a in figure.axes if len(a.lines) == 5]  # middle, two edges, spread, value
    read = [float(np.asarray(a.lines[4].get_xdata())[0]) for a in axes]
    assert read == [v for tone in tones.values() for v in (tone.a, tone.b)]
    spreads = [float(np.ptp(np.asarray(a.lines[3].get_xdata()))) / 2 for a in axes]
    assert spreads == pytest.approx([t.spread for t in tones.values() for _ in "ab"])
    assert set(tones) <= {text.get_text() for text in figure.texts}


def test_bars_show_what_leaving_out_each_kind_changed() -> None:
    figure = drawn()
    moved, chance = [a for a in figure.axes if len(a.patches) and len(a.patches) == len(a.texts)]
    asked = [e for e in samples.LIKELY.evidence if e.weight and e.drove is not None]
    rows = sorted(asked, key=lambda e: -(e.drove or 0))
    assert [bar.get_width() for bar in moved.patches] == [e.drove for e in rows]  # type: ignore[attr-defined]
    assert [t.get_text() for t in chance.texts] == [
        "−22 points",
        "+4 points",
        "−8 points",
        "−3 points",
    ]


def test_a_photograph_handed_over_is_cut_to_the_frame_that_was_judged() -> None:
    whole = np.zeros((100, 200, 3))
    whole[:, 100:] = 1.0
    cut = pictures.framed(whole, Place(0.5, 0.25, 0.5, 0.5))
    assert cut.shape == (50, 100, 3)
    assert cut.min() == 1.0


def test_the_combined_cast_and_its_ellipse_stand_where_the_judgement_says() -> None:
    cast = Cast(3.0, -4.0, ((9.0, 0.0), (0.0, 4.0)), 2.55)
    plane = drawn(replace(samples.LIKELY, cast=cast)).axes[2]
    (star,) = [line for line in plane.lines if line.get_marker() == "*"]
    assert (star.get_xdata(), star.get_ydata()) == ([3.0], [-4.0])
    from matplotlib.patches import Ellipse

    (ellipse,) = [p for p in plane.patches if type(p) is Ellipse]
    assert np.asarray(ellipse.get_center()).tolist() == [3.0, -4.0]
    assert (ellipse.width, ellipse.height) == pytest.approx((6.0, 4.0))
    assert ellipse.angle % 180 == pytest.approx(0)


def test_points_to_look_at_are_placed_within_the_frame_that_was_judged() -> None:
    examination = samples.examination()
    examination.picture.frame = Place(0.5, 0.0, 0.5, 1.0)
    photograph = evidence_picture.figure(examination).axes[0]  # type: ignore[arg-type]
    one = photograph.texts[0]
    x, y = one.get_position()
    left, right = photograph.get_xlim()
    assert one.get_text() == "1"
    assert (x - left) / (right - left) == pytest.approx((0.63 - 0.5) / 0.5, abs=0.01)
    assert y > 0


def test_heading_says_verdict_chance_and_why() -> None:
    text = words(drawn())
    assert "Likely cast: evident, colder, towards blue" in text
    assert "87 % chance" in text
    assert samples.LIKELY.sentences[0] in text


@pytest.mark.parametrize(
    "name", ["x" * 400 + ".jpg", "cost_$5_and_$6.jpg", "写真\udcff\x1b[31m.jpg", "", "a b " * 90]
)
def test_any_name_can_be_drawn(name: str) -> None:
    judgement = replace(samples.LIKELY, name=name, sentences=(name,))
    figure = drawn(judgement)
    assert all(text.get_window_extent().x1 <= figure.bbox.x1 for text in figure.texts)


def test_an_unknown_kind_is_drawn_and_what_weighs_nothing_stands_in_the_key_alone() -> None:
    first = samples.LIKELY.evidence[0]
    new = replace(first, kind="snow", label="snow field")
    thing = replace(first, kind="object", label="red boat", explains=(60.0, 60.0), weight=0.0)
    figure = drawn(replace(samples.LIKELY, evidence=(new, thing)))
    named = {text.get_text() for text in figure.axes[2].texts}
    assert "snow" in named
    assert "object" not in named
    assert "red boat" in words(figure)
    assert figure.axes[2].get_xlim()[1] < 30


@pytest.mark.parametrize("reach", [0.0, 0.01, 80.0])
def test_casts_of_any_size_can_be_drawn(reach: float) -> None:
    def moved(evidence: Evidence) -> Evidence:
        return replace(evidence, explains=(reach, reach), spread=0.0)

    cast = Cast(reach, reach, ((0.0, 0.0), (0.0, 0.0)), 0.0)
    evidence = tuple(map(moved, samples.LIKELY.evidence))
    judgement = replace(samples.LIKELY, cast=cast, evidence=evidence)
    plane = drawn(judgement).axes[2]
    assert plane.get_xlim()[1] > max(reach, 6.0)


def test_a_file_is_written_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    target = tmp_path / "evidence.png"
    evidence_picture.draw(samples.examination(), target)  # type: ignore[arg-type]
    assert [p.name for p in tmp_path.iterdir()] == ["evidence.png"]
    with Image.open(target) as image:
        assert image.width == 1200


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"nowhere/evidence\.png cannot be written"):
        evidence_picture.draw(samples.examination(), tmp_path / "nowhere" / "evidence.png")  # type: ignore[arg-type]


def test_matplotlib_missing_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(OutputError, match=r"pip install 'autocast\[plot\]'"):
        evidence_picture.figure(samples.examination())  # type: ignore[arg-type]
