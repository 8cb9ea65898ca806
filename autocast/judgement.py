"""The judgement that leaves the last room, its parts, and the list of remarks.

A :class:`Judgement` is small, frozen and holds no pixels. It goes to JSON and
back without loss. All colours are CIELAB with white point D65; all places are
fractions (0..1) of the upright picture's width and height, origin at top left.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal, NamedTuple, cast as as_type

from autocast.errors import JudgementError

SCHEMA_VERSION = 1

Verdict = Literal["clear", "cast", "ask"]
Stance = Literal["for", "against", "silent"]

VERDICT_WORDS: Mapping[Verdict, str] = MappingProxyType(
    {"clear": "no cast seen", "cast": "likely cast", "ask": "a person should look"}
)

TONE_RANGES: Mapping[str, tuple[float, float, float]] = MappingProxyType(
    {
        "shadows": (10.0, 35.0, 25.0),
        "midtones": (35.0, 70.0, 50.0),
        "highlights": (70.0, 95.0, 80.0),
    }
)
"""Lowest L*, highest L*, and the L* at which the cast is quoted (project convention)."""


class RemarkText(NamedTuple):
    """What a remark says, and whether it alone hands the picture to a person."""

    sentence: str
    asks: bool


REMARKS: Mapping[str, RemarkText] = MappingProxyType(
    {
        "conflict": RemarkText("Things of known colour contradict each other.", True),
        "split": RemarkText("Two different casts explain the picture about equally well.", True),
        "no_known_colour": RemarkText("Nothing of known colour was found.", True),
        "few_neutrals": RemarkText(
            "A strong colour fills much of the picture and few neutrals vouch for the light.", True
        ),
        "dominant_colour": RemarkText("One strong colour dominates the picture.", False),
        "coloured_object": RemarkText(
            "Something strongly coloured stands amid neutrals that agree with each other.", False
        ),
        "mixed_light": RemarkText("Parts of the frame seem to stand in different light.", True),
        "parts_disagree": RemarkText("Parts of the frame do not share one cast.", False),
        "tones_disagree": RemarkText(
            "Shadows, midtones and highlights do not share one cast.", False
        ),
        "hint_doubted": RemarkText(
            "What you said of a spot contradicts the rest of the picture.", True
        ),
        "off_grid": RemarkText(
            "The colour lies beyond the range of casts that can be told apart.", True
        ),
        "believable_warmth": RemarkText(
            "The warmth may belong to the scene, as in low sun or lamplight.", False
        ),
        "monochrome": RemarkText("The picture is black and white.", False),
        "toned": RemarkText("The picture is a toned black-and-white.", True),
        "not_photograph": RemarkText("This does not look like a photograph.", True),
        "clipped": RemarkText("Large areas are clipped and say nothing about the light.", False),
        "dark": RemarkText("The picture is almost black; little can be read.", True),
        "tiny": RemarkText("The picture is very small; readings are rough.", False),
        "border": RemarkText("A plain border or caption was left out.", False),
        "transparent": RemarkText("Transparent parts were left out.", False),
        "animated": RemarkText("Only the first frame was judged.", False),
        "no_profile": RemarkText("No colour profile is embedded; sRGB was assumed.", False),
        "tagged": RemarkText(
            "No colour profile is embedded; the file's own colour tags were used.", False
        ),
        "broken_profile": RemarkText(
            "The embedded colour profile cannot be used; sRGB was assumed.", False
        ),
        "cmyk_without_profile": RemarkText(
            "CMYK without a profile has no certain colour; embed the profile and judge again.",
            True,
        ),
    }
)
"""The one list of remarks: results, reports and documentation all read it."""


HINTS: Mapping[str, str] = MappingProxyType(
    {
        "neutral": "is neutral: grey, white or black",
        "sky": "is clear sky",
        "foliage": "is green foliage",
        "skin": "is skin",
        "own_colour": "really has this colour",
        "other_light": "stands in another light",
    }
)
"""What a person can say of a spot, and how it is put in words."""


@dataclass(frozen=True, slots=True)
class Hint:
    """What a person knows of a spot: ``what`` is a key of :data:`HINTS`.

    ``x``, ``y`` and ``radius`` are pixels of the full upright picture, the
    origin at its top left corner; the spot is a disc. Without a radius it is
    1 % of the picture's long side. ``other_light`` wants the radius of the region.
    """

    what: str
    x: float
    y: float
    radius: float | None = None


class Reading(NamedTuple):
    """A measured or expected colour, CIELAB D65."""

    lightness: float
    a: float
    b: float


class Place(NamedTuple):
    """A box on the upright picture, as fractions of its width and height."""

    x: float
    y: float
    width: float
    height: float


class Mode(NamedTuple):
    """Another cast that also explains the picture; ``share`` of the posterior."""

    a: float
    b: float
    share: float


@dataclass(frozen=True, slots=True)
class Cast:
    """The cast over the whole picture, quoted at L* 60.

    ``covariance`` is 2x2 in a*, b*; ``spread`` is the root of its mean
    eigenvalue, in the same units.
    """

    a: float
    b: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    spread: float
    second: Mode | None = None

    @property
    def size(self) -> float:
        """C* of the cast."""
        return math.hypot(self.a, self.b)

    @property
    def words(self) -> str:
        """The cast in words, such as ``evident, colder, towards blue``."""
        return describe(self.a, self.b)


@dataclass(frozen=True, slots=True)
class ToneCast:
    """The cast in one tone range, quoted at ``lightness``; ``share`` of the picture's area."""

    a: float
    b: float
    spread: float
    share: float
    lightness: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one kind of evidence says.

    ``share`` of the picture (0..1); ``reads`` and ``expected`` are mean colours
    (None for a kind that reads no one place); ``explains`` is the cast (a*, b*
    at L* 60) that would explain the difference, ``spread`` how sure; ``weight``
    is 0..1, how far the estimate leans on it; ``drove`` is how far the estimate
    moves (a*b* units) when this evidence is left out and the picture judged
    again, and ``drove_probability`` what the evidence adds to the probability; ``stance`` is
    for or against the verdict, or silent; ``where`` are the places it was read.
    """

    kind: str
    label: str
    share: float
    reads: Reading | None
    expected: Reading | None
    explains: tuple[float, float] | None
    spread: float
    weight: float
    drove: float
    drove_probability: float
    stance: Stance
    where: tuple[Place, ...]

    @property
    def context(self) -> bool:
        """It votes for no cast, yet changes how likely one is: what the picture seems to show."""
        return self.explains is None and self.drove_probability != 0


@dataclass(frozen=True, slots=True)
class Spot:
    """A point worth a person's look, with what it reads and why."""

    x: float
    y: float
    reads: Reading
    what: str
    why: str


