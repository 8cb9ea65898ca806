"""Whether plain containers follow a JSON Schema: the part of draft 2020-12 that ours uses.

Judgements are read by the ten thousand, which a full validator takes far longer over; the
tests compare the two.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

Schema = Mapping[str, Any]
Check = Callable[[Any], str]
"""What is wrong with a value, to stand behind its name; empty where nothing is."""

_BOUNDS: Mapping[str, tuple[str, Callable[[Any, Any], bool]]] = {
    "minimum": ("at least", lambda value, bound: value >= bound),
    "maximum": ("at most", lambda value, bound: value <= bound),
    "exclusiveMinimum": ("above", lambda value, bound: value > bound),
    "exclusiveMaximum": ("below", lambda value, bound: value < bound),
}


def checker(schema: Schema) -> Check:
    """A function that says in words what is wrong with plain containers, if anything."""
    defined: dict[str, Check] = {}
    for name, part in schema.get("$defs", {}).items():
        defined[name] = _check(part, defined)
    whole = _check(schema, defined)

    def say(value: object) -> str:
        wrong = whole(value)
        return f"it{wrong}" if wrong.startswith(" ") else wrong

    return say


def _check(part: Schema, defined: Mapping[str, Check]) -> Check:
    if "$ref" in part:
        name = part["$ref"].removeprefix("#/$defs/")
        return lambda value: defined[name](value)  # noqa: PLW0108 -- defined later, maybe
    checks = [make(part, defined) for key, make in _MAKERS.items() if key in part]
    types = part.get("type", ())
    types = (types,) if isinstance(types, str) else types
    ofs = [_OF_TYPE[name](part, defined) for name in types]
    if ofs:
        by_type = {kind: check for kinds, check in ofs for kind in kinds}
        words = f" is no {' or '.join(types)}"

        def typed(value: object) -> str:
            check = by_type.get(type(value))
            return words if check is None else check(value)

        checks.insert(0, typed)
    return checks[0] if len(checks) == 1 else lambda value: _first(checks, value)


def _first(checks: list[Check], value: object) -> str:
    for check in checks:
        if wrong := check(value):
            return wrong
    return ""


def _known(part: Schema, _: Mapping[str, Check]) -> Check:
    names = part["enum"] if "enum" in part else [part["const"]]
    taken = {(type(name), name) for name in names}
    return lambda value: (
        ""
        if isinstance(value, str | int | None) and (type(value), value) in taken
        else " is not known"
    )


def _one_of(part: Schema, defined: Mapping[str, Check]) -> Check:
    checks = [
        _object({"additionalProperties": {}, **each}, defined)[1]
        if "properties" in each
        else _check(each, defined)
        for each in part["oneOf"]
    ]

    def one(value: object) -> str:
        wrong = ""
        for check in checks:
            wrong = check(value)
            if not wrong:
                return ""
        return wrong

    return one


_MAKERS: Mapping[str, Callable[[Schema, Mapping[str, Check]], Check]] = {
    "enum": _known,
    "const": _known,
    "oneOf": _one_of,
}


def _number(part: Schema, _: Mapping[str, Check]) -> tuple[tuple[type, ...], Check]:
    bounds = [(words, holds, part[key]) for key, (words, holds) in _BOUNDS.items() if key in part]

    def within(value: float) -> str:
        for words, holds, bound in bounds:
            if not holds(value, bound):
                return f" must be {words} {bound}"
        return "" if isinstance(value, int) or math.isfinite(value) else " is no number"

    return ((int,) if part["type"] == "integer" else (int, float)), within


def _array(part: Schema, defined: Mapping[str, Check]) -> tuple[tuple[type, ...], Check]:
    fixed = [_check(each, defined) for each in part.get("prefixItems", ())]
    closed = part.get("items") is False
    items = _check({} if closed else part.get("items", {}), defined)
    least, most = part.get("minItems", 0), len(fixed) if closed else part.get("maxItems", math.inf)
    unique = part.get("uniqueItems", False)

    def each(value: list[Any]) -> str:
        if not least <= len(value) <= most:
            return f" has {len(value)} items"
        for k, item in enumerate(value):
            if wrong := (fixed[k] if k < len(fixed) else items)(item):
                return f"[{k}]{_below(wrong)}"
        return " has an item twice" if unique and len(set(map(repr, value))) < len(value) else ""

    return (list,), each


def _object(part: Schema, defined: Mapping[str, Check]) -> tuple[tuple[type, ...], Check]:
    known = {name: _check(each, defined) for name, each in part.get("properties", {}).items()}
    rest = part.get("additionalProperties", {})
    others = None if rest is False else _check(rest, defined)
    names = _check(part.get("propertyNames", {}), defined)
    required = frozenset(part.get("required", ()))

    def each(value: dict[str, Any]) -> str:
        if lacks := required.difference(value):
            return f" lacks {min(lacks)}"
        for name, item in value.items():
            check = known.get(name, others)
            if check is None or names(name):
                return f"{name[:40]} is not known"
            if wrong := check(item):
                return f"{name[:40]}{_below(wrong)}"
        return ""

    return (dict,), each


def _below(wrong: str) -> str:
    return wrong if wrong.startswith((" ", "[")) else f".{wrong}"


def _plain(kind: type) -> Callable[[Schema, Mapping[str, Check]], tuple[tuple[type, ...], Check]]:
    return lambda *_: ((kind,), lambda _value: "")


_OF_TYPE: Mapping[str, Callable[[Schema, Mapping[str, Check]], tuple[tuple[type, ...], Check]]] = {
    "null": _plain(type(None)),
    "string": _plain(str),
    "integer": _number,
    "number": _number,
    "array": _array,
    "object": _object,
}
