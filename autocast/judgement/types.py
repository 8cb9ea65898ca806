"""The judgement that leaves the last room, and its parts.

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
from typing import Any, NamedTuple, cast as as_type

from autocast.errors import JudgementError
from autocast.judgement.words import VERDICT_WORDS, Leaning, Stance, Verdict, describe

SCHEMA_VERSION = 3
"""Version that is written. Those before are read as well: in the first a spot's kind lay in its
words, and neither said which way a picture leans that is left to a person."""
LARGEST_JSON = 1 << 20
"""Characters beyond which a document is not read (project convention)."""


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
    is 0..1, the share that its voices have in the estimate; ``drove`` is how far the
    estimate moves (a*b* units) when this evidence is left out and the picture judged
    again, and ``drove_probability`` what the evidence adds to the probability (both None
    where nobody asked); ``stance`` is for or against the verdict, or silent; ``where`` are
    the places it was read.
    """

    kind: str
    label: str
    share: float
    reads: Reading | None
    expected: Reading | None
    explains: tuple[float, float] | None
    spread: float
    weight: float
    drove: float | None
    drove_probability: float | None
    stance: Stance
    where: tuple[Place, ...]

    @property
    def context(self) -> bool:
        """It votes for no cast, yet changes how likely one is: what the picture seems to show."""
        return self.explains is None and bool(self.drove_probability)


@dataclass(frozen=True, slots=True)
class Spot:
    """A point worth a person's look, with what it reads and why.

    ``kind`` is the row of :mod:`autocast.judgement.things` that it is taken for, or
    ``object`` for a thing of strong colour; ``what`` says it in words.
    """

    x: float
    y: float
    reads: Reading
    kind: str
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
    risks are those of :class:`Risks`. ``strict`` holds them by their upper bounds, so that
    they are kept in 95 of 100 cases and not on average; more is left to a person.
    """

    base_rate: float | None = None
    risk_clear: float | None = None
    risk_missed: float | None = None
    risk_cast: float | None = None
    strict: bool = False

    @property
    def risks(self) -> dict[str, float | None]:
        """The risks by their names in :class:`Risks`."""
        return {"clear": self.risk_clear, "missed": self.risk_missed, "cast": self.risk_cast}

    def given(self) -> dict[str, float]:
        """The shares that were given, by name."""
        shares = {"base_rate": self.base_rate}
        shares |= {f"risk_{name}": value for name, value in self.risks.items()}
        return {name: value for name, value in shares.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether the colour of one picture can be trusted.

    ``probability`` is that of a careful look calling the cast evident (whole,
    in a tone range, or in part of the frame) at ``base_rate``, from this
    picture alone; ``risks`` are those that the verdict was to keep. ``name``,
    ``width``, ``height`` and ``profile`` say which picture was judged and how
    its numbers were read. ``hints`` are what a person said of it. ``leans`` says to
    which verdict a picture is nearer that is left to a person; None for others.
    """

    verdict: Verdict
    probability: float
    base_rate: float
    cast: Cast
    tones: Mapping[str, ToneCast] = dataclasses.field(hash=False)
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
    leans: Leaning | None = None

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

        Types and ranges are those of :func:`autocast.judgement.schema.json_schema`.
        Raises JudgementError for anything else.
        """
        from autocast.judgement.schema import fault_of

        given: object = text
        if not isinstance(given, str | bytes) or len(given) > LARGEST_JSON:
            raise JudgementError(
                f"This document is no judgement: it is no text, or longer than {LARGEST_JSON:,}."
            )
        try:
            data = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise JudgementError(f"This document is no judgement: {error}.") from error
        version = data.get("schema") if isinstance(data, dict) else None
        if not isinstance(version, int) or isinstance(version, bool):
            raise JudgementError("This document is no judgement: it has no schema version.")
        if not 1 <= version <= SCHEMA_VERSION:
            raise JudgementError(
                f"This judgement has schema version {str(version)[:12]}; "
                f"versions 1 to {SCHEMA_VERSION} are read. Judge the picture again."
            )
        data = _brought_up(data)
        wrong = fault_of(data)
        if wrong:
            raise JudgementError(f"This document is no judgement: {wrong}.")
        return cls._from_plain(data)

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
            look_at=tuple(_spot(s) for s in data["look_at"]),
            remarks=tuple(data["remarks"]),
            sentences=tuple(data["sentences"]),
            risks=Risks(**data["risks"]),
            hints=tuple(Hint(**h) for h in data.get("hints", ())),
            leans=data["leans"],
            **{k: data[k] for k in ("model", "name", "width", "height", "profile")},
        )


def _brought_up(data: dict[str, Any]) -> dict[str, Any]:
    """A document of any version as one of the present one, as far as it is one at all."""
    verdict = data.get("verdict")
    words = VERDICT_WORDS.get(verdict) if isinstance(verdict, str) else None  # type: ignore[call-overload]
    now = {"leans": None, **data, "schema": SCHEMA_VERSION, "verdict_words": words}
    if data["schema"] == 1 and isinstance(data.get("look_at"), list):
        now["look_at"] = [
            {"kind": _kind_in_words(str(spot.get("what"))), **spot}
            if isinstance(spot, dict)
            else spot
            for spot in data["look_at"]
        ]
    return now


def _spot(data: dict[str, Any]) -> Spot:
    return Spot(**{**data, "reads": Reading(**data["reads"])})


def _kind_in_words(what: str) -> str:
    """The kind of a spot as version 1 of the schema told it."""
    words = {"probable neutral": "neutrals", "sky": "sky", "vegetation": "vegetation"}
    words["skin"] = "skin"
    return next((kind for said, kind in words.items() if what.startswith(said)), "object")


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
