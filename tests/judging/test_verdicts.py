"""Known pictures and the verdicts they require.

Here stand single pictures that all models must judge rightly. Of what is hard many
pictures are drawn and their share is bounded, in tests/judging/test_error_shares.py.
Bounds are this project's own unless a source stands beside them. "Facts of the
trade" are common practice, no source.
"""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

import autocast
from autocast.judgement import REMARKS, Judgement
from tests import scenes
from tests.scenes import Bytes, Floats, Lab, Layer, Where

NEUTRAL = sorted(scenes.NEUTRAL_SCENES)
SIXTEEN = {
    "green": (-14.0, 8.0),
    "magenta": (12.0, -10.5),
    "blue": (0.0, -16.0),
    "cyan": (-13.0, -9.0),
    "red": (15.0, 5.0),
}
"""Casts of C* 16 at L* 60, none of them a warmth that a scene may own."""


@functools.cache
def linear(name: str, *, boat: bool = False, seed: int = 3) -> Floats:
    layers = scenes.NEUTRAL_SCENES[name]
    return scenes.scene((*layers, scenes.BOAT) if boat else layers, seed)


@functools.cache
def photograph(name: str, *, boat: bool = False, seed: int = 3) -> Bytes:
    return scenes.developed(linear(name, boat=boat, seed=seed), seed)


def judged(layers: tuple[Layer, ...], seed: int = 11) -> Judgement:
    return autocast.judge(scenes.developed(scenes.scene(layers, seed), seed))


def asks(judgement: Judgement) -> bool:
    return judgement.verdict == "ask" and any(REMARKS[code].asks for code in judgement.remarks)


# --- nothing wrong -----------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", NEUTRAL)
def test_neutrals_of_several_tones_are_clear(name: str, seed: int) -> None:
    judgement = autocast.judge(photograph(name, seed=seed))
    assert judgement.verdict == "clear"
    # Less than evident; the yard's stones are warm.
    assert judgement.cast.size < 6


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", NEUTRAL)
def test_a_blue_boat_amid_agreeing_neutrals_is_a_blue_boat(name: str, seed: int) -> None:
    judgement = autocast.judge(photograph(name, boat=True, seed=seed))
    assert judgement.verdict == "clear"
    assert "coloured_object" in judgement.remarks
    (thing,) = [e for e in judgement.evidence if e.kind == "object"]
    assert thing.stance == "against"
    assert thing.reads is not None
    assert thing.reads.b == pytest.approx(scenes.BOAT_BLUE[2], abs=8)
    # The ellipse fills 0.24 x 0.14 x pi of the frame; its rim belongs to mixed regions.
    assert thing.share == pytest.approx(0.24 * 0.14 * math.pi, rel=0.3)
    against = [s for s in judgement.sentences if s.startswith("Against it")]
    assert any("blue" in sentence for sentence in against)
    # The place named for it lies on the boat.
    place = thing.where[0]
    assert (
        math.hypot(
            (place.x + place.width / 2 - 0.42) / 0.24, (place.y + place.height / 2 - 0.72) / 0.14
        )
        < 1.1
    )


@pytest.mark.parametrize("name", NEUTRAL)
def test_the_boat_moves_the_estimate_little(name: str) -> None:
    without, along = (autocast.judge(photograph(name, boat=b)).cast for b in (False, True))
    assert math.hypot(without.a - along.a, without.b - along.b) < 2


@pytest.mark.parametrize("colour", ["BRICK", "ORANGE", "PURPLE", "TEAL"])
def test_things_of_other_strong_colours_are_no_cast_either(colour: str) -> None:
    thing = scenes.Layer(getattr(scenes, colour), scenes.BOAT.where)
    judgement = judged((*scenes.QUAY, thing))
    assert judgement.verdict == "clear"
    assert judgement.cast.size < 4


# Measured or published skin, CIELAB D65: CIE 13.3 test samples 13 and 15 (computed with
# colour-science); chart patches "dark skin" and "light skin" (values after November 2014,
# adapted from D50 by Bradford, computed with colour-science).
COMPLEXIONS: dict[str, Lab] = {
    "TCS13": (80.2, 11.4, 21.2),
    "TCS15": (63.9, 14.0, 16.1),
    "dark skin": (37.3, 13.4, 14.6),
    "light skin": (64.4, 18.0, 17.1),
}


