"""The move, the copy and the proof, on package photographs with known casts."""

from __future__ import annotations

import functools
import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any, cast as as_type

import colour
import colour_clf_io
import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

import autocast
from autocast import judging
from autocast.colour import cast_to_gains, linear_to_lab, linear_to_srgb, srgb_to_linear
from autocast.correction import Correction, corrected, curves, plan, proposed
from autocast.correction.check import _outcome, fared, prove
from autocast.correction.table import clf_text, write_clf
from autocast.correction.tone_curves import (
    KNOTS,
    Move,
    shrunk,
    side_effects,
    smooth,
    tone_weights,
)
from autocast.errors import ModelError, OutputError, UnsupportedPicture
from autocast.judgement import Hint, Reading
from autocast.judgement.things import BY_NAME
from autocast.picture import open_picture, own_space, srgb_space
from autocast.report.spots import correction_text
from tests import samples
from tests.photographs import FILES, pixels
from tests.studies.benchmark_copy import corrected_in, write_tiff

Floats = NDArray[np.float64]

P3 = imagecodecs.cms_profile(
    "rgb", whitepoint=(0.3127, 0.3290), primaries=[0.68, 0.32, 0.265, 0.69, 0.15, 0.06], gamma=2.2
)
STRONG = ((-2.0, -18.0), (-14.0, 4.0), (12.0, 12.0))
"""Casts laid, a*, b* at L* 60: blue, green, orange."""


def uncast(name: str) -> Floats:
    """Encoded, with room above, so that a cast clips little."""
    return linear_to_srgb(0.8 * srgb_to_linear(pixels(name) / 255.0))


def under(name: str, cast: tuple[float, float]) -> Floats:
    light = srgb_to_linear(uncast(name)) * cast_to_gains(np.array(cast))
    return linear_to_srgb(np.clip(light, 0, 1))


def codes(encoded: Floats) -> NDArray[np.uint8]:
    return np.rint(np.clip(encoded, 0, 1) * 255).astype(np.uint8)


def lab(encoded: NDArray[np.floating[Any]]) -> Floats:
    return linear_to_lab(srgb_to_linear(encoded))


def difference(one: NDArray[np.floating[Any]], other: NDArray[np.floating[Any]]) -> Floats:
    """CIEDE2000 by colour-science."""
    return np.asarray(colour.difference.delta_E_CIE2000(lab(one), lab(other)))


@functools.cache
def examined(name: str, cast: tuple[float, float]) -> judging.Examination:
    return judging.examine(codes(under(name, cast)))


# --- the move --------------------------------------------------------------


@pytest.mark.parametrize("cast", STRONG)
def test_a_known_gain_is_undone_by_its_move(cast: tuple[float, float]) -> None:
    applied = curves(smooth(np.array([cast] * 3), np.ones(3), 1.0), srgb_space())
    light = 0.01 + 0.3 * np.random.default_rng(3).random((5000, 3))
    shown = linear_to_srgb(light * cast_to_gains(np.array(cast)))
    assert (shown < 0.9).all()
    # One gain per channel is undone but for the luminance it had changed.
    after = srgb_to_linear(applied(shown))
    share = after / after.sum(axis=1, keepdims=True)
    assert share == pytest.approx(light / light.sum(axis=1, keepdims=True), rel=0.01)


@pytest.mark.parametrize("space", ["srgb", "p3"])
def test_lightness_is_put_back_and_nothing_leaves_the_range(space: str) -> None:
    own = srgb_space()
    if space == "p3":
        image = Image.fromarray(pixels("coffee"))
        image.info["icc_profile"] = P3
        own = own_space(open_picture(image))
        assert "assumed" not in own.label
    rng = np.random.default_rng(1)
    values = rng.random((20000, 3))
    for casts in ([(0, -20)] * 3, [(10, -20), (3, -12), (-8, -8)], [(12, 18)] * 3):
        move = smooth(np.array(casts, dtype=float), np.ones(3), 1.0)
        after = curves(move, own)(values)
        assert after.min() >= 0
        assert after.max() <= 1
        before_l = linear_to_lab(own.to_linear_srgb(values))[:, 0]
        after_l = linear_to_lab(own.to_linear_srgb(after))[:, 0]
        assert np.abs(after_l - before_l).max() < 0.02


