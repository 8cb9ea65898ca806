"""How often judgements of hard scenes go wrong: shares of many drawn scenes, each with a bound.

A seeded generator draws streets of measured surfaces (what stands in them, where,
how large and how rough) and casts (how large, of what hue, on which tones or what
part). What should hold of such a picture is common practice, no source. With the
shipped models so many went wrong:

    family: what is wrong                     n  wrong  share   95 % interval  bound
    a cast in one tone range: clear          40     18  45.0%  29.3% to 61.5%    45%
    a cast in part of the frame: clear       40     11  27.5%  14.6% to 43.9%    28%
    a cast crossed by tone: clear            40     33  82.5%  67.2% to 92.7%    83%
    the same streets, an even cast: clear    40      0   0.0%   0.0% to  8.8%     0%
    the same streets, no cast: cast          40      0   0.0%   0.0% to  8.8%     0%
    the same streets, no cast: not clear     40      0   0.0%   0.0% to  8.8%     0%
    believable warmth: cast                  40     35  87.5%  73.2% to 95.8%    88%
    believable warmth: not named             40     14  35.0%  20.6% to 51.7%    35%
    plain sky, grey pavement: cast           40      1   2.5%   0.1% to 13.2%     3%
    plain sky, grey pavement: not clear      40     21  52.5%  36.1% to 68.5%    53%
    the same skies, an even cast: clear      40      0   0.0%   0.0% to  8.8%     0%
    fall of the probability, 90 % quantile   40         0.008  0.006 to 0.063   0.01

Casts that differ by tone pass far more often than with the models before, which kept from
*clear* whatever seemed to differ a little and left 59 % of all photographs to a person. Laid
over photographs fewer pass (models/CARD.md, *by kind of laid cast*): crossed 19 %, in one tone
range 24 to 31 %, on a part 27 %. On these flat scenes the estimate by tone leans to the whole's.

A bound is the measured share, rounded up to a whole per cent; that on the fall of
the probability is the measured one, rounded up to a whole hundredth. They were counted
anew when thresholds came to keep the expected share of errors and rules that prevent
nothing on photographs went. **From there a bound may only be tightened**: models that do
worse have to be mended, and models that do better bring their own counts and lower bounds.
``pytest -s`` on this file prints the rows as
counted now. Intervals are 95 %, Clopper & Pearson (Biometrika 26, 1934).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest
from scipy.stats import binom, binomtest

import autocast
from autocast.colour import linear_to_lab
from autocast.judgement import Judgement
from tests import scenes
from tests.scenes import Bytes, Floats, Lab, Layer

SCENES = 40
"""Scenes of each family."""
SHAPE = (128, 192)


# --- what is drawn ----------------------------------------------------------------------

DARK: tuple[Lab, ...] = (scenes.TAR, scenes.ASPHALT)
MIDDLE: tuple[Lab, ...] = (scenes.CONCRETE, scenes.STEEL)
LIGHT: tuple[Lab, ...] = (scenes.MARBLE, scenes.CLOUD)
GROWN: tuple[Lab, ...] = (scenes.FOLIAGE, scenes.GRASS, scenes.SOIL)
PAINTED: tuple[Lab, ...] = (
    scenes.BOAT_BLUE,
    scenes.OCHRE,
    scenes.BRICK,
    scenes.PURPLE,
    scenes.ORANGE,
    scenes.TEAL,
)
TONES = ((0, 38), (45, 66), (72, 100))
"""L* between which a cast is laid on one tone range; it fades over 5 beyond either."""
LEAST_OF_A_TONE = 0.12
"""Share of the frame that each of them has at least, so that a cast on it is plainly seen."""
Rng = np.random.Generator


@dataclass(frozen=True, eq=False)
class Scene:
    """A scene in linear light, and the seed of its noise."""

    linear: Floats
    seed: int

    def judged(self, lit: Floats) -> Judgement:
        """Judge the scene as it is lit here."""
        return autocast.judge(self.developed(lit))

    def developed(self, lit: Floats) -> Bytes:
        return scenes.developed(lit, self.seed)


def of(rng: Rng, surfaces: Sequence[Lab]) -> Lab:
    """One of the surfaces, a little lighter or darker, warmer or colder than its kind."""
    kind = surfaces[int(rng.integers(len(surfaces)))]
    lightness, a, b = kind + rng.uniform((-3, -0.5, -1), (3, 0.5, 1))
    return float(lightness), float(a), float(b)


def thing(rng: Rng, surfaces: Sequence[Lab], least: float, most: float) -> Layer:
    """A box or a disc of one of the surfaces, its sides between two shares of the frame's."""
    x, y = rng.uniform(0, 1, 2)
    across, tall = rng.uniform(least, most, 2) / 2
    disc = scenes.disc(x, y, across, tall)
    where = disc if rng.random() < 0.3 else scenes.box(x - across, y - tall, x + across, y + tall)
    return Layer(of(rng, surfaces), where, rough=float(rng.uniform(0.04, 0.15)))


