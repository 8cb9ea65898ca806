"""What a request asks for, read into values; anything else is refused in one sentence.

Nothing here trusts its sender: the pages send these, but so may anybody who found the tokens.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException

from autocast.archive.decisions import LONGEST, Over, Wish
from autocast.archive.queues import QUEUES, Queue
from autocast.judgement import DECISION_WORDS, HINTS, REMARKS, Hint
from autocast.report.listing import HUES
from autocast.review.pictures import SIDES

MOST_HINTS = 20
"""Hints of one picture (project convention)."""

_OVER: Mapping[str, Over] = {"picture": "picture", "series": "series", "folder": "folder"}


def bad(sentence: str) -> HTTPException:
    """A refusal."""
    return HTTPException(400, sentence)


def picture_number(text: object) -> int:
    """The number of a picture, from a path or a query."""
    if not isinstance(text, str) or not re.fullmatch(r"[0-9]{1,18}", text):
        raise HTTPException(404, "There is no such picture.")
    return int(text)


def key(value: object) -> int:
    """The number of a picture, from JSON."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 10**18:
        raise HTTPException(404, "There is no such picture.")
    return value


def side(query: Mapping[str, str]) -> int:
    """One of the long sides that pictures are made in."""
    text = query.get("side", "")
    if text not in map(str, SIDES):
        raise bad(f"Pictures are made {', '.join(map(str, SIDES))} pixels long.")
    return int(text)


def queue(query: Mapping[str, str], person: str) -> Queue:
    """The queue that a query names, and what narrows it."""
    name, hue, remark = query.get("queue", ""), query.get("hue"), query.get("remark")
    if name not in QUEUES:
        raise HTTPException(404, "There is no such queue.")
    if hue is not None and hue not in HUES:
        raise bad("There is no such hue.")
    if remark is not None and remark not in REMARKS:
        raise bad("There is no such remark.")
    return Queue(name, person, _folder(query.get("folder")), hue, remark)


def address(of: Queue, **more: object) -> str:
    """The query that names a queue; :func:`queue` reads it."""
    given = {
        "queue": of.name,
        "folder": None if of.folder is None else folder_key(of.folder),
        "hue": of.hue,
        "remark": of.remark,
        **more,
    }
    return urlencode({key: value for key, value in given.items() if value is not None})


def folder_key(folder: bytes) -> str:
    """A folder in a query: its bytes, which may be no text, in base64 (RFC 4648, section 5)."""
    return base64.urlsafe_b64encode(folder).decode("ascii")


def _folder(key: str | None) -> bytes | None:
    if key is None:
        return None
    try:
        return base64.b64decode(key.encode("ascii"), b"-_", validate=True)
    except (UnicodeEncodeError, binascii.Error):
        raise bad("There is no such folder.") from None


def document(body: bytes, known: frozenset[str]) -> dict[str, Any]:
    """A JSON object with none but the ``known`` names; any may be missing."""
    try:
        read = json.loads(body, parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise bad("This is no JSON that can be read.") from None
    if not isinstance(read, dict) or not known.issuperset(read):
        raise bad(f"Give an object of {', '.join(sorted(known))}.")
    return read


def hints(value: object) -> tuple[Hint, ...]:
    """What a person said of places."""
    if not isinstance(value, list) or len(value) > MOST_HINTS:
        raise bad(f"Hints are a list of up to {MOST_HINTS}.")
    return tuple(_hint(each) for each in value)


def hints_in(query: Mapping[str, str]) -> tuple[Hint, ...]:
    """Hints in a query, as the JSON that a wish holds them in."""
    text = query.get("hints", "[]")
    if len(text) > LONGEST:
        raise bad("That is more than an address can hold.")
    return hints(document(f'{{"hints": {text}}}'.encode(), frozenset({"hints"})).get("hints"))


def place(value: Mapping[str, Any]) -> tuple[float, float]:
    """``x`` and ``y`` in pixels of the upright picture; whether it holds them shows later."""
    return number(value.get("x")), number(value.get("y"))


def number(value: object) -> float:
    """A number that can be reckoned with."""
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e9:
        raise bad("A place is given in numbers.")
    return float(value)


def _hint(value: object) -> Hint:
    if not isinstance(value, dict) or not {"what", "x", "y"} <= set(value) <= {
        "what",
        "x",
        "y",
        "radius",
    }:
        raise bad("A hint has what, x, y, and may have a radius.")
    if value["what"] not in HINTS:
        raise bad(f"A hint is one of {', '.join(HINTS)}.")
    radius = value.get("radius")
    return Hint(value["what"], *place(value), None if radius is None else number(radius))


WISH = frozenset({"picture", "decision", "queue", "note", "reason", "hints", "over"})


def wish(body: bytes, person: str) -> Wish:
    """A decision; its cast is worked out here and not taken from a page."""
    given = document(body, WISH)
    texts = {name: given.get(name, "") for name in ("decision", "queue", "note", "reason")}
    for name, text in texts.items():
        if not isinstance(text, str) or len(text) > LONGEST:
            raise bad(f"The {name} is a text of up to {LONGEST} characters.")
    if texts["decision"] not in DECISION_WORDS:
        raise bad(f"A decision is one of {', '.join(DECISION_WORDS)}.")
    if texts["queue"] not in QUEUES:
        raise bad("There is no such queue.")
    over = given.get("over", "picture")
    if not isinstance(over, str) or over not in _OVER:
        raise bad(f"A decision is for one of {', '.join(_OVER)}.")
    return Wish(
        picture=key(given.get("picture")),
        person=person,
        hints=hints(given.get("hints", [])),
        over=_OVER[over],
        **texts,
    )


def _no_number(text: str) -> float:
    raise ValueError(text)
