"""The judgement's JSON: it survives the round trip, and keeps to the published schema."""

from __future__ import annotations

import contextlib
import copy
import json
from dataclasses import fields, replace
from types import MappingProxyType
from typing import Any, get_args

import jsonschema
import pytest
from hypothesis import given, settings, strategies as st

from autocast.errors import JudgementError
from autocast.judgement import (
    HINTS,
    REMARKS,
    SCHEMA_VERSION,
    TONE_RANGES,
    VERDICT_WORDS,
    Cast,
    Evidence,
    Hint,
    Judgement,
    Leaning,
    Mode,
    Place,
    Reading,
    Risks,
    Spot,
    Stance,
    ToneCast,
    Verdict,
    describe,
    hue_name,
)
from autocast.judgement.schema import fault_of, json_schema
from autocast.judgement.things import BY_NAME, EVIDENCE_KINDS, OBJECT
from autocast.report.text import judgement_json
from tests import samples

SCHEMA: dict[str, Any] = json_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)

numbers = st.floats(-200, 200)
shares = st.floats(0, 1)
spreads = st.floats(0, 100)
# Any text a Python string can hold, the stand-ins for undecodable bytes included.
texts = st.text(st.characters(codec=None), max_size=12)
readings = st.builds(Reading, st.floats(0, 100), numbers, numbers)
modes = st.builds(Mode, numbers, numbers, shares)
rows = st.tuples(numbers, numbers)
casts = st.builds(Cast, numbers, numbers, st.tuples(rows, rows), spreads, st.none() | modes)
tone_casts = st.builds(ToneCast, numbers, numbers, spreads, shares, st.floats(0, 100))
places = st.builds(Place, shares, shares, shares, shares)
evidences = st.builds(
    Evidence,
    kind=st.sampled_from(EVIDENCE_KINDS),
    label=texts,
    share=shares,
    reads=st.none() | readings,
    expected=st.none() | readings,
    explains=st.none() | rows,
    spread=spreads,
    weight=shares,
    drove=st.none() | spreads,
    drove_probability=st.none() | st.floats(-1, 1),
    stance=st.sampled_from(get_args(Stance)),
    where=st.lists(places, max_size=2).map(tuple),
)
spots = st.builds(Spot, shares, shares, readings, st.sampled_from([*BY_NAME, OBJECT]), texts, texts)
hints = st.builds(
    Hint,
    st.sampled_from(sorted(HINTS)),
    spreads,
    spreads,
    st.none() | st.floats(0, 100, exclude_min=True),
)
risks = st.floats(0, 1, exclude_min=True, exclude_max=True)
judgements = st.builds(
    Judgement,
    verdict=st.sampled_from(get_args(Verdict)),
    probability=shares,
    base_rate=shares,
    cast=casts,
    tones=st.dictionaries(st.sampled_from(sorted(TONE_RANGES)), tone_casts),
    evidence=st.lists(evidences, max_size=2).map(tuple),
    look_at=st.lists(spots, max_size=2).map(tuple),
    remarks=st.lists(st.sampled_from(sorted(REMARKS)), unique=True, max_size=4).map(tuple),
    sentences=st.lists(texts, max_size=2).map(tuple),
    model=texts,
    name=texts,
    width=st.integers(1, 10**6),
    height=st.integers(1, 10**6),
    profile=texts,
    risks=st.builds(Risks, risks, risks, risks),
    hints=st.lists(hints, max_size=2).map(tuple),
    leans=st.none() | st.sampled_from(get_args(Leaning)),
)


@settings(max_examples=60, deadline=None)
@given(judgements)
def test_any_judgement_survives_the_round_trip_and_keeps_to_the_schema(
    judgement: Judgement,
) -> None:
    assert Judgement.from_json(judgement.to_json()) == judgement
    VALIDATOR.validate(judgement.to_dict())


@settings(max_examples=60, deadline=None)
@given(judgements)
def test_the_printed_line_is_one_line_of_ascii_and_reads_back(judgement: Judgement) -> None:
    line = judgement_json(judgement)
    assert line.isascii()
    assert line.isprintable()
    back = Judgement.from_json(line)
    assert replace(back, name="") == replace(judgement, name="")
    back.name.encode("utf-8")


def test_a_read_only_mapping_of_tones_equals_after_the_round_trip() -> None:
    judgement = replace(samples.LIKELY, tones=MappingProxyType(dict(samples.LIKELY.tones)))
    assert Judgement.from_json(judgement.to_json(indent=2)) == judgement


def test_not_a_number_is_refused_on_the_way_out() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        replace(samples.LIKELY, probability=float("nan")).to_json()


