"""Rendered scenes: their truth, their determinism, what they hold, and of whom they are made."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from autocast.colour import (
    cast_to_gains,
    cast_to_shift,
    linear_to_lab,
    log_chromaticity,
    srgb_to_linear,
)
from autocast.judgement import TONE_RANGES
from autocast.rendering import cameras, materials, scenes
from autocast.rendering.canvas import Canvas, Stuff
from autocast.rendering.densities import TYPOLOGY_CUTS
from autocast.rendering.scenes import (
    ITA_GROUPS,
    RECIPES,
    STUDIES,
    THINGS,
    misbalanced,
    portrait,
    render,
)

BOTH = (*STUDIES["fit"], *STUDIES["report"])


def _lab(picture: scenes.Rendered) -> scenes.Floats:
    return linear_to_lab(srgb_to_linear(picture.pixels / 255.0))


def _grey_ramp(eye: str, light: cameras.Light) -> scenes.Floats:
    """Greys of 1 % to 100 % in full light, a column each, as linear sRGB."""
    lighting = cameras.Lighting(cameras.eye(eye), light, light, 1.0)
    greys = np.linspace(0.01, 1, 256)[:, None] * np.ones(39)
    return np.broadcast_to(lighting.seen(greys).astype(np.float32), (256, 256, 3)).copy()


# Truth ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("eye", cameras.EYES)
def test_greys_are_grey_in_a_balanced_scene(eye: str) -> None:
    rng = np.random.default_rng(3)
    for where in cameras.NAMED:
        for _ in range(4):
            light = cameras.any_light(rng, where)
            pixels = scenes._developed(_grey_ramp(eye, light), rng, np.ones(3))
            # Sixteen columns at a time, so that noise and rounding average out.
            lab = linear_to_lab(srgb_to_linear(pixels / 255.0)).mean(axis=0)
            bands = lab.reshape(16, 16, 3).mean(axis=1)
            assert np.abs(bands[:, 1:]).max() < 0.4


@pytest.mark.parametrize("eye", cameras.EYES)
def test_a_grey_surface_in_full_light_is_grey_on_the_canvas_and_not_so_in_shadow(eye: str) -> None:
    light, sky = cameras.named_light("D55"), cameras.daylight(12000)
    lighting = cameras.Lighting(cameras.eye(eye), light, sky, 0.3)
    canvas = Canvas(np.random.default_rng(1), 60, 80, lighting)
    lit = canvas.open_light()
    canvas.cast_shadow(lit, canvas.box(0.5, -1, 2, 2), 1)
    canvas.paint(canvas.box(-1, -1, 2, 2), Stuff("else", np.full((2, 39), 0.5)), lit=lit)
    bright, shaded = linear_to_lab(canvas.pixels[:, :38]), linear_to_lab(canvas.pixels[:, 42:])
    assert np.abs(bright[..., 1:]).max() < 1e-3
    assert shaded[..., 2].max() < -5
    assert shaded[..., 0].mean() < bright[..., 0].mean() - 15


@settings(max_examples=12, deadline=None)
@given(
    size=st.floats(0, 20), angle=st.floats(0, 6.28), eye=st.sampled_from(cameras.EYES),
    name=st.sampled_from(sum(cameras.NAMED.values(), ())),
)  # fmt: skip
def test_a_laid_cast_reads_as_itself_on_the_ramp(
    size: float, angle: float, eye: str, name: str
) -> None:
    cast = size * np.array([np.cos(angle), np.sin(angle)])
    ramp = _grey_ramp(eye, cameras.named_light(name)) * 0.8
    rng = np.random.default_rng(2)
    exposed = scenes._exposed(ramp, rng, cast_to_gains(cast))
    assert exposed.max() <= 1
    lab = linear_to_lab(srgb_to_linear(exposed)).mean(axis=0)
    clipped = (exposed >= 1).any(axis=(0, 2))
    lab = lab[~clipped]
    order = np.argsort(lab[:, 0])
    for quoted in (60.0, *(at for _, _, at in TONE_RANGES.values())):
        if quoted > lab[:, 0].max():
            continue
        read = [
            np.interp(quoted, lab[order, 0], lab[order, c]) * 76 / (quoted + 16) for c in (1, 2)
        ]
        assert read == pytest.approx(cast, abs=0.5)


def test_a_render_under_a_cast_is_the_same_scene_shifted_by_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(scenes, "CONTRAST", (0.0, 0.0))
    monkeypatch.setattr(scenes, "SATURATION", (0.0, 0.0))
    cast = (4.0, 9.0)
    plain, laid = (
        render(np.random.default_rng(8), STUDIES["fit"], "street", c) for c in ((0.0, 0.0), cast)
    )
    assert plain.whole == (0.0, 0.0)
    assert laid.whole == cast
    assert laid.tones == (cast,) * 3
    np.testing.assert_array_equal(plain.things, laid.things)
    before, after = (log_chromaticity(srgb_to_linear(p.pixels / 255.0)) for p in (plain, laid))
    both = np.stack([plain.pixels, laid.pixels])
    whole = ((both > 40) & (both < 250)).all(axis=(0, 3))
    moved = (after - before)[whole]
    assert len(moved) > 5000
    # Rounding to 8 bits; every pixel moves alike.
    assert np.percentile(moved, [5, 95], axis=0) == pytest.approx(
        np.tile(cast_to_shift(np.array(cast)), (2, 1)), abs=0.04
    )


def test_a_cast_that_no_light_lays_is_refused() -> None:
    with pytest.raises(ValueError, match="no positive light"):
        render(np.random.default_rng(1), STUDIES["fit"], "beach", (0.0, 300.0))


@pytest.mark.parametrize("light", ["A", "FL2", "D75"])
def test_a_scene_balanced_to_another_light_has_the_cast_of_a_white_under_its_own(
    light: str,
) -> None:
    import colour

    # Adapted to D65 the observer reads XYZ as it is.
    x, y = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][light]
    luminance = ((60 + 16) / 116) ** 3
    xyz = luminance * np.array([x, y, 1 - x - y]) / y
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    picture = misbalanced(np.random.default_rng(2), STUDIES["report"], "interior", light, "D65")
    assert picture.light == light
    assert picture.whole == pytest.approx(colour.XYZ_to_Lab(xyz, d65)[1:], abs=0.3)


def test_a_scene_balanced_to_its_own_light_has_no_cast() -> None:
    picture = misbalanced(np.random.default_rng(2), STUDIES["report"], "interior", "FL2", "FL2")
    assert picture.whole == pytest.approx((0, 0), abs=1e-3)


# Chance ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("recipe", RECIPES)
def test_the_same_state_gives_the_same_picture(recipe: str) -> None:
    one, again, other = (
        render(np.random.default_rng(seed), STUDIES["fit"], recipe) for seed in (5, 5, 6)
    )
    assert one.pixels.dtype == np.uint8
    assert max(one.pixels.shape) == scenes.LONG_SIDE
    np.testing.assert_array_equal(one.pixels, again.pixels)
    assert (one.light, one.seen_by, one.ita, one.studies) == (
        again.light, again.seen_by, again.ita, again.studies,
    )  # fmt: skip
    assert one.pixels.shape != other.pixels.shape or (one.pixels != other.pixels).any()


def test_all_recipes_and_observers_are_drawn() -> None:
    drawn = [render(np.random.default_rng([4, k]), BOTH) for k in range(40)]
    assert {each.recipe for each in drawn} == set(RECIPES)
    assert {each.seen_by for each in drawn} == set(cameras.EYES)


@pytest.mark.parametrize("where", cameras.NAMED)
def test_lights_are_named_ones_and_others(where: str) -> None:
    rng = np.random.default_rng(1)
    lights = [cameras.any_light(rng, where) for _ in range(200)]
    names = {each.name for each in lights}
    assert set(cameras.NAMED[where]) < names
    assert any(name.startswith("daylight") for name in names)
    assert any(name.startswith("blackbody") for name in names) == (where == "indoor")
    assert [cameras.luminance(each.power) for each in lights] == pytest.approx(np.ones(200))


# Halves ---------------------------------------------------------------------------------------


def test_the_halves_share_no_study_and_no_spectrum() -> None:
    assert not set(STUDIES["fit"]) & set(STUDIES["report"])
    every = materials.every_spectrum()
    seen = {
        half: {row.tobytes() for row in every.taken(np.isin(every.study, names)).reflectance}
        for half, names in STUDIES.items()
    }
    assert min(len(some) for some in seen.values()) > 5000
    assert not seen["fit"] & seen["report"]


@pytest.mark.parametrize("half", STUDIES)
def test_scenes_are_made_of_their_half_alone(half: str) -> None:
    used: set[str] = set()
    for name in RECIPES:
        made = render(np.random.default_rng(1), STUDIES[half], name)
        assert made.studies
        used |= made.studies
    assert used <= set(STUDIES[half])
    assert len(used) > 8


def test_unknown_studies_groups_and_missing_materials_are_named() -> None:
    with pytest.raises(ValueError, match="no study is called nowhere"):
        render(np.random.default_rng(1), ["nowhere"])
    with pytest.raises(ValueError, match="no spectra are left for canopy"):
        render(np.random.default_rng(1), ["chart"])
    with pytest.raises(ValueError, match="not in tuple"):
        portrait(np.random.default_rng(1), "green", STUDIES["fit"])


# What scenes hold -----------------------------------------------------------------------------


@pytest.mark.parametrize("recipe", RECIPES)
def test_recipes_hold_the_things_they_name(recipe: str) -> None:
    for seed, names in enumerate((*STUDIES.values(), BOTH)):
        made = render(np.random.default_rng([7, seed]), names, recipe)
        share = np.bincount(made.things.ravel(), minlength=len(THINGS)) / made.things.size
        for thing in RECIPES[recipe].holds:
            assert share[THINGS.index(thing)] > 0.02, (seed, thing)


def test_things_have_the_colours_that_are_known_of_them() -> None:
    lab: dict[str, list[scenes.Floats]] = {
        thing: [] for thing in ("vegetation", "skin", "snow", "sky")
    }
    for name in ("garden", "portrait", "snow"):
        for seed in range(7):
            made = render(np.random.default_rng([2, seed]), BOTH, name)
            read = _lab(made)
            for thing, some in lab.items():
                there = made.things == THINGS.index(thing)
                if there.sum() > 200:
                    some.append(np.median(read[there], axis=0))
    vegetation, skin, snow, sky = (np.array(some) for some in lab.values())
    # Foliage: a* negative, b* positive and larger; skin: both positive; blue sky: b* negative
    # (common practice, no source). Snow is nearly neutral, or bluer in shadow.
    assert np.median(vegetation[:, 1]) < 0
    assert np.median(vegetation[:, 2]) > 4
    assert np.median(skin[:, 1]) > 4
    assert np.median(skin[:, 2]) > 6
    assert np.median(sky[:, 2]) < -5
    assert np.abs(np.median(snow[:, 1:], axis=0)).max() < 8
    assert np.median(snow[:, 0]) > 60


# People ---------------------------------------------------------------------------------------


def test_portraits_differ_by_skin_alone_and_are_of_their_group() -> None:
    cuts = (-90.0, *TYPOLOGY_CUTS, 90.0)
    for seed in range(3):
        drawn = [
            portrait(np.random.default_rng(seed), group, STUDIES["report"]) for group in ITA_GROUPS
        ]
        for number, made in enumerate(drawn):
            assert made.ita is not None
            assert cuts[number] <= made.ita <= cuts[number + 1]
            np.testing.assert_array_equal(made.things, drawn[0].things)
            assert (made.light, made.seen_by) == (drawn[0].light, drawn[0].seen_by)
        face = drawn[0].things == THINGS.index("skin")
        lightness = [float(_lab(made)[face, 0].mean()) for made in drawn]
        # The angle orders by L* and b* together, so that neighbours may change places.
        assert min(np.diff(lightness)) > -4
        assert lightness[-1] > lightness[0] + 15


@pytest.mark.parametrize("half", STUDIES)
@pytest.mark.parametrize("group", ITA_GROUPS)
def test_every_group_has_faces_in_both_halves(half: str, group: str) -> None:
    made = materials.palette(STUDIES[half])
    number = np.digitize(made.ita, TYPOLOGY_CUTS)
    assert (number == ITA_GROUPS.index(group)).sum() >= 25