@cache
def street(k: int) -> Scene:
    """Scene ``k``: neutrals of every tone, and in some of them growth or a painted thing."""
    for seed in range(1000 * k, 1000 * k + 1000):
        rng = np.random.default_rng(seed)
        layers = [
            Layer(of(rng, LIGHT), scenes.EVERYWHERE, rough=0.05, mottle=0.3),
            Layer(of(rng, DARK + MIDDLE), scenes.box(-1, rng.uniform(0.45, 0.75), 2, 2)),
        ]
        for tone in (LIGHT, MIDDLE, DARK):
            layers += [thing(rng, tone, 0.2, 0.6) for _ in range(rng.integers(1, 3))]
        layers += [thing(rng, GROWN, 0.1, 0.4) for _ in range(rng.integers(0, 3))]
        layers += [thing(rng, PAINTED, 0.1, 0.3) for _ in range(rng.integers(0, 2))]
        lightness = linear_to_lab(scenes.scene(layers, seed, (32, 48)))[..., 0]
        shares = [((lightness >= low) & (lightness < high)).mean() for low, high in TONES]
        if min(shares) >= LEAST_OF_A_TONE:
            return Scene(scenes.scene(layers, seed, SHAPE), seed)
    raise AssertionError(k)


@cache
def open_air(k: int) -> Scene:
    """Scene ``k`` of a plain sky over grey pavement, and what else may stand there."""
    rng = np.random.default_rng([2, k])
    # A sky's a* lies between about -5 and +2, seldom on the magenta side.
    sky = Layer(tuple(rng.uniform((56, -5, -35), (72, 1, -15))), scenes.EVERYWHERE, rough=0.04)
    pavement = tuple(rng.uniform((45, 0, 1), (62, 2, 8)))
    layers = [sky, Layer(pavement, scenes.box(-1, rng.uniform(0.45, 0.75), 2, 2))]
    layers += [thing(rng, GROWN[:2], 0.2, 0.8) for _ in range(rng.integers(1, 4))]
    for tone in (LIGHT, MIDDLE, DARK):
        layers += [thing(rng, tone, 0.1, 0.4) for _ in range(rng.integers(0, 3))]
    return Scene(scenes.scene(layers, k, SHAPE), k)


def polar(size: float, degrees: float) -> tuple[float, float]:
    return size * math.cos(math.radians(degrees)), size * math.sin(math.radians(degrees))


def cast(rng: Rng) -> tuple[float, float]:
    """A cast of C* 12 to 20, of any hue but a warmth that a scene may own."""
    return polar(rng.uniform(12, 20), rng.uniform(115, 390))


# --- what goes wrong ------------------------------------------------------------------------


@cache
def under_its_cast(k: int, share: float) -> Judgement:
    """Street ``k`` under a share of its own even cast."""
    a, b = cast(np.random.default_rng([3, k]))
    scene = street(k)
    return scene.judged(scenes.under(scene.linear, (share * a, share * b)))


@cache
def sky_and_pavement(k: int) -> Judgement:
    scene = open_air(k)
    return scene.judged(scene.linear)


def sky_and_pavement_under_a_cast(k: int) -> Judgement:
    scene = open_air(k)
    return scene.judged(scenes.under(scene.linear, cast(np.random.default_rng([4, k]))))


def one_tone_range(k: int) -> Judgement:
    rng, scene = np.random.default_rng([5, k]), street(k)
    return scene.judged(scenes.under_tones(scene.linear, cast(rng), *TONES[rng.integers(3)]))


def part_of_the_frame(k: int) -> Judgement:
    """From one side, over a quarter to a half of the frame."""
    rng, scene = np.random.default_rng([6, k]), street(k)
    share = rng.uniform(0.25, 0.5)
    side = (
        scenes.box(-1, -1, share, 2),
        scenes.box(1 - share, -1, 2, 2),
        scenes.box(-1, -1, 2, share),
        scenes.box(-1, 1 - share, 2, 2),
    )[rng.integers(4)]
    return scene.judged(scenes.under_where(scene.linear, cast(rng), side))


def crossed_by_tone(k: int) -> Judgement:
    """Red and blue by 12 to 20 codes at the ends of the scale, either way round."""
    rng, scene = np.random.default_rng([7, k]), street(k)
    codes = rng.uniform(12, 20) * rng.choice([-1, 1])
    return autocast.judge(scenes.crossed(scene.developed(scene.linear), codes))


@cache
def warmth(k: int) -> Judgement:
    """b* +8 to +12, hue 60 to 90 degrees."""
    rng, scene = np.random.default_rng([8, k]), street(k)
    b, hue = rng.uniform(8, 12), rng.uniform(60, 90)
    return scene.judged(scenes.under(scene.linear, polar(b / math.sin(math.radians(hue)), hue)))


