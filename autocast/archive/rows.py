"""What travels between the walk, the run, the ledger and those who read it."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from autocast.judgement import REMARKS, VERDICT_WORDS, Verdict


@dataclass(frozen=True, slots=True)
class Entry:
    """One file met on the walk: its path as bytes, and what tells whether it changed.

    ``size`` in bytes and ``mtime`` in nanoseconds are None where they are unknown.
    """

    path: bytes
    size: int | None
    mtime: int | None

    @property
    def folder(self) -> bytes:
        """The folder it lies in."""
        return folder_of(self.path)


@dataclass(frozen=True, slots=True)
class Known:
    """What a ledger holds of a path: its number, the entry it was judged by, and how that went.

    ``needs`` is the memory for want of which it failed, in bytes.
    """

    id: int
    entry: Entry
    failed: bool
    gone: bool
    needs: int | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a worker says of one picture: a judgement with its facts, or a failure's sentence.

    ``regions`` is the map of :mod:`autocast.archive.regions` as it is written, ``needs`` the
    memory for want of which there is no judgement, in bytes.
    """

    entry: Entry
    at: str
    hash: str | None = None
    judgement: str | None = None
    camera: str = ""
    taken: str = ""
    failure: str | None = None
    regions: str | None = None
    needs: int | None = None


@dataclass(frozen=True, slots=True)
class InSeries:
    """What the neighbours of a picture add; beside its own judgement, never instead of it.

    ``a``, ``b``, ``spread``: the picture's cast, the others pooled in; ``share``
    how likely it shares their cast; ``odd`` that it stands apart from a series
    that agrees. ``shared_*`` is the cast of the ``sharing`` of ``count``
    pictures, ``apart`` how far their own casts lie from it (one standard
    deviation). ``probability``: that they share one cast, at least a
    slight one. ``finding``: the series has one and the same fault. ``leads``: this picture
    stands for the series in a list.
    """

    series: int
    count: int
    sharing: int
    a: float
    b: float
    spread: float
    share: float
    odd: bool
    shared_a: float
    shared_b: float
    shared_spread: float
    apart: float
    probability: float
    finding: bool
    leads: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One picture as the ledger holds it.

    Either ``verdict`` and the numbers of the judgement are given, or
    ``failure``, one sentence. ``verdict`` goes by the archive's own thresholds
    where a person adopted some; ``judged_verdict`` is the judgement's.
    ``probability`` is the picture's own, at ``base_rate``;
    ``archive_probability`` the same at the archive's rate.
    ``a``, ``b``, ``spread`` are the picture's cast; ``strength`` and ``hue`` its
    words (``hue`` is None where it is negligible). ``document`` is the
    judgement's JSON where it was asked for, ``regions`` the map that came with it (None where
    it was judged before maps were kept). ``gone``: the file was not there
    when the archive was last walked.
    """

    id: int
    path: bytes
    folder: bytes
    size: int | None
    mtime: int | None
    hash: str | None
    at: str
    gone: bool
    failure: str | None
    verdict: Verdict | None = None
    judged_verdict: Verdict | None = None
    probability: float | None = None
    base_rate: float | None = None
    archive_probability: float | None = None
    a: float | None = None
    b: float | None = None
    size_of_cast: float | None = None
    spread: float | None = None
    strength: str | None = None
    hue: str | None = None
    remarks: tuple[str, ...] = ()
    width: int | None = None
    height: int | None = None
    camera: str = ""
    taken: str = ""
    model: str | None = None
    series: InSeries | None = None
    document: str | None = field(default=None, repr=False)
    regions: str | None = field(default=None, repr=False)

    @property
    def name(self) -> str:
        """The path as text; bytes that are no Unicode become surrogate escapes."""
        return os.fsdecode(self.path)


@dataclass(frozen=True, slots=True)
class Counts:
    """Pictures by verdict, those that could not be judged, and what else was noted."""

    clear: int = 0
    cast: int = 0
    ask: int = 0
    failed: int = 0
    gone: int = 0
    closed_folders: int = 0

    @property
    def judged(self) -> int:
        """Pictures with a judgement."""
        return self.clear + self.cast + self.ask

    @property
    def pictures(self) -> int:
        """Pictures, judged or not, that were there when last looked for."""
        return self.judged + self.failed


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which rows to read: those that meet every condition given.

    ``verdicts``, ``hues`` and ``remarks`` match any of their items; ``folder``
    matches the folder and all below it; ``failed`` True gives only pictures
    that could not be judged, False only judged ones. ``gone`` pictures are left
    out unless asked for. With ``findings`` a series with one fault is given
    once, by the picture that leads it; its odd pictures are given as well. ``decided``
    gives only what somebody decided so (any of its items), ``undecided`` what nobody did.
    """

    verdicts: tuple[str, ...] = ()
    hues: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    folder: bytes | None = None
    failed: bool | None = None
    gone: bool = False
    findings: bool = False
    decided: tuple[str, ...] = ()
    undecided: bool = False


