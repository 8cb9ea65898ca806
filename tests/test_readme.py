"""README.md says what the code does, and what it shows is what is printed."""

from __future__ import annotations

import importlib.util
import io
import itertools
import json
import math
import os
import pkgutil
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import httpx
import numpy as np
import pytest
import typer.main
from PIL import Image
from skimage import data
from typer.testing import CliRunner

from autocast.archive.shares import LEAST_SAMPLED
from autocast.archive.thresholds import LEAST_DECIDED
from autocast.cli import app
from autocast.judgement import EVIDENT_FROM, SLIGHT_FROM, STRONG_FROM, VERDICT_WORDS
from autocast.judgement.things import HINT_HELP
from autocast.training.simulation import lay_cast
from tests.documents import ROOT, figures, number, table, text

README = text("README.md")
CARD = text("models/CARD.md")
DEVELOPERS = text("DEVELOPERS.md")
PLAN = tomllib.loads(text("demo/archive.toml"))["set"]
EXTRAS = tomllib.loads(text("pyproject.toml"))["project"]["optional-dependencies"]
COMMANDS = typer.main.get_group(app).commands
ASTRONAUT = "demo/astronaut.jpg"

LARGEST = 10_000
"""Bytes of the whole README."""
LARGEST_PICTURE = 350_000
"""Bytes of a picture that it shows."""
ELSEWHERE = 2
"""Units of the last place by which figures may differ where other decoders are installed."""


def _blocks() -> list[tuple[str, str, str]]:
    """Language, content, and what stands between it and the next block."""
    return re.findall(r"```(\w+)\n(.*?)```\n(.*?)(?=```|\Z)", README, flags=re.DOTALL)


def _shown() -> list[tuple[str, str]]:
    """Commands that an output follows at once, with that output."""
    blocks = _blocks()
    return [
        (commands, output)
        for (first, commands, between), (second, output, _) in itertools.pairwise(blocks)
        if (first, second, between.strip()) == ("sh", "text", "")
    ]


def _commands() -> list[list[str]]:
    """Every command of README, in words."""
    lines = [line for kind, block, _ in _blocks() if kind == "sh" for line in block.splitlines()]
    return [shlex.split(line, comments=True) for line in lines]


def _day() -> list[list[str]]:
    section = README.partition("\n## A day\n")[2]
    (block,) = re.findall(r"```sh\n(.*?)```", section.partition("\n## ")[0], flags=re.DOTALL)
    return [shlex.split(line, comments=True) for line in block.splitlines()]


def _agree(shown: str, printed: str) -> bool:
    """Are two lines the same, but for the last place of figures?"""
    figure = re.compile(r"[-+]?\d+(?:\.\d+)?")
    if figure.split(shown) != figure.split(printed):
        return False
    return all(
        abs(float(a) - float(b)) <= ELSEWHERE * 10 ** -len(a.partition(".")[2]) + 1e-9
        for a, b in zip(figure.findall(shown), figure.findall(printed), strict=True)
    )


def _stands(shown: list[str], printed: list[str]) -> bool:
    """Do the lines stand in what was printed, in order, ``...`` for any number of lines?"""
    if not shown:
        return not printed
    if shown[0] == "...":
        return any(_stands(shown[1:], printed[k:]) for k in range(len(printed) + 1))
    return bool(printed) and _agree(shown[0], printed[0]) and _stands(shown[1:], printed[1:])