def clear(judgement: Judgement) -> bool:
    return judgement.verdict == "clear"


def called_a_cast(judgement: Judgement) -> bool:
    return judgement.verdict == "cast"


def not_named(judgement: Judgement) -> bool:
    """Not clear, and it is not said that the scene may own the warmth."""
    return not_clear(judgement) and "believable_warmth" not in judgement.remarks


def not_clear(judgement: Judgement) -> bool:
    return not clear(judgement)


# --- what is measured and bounded -------------------------------------------------------------


class Family(NamedTuple):
    """Pictures by their number, what is wrong with a judgement, and what was measured."""

    judged: Callable[[int], Judgement]
    wrong: Callable[[Judgement], bool]
    errors: int
    bound: float

    def row(self, name: str, errors: int) -> str:
        """A row of the table at the head of this file."""
        within = binomtest(errors, SCENES).proportion_ci(0.95, "exact")
        return (
            f"{name:<40} {SCENES:>2}  {errors:>5}  {errors / SCENES:>5.1%}  "
            f"{within.low:>5.1%} to {within.high:>5.1%}  {self.bound:>5.0%}"
        )


def uncast(k: int) -> Judgement:
    return under_its_cast(k, 0.0)


def under_all_of_its_cast(k: int) -> Judgement:
    return under_its_cast(k, 1.0)


FAMILIES = {
    "a cast in one tone range: clear": Family(one_tone_range, clear, 18, 0.45),
    "a cast in part of the frame: clear": Family(part_of_the_frame, clear, 11, 0.28),
    "a cast crossed by tone: clear": Family(crossed_by_tone, clear, 33, 0.83),
    "the same streets, an even cast: clear": Family(under_all_of_its_cast, clear, 0, 0.00),
    "the same streets, no cast: cast": Family(uncast, called_a_cast, 0, 0.00),
    "the same streets, no cast: not clear": Family(uncast, not_clear, 0, 0.00),
    "believable warmth: cast": Family(warmth, called_a_cast, 35, 0.88),
    "believable warmth: not named": Family(warmth, not_named, 14, 0.35),
    "plain sky, grey pavement: cast": Family(sky_and_pavement, called_a_cast, 1, 0.03),
    "plain sky, grey pavement: not clear": Family(sky_and_pavement, not_clear, 21, 0.53),
    "the same skies, an even cast: clear": Family(sky_and_pavement_under_a_cast, clear, 0, 0.00),
}
FALLS = (0.008, 0.006, 0.063, 0.01)
"""The 90 % quantile of the fall, its interval, and its bound."""


@pytest.mark.slow
@pytest.mark.parametrize("name", list(FAMILIES))
def test_no_more_go_wrong_than_before(name: str) -> None:
    family = FAMILIES[name]
    errors = sum(family.wrong(family.judged(k)) for k in range(SCENES))
    row = family.row(name, errors)
    print(row)  # noqa: T201 -- see the head of this file
    # Where some go wrong, others lie near a threshold: one may turn as a processor rounds.
    assert errors <= family.bound * SCENES + (family.bound > 0), row


@pytest.mark.slow
def test_the_probability_hardly_falls_while_a_cast_grows() -> None:
    """From no cast by two thirds of it to all: the largest fall of each street's probability."""
    shares = (0.0, 2 / 3, 1.0)
    found = [[under_its_cast(k, share).probability for share in shares] for k in range(SCENES)]
    fall = np.sort(np.maximum(-np.diff(np.array(found), axis=1).min(axis=1), 0))
    # The order statistics that hold the quantile between them (David & Nagaraja,
    # Order Statistics, 2003, section 7.1; from memory).
    low, high = (int(binom.ppf(tail, SCENES, 0.9)) for tail in (0.025, 0.975))
    value = float(np.quantile(fall, 0.9, method="inverted_cdf"))
    print(falls_row(value, fall[low - 1], fall[high], FALLS[3]))  # noqa: T201
    assert value <= FALLS[3], fall


def falls_row(value: float, low: float, high: float, bound: float) -> str:
    return (
        f"fall of the probability, 90 % quantile   {SCENES:>2}         {value:>5.3f}  "
        f"{low:>5.3f} to {high:>5.3f}  {bound:>5.2f}"
    )


def test_the_table_shows_what_was_measured_and_bounds_are_that_rounded_up() -> None:
    assert __doc__ is not None
    for name, family in FAMILIES.items():
        assert family.row(name, family.errors) in __doc__
        assert family.bound == math.ceil(100 * family.errors / SCENES) / 100
    assert falls_row(*FALLS) in __doc__
    assert FALLS[3] == math.ceil(100 * FALLS[0]) / 100