class Risks(NamedTuple):
    """Shares of error that are allowed in verdicts (0..1; targets of the project's own).

    ``clear``: evident casts among pictures called clear; ``missed``: pictures
    called clear among all evident casts; ``cast``: pictures judged to have none
    among those called cast.
    """

    clear: float = 0.05
    missed: float = 0.15
    cast: float = 0.10


RISKS = Risks()
"""What is allowed where nothing else is asked for."""


@dataclass(frozen=True, slots=True)
class Assumptions:
    """What a caller assumes in place of the models' own: shares between 0 and 1, or None.

    ``base_rate`` is the share of evident casts among pictures of the kind; the
    risks are those of :class:`Risks`.
    """

    base_rate: float | None = None
    risk_clear: float | None = None
    risk_missed: float | None = None
    risk_cast: float | None = None

    @property
    def risks(self) -> dict[str, float | None]:
        """The risks by their names in :class:`Risks`."""
        return {"clear": self.risk_clear, "missed": self.risk_missed, "cast": self.risk_cast}

    def given(self) -> dict[str, float]:
        """What was given, by name."""
        fields = ((f.name, getattr(self, f.name)) for f in dataclasses.fields(self))
        return {name: value for name, value in fields if value is not None}


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether the colour of one picture can be trusted.

    ``probability`` is that of a careful look calling the cast evident (whole,
    in a tone range, or in part of the frame) at ``base_rate``, from this
    picture alone; ``risks`` are those that the verdict was to keep. ``name``,
    ``width``, ``height`` and ``profile`` say which picture was judged and how
    its numbers were read. ``hints`` are what a person said of it.
    """

    verdict: Verdict
    probability: float
    base_rate: float
    cast: Cast
    tones: Mapping[str, ToneCast]
    evidence: tuple[Evidence, ...]
    look_at: tuple[Spot, ...]
    remarks: tuple[str, ...]
    sentences: tuple[str, ...]
    model: str
    name: str
    width: int
    height: int
    profile: str
    risks: Risks = RISKS
    hints: tuple[Hint, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain containers, ready for JSON, with the schema version."""
        out: dict[str, Any] = {"schema": SCHEMA_VERSION, "verdict_words": self.verdict_words}
        for field in dataclasses.fields(self):
            out[field.name] = _plain(getattr(self, field.name))
        if not self.hints:
            del out["hints"]
        return out

    def to_json(self, indent: int | None = None) -> str:
        """One JSON document, in ASCII."""
        return json.dumps(self.to_dict(), indent=indent, allow_nan=False)

    @property
    def verdict_words(self) -> str:
        """The verdict as it is printed."""
        return VERDICT_WORDS[self.verdict]

    @classmethod
    def from_json(cls, text: str | bytes) -> Judgement:
        """Read back what :meth:`to_json` wrote; equal to the original.

        Raises JudgementError for anything else.
        """
        try:
            data = json.loads(text)
            if data["schema"] != SCHEMA_VERSION:
                raise JudgementError(
                    f"This judgement has schema version {data['schema']}; "
                    f"version {SCHEMA_VERSION} is read. Judge the picture again."
                )
            judgement = cls._from_plain(data)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            raise JudgementError(f"This document is no judgement: {error}.") from error
        if judgement.verdict not in VERDICT_WORDS or set(judgement.remarks) - set(REMARKS):
            raise JudgementError(
                "This document has a verdict or a remark that this version does not know."
            )
        return judgement

    @classmethod
    def _from_plain(cls, data: dict[str, Any]) -> Judgement:
        cast = data["cast"]
        second = cast["second"]
        return cls(
            verdict=as_type("Verdict", data["verdict"]),
            probability=data["probability"],
            base_rate=data["base_rate"],
            cast=Cast(
                cast["a"],
                cast["b"],
                as_type("Any", tuple(tuple(row) for row in cast["covariance"])),
                cast["spread"],
                None if second is None else Mode(**second),
            ),
            tones={k: ToneCast(**v) for k, v in data["tones"].items()},
            evidence=tuple(_evidence(e) for e in data["evidence"]),
            look_at=tuple(Spot(**{**s, "reads": Reading(**s["reads"])}) for s in data["look_at"]),
            remarks=tuple(data["remarks"]),
            sentences=tuple(data["sentences"]),
            risks=Risks(**data["risks"]),
            hints=tuple(Hint(**h) for h in data.get("hints", ())),
            **{k: data[k] for k in ("model", "name", "width", "height", "profile")},
        )