@pytest.fixture
def clone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in that holds the picture, at the width of a terminal."""
    (tmp_path / "demo").mkdir()
    shutil.copy(ROOT / ASTRONAUT, tmp_path / "demo")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path


def test_it_is_short() -> None:
    assert len((ROOT / "README.md").read_bytes()) <= LARGEST


@pytest.mark.slow
@pytest.mark.usefixtures("clone")
def test_what_is_shown_is_what_is_printed() -> None:
    shown = _shown()
    assert [len(commands.splitlines()) for commands, _ in shown] == [1, 3]
    for commands, output in shown:
        printed = ""
        for line in commands.splitlines():
            program, *arguments = shlex.split(line)
            assert program == "autocast"
            result = CliRunner().invoke(app, arguments)
            assert result.exit_code == 0, result.output
            printed += result.stdout
        assert _stands(output.splitlines(), printed.splitlines()), printed


def test_the_first_output_is_whole_and_has_twelve_lines() -> None:
    commands, output = _shown()[0]
    assert commands.split() == ["autocast", "judge", ASTRONAUT]
    assert len(output.splitlines()) == 12
    assert "..." not in output


def test_the_comparison_of_outputs_can_fail() -> None:
    assert _stands(["a 1.5", "...", "b"], ["a 1.6", "c", "d", "b"])
    assert not _stands(["a 1.5"], ["a 1.9"])
    assert not _stands(["a 1.5"], ["b 1.5"])
    assert not _stands(["a", "..."], ["b", "a"])
    assert not _stands(["a"], ["a", "b"])


def test_there_is_one_way_of_writing_a_command() -> None:
    first, *others = _commands()
    assert first[:3] == ["python3", "-m", "venv"]
    assert {words[0] for words in others} == {"autocast"}
    assert ".venv/bin/autocast" not in README
    for words in others:
        options = {o for p in COMMANDS[words[1]].params for o in p.opts}
        assert {word for word in words if word.startswith("--")} <= options, words


def test_the_picture_is_that_photograph_with_that_cast() -> None:
    a, b = figures(r"a green cast laid over it \(a\\\* (\S+), b\\\* (\S+)\)", README)
    cast = number(a), float(b)
    rng = np.random.default_rng(3)
    laid = lay_cast(data.astronaut(), rng, "gain", math.hypot(*cast), math.atan2(*cast[::-1]))
    expected = Image.open(io.BytesIO(laid.data)).resize((480, 480), Image.Resampling.LANCZOS)
    with Image.open(ROOT / ASTRONAUT) as shown:
        off = np.abs(np.asarray(shown, float) - np.asarray(expected, float))
    assert off.mean() < 3
    assert (ROOT / ASTRONAUT).stat().st_size <= 60_000
    figures(rf"`{ASTRONAUT}` is NASA's portrait of Eileen Collins \(public domain\)", README)


def test_sizes_of_casts_are_those_of_the_code() -> None:
    assert (
        f"below {SLIGHT_FROM:g} is *negligible*, from {SLIGHT_FROM:g} *slight*, "
        f"from {EVIDENT_FROM:g} *evident*, from {STRONG_FROM:g} *strong*"
    ) in " ".join(README.split())


def test_the_day_has_six_lines_about_an_archive_that_the_demonstration_makes() -> None:
    day = _day()
    assert [words[1] for words in day] == [
        "presort", "report", "review", "correct", "sidecars", "review",
    ]  # fmt: skip
    folder, _, name = day[3][2].removeprefix("autocast-demo/archive/").rpartition("/")
    (plan,) = [each for each in PLAN if each["folder"] == folder]
    assert name in {
        f"{photograph}-copy-{k + 1}.jpg"
        for photograph in plan["photographs"]
        for k in range(len(plan["casts"]))
    }


@pytest.mark.slow
def test_the_day_runs(clone: Path) -> None:
    # In place of the whole archive, one picture with a cast under the name that README corrects.
    stand_in = clone / _day()[3][2]
    stand_in.parent.mkdir(parents=True)
    shutil.copy(ASTRONAUT, stand_in)
    before = stand_in.read_bytes()
    for words in _day():
        if words[1] == "review":
            _review(words)
        else:
            result = CliRunner().invoke(app, words[1:])
            assert result.exit_code == 0, result.output
    assert stand_in.read_bytes() == before
    made = {path.name for path in [*clone.iterdir(), *stand_in.parent.iterdir()]}
    assert {"day.ledger", "day", "day.jpg", f"{stand_in.name}.xmp"} <= made


def _review(words: list[str]) -> None:
    """Start the review, open the address that it names, and end it."""
    command = [sys.executable, "-m", "autocast", *words[1:], "--no-open"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment) as serving:
        try:
            assert serving.stderr is not None
            (address,) = re.findall(r"^Open (http://127\.0\.0\.1:\S+)", serving.stderr.readline())
            assert httpx.get(address, follow_redirects=True).status_code == 200
            serving.send_signal(signal.SIGTERM)
            serving.communicate(timeout=30)
        finally:
            serving.kill()
    assert serving.returncode == 0


def test_commands_are_listed_with_options_that_they_have() -> None:
    rows = table("| command | does |", README)
    named = [name for row in rows for name in row[0].split(", ")]
    assert sorted(named) == sorted(COMMANDS)
    for name, does in rows:
        options = {o for each in name.split(", ") for p in COMMANDS[each].params for o in p.opts}
        assert set(re.findall(r"--[a-z-]+", does)) <= options, name


def test_extras_are_listed_as_they_are() -> None:
    rows = table("| extra | for |", README)
    assert sorted(name for row in rows for name in row[0].split(", ")) == sorted(EXTRAS)
    for name, use in rows:
        commands = [word for word in re.findall(r"[a-z]+", use) if word in COMMANDS]
        options = {o for each in commands for p in COMMANDS[each].params for o in p.opts}
        assert set(re.findall(r"--[a-z-]+", use)) <= options, name


def test_hints_are_listed_as_they_are() -> None:
    (listed,) = figures(r"Hints are (.*?) One true neutral", README)
    assert re.findall(r"--([a-z-]+)", listed) == [hint.replace("_", "-") for hint in HINT_HELP]


@pytest.mark.parametrize(
    ("command", "codes"),
    [
        ("judge", "0 1 2 130"),
        ("measure", "0 1 2"),
        ("correct", "0 1 2 3 4"),
        ("explain", "0 2"),
        ("presort", "0 1 2 130"),
        ("list", "0 1 2"),
        ("review", "0 1 2"),
        ("export", "0 1 2"),
        ("sidecars", "0 1 2"),
    ],
)
def test_help_names_the_exit_codes(command: str, codes: str) -> None:
    (named,) = figures(r"Exit codes: (.*)", COMMANDS[command].help or "")
    assert re.findall(r"(?:^|; )(\d+) [a-z]", named) == codes.split()


def test_what_decisions_tell_is_what_the_card_measured() -> None:
    drawn, covered, learned = figures(
        r"(\d+) at random tell .*? covered in (\S+) % or more.*? learned from (\d+) keep", README
    )
    (row,) = [
        row for row in table("| 95 % interval of the share of casts |", CARD) if "powered" in row[0]
    ]
    assert number(covered) == number(row[1])
    assert (int(drawn), int(learned)) == (LEAST_SAMPLED, LEAST_DECIDED)


def test_the_demonstration_scores_as_is_said() -> None:
    stated = figures(
        r"(\d+) of (\d+) verdicts are right, (\d+) are left to a person and (\d+) are wrong", README
    )
    kinds = json.loads(text("demo/expected.json")).values()
    names = ("right", "pictures", "left to a person", "wrong")
    assert [int(each) for each in stated] == [sum(k[name] for k in kinds) for name in names]


def test_the_demonstration_leaves_as_many_to_a_person_as_is_said() -> None:
    expected = json.loads(text("demo/expected.json"))
    laid, uncast = expected["known cast"], expected["nothing wrong"]
    stated = figures(
        r"(\d+) of (\d+) laid casts and (\d+) of (\d+) scenes without one are left", README
    )
    assert [int(each) for each in stated] == [
        each[name] for each in (laid, uncast) for name in ("left to a person", "pictures")
    ]


def test_the_errors_of_verdicts_are_those_of_the_card() -> None:
    stated = figures(
        r"Of (\d+) photographs, .*?, (\d+) % were left to a person; of those called "
        r"\*no evident cast\* ([\d.]+) % had an evident one \(([\d.]+) % of all evident casts\), "
        r"of those called \*likely cast\* ([\d.]+) % had none\.",
        README,
    )
    own, other = (table("| risk | share |", part) for part in CARD.split("The same at a mix of"))
    assert stated[0] == figures(r"(\d+) pictures in \d+ groups;", CARD)[0]
    assert int(stated[1]) == round(number(own[3][1]))
    assert [float(each) for each in stated[2:]] == [number(row[1]) for row in own[:3]]
    mix = figures(r"Where only (\d+) % .*?, (\d+) % of those called \*likely cast\* have", README)
    (evident,) = figures(r"at a mix of (\d+) % evident,", CARD)
    assert mix == (evident, f"{number(other[2][1]):.0f}")


def test_what_it_is_compared_with_is_that_of_the_card() -> None:
    stated = figures(
        r"with AUC (\S+) \(a fit over picture-wide statistics alone: (\S+); the best published "
        r"estimator alone: (\S+)\)",
        README,
    )
    auc = {row[0]: number(row[1]) for row in table("| | evident or none (n", CARD)}
    own = ("quoted (the estimate)", "trees alone", "counted", "mean of trees and count")
    published = [auc[name] for name in auc if name not in own and "probability" not in name]
    published.remove(auc["plain fit, statistics alone"])
    assert len(published) == 8
    expected = (
        auc["probability"],
        auc["plain fit, statistics alone: probability"],
        max(published),
    )
    assert [float(each) for each in stated] == pytest.approx(expected, abs=0.00501)


def test_what_is_not_seen_is_that_of_the_card() -> None:
    least, most = figures(r"(\d+) to (\d+) %, by kind, were called \*no evident cast\*", README)
    called = {row[0]: number(row[5]) for row in table("| | n | probability | largest", CARD)}
    kinds = ("crossed", "shadows", "midtones", "highlights", "part", "two lights")
    shares = [called[kind] for kind in kinds]
    assert (int(least), int(most)) == (round(min(shares)), round(max(shares)))


def test_what_a_hint_is_worth_is_that_of_the_card() -> None:
    stated = figures(
        r"took the median error of the estimate from ([\d.]+) to ([\d.]+); of strongly coloured "
        r"spots called neutral, (\d+) % led to a person",
        README,
    )
    (row,) = [row for row in table("| kind | n | without | true |", CARD) if row[0] == "all"]
    assert [float(each) for each in stated] == [number(row[2]), number(row[3]), number(row[7])]


def test_ci_runs_the_test_command_that_is_named_here() -> None:
    (command,) = figures(r"Run the tests: `(.*?)`", README)
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert f".venv/bin/{command}" in run
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


def test_the_python_example_runs(
    photograph: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (example,) = [block for kind, block, _ in _blocks() if kind == "python"]
    monkeypatch.chdir(photograph.parent)
    assert '"photograph.jpg"' in example
    exec(example.replace("photograph.jpg", photograph.name), {})  # noqa: S102 - our own text
    assert capsys.readouterr().out.startswith(tuple(VERDICT_WORDS.values()))


def test_pictures_are_small() -> None:
    shown = re.findall(r"!\[[^]]+\]\(([^)]+)\)", README)
    assert len(shown) == 4
    assert all((ROOT / name).stat().st_size < LARGEST_PICTURE for name in shown)


def test_links_lead_somewhere() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", README)
    assert targets
    for target in targets:
        assert (ROOT / target).exists(), target


DOCUMENTS = ("README.md", "DEVELOPERS.md", "models/CARD.md", "models/STUDIES.md")


@pytest.mark.parametrize("name", DOCUMENTS)
def test_files_that_are_named_are_there(name: str) -> None:
    paths = re.findall(r"(?<![\w-])(?:autocast|demo|models|tests)/[\w./<>-]*\w", text(name))
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