@pytest.mark.parametrize("name", sorted(COMPLEXIONS))
def test_a_portrait_of_any_complexion_before_grey_is_clear(name: str) -> None:
    judgement = judged(scenes.portrait(COMPLEXIONS[name]))
    assert judgement.verdict == "clear"
    assert judgement.cast.size < 3


# --- a colour that nothing vouches for -------------------------------------------


@pytest.mark.parametrize("size", [0.18, 0.3, 0.45])
def test_a_blue_thing_with_few_neutrals_is_left_to_a_person(size: float) -> None:
    thing = scenes.Layer(scenes.BOAT_BLUE, scenes.disc(0.5, 0.5, size, size))
    assert judged((*scenes.PAINTED, thing)).verdict == "ask"


def test_a_blue_thing_amid_neutrals_that_quarrel_is_left_to_a_person() -> None:
    picture = linear("quay", boat=True)
    cold = scenes.under_tones(picture, (0.0, -18.0), 0, 45)
    quarrel = scenes.under_tones(cold, (0.0, 18.0), 70, 100)
    assert autocast.judge(scenes.developed(quarrel)).verdict == "ask"


@pytest.mark.parametrize("colour", ["BOAT_BLUE", "BRICK", "PURPLE", "TEAL"])
def test_one_colour_that_fills_the_frame_is_left_to_a_person(colour: str) -> None:
    judgement = judged((scenes.Layer(getattr(scenes, colour), scenes.EVERYWHERE),))
    assert judgement.verdict == "ask"
    assert {"few_neutrals", "no_known_colour", "off_grid"} & set(judgement.remarks)


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_of_known_colour_is_left_to_a_person(seed: int) -> None:
    judgement = judged(scenes.PAINTED, seed)
    assert asks(judgement), judgement.remarks


# --- a cast over everything ---------------------------------------------------------


@pytest.mark.parametrize("boat", [False, True])
@pytest.mark.parametrize("cast", sorted(SIXTEEN))
@pytest.mark.parametrize("name", NEUTRAL)
def test_a_plain_cast_is_seen_and_its_direction_is_right(
    name: str,
    cast: str,
    boat: bool,  # noqa: FBT001 -- given by parametrize
) -> None:
    known = SIXTEEN[cast]
    judgement = autocast.judge(scenes.developed(scenes.under(linear(name, boat=boat), known)))
    assert judgement.verdict != "clear"
    assert judgement.probability > 0.5
    turned = math.atan2(judgement.cast.b, judgement.cast.a) - math.atan2(known[1], known[0])
    assert abs(math.remainder(turned, math.tau)) < math.radians(35)
    assert 0.5 < judgement.cast.size / math.hypot(*known) < 1.5


@pytest.mark.parametrize("cast", sorted(SIXTEEN))
def test_a_plain_cast_over_a_plain_scene_is_never_clear(cast: str) -> None:
    picture = scenes.under(linear("quay"), SIXTEEN[cast])
    judgement = autocast.judge(scenes.developed(picture))
    assert judgement.verdict != "clear"
    assert judgement.cast.a * SIXTEEN[cast][0] + judgement.cast.b * SIXTEEN[cast][1] > 8 * 16


@pytest.mark.parametrize("name", NEUTRAL)
def test_the_probability_grows_with_the_cast(name: str) -> None:
    steps = [
        autocast.judge(
            scenes.developed(scenes.under(linear(name), (-0.8 * c, 0.6 * c)))
        ).probability
        for c in (0, 5, 10)
    ]
    # Near its top it moves by the steps of the trees; how far it may fall is bounded elsewhere.
    assert steps[0] < steps[1] < steps[2]


# --- warmth that a scene may own -------------------------------------------------------

# b* +8 to +12, hue 60 to 90 degrees.
WARMTHS = [(4.6, 8.0), (3.0, 9.0), (0.5, 10.0), (4.0, 12.0)]


@pytest.mark.parametrize("warmth", WARMTHS)
@pytest.mark.parametrize("name", NEUTRAL)
def test_green_of_the_same_size_is_not_excused(name: str, warmth: tuple[float, float]) -> None:
    size = math.hypot(*warmth)
    green = (-0.94 * size, 0.34 * size)
    judgement = autocast.judge(scenes.developed(scenes.under(linear(name), green)))
    assert judgement.verdict != "clear"
    assert "believable_warmth" not in judgement.remarks


# --- a cast that is not the same everywhere -----------------------------------------------