EVERYTHING = Wanted()


def _number(low: float, high: float) -> Callable[[object], bool]:
    return lambda value: isinstance(value, int | float) and low <= value <= high


def _text(value: object) -> bool:
    return isinstance(value, str)


def _count(value: object) -> bool:
    return isinstance(value, int)


def _path(value: object) -> bool:
    return isinstance(value, bytes) and b"\0" not in value


_share, _cast, _spread = _number(0, 1), _number(-1e9, 1e9), _number(0, 1e9)
_SOUND: dict[str, Callable[[Any], bool]] = {
    "id": _count,
    "path": _path,
    "folder": _path,
    "at": _text,
}
_MAYBE: dict[str, Callable[[Any], bool]] = {
    **dict.fromkeys(("size", "mtime"), _count),
    **dict.fromkeys(("width", "height"), _number(1, 1e9)),
    **dict.fromkeys(("hash", "strength", "hue", "camera", "taken", "model"), _text),
    **dict.fromkeys(("failure", "document"), _text),
    **dict.fromkeys(("verdict", "judged_verdict"), VERDICT_WORDS.__contains__),
    **dict.fromkeys(("probability", "base_rate", "archive_probability"), _share),
    **dict.fromkeys(("a", "b"), _cast),
    **dict.fromkeys(("size_of_cast", "spread"), _spread),
}
_OF_SERIES: dict[str, Callable[[Any], bool]] = {
    **dict.fromkeys(("series", "count", "sharing"), _count),
    **dict.fromkeys(("a", "b", "shared_a", "shared_b"), _cast),
    **dict.fromkeys(("spread", "shared_spread", "apart"), _spread),
    **dict.fromkeys(("share", "probability"), _share),
}


_OF_JUDGED: dict[str, Callable[[Any], bool]] = {
    **_SOUND,
    **_MAYBE,
    **dict.fromkeys(("var_a", "var_b"), _spread),
    "cov_ab": _cast,
    "hash": lambda value: value is None or isinstance(value, str),
    "series": lambda value: value is None or isinstance(value, int),
    "remarks": lambda value: isinstance(value, str) and REMARKS.keys() >= set(value.split()),
}


def fault_of_columns(found: Mapping[str, Any]) -> str:
    """The same of columns of a picture that was judged, as SQL gives them; none may be empty."""
    return next((name for name in found if not _OF_JUDGED[name](found[name])), "")


def fault(row: Row) -> str:
    """What of a row is nothing that autocast wrote, by its name; empty where all may be."""
    for name, sound in _SOUND.items():
        if not sound(getattr(row, name)):
            return name
    for name, sound in _MAYBE.items():
        value = getattr(row, name)
        if value is not None and not sound(value):
            return name
    if row.series is not None:
        for name, sound in _OF_SERIES.items():
            if not sound(getattr(row.series, name)):
                return f"{name} of the series"
    judged = (row.probability, row.base_rate, row.a, row.b, row.size_of_cast, row.spread)
    if row.verdict is not None and None in (*judged, row.width, row.height, row.strength):
        return "judgement"
    if not REMARKS.keys() >= set(row.remarks):
        return "remarks"
    return "verdict" if row.verdict is None and row.failure is None else ""


def is_address(path: bytes) -> bool:
    """Whether a path is a remote address, such as ``s3://bucket/name``."""
    return b"://" in path


def folder_of(path: bytes) -> bytes:
    """The folder of a path or an address."""
    return path.rpartition(b"/")[0] if is_address(path) else os.path.dirname(path)  # noqa: PTH120 -- bytes


def clean(text: str) -> str:
    r"""Text that UTF-8 can carry: what is no Unicode, in a name, as ``\xNN``."""
    try:
        return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    except UnicodeEncodeError:  # half a pair, as JSON may write one, stands for no byte
        return text.encode("utf-8", "backslashreplace").decode("utf-8")
