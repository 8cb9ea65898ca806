"""README.md says what the code does."""

from __future__ import annotations

import importlib.util
import json
import os
import pkgutil
import re
import tomllib
from pathlib import Path

import pytest
import typer.main

from autocast.advisor.risk import CONSENSUS
from autocast.cli import app
from autocast.judgement import (
    EVIDENT_FROM,
    REMARKS,
    SLIGHT_FROM,
    STRONG_FROM,
    TONE_RANGES,
    VERDICT_WORDS,
)
from tests.documents import ROOT, figures, number, table, text

README = text("README.md")
CARD = text("models/CARD.md")
DEVELOPERS = text("DEVELOPERS.md")
VERDICT = json.loads(text("models/verdict.json"))


def _section(title: str) -> str:
    _, _, rest = README.partition(f"\n## {title}\n")
    assert rest, title
    return rest.partition("\n## ")[0]


def _block(section: str, language: str) -> str:
    (found,) = re.findall(rf"```{language}\n(.*?)```", section, flags=re.DOTALL)
    return str(found).strip()


def test_remarks_are_listed_as_they_are() -> None:
    listed = [tuple(row) for row in table("| remark | says |", README)]
    assert listed == [
        (key, remark.sentence, "asks" if remark.asks else "") for key, remark in REMARKS.items()
    ]
    (count,) = figures(r"Named circumstances, (\d+) of them\.", README)
    assert int(count) == len(REMARKS)


def test_what_remarks_keep_a_picture_from_is_stated() -> None:
    not_clear = figures(r"With `(\w+)` or `(\w+)` a picture is not called \*clear\*", README)
    not_cast = figures(r"with `(\w+)` or `(\w+)` it is not called \*cast\*", README)
    assert set(not_clear) == {k for k, remark in REMARKS.items() if remark.keeps_from == ("clear",)}
    assert set(not_cast) == {k for k, remark in REMARKS.items() if remark.keeps_from == ("cast",)}


def test_verdicts_are_listed_as_they_are() -> None:
    for verdict, words in VERDICT_WORDS.items():
        assert f"| `{verdict}` | {words} |" in README


def test_thresholds_are_those_of_the_code() -> None:
    assert (
        f"below {SLIGHT_FROM:g} *negligible*, from {SLIGHT_FROM:g} *slight*, "
        f"from {EVIDENT_FROM:g} *evident*, from {STRONG_FROM:g} *strong*"
    ) in " ".join(README.split())
    for low, high, at in TONE_RANGES.values():
        assert re.search(rf"{low:g}–{high:g},\s+(quoted )?at {at:g}\b", README)


def test_the_risks_where_nothing_is_given_are_those_of_the_models() -> None:
    rows = table("| option | allowed share", README)
    given = {option.removeprefix("--risk-"): float(share) for option, _, share in rows}
    assert given == VERDICT["risks"]


def test_the_thresholds_hold_as_is_said() -> None:
    figures(r"as autocast comes, both hold as expected\.", README)
    assert (VERDICT["clear_held"], VERDICT["cast_held"]) == ("expected", "expected")


def test_the_photographs_are_those_of_the_models() -> None:
    pictures, groups = figures(r"On (\d+) photographs in (\d+) groups,", README)
    assert int(pictures) == sum(VERDICT["curve"]["total"])
    assert (pictures, groups) == figures(r"(\d+) pictures in (\d+) groups;", CARD)
    figures(r"More than a third of these pictures carry a slight or evident cast;", README)
    total = dict(zip(CONSENSUS, VERDICT["curve"]["total"], strict=True))
    assert total["slight"] + total["evident"] > sum(total.values()) / 3


def test_the_demonstration_leaves_as_many_to_a_person_as_is_said() -> None:
    asked, laid = figures(r"in the demonstration, (\d+) of (\d+) casts that are laid", README)
    expected = json.loads(text("demo/expected.json"))["known cast"]
    assert (int(asked), int(laid)) == (expected["left to a person"], expected["pictures"])
    asked, rendered = figures(r"as are (\d+) of (\d+) rendered scenes without one", README)
    expected = json.loads(text("demo/expected.json"))["nothing wrong"]
    assert (int(asked), int(rendered)) == (expected["left to a person"], expected["pictures"])


@pytest.mark.parametrize(
    ("command", "header"),
    [
        ("judge", "| exit code | meaning"),
        ("correct", "| exit code of `correct` |"),
        ("presort", "| exit code of `presort` |"),
    ],
)
def test_exit_codes_are_those_that_the_commands_name(command: str, header: str) -> None:
    commands = typer.main.get_group(app).commands
    (named,) = figures(r"Exit codes: (.*)", commands[command].help or "")
    codes = re.findall(r"(?:^|; )(\d+) [a-z]", named)
    assert codes
    assert [row[0] for row in table(header, README)] == codes


