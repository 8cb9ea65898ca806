"""The one table of things: what is looked for in a picture, and all that is known of it.

Classes, targets, hints, the schema, words, marks in pictures and pages, and the
options of the command line read this table. A new kind of evidence is a row
here and a file of the same name in :mod:`autocast.evidence`.

Targets and tolerances are those that the row's ``source`` names; marks are
project conventions. Colours of marks are those of Okabe & Ito, "Color Universal
Design" (2008, from memory, not verified), which colour-blind people tell apart;
white stands for what should be neutral.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from autocast.judgement.types import Reading

Shape = Literal["circle", "square", "triangle", "diamond", "plus", "hexagon"]
Pattern = Literal["dots", "level", "rising", "crossed", "plain"]


@dataclass(frozen=True, slots=True)
class Mark:
    """How a kind of evidence is distinguished in pictures and pages; colour only helps.

    ``colour`` is 8-bit sRGB; ``dash`` are lengths of ink and gap in turn, empty
    for a line without gaps.
    """

    colour: tuple[int, int, int]
    shape: Shape
    pattern: Pattern = "plain"
    dash: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Target:
    """What a thing should read: (a*, b*) at L* ``lightness``, CIELAB D65."""

    lightness: float
    a: float
    b: float

    def at(self, lightness: float) -> Reading:
        """The same chromaticity at another L*.

        Parameters
        ----------
        lightness : float
            L* to quote it at.

        Returns
        -------
        Reading
            CIELAB D65 at that L*.
        """
        from autocast.colour import requote

        a, b = (float(v) for v in requote((self.a, self.b), lightness, self.lightness))
        return Reading(lightness, a, b)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The (a*, b*) at L* 60 that pass as right for a thing.

    ``a`` and ``b`` are lowest and highest; ``b_over_a`` is the least b* over a
    positive a*.
    """

    a: tuple[float, float] = (-math.inf, math.inf)
    b: tuple[float, float] = (-math.inf, math.inf)
    b_over_a: float = 0.0

    def off(self, a: float, b: float) -> float:
        """How far a colour lies outside.

        Parameters
        ----------
        a, b : float
            a* and b* at L* 60.

        Returns
        -------
        float
            Distance to the tolerance in a*b*; 0 within.

        Examples
        --------
        Skin of too little yellow is off by what it lacks.

        >>> BY_NAME["skin"].tolerance.off(10.0, 16.0), BY_NAME["skin"].tolerance.off(10.0, 4.0)
        (0.0, 3.0)
        """
        low = max(self.b[0], self.b_over_a * max(a, 0)) if self.b_over_a else self.b[0]
        return math.hypot(max(a - self.a[1], self.a[0] - a, 0), max(b - self.b[1], low - b, 0))


@dataclass(frozen=True, slots=True)
class Thing:
    """A kind of evidence, and what is known of it.

    ``name`` is the key in JSON, features and models; ``singular`` names one spot
    of it, ``plural`` all of it in a picture. ``kinds`` are the densities that a
    class of known colour is made of, none for what reads the whole picture.
    ``should`` are the figures that it should read, in words. ``hint`` is what a
    person calls it, ``hint_words`` how that is put. ``caution`` is what
    whoever reads of it must not conclude.
    """

    name: str
    singular: str
    plural: str
    mark: Mark
    source: str
    kinds: tuple[str, ...] = ()
    target: Target | None = None
    tolerance: Tolerance | None = None
    should: str = ""
    hint: str = ""
    hint_words: str = ""
    caution: str = ""