def test_no_cast_moves_nothing() -> None:
    values = np.random.default_rng(1).random((5000, 3))
    after = curves(smooth(np.zeros((3, 2)), np.ones(3), 1.0), srgb_space())(values)
    assert np.abs(after - values).max() < 2e-4


def test_curves_rise_and_bend_only_where_tones_differ() -> None:
    ramp = np.linspace(0.02, 0.98, 200)[:, None] * np.ones(3)
    rng = np.random.default_rng(2)
    for _ in range(40):
        move = smooth(rng.normal(0, 14, (3, 2)), np.ones(3), 1.0)
        light = curves(move, srgb_space()).linear
        assert (np.diff(light, axis=1) >= 0).all()
    even = curves(smooth(np.array([(3.0, -12.0)] * 3), np.ones(3), 1.0), srgb_space())
    gain = srgb_to_linear(ramp)
    made = np.stack([np.interp(ramp[:, c], even.nodes, even.linear[c]) for c in range(3)], 1)
    ratio = made / gain
    assert np.abs(ratio / ratio.mean(axis=0) - 1).max() < 0.01


def test_strength_takes_a_share() -> None:
    grey = linear_to_srgb(0.3 * cast_to_gains(np.array([0.0, -16.0])))[None]
    casts = np.array([(0.0, -16.0)] * 3)
    chroma = [
        np.hypot(*lab(curves(smooth(casts, np.ones(3), s), srgb_space())(grey))[0, 1:])
        for s in (0.25, 0.5, 1.0)
    ]
    whole = np.hypot(*lab(grey)[0, 1:])
    assert chroma[0] == pytest.approx(0.75 * whole, abs=0.6)
    assert chroma[1] == pytest.approx(0.5 * whole, abs=0.6)
    assert chroma[2] < 0.2


def test_tone_weights_are_lagranges() -> None:
    assert tone_weights(np.array(KNOTS)) == pytest.approx(np.eye(3), abs=1e-12)
    assert tone_weights(np.linspace(0, 120, 50)).sum(axis=1) == pytest.approx(1)


def test_a_clipped_channel_rises_to_grey_and_not_beyond() -> None:
    applied = curves(smooth(np.array([(0.0, -20.0)] * 3), np.ones(3), 1.0), srgb_space())
    sky = np.array([[0.78, 0.9, 1.0]])
    _, _, b = lab(applied(sky))[0]
    # Without the rule b* would be well above 0: yellow.
    assert -3 < b < 3


def test_a_tone_that_is_less_sure_yields_to_the_others() -> None:
    casts = np.array([(0.0, -2.0), (0.0, -10.0), (0.0, -10.0)])
    alike = shrunk(casts, np.full(3, 4.0))
    unsure = shrunk(casts, np.array([16.0, 4.0, 4.0]))
    # Drawn together a little where all are as sure, and far where one is not.
    assert -10 < alike[1, 1] < -9
    assert -3 < alike[0, 1] < -2
    assert unsure[0, 1] < alike[0, 1] - 1
    assert unsure[1, 1] < alike[1, 1]
    assert shrunk(np.full((3, 2), 5.0), np.array([1.0, 2.0, 3.0])) == pytest.approx(5)


def test_curves_alone_say_what_they_cost() -> None:
    values = uncast("coffee")[::4, ::4].reshape(-1, 3)
    applied = curves(smooth(np.array([(8.0, 14.0)] * 3), np.ones(3), 1.0), srgb_space())
    off = np.abs(lab(applied.alone(values))[:, 0] - lab(values)[:, 0])
    mean, most, over = side_effects(applied, srgb_space().decode(values))
    assert (mean, most) == pytest.approx((off.mean(), np.quantile(off, 0.99)))
    assert off.mean() > 0.05
    # Of what is drawn towards grey a channel comes to its end that was not there.
    drawn = (applied(values).max(axis=1) > 1 - 1e-9) & (values.max(axis=1) < 1)
    assert over == pytest.approx(drawn.mean(), abs=2e-3)
    assert over > 0


# --- against known casts ----------------------------------------------------


