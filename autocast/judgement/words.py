"""Verdicts, tone ranges and casts, and the words for them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from autocast.judgement.limits import EVIDENT_FROM, SLIGHT_FROM, STRONG_FROM

Verdict = Literal["clear", "cast", "ask"]
Leaning = Literal["clear", "cast"]
Stance = Literal["for", "against", "silent"]
Decision = Literal["fine", "cast", "meant_so", "cant_tell"]

VERDICT_WORDS: Mapping[Verdict, str] = MappingProxyType(
    {"clear": "no evident cast", "cast": "likely cast", "ask": "a person should look"}
)

DECISION_WORDS: Mapping[Decision, str] = MappingProxyType(
    {"fine": "fine", "cast": "cast", "meant_so": "meant so", "cant_tell": "can't tell"}
)
"""What a person may decide: a colour that is *meant so* belongs to the scene."""

TONE_RANGES: Mapping[str, tuple[float, float, float]] = MappingProxyType(
    {
        "shadows": (10.0, 35.0, 25.0),
        "midtones": (35.0, 70.0, 50.0),
        "highlights": (70.0, 95.0, 80.0),
    }
)
"""Lowest L*, highest L*, and the L* at which the cast is quoted (project convention)."""

# Hue names every 30 degrees of CIELAB hue angle, from 0. Common practice, no source.
_HUES = (
    "magenta-red",
    "red-orange",
    "orange",
    "yellow",
    "yellow-green",
    "green",
    "cyan-green",
    "cyan",
    "cyan-blue",
    "blue",
    "violet",
    "magenta",
)

TEMPERATURES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"warm": ("orange", "yellow", "yellow-green"), "cold": ("cyan-blue", "blue", "violet")}
)
"""The hues that :func:`describe` calls warmer and colder."""


def hue_name(a: float, b: float) -> str:
    """The name of the direction of a cast.

    Parameters
    ----------
    a, b : float
        a* and b*, at any L*.

    Returns
    -------
    str
        One of twelve names, each for 30 degrees of hue angle.

    Examples
    --------
    >>> hue_name(0.0, 8.0), hue_name(-5.0, 3.0), hue_name(0.0, -8.0)
    ('yellow', 'green', 'blue')
    """
    angle = math.degrees(math.atan2(b, a)) % 360
    return _HUES[round(angle / 30) % 12]


def strength_word(a: float, b: float) -> str:
    """The strength of a cast in words.

    Parameters
    ----------
    a, b : float
        a* and b* at L* 60.

    Returns
    -------
    str
        ``negligible``, ``slight``, ``evident`` or ``strong``, by C*.
    """
    size = math.hypot(a, b)
    if size < SLIGHT_FROM:
        return "negligible"
    if size < EVIDENT_FROM:
        return "slight"
    return "evident" if size < STRONG_FROM else "strong"


def describe(a: float, b: float) -> str:
    """A cast in words: strength, colder or warmer, hue.

    Parameters
    ----------
    a, b : float
        a* and b* at L* 60.

    Returns
    -------
    str
        Words such as ``evident, colder, towards blue``. Colder or warmer is named
        only where the cast lies mostly along blue and yellow.

    Examples
    --------
    >>> describe(1.0, 1.0)
    'negligible'
    >>> describe(2.0, 8.0)
    'evident, warmer, towards yellow'
    >>> describe(-5.0, 3.0)
    'slight, towards green'
    """
    strength = strength_word(a, b)
    if strength == "negligible":
        return strength
    # Colder or warmer only where the move lies mostly along blue and yellow.
    temperature = ""
    if abs(b) >= abs(a):
        temperature = "warmer, " if b > 0 else "colder, "
    return f"{strength}, {temperature}towards {hue_name(a, b)}"
