"""The move: one smooth rising curve per channel, then lightness put back.

A cast that differs by tone is described by u(L*), the (a*, b*) that a neutral of
lightness L* reads, quoted at L* 60. A neutral of luminance Y then holds the
linear light Y * gains(u); the curve of a channel takes what it holds to what
a grey of that luminance holds. A cast of one gain per channel gives curves that
are plain gains of linear light; bends come only from a u that changes with L*.

Each pixel's luminance Y is put back afterwards, which leaves CIE L* as it was.
Where that would leave the range of the file, the pixel is moved towards the
grey of its own luminance until it fits (no lightness is lost, some colour is).
A channel that was clipped may rise again as far as grey.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.colour import (
    RGB_TO_XYZ,
    cast_to_shift,
    lightness_to_luminance,
    planes_to_lab,
)
from autocast.judgement import TONE_RANGES
from autocast.picture import RgbSpace

Floats = NDArray[np.float64]
Reals = NDArray[np.floating[Any]]

KNOTS = tuple(at for _, _, at in TONE_RANGES.values())
"""L* at which the cast by tone is given: shadows, midtones, highlights."""
HELD_BELOW, HELD_ABOVE = 15.0, 90.0
"""L* beyond which u stays as it is: little can be read there (project convention)."""
BRIGHTEST = 220.0
"""L* up to which a neutral is followed, so that every channel reaches its end."""
STEEPEST = 3.0
"""Most that a curve may lie over or under a plain gain's slope (project convention)."""
APART_BY_CHANCE = 0.25
"""Share of the estimate's deviation by which tones differ by chance; most of it they share.

Project convention, set by hand."""
NEAR_END = 0.9
"""Encoded value from which a channel begins to count as clipped (project convention)."""
POINTS = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
"""Inputs at which the curves are listed for a person (project convention)."""


@dataclass(frozen=True, slots=True)
class Move:
    """A correction. ``casts`` are (a*, b*) at L* 60 of shadows, midtones and highlights.

    ``spreads`` are their standard deviations; ``strength`` is the share of the
    cast that is taken away; ``bend`` the share of the difference by tone that
    is kept so that the curves stay smooth and rising.
    """

    casts: tuple[tuple[float, float], ...]
    spreads: tuple[float, ...]
    strength: float = 1.0
    bend: float = 1.0

    @property
    def size(self) -> float:
        """Root mean square C* of the casts.

        Returns
        -------
        float
            At L* 60, at least 0.
        """
        return float(np.sqrt(np.mean(np.sum(np.square(self.casts), axis=1))))

    def cast_at(self, lightness: NDArray[np.floating[Any]]) -> Floats:
        """The casts at given lightnesses, the strength included.

        Parameters
        ----------
        lightness : (n,) ndarray
            L*.

        Returns
        -------
        (n, 2) ndarray
            a*, b* that neutrals of that L* read, quoted at L* 60.
        """
        casts = np.asarray(self.casts)
        level = casts.mean(axis=0)
        bent = level + self.bend * (tone_weights(lightness) @ (casts - level))
        return np.asarray(self.strength * bent, dtype=np.float64)


def tone_weights(lightness: NDArray[np.floating[Any]]) -> Floats:
    """How the casts at the knots add up at given lightnesses.

    The parabola through the three knots (Lagrange's form), held at the ends.

    Parameters
    ----------
    lightness : (n,) ndarray
        L*; beyond :data:`HELD_BELOW` and :data:`HELD_ABOVE` as at them.

    Returns
    -------
    (n, 3) ndarray
        Weights of shadows, midtones and highlights, of sum 1; some may lie below 0.
    """
    x = np.clip(np.asarray(lightness, dtype=np.float64), HELD_BELOW, HELD_ABOVE)
    weights = np.ones((len(x), 3))
    for i, at in enumerate(KNOTS):
        for j, other in enumerate(KNOTS):
            if i != j:
                weights[:, i] *= (x - other) / (at - other)
    return weights


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """A move in one RGB space, ready to be applied.

    ``nodes`` N are encoded inputs, ``linear`` 3 x N the linear light that the
    curves make of them (above 1 where a channel would leave the range).
    """

    space: RgbSpace
    nodes: Floats
    linear: Floats

    def __call__(self, values: NDArray[np.floating[Any]]) -> Floats:
        """Correct values.

        Parameters
        ----------
        values : (n, 3) ndarray
            Encoded RGB of the space, 0..1.

        Returns
        -------
        (n, 3) ndarray
            Corrected ones, encoded, 0..1, of the same luminance.
        """
        held = self.space.decode(values)
        light, _ = settled(self.curved(values), held, values, self.space.luminance)
        return self.space.encode(light)

    def alone(self, values: NDArray[np.floating[Any]]) -> Floats:
        """The curves by themselves, as an editor applies them: no lightness put back.

        Parameters
        ----------
        values : (n, 3) ndarray
            Encoded RGB of the space, 0..1.

        Returns
        -------
        (n, 3) ndarray
            Encoded, 0..1.
        """
        return self.space.encode(self.curved(values))

    def curved(self, values: NDArray[np.floating[Any]]) -> Floats:
        """What the curves by themselves make of values.

        Parameters
        ----------
        values : (n, 3) ndarray
            Encoded RGB of the space, 0..1.

        Returns
        -------
        (n, 3) ndarray
            Linear light, above 1 where a channel would leave the range.
        """
        return np.stack(
            [np.interp(values[:, c], self.nodes, self.linear[c]) for c in range(3)], axis=-1
        )

    def points(self) -> tuple[tuple[tuple[float, float], ...], ...]:
        """The curves at :data:`POINTS`.

        Returns
        -------
        tuple of three tuples of (float, float)
            For each of R, G and B (input, output) pairs, encoded, 0..1.
        """
        inputs = np.repeat(np.array(POINTS)[:, None], 3, axis=1)
        outputs = self.alone(inputs)
        return tuple(
            tuple(
                (float(x), round(float(y), 4)) for x, y in zip(POINTS, outputs[:, c], strict=True)
            )
            for c in range(3)
        )