@pytest.mark.slow
def test_copies_are_nearer_to_the_uncast_pictures() -> None:
    """Moves by the best guess, over three casts of C* 14 to 18.

    Only over photographs that are judged clear as they came: of the others
    nobody knows what they look like without a cast.
    """
    nearer, left = [], []
    trusted = [n for n in FILES if judging.judge(codes(uncast(n))).verdict == "clear"]
    assert len(trusted) >= 2
    for name in trusted:
        for cast in STRONG:
            examination = examined(name, cast)
            applied = curves(plan(examination), srgb_space())
            shown = codes(under(name, cast))[::6, ::6].reshape(-1, 3) / 255
            truth = uncast(name)[::6, ::6].reshape(-1, 3)
            after = codes(applied(shown)) / 255
            nearer.append(difference(after, truth).mean() < difference(shown, truth).mean())
            grey = linear_to_srgb(0.25 * cast_to_gains(np.array(cast)))[None]
            rest = lab(applied(grey))[0, 1:]
            left.append(np.hypot(*rest) / np.hypot(*lab(grey)[0, 1:]))
            unclipped = (shown > 0).all(axis=1) & (shown < 1).all(axis=1)
            off = np.abs(lab(after)[:, 0] - lab(shown)[:, 0])[unclipped]
            assert off.mean() <= 0.5
            assert np.quantile(off, 0.99) <= 1.5
    assert np.mean(nearer) >= 0.95
    assert np.median(left) <= 0.3


@pytest.mark.parametrize("cast", STRONG)
def test_a_judgement_alone_proposes_the_same_move(cast: tuple[float, float]) -> None:
    examination = examined("china", cast)
    made, said = plan(examination), proposed(examination.judgement)
    assert np.array(said.casts) == pytest.approx(np.array(made.casts), abs=0.01)
    assert said.spreads == pytest.approx(made.spreads, abs=0.01)
    assert said.strength == made.strength


def test_a_tone_that_a_judgement_leaves_out_has_the_cast_of_the_whole() -> None:
    whole = replace(samples.LIKELY, tones={})
    pair = (whole.cast.a, whole.cast.b)
    assert np.array(proposed(whole).casts) == pytest.approx(np.array([pair] * 3))


def test_corrected_gives_working_pixels() -> None:
    examination = examined("china", STRONG[0])
    after = corrected(examination.picture, plan(examination))
    assert after.shape == examination.picture.encoded.shape
    assert after.dtype == np.float32
    assert after.min() >= 0
    assert after.max() <= 1


# --- copy and proof ---------------------------------------------------------


@pytest.fixture
def blue(tmp_path: Path) -> Path:
    path = tmp_path / "blue.tif"
    wide = np.rint(under("china", STRONG[0]) * 65535).astype(np.uint16)
    tifffile.imwrite(path, wide, photometric="rgb", iccprofile=P3, resolution=(300, 300))
    return path


LAKE = Hint("neutral", 494, 268, 5)
"""Still water under a white sky: C* below 4 in the photograph as it is."""


def test_the_lake_is_neutral() -> None:
    assert np.hypot(*lab(pixels("china")[263:274, 489:500] / 255.0).mean(axis=(0, 1))[1:]) < 4


def test_a_copy_is_written_and_proven(blue: Path) -> None:
    digest = hashlib.sha256(blue.read_bytes()).hexdigest()
    to = blue.with_name("copy.tif")
    correction = autocast.correct(blue, to, hints=[LAKE])
    assert hashlib.sha256(blue.read_bytes()).hexdigest() == digest
    assert correction.written == str(to)
    assert correction.proof is not None
    assert correction.proof.after.cast.size < correction.judgement.cast.size / 2
    assert correction.why == correction.proof.sentence
    with tifffile.TiffFile(to) as tiff:
        page = tiff.pages.first
        assert page.dtype == np.uint16
        assert page.tags[34675].value == P3
    said = next(r for r in correction.proof.readings if "as you said" in r.what)
    assert np.hypot(said.after.a, said.after.b) < np.hypot(said.before.a, said.before.b) / 2
    lightness = [r.before.lightness for r in correction.proof.readings]
    assert lightness == sorted(lightness, reverse=True)
    assert [r.number for r in correction.proof.readings] == list(range(1, len(lightness) + 1))
    called = [r.letter for r in correction.proof.readings]
    assert called == list("ABCDEFGH"[: len(lightness)])
    document = json.loads(correction.to_json())
    assert document["proof"]["after"]["verdict"] == correction.proof.after.verdict
    assert {"number", "what"} <= set(document["proof"]["readings"][0])
    assert "letter" not in document["proof"]["readings"][0]
    assert set(document["advice"]["points"]) == {"red", "green", "blue"}


