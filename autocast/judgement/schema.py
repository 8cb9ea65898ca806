"""The JSON Schema of a judgement (draft 2020-12), its enumerations filled from the lists."""

from __future__ import annotations

import copy
import functools
import json
from pathlib import Path
from typing import Any

from autocast.judgement.checking import Check, checker
from autocast.judgement.remarks import REMARKS
from autocast.judgement.things import EVIDENCE_KINDS, HINTS, OBJECT, THINGS
from autocast.judgement.words import TONE_RANGES, VERDICT_WORDS

_FILE = Path(__file__).with_name("judgement.schema.json")


def json_schema() -> dict[str, Any]:
    """The schema that :meth:`autocast.Judgement.to_json` follows, as plain containers.

    The file beside this one holds its structure; verdicts, tone ranges, remarks,
    kinds of evidence and hints are those of the lists.
    """
    return copy.deepcopy(_schema())


def fault_of(data: object) -> str:
    """What keeps plain containers from being a judgement, in words; empty where nothing does."""
    return _checker()(data)


@functools.cache
def _checker() -> Check:
    return checker(_schema())


@functools.cache
def _schema() -> dict[str, Any]:
    schema: dict[str, Any] = json.loads(_FILE.read_text(encoding="utf-8"))
    fields, parts = schema["properties"], schema["$defs"]
    fields["verdict"]["enum"] = list(VERDICT_WORDS)
    fields["verdict_words"]["enum"] = list(VERDICT_WORDS.values())
    fields["tones"]["propertyNames"]["enum"] = list(TONE_RANGES)
    fields["remarks"]["items"]["enum"] = list(REMARKS)
    parts["evidence"]["properties"]["kind"]["enum"] = list(EVIDENCE_KINDS)
    parts["spot"]["properties"]["kind"]["enum"] = [*(thing.name for thing in THINGS), OBJECT]
    parts["hint"]["properties"]["what"]["enum"] = list(HINTS)
    schema["oneOf"] = [
        {"properties": {"verdict": {"const": verdict}, "verdict_words": {"const": words}}}
        for verdict, words in VERDICT_WORDS.items()
    ]
    return schema
