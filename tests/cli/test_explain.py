"""Every remark is explained, by what the code holds."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
import typer.main
from typer.testing import CliRunner

from autocast.cli import app
from autocast.cli.explain import EXPLAINED
from autocast.judgement import REMARKS
from autocast.picture import opening

if TYPE_CHECKING:
    from typer.testing import Result

HEADINGS = {
    "Always leave the picture to a person:": ("clear", "cast"),
    "Rule out 'no evident cast':": ("clear",),
    "Rule out 'likely cast':": ("cast",),
    "Rule out no verdict:": (),
}


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, ["explain", *arguments], env={"COLUMNS": "80"})


def test_every_remark_is_explained_in_its_order() -> None:
    assert list(EXPLAINED) == list(REMARKS)


def test_without_a_remark_all_are_listed_under_what_they_keep_a_picture_from() -> None:
    listed: dict[str, tuple[str, tuple[str, ...]]] = {}
    keeps: tuple[str, ...] | None = None
    code = ""
    lines = run().stdout.splitlines()
    for line in lines[:-1]:
        if not line.startswith(" "):
            keeps = HEADINGS[line]
            continue
        found = re.match(r"  (\w*) +(\S.*)", line)
        assert found, line
        assert keeps is not None
        code = found[1] or code
        listed[code] = (" ".join([*listed.get(code, ("",))[:1], found[2]]).strip(), keeps)
    assert listed == {code: (text.sentence, text.keeps_from) for code, text in REMARKS.items()}
    assert lines[-1] == "More on one: autocast explain REMARK"


@pytest.mark.parametrize("remark", REMARKS)
def test_a_remark_is_explained_in_a_few_lines(remark: str) -> None:
    result = run(remark)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert 4 <= len(lines) <= 9
    assert max(map(len, lines)) <= 80
    said = " ".join(result.stdout.split())
    assert said.startswith(f"{remark}: {REMARKS[remark].sentence} It ")
    assert f"When: {EXPLAINED[remark].means}" in said
    assert f"What to do: {EXPLAINED[remark].answer}" in said
    assert ("It always leaves the picture to a person." in said) == REMARKS[remark].asks


@pytest.mark.parametrize("remark", REMARKS)
def test_what_is_to_be_done_can_be_done(remark: str) -> None:
    commands = typer.main.get_group(app).commands
    options = {o for c in commands.values() for p in c.params for o in p.opts}
    answer = EXPLAINED[remark].answer
    assert set(re.findall(r"--[a-z-]+", answer)) <= options
    assert set(re.findall(r"\b(\w+) PICTURE", answer)) <= set(commands)


def test_the_side_that_is_tiny_is_that_of_the_code() -> None:
    assert f"shorter than {opening._TINY} pixels" in EXPLAINED["tiny"].means


@pytest.mark.parametrize(
    ("given", "near"), [("mixed", "mixed_light"), ("No-Profile", "no_profile"), ("tone", "toned")]
)
def test_an_unknown_remark_is_a_usage_error_that_names_near_ones(given: str, near: str) -> None:
    result = run(given)
    assert result.exit_code == 2
    assert f"{given!r} is not a remark; near it: " in " ".join(result.stderr.split())
    assert near in result.stderr


def test_where_nothing_is_near_the_whole_list_is_named() -> None:
    result = run("zzz")
    assert result.exit_code == 2
    assert "is not a remark; autocast explain lists all." in " ".join(result.stderr.split())