@pytest.mark.slow
def test_the_table_makes_the_copy(blue: Path) -> None:
    """A CLF file, read back by colour-clf-io, against OUT itself."""
    examination = judging.examine(blue)
    applied = curves(plan(examination), own_space(examination.picture))
    to = blue.with_name("move.clf")
    write_clf(applied, "blue & <wide>.tif", to, force=False)
    process = colour_clf_io.read_clf_from_file(str(to))
    assert process is not None
    (node,) = process.process_nodes
    assert isinstance(node, colour_clf_io.LUT3D)
    values = tifffile.imread(blue)[::5, ::5].reshape(-1, 3) / 65535
    out = np.rint(applied(values) * 65535) / 65535
    read = colour.algebra.table_interpolation_tetrahedral(values, node.array.as_array())
    own = applied.space
    off = colour.difference.delta_E_CIE2000(
        linear_to_lab(own.to_linear_srgb(out)), linear_to_lab(own.to_linear_srgb(read))
    )
    assert off.mean() < 0.1
    assert off.max() <= 1


def test_points_are_what_the_curves_do() -> None:
    applied = curves(Move(((0.0, -15.0),) * 3, (1.0,) * 3), srgb_space())
    for c, channel in enumerate(applied.points()):
        assert [x for x, _ in channel] == sorted(x for x, _ in channel)
        for x, y in channel:
            assert applied.alone(np.full((1, 3), x))[0, c] == pytest.approx(y, abs=1e-4)


def test_clf_text_escapes() -> None:
    applied = curves(Move(((0.0, 0.0),) * 3, (1.0,) * 3), srgb_space())
    process = colour_clf_io.read_clf(clf_text(applied, 'a "b" & <c>').encode())
    assert process is not None
    assert process.name == 'a "b" & <c>'


@pytest.mark.slow
def test_clear_pictures_are_left_alone(tmp_path: Path) -> None:
    clear = []
    for name in FILES:
        source = tmp_path / f"{name}.png"
        Image.fromarray(pixels(name)[::2, ::2]).save(source)
        if autocast.judge(source).verdict != "clear":
            continue
        clear.append(name)
        to = tmp_path / "copy.png"
        for best_guess in (False, True):
            correction = autocast.correct(source, to, best_guess=best_guess)
            assert correction.written is None
            assert "No evident cast is seen" in correction.why
            assert not to.exists()
    assert clear


def test_ask_says_what_to_tell_and_writes_nothing(tmp_path: Path) -> None:
    source, to = tmp_path / "a.png", tmp_path / "b.png"
    asked = next(
        (name, cast)
        for name in FILES
        for cast in STRONG
        if examined(name, cast).judgement.verdict == "ask"
    )
    Image.fromarray(codes(under(*asked))).save(source)
    correction = autocast.correct(source, to)
    assert correction.written is None
    assert "a neutral thing is worth most" in correction.why
    assert not to.exists()
    assert autocast.correct(source, to, best_guess=True).written == str(to)


def test_what_goes_wrong_does_not_pass() -> None:
    right, wrong = Reading(60.0, 0.5, 1.0), Reading(60.0, 6.0, 9.0)
    assert fared("neutrals", right, wrong) == "spoiled"
    assert fared("neutrals", wrong, right) == "better"
    assert fared("skin", Reading(60, 12, 14), Reading(60, -4, 14)) == "spoiled"
    assert fared("sky", Reading(60, 0, -20), Reading(60, 0, 8)) == "spoiled"
    assert fared("vegetation", Reading(40, -9, 16), Reading(40, 5, 16)) == "spoiled"
    # A picture that was right, and a copy that was made blue.
    before = examined("china", (0.0, 0.5))
    after = examined("china", (-2.0, -18.0))
    clear = replace(after, judgement=replace(after.judgement, verdict="clear"))
    proof = prove(before, clear, plan(before))
    spoiled = [r for r in proof.readings if r.outcome == "spoiled"]
    assert spoiled
    assert not proof.passed
    assert proof.sentence.startswith("Check failed: what was right before went wrong")
    assert all(f"{r.letter} ({r.what})" in proof.sentence for r in spoiled)

    written = Correction(before.judgement, "copy.png", proof.sentence, None, proof)
    told = " ".join(correction_text(written).split())
    x, y = int(spoiled[0].x * proof.after.width), int(spoiled[0].y * proof.after.height)
    assert f"Do not use the copy as it is. If {spoiled[0].letter} is something else" in told
    assert f"--own-colour {x},{y} --to OUT" in told


