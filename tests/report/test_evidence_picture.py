"""The evidence picture: what stands where, its labels; that nothing is shown by colour alone."""

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

from autocast.colour import lab_to_linear, linear_to_srgb
from autocast.correction import curves, plan
from autocast.errors import OutputError
from autocast.judgement import Cast, Evidence, Judgement, Place
from autocast.judgement.things import CLASSES, OTHER_MARK, THINGS, Shape, mark_of
from autocast.picture import srgb_space
from autocast.report import evidence_picture
from autocast.report.evidence_picture import pictures
from autocast.report.evidence_picture.looks import AROUND, MARKERS, line, pattern
from autocast.report.evidence_picture.stage import ENLARGED, laid
from autocast.report.text import short_name
from tests import samples

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def examined(judgement: Judgement = samples.LIKELY, **size: int) -> Any:  # noqa: ANN401
    return samples.examination(judgement, **size)


def drawn(judgement: Judgement = samples.LIKELY, **size: int) -> Figure:
    return evidence_picture.figure(examined(judgement, **size))


def the_map(figure: Figure) -> Axes:
    """What was recognised."""
    return next(a for a in figure.axes if a.images and any(t.get_gid() == "label" for t in a.texts))


def the_plane(figure: Figure) -> Axes:
    """The a*b* plane, on which the combined cast is a star."""
    return next(a for a in figure.axes if any(line.get_marker() == "*" for line in a.lines))


def shown(axes: Axes) -> np.ndarray[Any, Any]:
    """The pixels of a picture of the sheet."""
    return np.asarray(axes.images[0].get_array())


def printed(figure: Figure) -> np.ndarray[Any, Any]:
    """The sheet as pixels."""
    png = evidence_picture.png_of(figure)
    with Image.open(io.BytesIO(png)) as image:
        return np.asarray(image).astype(int)


def corner(axes: Axes) -> tuple[int, int]:
    """The upper left pixel (x, y) of a picture on the sheet."""
    figure = axes.get_figure()
    assert figure is not None
    box = axes.get_window_extent()
    return round(box.x0), round(figure.bbox.height - box.y1)


def letters(axes: Axes) -> dict[str, tuple[float, float]]:
    """The marks of a picture, each with its place as fractions of it."""
    columns, rows = shown(axes).shape[1], shown(axes).shape[0]
    said = (t for t in axes.texts if t.get_gid() == "letter")
    return {
        t.get_text(): ((t.xy[0] + 0.5) / columns, (t.xy[1] + 0.5) / rows)  # type: ignore[attr-defined]
        for t in said
    }


def words(figure: Figure) -> str:
    return " ".join(text.get_text() for text in figure.texts).replace("\xa0", " ")


