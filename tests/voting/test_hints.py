"""What a person says of a spot changes the judgement, and only then."""

from __future__ import annotations

import jsonschema
import numpy as np
import pytest
from numpy.typing import NDArray

import autocast
from autocast.colour import cast_to_gains, linear_to_srgb, srgb_to_linear
from autocast.errors import HintError
from autocast.judgement import HINTS, Hint
from autocast.judgement.schema import json_schema
from autocast.picture import open_picture
from autocast.voting.hints import left_out
from tests.photographs import pixels

SCHEMA = json_schema()
LAKE = Hint("neutral", 494, 268, 5)
PILLAR = Hint("neutral", 300, 300, 3)
"""A red pillar: no neutral."""
CASTS = [(-2.0, -16.0), (-12.0, 5.0), (10.0, 14.0), (0.0, 12.0), (9.0, -12.0)]


def under(cast: tuple[float, float]) -> NDArray[np.uint8]:
    light = 0.8 * srgb_to_linear(pixels("china") / 255.0) * cast_to_gains(np.array(cast))
    return np.rint(linear_to_srgb(np.clip(light, 0, 1)) * 255).astype(np.uint8)


def off(judgement: autocast.Judgement, cast: tuple[float, float]) -> float:
    return float(np.hypot(judgement.cast.a - cast[0], judgement.cast.b - cast[1]))


def test_a_true_neutral_brings_the_estimate_near() -> None:
    found = [autocast.judge(under(cast), [LAKE]) for cast in CASTS]
    # The lake itself reads C* 3.7 as it is.
    assert np.median([off(j, c) for j, c in zip(found, CASTS, strict=True)]) <= 4
    assert all("hint_doubted" not in j.remarks for j in found)
    assert all(any(e.kind == "hint" and e.drove is not None for e in j.evidence) for j in found)


def test_a_false_neutral_is_named_and_asks() -> None:
    found = [autocast.judge(under(cast), [PILLAR]) for cast in [(0.0, 0.0), *CASTS]]
    named = [j.verdict == "ask" and "hint_doubted" in j.remarks for j in found]
    assert np.mean(named) >= 0.8


def test_judgements_with_hints_go_to_json_and_back() -> None:
    found = autocast.judge(pixels("china"), [LAKE])
    assert found.hints == (LAKE,)
    assert autocast.Judgement.from_json(found.to_json()) == found
    jsonschema.validate(found.to_dict(), SCHEMA)


def test_without_hints_nothing_is_said_of_them() -> None:
    plain = autocast.judge(pixels("china"))
    assert "hints" not in plain.to_dict()
    assert autocast.judge(pixels("china"), []) == plain
    jsonschema.validate(plain.to_dict(), SCHEMA)


@pytest.mark.parametrize("what", HINTS)
def test_every_kind_is_taken(what: str) -> None:
    found = autocast.judge(under(CASTS[0]), [Hint(what, 494, 268, 12)])
    kinds = [e.kind for e in found.evidence]
    assert ("hint" in kinds) == (what in {"neutral", "sky", "foliage", "skin"})
    assert ("other_light" in kinds) == (what == "other_light")
    jsonschema.validate(found.to_dict(), SCHEMA)


def test_the_schema_lists_every_kind() -> None:
    assert SCHEMA["$defs"]["hint"]["properties"]["what"]["enum"] == list(HINTS)


def test_own_colour_leaves_the_whole_thing_out() -> None:
    # Not plain, or it would be taken for a border.
    image = np.random.default_rng(1).integers(108, 148, (120, 180, 1)).repeat(3, axis=2)
    image = image.astype(np.uint8)
    image[30:90, 60:120] = (200, 30, 40)
    picture = open_picture(image)
    kept = left_out(picture, [Hint("own_colour", 90, 60, 3)]).opaque
    assert not kept[32:88, 62:118].any()
    assert kept[:28].all()
    assert kept[:, :58].all()


def test_another_light_is_read_by_itself() -> None:
    image = under((0.0, 0.0))
    image[:, 400:] = under((-2.0, -20.0))[:, 400:]
    region = Hint("other_light", 560, 210, 160)
    found = autocast.judge(image, [region])
    (apart,) = [e for e in found.evidence if e.kind == "other_light"]
    assert apart.explains is not None
    assert apart.explains[1] < found.cast.b - 5


@pytest.mark.parametrize(
    ("hint", "sentence"),
    [
        (Hint("neutral", 9999, 5), "lies outside"),
        (Hint("neutral", 5, 5, 0), "makes no sense"),
        (Hint("neutral", 5, 5, float("inf")), "makes no sense"),
        (Hint("grey", 5, 5), "no kind of hint"),
        (Hint("other_light", 320, 200, 5000), "leave nothing"),
        (Hint("neutral", 20, 20, 5), "Nothing can be read"),
    ],
)
def test_a_hint_that_cannot_be_read_is_refused(hint: Hint, sentence: str) -> None:
    image = pixels("china").copy()
    image[:60, :60] = 255
    with pytest.raises(HintError, match=sentence):
        autocast.judge(image, [hint])