@pytest.mark.parametrize("judgement", samples.ALL, ids=lambda j: j.name)
def test_samples_keep_to_the_schema(judgement: Judgement) -> None:
    VALIDATOR.validate(json.loads(judgement_json(judgement)))


def test_the_schema_is_itself_sound_and_strict_everywhere() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    for part in (SCHEMA, *SCHEMA["$defs"].values()):
        if part.get("type") == "object":
            assert part["additionalProperties"] is False
            # Hints stand only where some were given.
            assert set(part["required"]) == set(part["properties"]) - {"hints"}


def test_the_schema_names_what_the_code_names() -> None:
    properties = SCHEMA["properties"]
    assert properties["remarks"]["items"]["enum"] == list(REMARKS)
    assert properties["verdict"]["enum"] == list(get_args(Verdict)) == list(VERDICT_WORDS)
    assert properties["verdict_words"]["enum"] == list(VERDICT_WORDS.values())
    assert properties["tones"]["propertyNames"]["enum"] == list(TONE_RANGES)
    assert properties["schema"]["const"] == SCHEMA_VERSION
    defined = SCHEMA["$defs"]
    assert defined["evidence"]["properties"]["stance"]["enum"] == list(get_args(Stance))
    assert defined["evidence"]["properties"]["kind"]["enum"] == list(EVIDENCE_KINDS)
    assert defined["spot"]["properties"]["kind"]["enum"] == [*BY_NAME, OBJECT]
    assert defined["hint"]["properties"]["what"]["enum"] == list(HINTS)
    assert set(properties) == {f.name for f in fields(Judgement)} | {"schema", "verdict_words"}
    assert set(defined["evidence"]["properties"]) == {f.name for f in fields(Evidence)}
    assert set(defined["spot"]["properties"]) == {f.name for f in fields(Spot)}
    assert set(defined["hint"]["properties"]) == {f.name for f in fields(Hint)}
    assert set(defined["tone_cast"]["properties"]) == {f.name for f in fields(ToneCast)}
    assert set(defined["cast"]["properties"]) == {f.name for f in fields(Cast)}


BROKEN: dict[str, tuple[tuple[str | int, ...], object]] = {
    "a verdict that does not exist": (("verdict",), "fine"),
    "words of another verdict": (("verdict_words",), "no evident cast"),
    "a probability above 1": (("probability",), 1.2),
    "an unknown remark": (("remarks",), ["haunted"]),
    "a remark twice": (("remarks",), ["dark", "dark"]),
    "a tone that does not exist": (("tones", "blacks"), {}),
    "a negative spread": (("cast", "spread"), -1),
    "a lopsided covariance": (("cast", "covariance"), [[1, 0]]),
    "three numbers for a cast": (("evidence", 0, "explains"), [1, 2, 3]),
    "one number for a cast": (("evidence", 0, "explains"), [1]),
    "an unknown stance": (("evidence", 0, "stance"), "maybe"),
    "a place off the picture": (("look_at", 0, "x"), 1.5),
    "another schema version": (("schema",), SCHEMA_VERSION + 1),
    "a key nobody defined": (("mood",), "good"),
    "no width at all": (("width",), 0),
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_broken_document_fails_the_schema(what: str) -> None:
    (*way, last), value = BROKEN[what]
    document = copy.deepcopy(samples.LIKELY.to_dict())
    VALIDATOR.validate(document)
    part: Any = document
    for step in way:
        part = part[step]
    part[last] = value
    assert not VALIDATOR.is_valid(document)
    assert fault_of(document)
    if what != "words of another verdict":  # which are worked out anew
        with pytest.raises(JudgementError, match=r"^This (document|judgement) .*\.$"):
            Judgement.from_json(json.dumps(document))


WORDS: dict[str, str] = {verdict: words for verdict, words in VERDICT_WORDS.items()}  # noqa: C416
PLACES = [
    (*way, key)
    for way, part in (
        ((), samples.ASK.to_dict()),
        (("cast",), samples.ASK.to_dict()["cast"]),
        (("cast", "second"), samples.ASK.to_dict()["cast"]["second"]),
        (("cast", "covariance"), [0, 1]),
        (("risks",), samples.ASK.to_dict()["risks"]),
        (("tones", "midtones"), samples.ASK.to_dict()["tones"]["midtones"]),
        (("evidence", 0), samples.ASK.to_dict()["evidence"][0]),
        (("evidence", 0, "where", 0), samples.ASK.to_dict()["evidence"][0]["where"][0]),
        (("evidence", 0, "reads"), samples.ASK.to_dict()["evidence"][0]["reads"]),
        (("evidence", 0, "explains"), [0, 1]),
        (("look_at", 0), samples.ASK.to_dict()["look_at"][0]),
        (("tones",), {"new": 0}),
        ((), {"new": 0, "hints": 0}),
    )
    for key in (part if isinstance(part, dict) else range(len(part)))
]
ODD: list[Any] = [
    None, True, False, 0, 1, -7, 0.5, -0.5, 1e-9, 300, 1e300, 10**400, "", "<script>", "clear",
    "cast", "neutrals", [], {}, [1, 2], [[1, 2], [3, 4]], ["dark"], ["dark", "dark"], [None],
    [{}], {"a": 1}, {"lightness": 1, "a": 0, "b": 0}, {"a": 0, "b": 0, "share": 0.5},
    [{"what": "sky", "x": 1, "y": 1, "radius": None}],
]  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(PLACES), st.sampled_from(ODD)), max_size=2))
def test_the_reader_takes_what_the_schema_takes_and_nothing_else(
    changes: list[tuple[tuple[str | int, ...], Any]],
) -> None:
    document = copy.deepcopy(samples.ASK.to_dict())
    for (*way, last), value in changes:
        part: Any = document
        with contextlib.suppress(KeyError, IndexError, TypeError):  # the first took it away
            for step in way:
                part = part[step]
            part[last] = copy.deepcopy(value)
    assert bool(fault_of(document)) != VALIDATOR.is_valid(document)
    assert fault_of([document]) == "it is no object"
    document["verdict_words"] = WORDS.get(str(document["verdict"]))
    if VALIDATOR.is_valid(document):
        assert Judgement.from_json(json.dumps(document)).to_dict() == document
    else:
        with pytest.raises(JudgementError, match=r"^This (document|judgement) .*\.$"):
            Judgement.from_json(json.dumps(document))


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e999", '"<script>"', "-7"])
def test_a_probability_that_is_none_is_refused(value: str) -> None:
    text = samples.LIKELY.to_json().replace('"probability": 0.87', f'"probability": {value}')
    with pytest.raises(JudgementError, match="probability"):
        Judgement.from_json(text)