def test_a_png_of_the_promised_width_with_a_profile() -> None:
    out = io.BytesIO()
    evidence_picture.draw(examined(), out)
    with Image.open(io.BytesIO(out.getvalue())) as image:
        assert image.format == "PNG"
        assert image.width == evidence_picture.WIDTH == 1200
        assert 900 < image.height < 2000
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
    for axes in (the_map(figure), the_plane(figure)):
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
    plane = the_plane(figure)
    named = {text.get_text() for text in plane.texts}
    voting = [e for e in samples.LIKELY.evidence if e.explains is not None]
    assert {short_name(e.kind) for e in voting} | {"combined", "neutral"} <= named
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
    named = {text.get_text() for text in the_map(drawn()).texts}
    assert named == {
        "probable neutral",
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


def test_the_whole_and_each_tone_are_drawn_where_they_read_with_their_spread() -> None:
    figure = drawn()
    tones = samples.LIKELY.tones
    cast = samples.LIKELY.cast
    axes = [a for a in figure.axes if len(a.lines) == 7]  # middle, edges, spread, value
    read = [float(np.asarray(a.lines[6].get_xdata())[0]) for a in axes]
    assert read == [cast.a, cast.b, *(v for tone in tones.values() for v in (tone.a, tone.b))]
    spreads = [float(np.ptp(np.asarray(a.lines[5].get_xdata()))) / 2 for a in axes]
    all_spreads = [cast.spread, *(t.spread for t in tones.values())]
    assert spreads == pytest.approx([spread for spread in all_spreads for _ in "ab"])
    assert {"whole", *tones} <= {text.get_text() for text in figure.texts}
    # C* 3 and 6 at L* 60, as the shadows' L* 25 reads them.
    edges = [float(np.asarray(line.get_xdata())[0]) for line in axes[2].lines[1:5]]
    assert edges == pytest.approx([size * 41 / 76 for size in (-3, 3, -6, 6)])


def test_bars_stand_below_words_of_three_lines() -> None:
    greenish = replace(samples.LIKELY.tones["midtones"], a=-20.0, b=30.0)
    figure = drawn(replace(samples.LIKELY, tones={"midtones": greenish}))
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    words = [t for t in figure.texts if t.get_text().startswith("a* and b* ±")]
    lowest = min(text.get_window_extent(renderer).y0 for text in words)
    bars = [axes.get_window_extent(renderer).y1 for axes in figure.axes if len(axes.lines) == 7]
    assert len(bars) == 4
    assert max(bars) < lowest


def coded(lightness: float, a: float, b: float) -> np.ndarray[Any, Any]:
    seen = np.clip(linear_to_srgb(lab_to_linear([lightness, a, b])), 0, 1)
    return np.rint(255 * np.asarray(seen)).astype(int)


def test_patches_have_the_colour_that_is_read_and_that_should_be() -> None:
    figure = drawn()
    sheet = printed(figure)
    patches = [a for a in figure.axes if a.images and shown(a).shape[:2] == (34, 132)]
    tones = samples.LIKELY.tones.values()
    wanted = [((60.0, -1.2, -8.4), (60.0, 0.0, 0.0))]
    wanted += [((t.lightness, t.a, t.b), (t.lightness, 0.0, 0.0)) for t in tones]
    assert len(patches) == len(wanted) + len(samples.LIKELY.look_at)
    for axes, (reads, should) in zip(patches, wanted, strict=False):
        x, y = corner(axes)
        assert abs(sheet[y + 17, x + 33] - coded(*reads)).max() <= 1
        assert abs(sheet[y + 17, x + 99] - coded(*should)).max() <= 1
    # The pavement of the sample, which should read as everyday neutrals do.
    x, y = corner(patches[-1])
    assert abs(sheet[y + 17, x + 33] - coded(55.0, -1.1, -7.4)).max() <= 1
    right = sheet[y + 17, x + 99]
    assert right[0] > right[2]
    assert np.ptp(right) < 8


def test_a_row_says_what_leaving_out_each_kind_changed() -> None:
    said = [text.get_text() for text in drawn().texts]
    rows = [text for text in said if text.startswith("cast ") and "chance" in text]
    assert rows == [
        "cast 3.1, chance −22",
        "cast 1.2, chance +4",
        "cast 1.0, chance −8",
        "cast 0.6, chance −3",
    ]
    at = said.index(rows[0])
    assert said[at - 1] == "neutrals"


def test_what_moves_the_chance_alone_stays_in_a_full_row() -> None:
    neutrals = samples.LIKELY.evidence[0]
    moved = [replace(neutrals, drove=1.0 + k, drove_probability=0.0) for k in range(6)]
    shows = replace(neutrals, kind="content", explains=None, drove=0.0, drove_probability=0.22)
    text = words(drawn(replace(samples.LIKELY, evidence=(*moved, shows))))
    assert text.count("cast ") >= 6
    assert "cast 0.0, chance −22" in text
    assert "cast 1.0, chance 0" not in text


def test_what_changed_nothing_is_not_in_the_row_and_an_empty_one_is_not_drawn() -> None:
    still = tuple(replace(e, drove=0.04, drove_probability=0.004) for e in samples.LIKELY.evidence)
    assert "What drove it" not in words(drawn(replace(samples.LIKELY, evidence=still)))


def test_a_photograph_handed_over_is_cut_to_the_frame_that_was_judged() -> None:
    whole = np.zeros((100, 200, 3))
    whole[:, 100:] = 1.0
    cut = pictures.framed(whole, Place(0.5, 0.25, 0.5, 0.5))
    assert cut.shape == (50, 100, 3)
    assert cut.min() == 1.0


def test_the_combined_cast_and_its_ellipse_stand_where_the_judgement_says() -> None:
    cast = Cast(3.0, -4.0, ((9.0, 0.0), (0.0, 4.0)), 2.55)
    plane = the_plane(drawn(replace(samples.LIKELY, cast=cast)))
    (star,) = [line for line in plane.lines if line.get_marker() == "*"]
    assert (star.get_xdata(), star.get_ydata()) == ([3.0], [-4.0])
    from matplotlib.patches import Ellipse

    (ellipse,) = [p for p in plane.patches if type(p) is Ellipse]
    assert np.asarray(ellipse.get_center()).tolist() == [3.0, -4.0]
    assert (ellipse.width, ellipse.height) == pytest.approx((6.0, 4.0))
    assert ellipse.angle % 180 == pytest.approx(0)


def test_places_are_marked_within_the_frame_that_was_judged() -> None:
    examination = examined()
    examination.picture.frame = Place(0.5, 0.0, 0.5, 1.0)
    at = letters(evidence_picture.figure(examination).axes[0])["A"]
    assert at == pytest.approx(((0.63 - 0.5) / 0.5, 0.41), abs=0.01)


def test_marks_are_letters_between_two_corners() -> None:
    for judgement in samples.ALL:
        figure = drawn(judgement)
        first = figure.axes[0]
        assert [*letters(first)] == ["A", "B"][: len(judgement.look_at)]
        every = [t for axes in figure.axes for t in axes.texts] + list(figure.texts)
        assert not [t.get_text() for t in every if t.get_text().strip().isdigit()]
        sheet = printed(figure)
        rows, columns = shown(first).shape[:2]
        left, top = corner(first)
        for spot in judgement.look_at:
            x, y = left + round(spot.x * columns), top + round(spot.y * rows)
            own = np.zeros_like(sheet)
            own[top : top + rows, left : left + columns] = shown(first)
            added = abs(sheet - own).max(axis=-1)
            # Half a pixel may be lost to rounding; the line is two wide, its edge dark.
            assert added[y - 11 : y - 8, x - 11 : x - 8].max() > 60
            assert added[y + 9 : y + 12, x + 9 : x + 12].max() > 60
            for beside in (
                added[y - 11 : y - 8, x + 8 : x + 11],
                added[y + 8 : y + 11, x - 11 : x - 8],
            ):
                assert beside.max() == 0
            assert added[y - 5 : y + 6, x - 5 : x + 6].max() == 0


def test_places_that_coincide_share_a_mark() -> None:
    one, other = samples.LIKELY.look_at
    near = replace(other, x=one.x + 0.001, y=one.y)
    first = drawn(replace(samples.LIKELY, look_at=(one, near))).axes[0]
    assert [*letters(first)] == ["A, B"]


def test_a_likely_cast_stands_beside_its_proposed_correction() -> None:
    examination = examined()
    figure = evidence_picture.figure(examination)
    first, second = (shown(axes) for axes in figure.axes[:2])
    applied = curves(plan(examination), srgb_space())(first.reshape(-1, 3) / 255)
    assert abs(255 * applied.reshape(first.shape) - second).max() <= 0.5
    # The cast is blue, so blue is taken away.
    assert second[..., 2].mean() < first[..., 2].mean() - 5
    text = words(figure)
    assert "as it is" in text
    assert "proposed correction" in text
    assert corner(figure.axes[0])[1] == corner(figure.axes[1])[1]


def test_a_person_sees_the_places_magnified_first_the_one_that_decides() -> None:
    figure = drawn(samples.ASK)
    assert "proposed correction" not in words(figure)
    magnified = [a for a in figure.axes[1:] if letters(a)]
    assert [[*letters(a)] for a in magnified] == [["B"], ["A"]]
    assert words(figure).index("B: pavement") < words(figure).index("A: white door frame")
    text = words(figure)
    asked = "What decides it: Is the spot at B neutral (grey, white or black)? B: 360,1680 "
    assert f"{asked}(12%,84%)" in text
    assert "If so: autocast judge stage_0102.tif --neutral 360,1680" in text
    # They are told there, and not listed once more.
    assert "Places worth a look" not in text


def test_what_is_clear_or_has_no_place_stands_alone_and_large() -> None:
    for judgement in (samples.CLEAR, samples.NOTHING):
        figure = drawn(judgement)
        columns = shown(figure.axes[0]).shape[1]
        assert columns > shown(drawn().axes[0]).shape[1]
        assert "proposed correction" not in words(figure)


def test_pictures_stand_where_they_are_largest() -> None:
    assert laid((400, 600, 3)) == ("beside", (534, 356))
    assert laid((600, 400, 3)) == ("beside", (373, 560))
    assert laid((100, 600, 3)) == ("stacked", (1104, 184))
    assert laid((400, 600, 3), told=True)[1][0] > 534
    assert laid((30, 40, 3)) == ("beside", (40 * ENLARGED, 30 * ENLARGED))
    assert laid((2, 4000, 3))[1][1] == 1


@pytest.mark.parametrize("shape", [(27, 40), (3, 1200), (1200, 3), (1, 1)])
@pytest.mark.parametrize("judgement", samples.ALL)
def test_pictures_of_any_shape_can_be_drawn(judgement: Judgement, shape: tuple[int, int]) -> None:
    photograph = np.full((*shape, 3), 0.5)
    figure = evidence_picture.figure(examined(judgement), photograph)
    assert printed(figure).shape[1] == evidence_picture.WIDTH


def test_surround_and_ground_are_neutral() -> None:
    figure = drawn()
    sheet = printed(figure)
    x, y = corner(figure.axes[1])
    rows, columns = shown(figure.axes[1]).shape[:2]
    for pixel in (sheet[y + 9, x - 3], sheet[y + rows + 3, x + 9], sheet[y + 9, x + columns + 3]):
        assert f"#{pixel[0]:02x}{pixel[1]:02x}{pixel[2]:02x}" == AROUND
    assert sheet[-3, 3].tolist() == [255, 255, 255]


@pytest.mark.parametrize("frame", [Place(0, 0, 1, 1), Place(0.25, 0.1, 0.5, 0.8)])
def test_ticks_stand_at_tenths_of_the_whole_picture(frame: Place) -> None:
    examination = examined(samples.CLEAR)
    examination.picture.frame = frame
    figure = evidence_picture.figure(examination)
    first = figure.axes[0]
    sheet = printed(figure)
    x, y = corner(first)
    rows, columns = shown(first).shape[:2]
    below = sheet[y + rows + 5, x - 1 : x + columns + 2].min(axis=-1) > 180
    beside = sheet[y - 1 : y + rows + 2, x - 6].min(axis=-1) > 180
    for white, start, share, length in (
        (below, frame.x, frame.width, columns),
        (beside, frame.y, frame.height, rows),
    ):
        at = [(k / 10 - start) / share * length for k in range(11)]
        wanted = [place for place in at if -0.5 <= place <= length + 0.5]
        found = np.flatnonzero(white) - 1
        assert len(wanted) >= 5
        assert all(abs(found - place).min() <= 1 for place in wanted)
        assert all(min(abs(place - each) for each in wanted) <= 2 for place in found)
    named = {text.get_text() for text in figure.texts if text.get_gid() == "tick"} - {""}
    inside = {f"{10 * k}%" for k in range(0, 11, 2)}
    assert named <= inside
    assert named >= ({"40%", "60%"} if frame.x else inside)


def test_a_place_is_cut_out_around_itself_and_shows_its_pixels() -> None:
    rng = np.random.default_rng(3)
    encoded = rng.random((300, 400, 3))
    codes = np.round(encoded * 255)
    for at in ((0.5, 0.5), (0.0, 0.0), (0.999, 0.999), (0.02, 0.7)):
        square, (x, y) = pictures.cut_out(encoded, at, 138)
        assert square.shape == (138, 138, 3)
        pixel = square[min(int(y), 137), min(int(x), 137)]
        assert (pixel == codes[int(at[1] * 300), int(at[0] * 400)]).all()
        times = round(138 / 46)
        assert (square[::times, ::times].repeat(times, 0).repeat(times, 1) == square).all()


def test_a_large_picture_is_averaged_where_it_is_cut_out() -> None:
    encoded = np.zeros((2000, 3000, 3))
    encoded[::2] = 1.0
    square, at = pictures.cut_out(encoded, (0.5, 0.5), 138)
    assert square.shape == (138, 138, 3)
    # Some two pixels to each: neither black nor white is left.
    assert abs(square.astype(int) - 127).max() < 64
    assert at == pytest.approx((69, 69), abs=1)


def test_what_is_small_is_cut_out_whole() -> None:
    square, _ = pictures.cut_out(np.zeros((3, 1200, 3)), (0.5, 0.5), 138)
    assert square.shape == (138, 138, 3)
    square, _ = pictures.cut_out(np.zeros((1, 1, 3)), (0.5, 0.5), 138)
    assert square.shape == (138, 138, 3)


def test_heading_says_verdict_chance_and_why() -> None:
    text = words(drawn())
    assert "Likely cast: evident, colder, towards blue" in text
    assert "87 % chance" in text
    assert samples.LIKELY.sentences[0] in text
    assert "Next: autocast correct harbour_0231.jpg --to OUT" in text


def test_what_has_a_place_of_its_own_is_not_said_twice() -> None:
    sentences = ("It is so.", "What drove it: the sky.", "What decides it: Is it neutral?")
    text = words(drawn(replace(samples.ASK, sentences=sentences)))
    assert "It is so." in text
    assert "the sky." not in text
    assert text.count("What decides it") == 1
    assert "autocast" not in words(drawn(samples.CLEAR))


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
    thing = replace(first, kind="object", label="red boat", explains=(60.0, 60.0), weight=0.004)
    figure = drawn(replace(samples.LIKELY, evidence=(new, thing)))
    named = {text.get_text() for text in the_plane(figure).texts}
    assert "snow" in named
    assert "object" not in named
    assert "red boat" in words(figure)
    assert the_plane(figure).get_xlim()[1] < 30


@pytest.mark.parametrize("reach", [0.0, 0.01, 80.0])
def test_casts_of_any_size_can_be_drawn(reach: float) -> None:
    def moved(evidence: Evidence) -> Evidence:
        return replace(evidence, explains=(reach, reach), spread=0.0)

    cast = Cast(reach, reach, ((0.0, 0.0), (0.0, 0.0)), 0.0)
    evidence = tuple(map(moved, samples.LIKELY.evidence))
    judgement = replace(samples.LIKELY, cast=cast, evidence=evidence)
    plane = the_plane(drawn(judgement))
    assert plane.get_xlim()[1] > max(reach, 6.0)


def test_a_file_is_written_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    target = tmp_path / "evidence.png"
    evidence_picture.draw(examined(), target)
    assert [p.name for p in tmp_path.iterdir()] == ["evidence.png"]
    with Image.open(target) as image:
        assert image.width == 1200


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"nowhere does not exist"):
        evidence_picture.draw(examined(), tmp_path / "nowhere" / "evidence.png")


def test_matplotlib_missing_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(OutputError, match=r"pip install 'autocast\[plot\]'"):
        evidence_picture.figure(examined())