CARD_NAMES = {
    "autocast, probability": "probability",
    "autocast, size of the cast that it quotes": "quoted (the estimate)",
    "known colours counted together, size of the cast": "counted",
    "the like over the statistics alone, size of the cast": "plain fit, statistics alone",
}
"""What the card calls the rows of the README's table, where it calls them otherwise."""


def test_the_figures_in_the_table_are_those_of_the_card() -> None:
    laid = {row[0]: row[1:] for row in table("| | 4 (n ", CARD)}
    judged = {row[0]: row[1:] for row in table("| | evident or none (n", CARD)}
    rows = table("| AUC | laid cast", README)
    assert len(rows) == 11
    for name, *cells in rows:
        known = CARD_NAMES.get(name, name)
        by_size = [number(cell) for cell in laid[known][1:5]]  # casts of C* 6, 8, 12 and 16
        for cell, exact in zip(cells, [*by_size, number(judged[known][0])], strict=True):
            assert number(cell) == pytest.approx(exact, abs=0.00501), name
    (by_probability,) = figures(r"\.84, by probability (\.\d\d) \|", README)
    exact = number(judged["plain fit, statistics alone: probability"][0])
    assert float(by_probability) == pytest.approx(exact, abs=0.00501)


def test_the_errors_of_verdicts_are_those_of_the_card() -> None:
    stated = figures(
        r"Of those called \*clear\* ([\d.]+) % were evident casts, and ([\d.]+) % of the evident "
        r"casts were called \*clear\*; of those called \*cast\* ([\d.]+) % were judged to have "
        r"none\. For that, (\d+) % were left to a person\.",
        README,
    )
    own, other = (table("| risk | share |", part) for part in CARD.split("The same at a mix of"))
    assert [float(each) for each in stated[:3]] == [number(row[1]) for row in own[:3]]
    assert int(stated[3]) == round(number(own[3][1]))
    mix = figures(r"where (\d+) % are slight and (\d+) % evident, (\d+) % would be left,", README)
    evident, slight = figures(r"at a mix of (\d+) % evident, (\d+) % slight,", CARD)
    assert mix == (slight, evident, f"{number(other[3][1]):.0f}")


def test_what_a_hint_is_worth_is_that_of_the_card() -> None:
    stated = figures(
        r"took the median error of the estimate from ([\d.]+) to ([\d.]+); of strongly coloured "
        r"spots called neutral, (\d+) % led to a person",
        README,
    )
    (row,) = [row for row in table("| kind | n | without | true |", CARD) if row[0] == "all"]
    assert [float(each) for each in stated] == [number(row[2]), number(row[3]), number(row[7])]


def test_ci_runs_the_test_command_that_is_named_here() -> None:
    command = _block(_section("Run the tests"), "sh")
    assert command in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


def test_the_python_example_runs(
    photograph: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    example = _block(_section("From Python"), "python")
    monkeypatch.chdir(photograph.parent)
    assert '"photograph.jpg"' in example
    exec(example.replace("photograph.jpg", photograph.name), {})  # noqa: S102 - our own text
    assert capsys.readouterr().out.startswith(tuple(VERDICT_WORDS.values()))


def test_links_lead_somewhere() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", README)
    assert targets
    for target in targets:
        assert (ROOT / target).exists(), target


DOCUMENTS = ("README.md", "DEVELOPERS.md", "models/CARD.md", "models/STUDIES.md")


@pytest.mark.parametrize("name", DOCUMENTS)
def test_files_that_are_named_are_there(name: str) -> None:
    paths = re.findall(r"\b(?:autocast|demo|models|tests)/[\w./<>-]*\w", text(name))
    assert paths or name == "models/STUDIES.md"
    for path in paths:
        assert (ROOT / path).exists(), f"{name} names {path}"


@pytest.mark.parametrize("name", DOCUMENTS)
def test_names_of_the_code_that_are_named_are_there(name: str) -> None:
    for dotted in re.findall(r"\bautocast(?:\.\w+)+(?![\w/])", text(name)):
        assert pkgutil.resolve_name(dotted) is not None


def test_modules_that_are_run_by_name_are_there() -> None:
    modules = [
        m for name in DOCUMENTS for m in re.findall(r"python -m (autocast[\w.]*)", text(name))
    ]
    assert modules
    assert all(importlib.util.find_spec(module) is not None for module in modules)


def test_developers_md_lists_the_rooms_in_the_order_that_is_held() -> None:
    (held,) = [
        contract["layers"]
        for contract in tomllib.loads(text("pyproject.toml"))["tool"]["importlinter"]["contracts"]
        if contract["type"] == "layers"
    ]
    order = [room for layer in held for room in layer.split(" : ") if room != "__main__"]
    assert [
        row[0].removesuffix("/").removesuffix(".py") for row in table("| room |", DEVELOPERS)
    ] == order