def settled(
    light: Reals, held: Reals, values: Reals, weights: Reals
) -> tuple[Reals, NDArray[np.bool_]]:
    """Curved light with clipped channels raised, luminance put back, and nothing out of range.

    Parameters
    ----------
    light : (n, 3) ndarray
        Linear light that the curves made.
    held : (n, 3) ndarray
        Linear light before, 0..1.
    values : (n, 3) ndarray
        The same, encoded.
    weights : (3,) ndarray
        Of linear light for luminance, of sum 1.

    Returns
    -------
    light : (n, 3) ndarray
        Of the luminance before, 0..1, in the precision that came.
    over : (n,) ndarray of bool
        Which would have left the range and were drawn towards grey.
    """
    luminance = held @ weights
    light = _raised(light, held, values)
    after = light @ weights
    with np.errstate(divide="ignore", invalid="ignore"):
        light = light * np.where(after > 0, luminance / after, 0)[:, None]
    light[after <= 0] = luminance[after <= 0, None]
    highest = light.max(axis=1)
    over = highest > 1
    room = np.ones_like(highest)
    room[over] = (1 - luminance[over]) / (highest[over] - luminance[over])
    grey = luminance[:, None]
    return np.asarray(grey + np.maximum(room, 0)[:, None] * (light - grey)), over


def clipped_share(values: Reals) -> Reals:
    """How far values count as clipped: a smooth step from :data:`NEAR_END` to the end.

    Parameters
    ----------
    values : (...) ndarray
        Encoded, 0..1.

    Returns
    -------
    (...) ndarray
        0..1.
    """
    near = np.clip((values - NEAR_END) / (1 - NEAR_END), 0, 1)
    return np.asarray(near * near * (3 - 2 * near))


def _raised(light: Reals, held: Reals, values: Reals) -> Reals:
    """Light (n, 3) with what a clipped channel lost put back as far as grey.

    A channel at its end holds no more than a lower bound, and drawing that down
    would paint a blown sky in the colour opposite to the cast. It may rise to
    the lower of the other two, the more the nearer it lies to its end, but not
    above the light ``held`` before.
    """
    # The lower of the other two is the middle one for the lowest channel; no other is raised.
    red, green, blue = light.T
    middle = np.maximum(np.minimum(red, green), np.minimum(np.maximum(red, green), blue))
    return np.asarray(
        light + clipped_share(values) * np.maximum(np.minimum(middle[:, None], held) - light, 0)
    )


def curves(move: Move, space: RgbSpace) -> Curves:
    """Lay a move out in an RGB space.

    Parameters
    ----------
    move : Move
        What to take away.
    space : RgbSpace
        Channels' curves to linear light, and a matrix to linear sRGB.

    Returns
    -------
    Curves
        With a node for each of the space's own.
    """
    lightness = np.linspace(0.0, BRIGHTEST, 2201)
    luminance = lightness_to_luminance(lightness)
    # Gains of linear sRGB, in the file's own primaries.
    held = _linear_srgb(move.cast_at(lightness)) * luminance[:, None]
    own = held @ np.linalg.inv(space.matrix).T
    nodes = np.linspace(0.0, 1.0, space.curves.shape[1])
    linear = np.stack(
        [np.interp(space.curves[c], np.maximum.accumulate(own[:, c]), luminance) for c in range(3)]
    )
    return Curves(space, nodes, linear)