PARTS: dict[str, Where] = {
    "left quarter": scenes.box(-1, -1, 0.25, 2),
    "right third": scenes.box(0.67, -1, 2, 2),
    "left half": scenes.box(-1, -1, 0.5, 2),
    "bottom half": scenes.box(-1, 0.5, 2, 2),
}
"""Parts at the top may be sky: how often those pass is bounded elsewhere."""


@pytest.mark.parametrize(
    ("left", "right"),
    [((2.0, 14.0), (0.0, -10.0)), ((0.0, 22.0), (0.0, 0.0)), ((-12.0, 6.0), (9.0, -6.0))],
)
@pytest.mark.parametrize("name", NEUTRAL)
def test_two_lights_in_one_frame_are_mixed_light(
    name: str, left: tuple[float, float], right: tuple[float, float]
) -> None:
    picture = linear(name)
    y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    del y
    # The one light gives way to the other over a twentieth of the frame.
    share = np.clip((x / picture.shape[1] - 0.475) / 0.05, 0, 1)[..., None]
    mixed = scenes.under(picture, left) * (1 - share) + scenes.under(picture, right) * share
    judgement = autocast.judge(scenes.developed(mixed))
    assert judgement.verdict == "ask"
    assert "mixed_light" in judgement.remarks


@pytest.mark.parametrize("cast", ["green", "magenta"])
@pytest.mark.parametrize("part", sorted(PARTS))
@pytest.mark.parametrize("name", ["quay", "winter"])
def test_green_or_magenta_in_part_of_the_frame_is_not_clear(
    name: str, part: str, cast: str
) -> None:
    picture = scenes.under_where(linear(name), SIXTEEN[cast], PARTS[part])
    assert autocast.judge(scenes.developed(picture)).verdict != "clear"


@pytest.mark.parametrize("part", ["left half", "right third"])
def test_parts_that_surely_differ_are_named(part: str) -> None:
    even = autocast.judge(photograph("winter"))
    assert not {"parts_disagree", "mixed_light"} & set(even.remarks)
    picture = scenes.under_where(linear("winter"), SIXTEEN["green"], PARTS[part])
    uneven = autocast.judge(scenes.developed(picture))
    assert {"parts_disagree", "mixed_light"} & set(uneven.remarks)


@pytest.mark.parametrize("cast", ["green", "blue"])
@pytest.mark.parametrize("name", ["quay", "yard"])
def test_a_cast_in_the_highlights_is_not_clear(name: str, cast: str) -> None:
    picture = scenes.under_tones(linear(name), SIXTEEN[cast], 72, 100)
    assert autocast.judge(scenes.developed(picture)).verdict != "clear"


# --- not a colour photograph ---------------------------------------------------------------


@pytest.mark.parametrize(
    "tone", [(8.0, 20.0), (5.0, 26.0), (-6.0, -22.0), (14.0, -4.0), (-9.0, 12.0)]
)
def test_a_toned_print_is_left_to_a_person(tone: tuple[float, float]) -> None:
    judgement = autocast.judge(scenes.toned(photograph("quay"), tone))
    assert judgement.verdict == "ask"
    assert "toned" in judgement.remarks


def test_a_black_and_white_is_clear() -> None:
    grey = photograph("quay").mean(axis=2).astype(np.uint8)
    for picture in (grey, np.repeat(grey[..., None], 3, axis=2)):
        judgement = autocast.judge(picture)
        assert judgement.verdict == "clear"
        assert "monochrome" in judgement.remarks


def test_a_drawing_is_left_to_a_person() -> None:
    judgement = autocast.judge(scenes.drawing())
    assert judgement.verdict == "ask"
    assert "not_photograph" in judgement.remarks


@pytest.mark.parametrize("name", NEUTRAL)
def test_almost_black_is_left_to_a_person(name: str) -> None:
    judgement = autocast.judge(scenes.developed(linear(name) * 0.006))
    assert judgement.verdict == "ask"
    assert "dark" in judgement.remarks


@pytest.mark.parametrize("code", [255, 0])
def test_a_frame_that_is_all_clipped_is_left_to_a_person(code: int) -> None:
    assert autocast.judge(np.full((200, 300, 3), code, dtype=np.uint8)).verdict == "ask"


def test_a_plain_grey_card_has_no_cast() -> None:
    judgement = autocast.judge(np.full((200, 300, 3), 118, dtype=np.uint8))
    assert judgement.verdict == "clear"
    assert judgement.cast.size < 3