def _evidence(data: dict[str, Any]) -> Evidence:
    def reading(value: dict[str, float] | None) -> Reading | None:
        return None if value is None else Reading(**value)

    explains = data["explains"]
    return Evidence(
        **{
            **data,
            "reads": reading(data["reads"]),
            "expected": reading(data["expected"]),
            "explains": None if explains is None else (explains[0], explains[1]),
            "where": tuple(Place(**p) for p in data["where"]),
        }
    )


def _plain(value: object) -> object:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        return {k: _plain(v) for k, v in value._asdict().items()}
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    return value


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

SLIGHT_FROM = 3.0
"""C* at L* 60 from which a cast is called slight (common practice, no source)."""
EVIDENT_FROM = 6.0
"""C* at L* 60 from which a cast is called evident (common practice, no source)."""
STRONG_FROM = 14.0
"""C* at L* 60 from which a cast is called strong (common practice, no source)."""


def hue_name(a: float, b: float) -> str:
    """The name of the direction of (a*, b*)."""
    angle = math.degrees(math.atan2(b, a)) % 360
    return _HUES[round(angle / 30) % 12]


def strength_word(a: float, b: float) -> str:
    """``hardly any``, ``slight``, ``evident`` or ``strong``, by C* at L* 60."""
    size = math.hypot(a, b)
    if size < SLIGHT_FROM:
        return "hardly any"
    if size < EVIDENT_FROM:
        return "slight"
    return "evident" if size < STRONG_FROM else "strong"


def describe(a: float, b: float) -> str:
    """A cast (a*, b* at L* 60) in words: strength, colder or warmer, hue."""
    strength = strength_word(a, b)
    if strength == "hardly any":
        return strength
    # Colder or warmer only where the move lies mostly along blue and yellow.
    temperature = ""
    if abs(b) >= abs(a):
        temperature = "warmer, " if b > 0 else "colder, "
    return f"{strength}, {temperature}towards {hue_name(a, b)}"