def _linear_srgb(casts: Floats) -> Floats:
    """Light (n, 3) of luminance 1 that lays casts (n, 2); those beyond reach are drawn in."""
    for share in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5):
        shift = cast_to_shift(casts * share)
        if np.isfinite(shift).all():
            break
    gains = np.stack([np.exp(shift[:, 0]), np.ones(len(shift)), np.exp(shift[:, 1])], axis=1)
    return np.asarray(gains / (gains @ RGB_TO_XYZ[1])[:, None], dtype=np.float64)


def smooth(casts: Floats, spreads: Floats, strength: float) -> Move:
    """A move bent no more than leaves every curve smooth.

    The slope of ln(output) over ln(input) of each channel, which is 1 for a
    plain gain, is held within 1/:data:`STEEPEST` and :data:`STEEPEST`.

    Parameters
    ----------
    casts : (3, 2) ndarray
        a*, b* at L* 60 of shadows, midtones and highlights.
    spreads : (3,) ndarray
        Their standard deviations, for the record.
    strength : float
        Share of the cast that is taken away, above 0 and up to 1.

    Returns
    -------
    Move
        The largest ``bend`` tried that holds: 1, then each nine tenths of the last,
        at the end 0.
    """
    pairs = tuple((float(a), float(b)) for a, b in casts)
    spread = tuple(float(s) for s in spreads)
    lightness = np.linspace(HELD_BELOW, HELD_ABOVE, 151)
    luminance = np.log(lightness_to_luminance(lightness))
    bend = 1.0
    while bend > 0.05:
        move = Move(pairs, spread, strength, bend)
        held = np.log(_linear_srgb(move.cast_at(lightness))) + luminance[:, None]
        slope = np.diff(held, axis=0) / np.diff(luminance)[:, None]
        if slope.min() >= 1 / STEEPEST and slope.max() <= STEEPEST:
            return move
        bend *= 0.9
    return Move(pairs, spread, strength, 0.0)


def side_effects(applied: Curves, held: Floats) -> tuple[float, float, float]:
    """How far the curves alone change lightness, and how many pixels lose some colour.

    Parameters
    ----------
    applied : Curves
        The move in the light's space.
    held : (n, 3) ndarray
        Linear light of the space, 0..1.

    Returns
    -------
    mean : float
        Mean of the absolute change of L*.
    most : float
        Its 99th percentile.
    over : float
        Share of those that would leave the range and are drawn towards grey.
    """
    values, weights = applied.space.encode(held), applied.space.luminance
    light = applied.curved(values)
    off = np.abs(_lightness(np.minimum(light, 1) @ weights) - _lightness(held @ weights))
    # Not by np.quantile, which loads numpy's masked arrays.
    ranked = np.interp(0.99 * (len(off) - 1), np.arange(len(off)), np.sort(off))
    _, over = settled(light, held, values, weights)
    return float(off.mean()), float(ranked), float(over.mean())


def _lightness(luminance: Floats) -> Floats:
    return np.asarray(planes_to_lab(np.stack([luminance] * 3))[0])


def shrunk(casts: Floats, deviation: Floats) -> Floats:
    """Casts by tone drawn towards their mean as far as they may differ by chance.

    Shrinkage by s^2 / (s^2 + d^2), the rule of Wiener's filter: s is the root mean
    square difference from the mean, d what chance makes of it.

    Parameters
    ----------
    casts : (3, 2) ndarray
        a*, b* at L* 60 of shadows, midtones and highlights.
    deviation : (3,) ndarray
        Their standard deviations, above 0: the mean is weighed by them, and what is
        less sure is drawn farther.

    Returns
    -------
    (3, 2) ndarray
        a*, b* at L* 60.

    Examples
    --------
    Casts that agree stay as they are; the least sure of others is drawn farthest.

    >>> deviation = np.array([2.0, 2.0, 6.0])
    >>> shrunk(np.array([[0.0, 6.0], [0.0, 6.0], [0.0, 6.0]]), deviation)[:, 1].round(2)
    array([6., 6., 6.])
    >>> shrunk(np.array([[0.0, 4.0], [0.0, 6.0], [0.0, 8.0]]), deviation)[:, 1].round(2)
    array([4.08, 5.94, 6.86])
    """
    chance = APART_BY_CHANCE * deviation[:, None]
    mean = np.average(casts, axis=0, weights=1 / deviation**2)
    spread = float(np.mean(np.sum((casts - mean) ** 2, axis=1)))
    return np.asarray(mean + (casts - mean) * spread / (spread + chance**2))