@pytest.mark.parametrize("code", [(30, 60, 200), (200, 30, 40), (20, 160, 60), (240, 200, 20)])
def test_a_plain_strong_colour_is_left_to_a_person(code: tuple[int, int, int]) -> None:
    judgement = autocast.judge(np.full((200, 300, 3), code, dtype=np.uint8))
    assert judgement.verdict == "ask"


@pytest.mark.parametrize("code", [(90, 120, 30), (128, 128, 128), (200, 150, 120), (10, 20, 200)])
def test_a_single_pixel_never_proves_a_cast(code: tuple[int, int, int]) -> None:
    judgement = autocast.judge(np.array([[code]], dtype=np.uint8))
    assert judgement.verdict != "cast"
    assert "tiny" in judgement.remarks


def test_a_strip_of_three_rows_is_judged() -> None:
    strip = scenes.developed(scenes.scene(scenes.QUAY, 5, (3, 500)))
    for picture in (strip, strip.transpose(1, 0, 2)):
        assert autocast.judge(picture).verdict in {"clear", "ask"}


# --- facts of the trade (common practice, no source) ------------------------------------------


def test_a_magenta_sky_over_grey_pavement_deserves_a_look() -> None:
    # A sky's a* lies between about -5 and +2, seldom on the magenta side.
    plain, magenta = (judged(scenes.fair((62.0, a, -25.0), (55.0, 0.5, 3.0))) for a in (-2.0, 8.0))
    assert magenta.verdict != "clear"
    assert magenta.probability > plain.probability


@pytest.mark.parametrize("depth", [-12.0, -25.0, -38.0])
def test_how_blue_a_sky_is_says_nothing(depth: float) -> None:
    judgement = judged(scenes.fair((62.0, -2.0, depth), (55.0, 0.5, 3.0)))
    assert judgement.verdict != "cast"
    assert judgement.cast.size < 4


@pytest.mark.parametrize("name", NEUTRAL)
def test_neutrals_that_read_green_deserve_a_look(name: str) -> None:
    # Concrete reads a* +2.5 here as measured; the light brings it to about -5.
    judgement = autocast.judge(scenes.developed(scenes.under(linear(name), (-7.5, 0.0))))
    assert judgement.verdict != "clear"


def test_concrete_at_minus_five_under_a_plain_sky_is_not_clear() -> None:
    judgement = judged(scenes.fair((62.0, -2.0, -25.0), (57.0, -5.0, 3.0)))
    assert judgement.verdict != "clear"


@pytest.mark.parametrize("name", NEUTRAL)
def test_green_is_less_believable_than_warmth_of_the_same_size(name: str) -> None:
    green, warm = (
        autocast.judge(scenes.developed(scenes.under(linear(name), cast))).probability
        for cast in ((-4.0, 1.5), (1.0, 4.15))
    )
    assert green > warm


def test_a_cloud_that_is_not_very_light_may_stay_slightly_blue() -> None:
    cloud = scenes.Layer((72.0, -0.8, -6.0), scenes.box(-0.1, -0.1, 1.1, 0.36), rough=0.05)
    assert judged((*scenes.QUAY, cloud)).verdict == "clear"


def test_shaded_snow_beside_sunlit_neutrals_is_no_cast() -> None:
    # Snow lit by 10000 K skylight under a 5500 K balance reads C* 28 at hue 274 degrees
    # (computed from the CIE daylight locus); here in shade, at half that lightness.
    shade = scenes.Layer((55.0, 1.2, -17.0), scenes.box(-0.1, 0.62, 0.5, 1.1), rough=0.05)
    judgement = judged((*scenes.WINTER, shade))
    assert judgement.verdict != "cast"
    assert judgement.cast.size < 5


@pytest.mark.parametrize(
    "layers",
    [
        (scenes.Layer((60.0, -2.0, -28.0), scenes.EVERYWHERE, rough=0.04, mottle=0.4),),
        (
            scenes.Layer(scenes.FOLIAGE, scenes.EVERYWHERE, rough=0.35, mottle=1.5),
            scenes.Layer(scenes.GRASS, scenes.box(-0.1, 0.5, 1.1, 1.1), rough=0.2, mottle=1.5),
        ),
    ],
    ids=["sky", "leaves and grass"],
)
def test_one_known_colour_that_fills_the_frame_is_no_cast(layers: tuple[Layer, ...]) -> None:
    assert judged(layers).verdict != "cast"