def test_a_place_reads_the_same_wherever_it_is_told(tmp_path: Path) -> None:
    source = tmp_path / "a.png"
    Image.fromarray(codes(under("china", (-2.0, -14.0)))).save(source)
    correction = autocast.correct(source, tmp_path / "b.png", best_guess=True)
    assert correction.proof is not None
    judgement = correction.judgement
    proven = {(r.x, r.y): r for r in correction.proof.readings}
    even = 0
    for spot in judgement.look_at:
        place = (spot.x * judgement.width, spot.y * judgement.height)
        (measured,) = autocast.measure(source, [place]).spots
        # Discs of working pixels and of the file's own differ at their rims alone.
        if max(measured.spread) < 3:
            assert np.abs(np.subtract(measured.reads, spot.reads)).max() < 0.7
            even += 1
        proof = proven.get((spot.x, spot.y))
        if proof is not None:
            assert proof.before == spot.reads
            assert spot.kind not in BY_NAME or proof.should in spot.why
    assert even
    assert proven


def test_a_copy_wants_a_file(blue: Path) -> None:
    with pytest.raises(OutputError, match="give its path"):
        autocast.correct(pixels("coffee"), blue.with_name("copy.tif"))
    with pytest.raises(OutputError, match="strength"):
        autocast.correct(blue, strength=1.5)


def test_cmyk_is_refused_in_one_sentence(tmp_path: Path) -> None:
    source = tmp_path / "a.jpg"
    Image.fromarray(codes(under("coffee", STRONG[0]))).convert("CMYK").save(source)
    with pytest.raises(UnsupportedPicture, match="convert it to RGB"):
        autocast.correct(source, tmp_path / "b.jpg", best_guess=True)
    assert not (tmp_path / "b.jpg").exists()


def test_every_refusal_comes_before_the_work(blue: Path) -> None:
    # Judging with these fails at the first look at them, by another error than those before.
    never = as_type("autocast.Models", object())
    taken = blue.with_name("taken.tif")
    taken.write_bytes(b"someone's")
    for to in (blue, blue.with_name("copy.jpg"), taken):
        with pytest.raises(OutputError):
            autocast.correct(blue, to, models=never)
    with pytest.raises(OutputError, match="strength"):
        autocast.correct(blue, strength=0, models=never)
    with pytest.raises(ModelError):
        autocast.correct(blue, blue.with_name("copy.tif"), models=never)


def test_a_file_is_replaced_only_by_force(blue: Path) -> None:
    to = blue.with_name("copy.tif")
    to.write_bytes(b"someone's")
    assert autocast.correct(blue, to, hints=[LAKE], force=True).written == str(to)
    with tifffile.TiffFile(to) as tiff:
        assert tiff.pages.first.tags[34675].value == P3


@pytest.mark.slow
def test_memory_stays_small(tmp_path: Path) -> None:
    """Six million more pixels of 16 bits may not cost much more than themselves."""
    most = []
    for k, megapixels in enumerate((1.5, 7.5)):
        source, to = tmp_path / f"{k}.tif", tmp_path / f"{k}_copy.tif"
        write_tiff(source, megapixels)
        most.append(corrected_in(source, to).memory)
    # Their bytes alone are 36 MB; 1.5 GB for 24 million pixels is 62 bytes a pixel.
    assert most[1] - most[0] < 6 * 30


def test_slight_casts_are_not_chased(tmp_path: Path) -> None:
    source, to = tmp_path / "a.png", tmp_path / "b.png"
    Image.fromarray(codes(under("china", (0.0, 0.0)))).save(source)
    correction = autocast.correct(source, to, hints=[LAKE])
    assert correction.written is None
    assert not to.exists()


def test_a_copy_that_passes_and_is_left_to_a_person_says_both() -> None:
    before = replace(samples.ASK, cast=samples.LIKELY.cast)
    for after, both in ((samples.CLEAR, False), (samples.ASK, True)):
        passed, said = _outcome((before, after), 0.98, 0.9, [])
        assert passed
        assert said.startswith("Check passed")
        assert ("a person should look at the copy, too" in said) == both


def test_a_cast_that_reads_no_smaller_passes_no_check() -> None:
    before = replace(samples.ASK, cast=samples.LIKELY.cast)
    passed, said = _outcome((before, replace(samples.LIKELY, verdict="ask")), 0.98, 0.9, [])
    assert not passed
    assert said.startswith("Not certain: 98 % sure")