THINGS: tuple[Thing, ...] = (
    Thing(
        name="neutrals",
        singular="probable neutral",
        plural="probable neutrals",
        kinds=("pavement", "metal", "white", "cloud", "dark"),
        target=Target(60.0, 0.0, 1.5),
        tolerance=Tolerance(a=(0.0, 0.0), b=(0.0, 0.0)),
        source=(
            "Everyday neutrals are a little warm: a* 0, b* +1.5 is the middle of measured surfaces "
            "under D65 (ECOSTRESS library, recomputed with colour-science): concrete a* 0..4.9, "
            "b* 4.9..12, asphalt 0.2..1.6 and 2..8, tar -0.4..0 and -2..-0.4, galvanised steel "
            "-2.0..-1.6 and -3.4..0.1, snow -0.7..-0.2 and -0.5..-0.1."
        ),
        should="a* 0, b* 0 to +2",
        hint="neutral",
        hint_words="is neutral: grey, white or black",
        mark=Mark((250, 250, 250), "circle", "dots"),
    ),
    Thing(
        name="sky",
        singular="sky",
        plural="clear sky",
        kinds=("sky",),
        target=Target(49.3, -1.0, -23.0),
        tolerance=Tolerance(a=(-6.0, 3.0), b=(-math.inf, 0.0)),
        source=(
            "The blue-sky patch of the 24-patch chart (values after November 2014): its D50 values "
            "49.32, -3.82, -22.54 adapted to D65. b* negative, how far cannot be said; a* between "
            "about -5 and +2, seldom on the magenta side (common practice, no source; the "
            "tolerance is a little wider)."
        ),
        should="a* about 0, b* < 0",
        hint="sky",
        hint_words="is clear sky",
        mark=Mark((86, 180, 233), "square", "level", (6, 4)),
    ),
    Thing(
        name="vegetation",
        singular="foliage",
        plural="leaves and grass",
        kinds=("vegetation",),
        target=Target(41.0, -9.5, 16.0),
        tolerance=Tolerance(a=(-math.inf, 0.0), b=(0.0, math.inf)),
        source=(
            "Between foliage and grass, the middle of the medians of measured spectra under D65 "
            "(ECOSTRESS library, recomputed with colour-science): tree foliage at L* 38 a* -8, "
            "b* 12; grass at L* 37..51 a* -12..-10, b* 18..22."
        ),
        should="a* < 0, b* > 0",
        hint="foliage",
        hint_words="is green foliage",
        mark=Mark((0, 158, 115), "triangle", "rising", (8, 3, 2, 3)),
    ),
    Thing(
        name="skin",
        singular="skin",
        plural="skin",
        kinds=("skin",),
        target=Target(58.5, 11.0, 16.0),
        tolerance=Tolerance(a=(0.0, math.inf), b=(-math.inf, math.inf), b_over_a=0.7),
        source=(
            "The middle of the facial means of four populations: L* 56..61, a* 10.5..11.8, "
            "b* 14.2..17.7 (Xiao et al., Skin Res. Technol. 23, 2017); b* about equal to a* or "
            "larger (common practice, no source; the tolerance is wider)."
        ),
        should="a* > 0, b* about a* or more",
        hint="skin",
        hint_words="is skin",
        caution=(
            "Skin is read as a thing of roughly known colour; that says nothing about a "
            "person\u2019s health or origin."
        ),
        mark=Mark((213, 94, 0), "diamond", "crossed", (2, 3)),
    ),
    Thing(
        name="statistics",
        singular="overall balance of the picture",
        plural="overall balance of the picture",
        source="Published estimators of the light; autocast/evidence/statistics.py cites each.",
        mark=Mark((204, 121, 167), "plus", "plain", (10, 3, 2, 3, 2, 3)),
    ),
)
"""Every kind of evidence, in the order in which they are shown."""

BY_NAME: Mapping[str, Thing] = MappingProxyType({thing.name: thing for thing in THINGS})
"""The rows of :data:`THINGS` by their names."""

CLASSES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {thing.name: thing.kinds for thing in THINGS if thing.kinds}
)
"""The classes of known colour, by the densities that they are made of."""

ELSE = "else"
"""The density that lets any object have any colour, at a price."""
KINDS: tuple[str, ...] = (*(kind for kinds in CLASSES.values() for kind in kinds), ELSE)
"""Every density, in the order of the model file."""

NEUTRALS = "neutrals"
"""The one class that is also read by tone and by kind: what should be grey."""

SKY = "sky"
"""The class that must go on to the top of the frame."""

JOINT, TREES = "joint", "trees"
"""Voices that rest on every kind at once: what the known colours count together, and fitted
trees over all features."""
CONTENT, OBJECT, HINT, OTHER_LIGHT = "content", "object", "hint", "other_light"
"""Entries of a judgement's evidence that are no kind of thing: what the picture seems to show, the
strongly coloured object, a hint, and a region that a hint says stands in another light."""
DOUBTED = ", but doubted"
"""How the label of a hint ends that the rest of the picture contradicts."""
EVIDENCE_KINDS: tuple[str, ...] = (*BY_NAME, JOINT, TREES, CONTENT, OBJECT, HINT, OTHER_LIGHT)
"""Everything that may stand among a judgement's evidence."""

OTHER_MARK = Mark((150, 150, 150), "hexagon")
"""The mark of whatever has no row."""

HINTS: Mapping[str, str] = MappingProxyType(
    {
        **{thing.hint: thing.hint_words for thing in THINGS if thing.hint},
        "own_colour": "really has this colour",
        OTHER_LIGHT: "stands in another light",
    }
)
"""What a person can say of a spot, and how it is put in words."""

_HELP = {
    "own_colour": ("The thing at this spot", ": leave it out"),
    OTHER_LIGHT: ("This region", ": leave it out and estimate it by itself"),
}
HINT_HELP: Mapping[str, str] = MappingProxyType(
    {
        hint: f"{subject} {words}{what_follows}."
        for hint, words in HINTS.items()
        for subject, what_follows in [_HELP.get(hint, ("You know that this spot", ""))]
    }
)
"""What the option of each hint says of itself."""

HINTED: Mapping[str, Thing] = MappingProxyType({t.hint: t for t in THINGS if t.hint})
"""The things that hints name, by the hint."""


def mark_of(kind: str) -> Mark:
    """The mark of a kind of evidence; one for all that have no row."""
    thing = BY_NAME.get(kind)
    return OTHER_MARK if thing is None else thing.mark


def singular_of(kind: str) -> str:
    """One spot of a kind in words; the kind itself where it has no row."""
    thing = BY_NAME.get(kind)
    return kind if thing is None else thing.singular