@pytest.mark.parametrize("text", ["[" * 10**5, '{"schema":' * 10**4, " " * (1 << 21), None, 7, []])
def test_what_is_too_deep_too_long_or_no_text_is_refused(text: Any) -> None:  # noqa: ANN401
    with pytest.raises(JudgementError):
        Judgement.from_json(text)


def test_a_document_that_lacks_a_part_fails_the_schema_and_the_reader() -> None:
    for key in SCHEMA["required"]:
        document = samples.LIKELY.to_dict()
        del document[key]
        assert not VALIDATOR.is_valid(document)
        # Worked out anew from the verdict, and not said before the third version.
        if key not in {"verdict_words", "leans"}:
            with pytest.raises(JudgementError):
                Judgement.from_json(json.dumps(document))


def test_the_first_version_is_read_its_spots_by_their_words() -> None:
    document = samples.LIKELY.to_dict()
    words = ("probable neutral (pavement)", "sky", "vegetation", "skin", "strongly coloured")
    document["schema"] = 1
    first = {**document["look_at"][0]}
    del first["kind"]
    document["look_at"] = [{**first, "what": what} for what in words]
    spots = Judgement.from_json(json.dumps(document)).look_at
    assert [spot.what for spot in spots] == list(words)
    assert [spot.kind for spot in spots] == ["neutrals", "sky", "vegetation", "skin", "object"]


def test_another_schema_version_is_refused_by_its_number() -> None:
    document = {**samples.LIKELY.to_dict(), "schema": 99}
    with pytest.raises(JudgementError, match=r"schema version 99.*versions 1 to 3 are read"):
        Judgement.from_json(json.dumps(document))


@pytest.mark.parametrize(
    "garbage", ["", "[]", "null", "7", '"text"', "{}", '{"schema": 1}', b"\xff\xfe", "{", "NaN"]
)
def test_garbage_is_refused(garbage: str | bytes) -> None:
    with pytest.raises(JudgementError):
        Judgement.from_json(garbage)


@given(st.text() | st.binary())
def test_no_text_makes_the_reader_fail_otherwise(text: str | bytes) -> None:
    with pytest.raises(JudgementError):
        Judgement.from_json(text)


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        (0, 2, "negligible"),
        (0, 4, "slight, warmer, towards yellow"),
        (0, -8, "evident, colder, towards blue"),
        (-9, 4, "evident, towards green"),
        (0, -20, "strong, colder, towards blue"),
    ],
)
def test_a_cast_in_words(a: float, b: float, words: str) -> None:
    assert describe(a, b) == words


def test_directions_have_names() -> None:
    assert [hue_name(a, b) for a, b in ((1, 0), (0, 1), (-1, 0.6), (0, -1))] == [
        "magenta-red",
        "yellow",
        "green",
        "blue",
    ]
