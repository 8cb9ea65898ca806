"""presort, list, export and sidecars as commands."""

from __future__ import annotations

import os
import pty
import re
import select
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from rich.cells import cell_len
from typer.testing import CliRunner

from autocast.archive.decisions import Wish, decide
from autocast.archive.ledger import Ledger
from autocast.archive.rows import Wanted
from autocast.cli import app
from autocast.judgement import VERDICT_WORDS
from autocast.modelstore import Models, default_models
from autocast.report.listing import listing
from autocast.report.text import counted
from tests import ledgers
from tests.archive.test_ledger import outcome
from tests.archives import archive, other_models

if TYPE_CHECKING:
    from typer.testing import Result

ROOT = Path(__file__).parents[2]


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    path = tmp_path / "a.ledger"
    with Ledger.write(path) as opened:
        opened.record([outcome(b"/a/box/%d\x1b\xff.jpg" % k, k % 4) for k in range(30)])
        opened.record([outcome(b"/a/box/none.jpg", None)])
    return path


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    root = tmp_path_factory.mktemp("walked")
    archive(root / "pictures", copies=1)
    result = run("presort", root / "pictures", "--into", root / "a.ledger", "--jobs", "1")
    assert result.exit_code == 0, result.stderr
    assert "9 judged now, 0 unchanged, 1 other file." in result.stdout
    assert "1 could not be judged" in " ".join(result.stdout.split())
    return root / "pictures", root / "a.ledger"


def test_presort_again_judges_nothing_and_changes_no_picture(walked: tuple[Path, Path]) -> None:
    root, ledger = walked
    before = {path: path.stat() for path in root.rglob("*")}
    result = run("presort", root, "--into", ledger)
    assert result.exit_code == 0
    assert "0 judged now, 9 unchanged, 1 other file." in result.stdout
    after = {path: path.stat() for path in root.rglob("*")}
    assert {p: (s.st_size, s.st_mtime_ns) for p, s in before.items()} == {
        p: (s.st_size, s.st_mtime_ns) for p, s in after.items()
    }


def test_a_change_of_models_is_noticed_and_said(tmp_path: Path, walked: tuple[Path, Path]) -> None:
    root, _ = walked
    ledger = tmp_path / "a.ledger"
    with Ledger.write(ledger) as opened:
        opened.record([outcome(b"/elsewhere/1.jpg")])
    result = run("presort", root, "--into", ledger, "--include", "no such")
    assert result.exit_code == 0
    assert "the models have changed since (1 by 2026-11 (invented); now " in result.stderr
    assert "--rejudge judges all again" in result.stderr


def test_presort_judges_with_the_models_it_is_given(
    tmp_path: Path, walked: tuple[Path, Path]
) -> None:
    root, shipped = walked
    folder, ledger = other_models(tmp_path / "models"), tmp_path / "a.ledger"
    command = ("presort", root, "--into", ledger, "--models", folder, "--jobs", "1")
    assert run(*command).exit_code == 0
    found = {}
    for path in (shipped, ledger):
        with Ledger.read(path) as opened:
            (model,) = opened.models()
            assert model == (Models.load(folder) if path == ledger else default_models()).id
            found[path] = opened.counts()
    assert found[ledger].judged == found[shipped].judged
    assert found[ledger].clear == 0 < found[shipped].clear
    assert run(*command).stderr.startswith("Took ")  # they are the models that judged it
    assert "the models have changed since" in run("presort", root, "--into", ledger).stderr


@pytest.mark.parametrize("damage", ["no folder", "no registry", "altered"])
def test_a_folder_that_holds_no_models_is_one_sentence(
    tmp_path: Path, walked: tuple[Path, Path], damage: str
) -> None:
    folder = tmp_path / "models"
    if damage == "no registry":
        folder.mkdir()
    elif damage == "altered":
        other_models(folder)
        (folder / "weights.json").write_text("{}", encoding="ascii")
    result = run("presort", walked[0], "--into", tmp_path / "a.ledger", "--models", folder)
    assert result.exit_code == 1
    assert result.stderr.startswith(f"autocast: {folder}/")
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "a.ledger").exists()


def test_the_ledger_lists_what_was_judged(walked: tuple[Path, Path]) -> None:
    _, ledger = walked
    result = run("list", ledger)
    assert result.exit_code == 0
    assert "Going by the chances of all pictures, about " in result.stdout
    assert all(f"{name}_0.jpg" in result.stdout for name in ("china", "coffee"))
    assert "COULD NOT BE JUDGED (1)" in result.stdout


def test_what_to_see_first_comes_first_and_fits(ledger: Path) -> None:
    result = run("list", ledger, "--count", "0")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert all(line.isprintable() for line in lines)
    heads = [line for line in lines if re.match(r"[A-Z ]+\(", line)]
    assert heads == [
        "LIKELY CAST (8)",
        "A PERSON SHOULD LOOK (14)",
        "NO EVIDENT CAST (8)",
        "COULD NOT BE JUDGED (1)",
    ]
    # Piped on, paths are whole.
    assert r"/a/box/0\x1b\xff.jpg" in result.stdout
    short = run("list", ledger, "--count", "5").stdout.splitlines()
    assert short[-1] == "The first 5 of 31 lines; --count 0 shows all."


@pytest.mark.parametrize(
    ("arguments", "lines"),
    [
        (("--verdict", "cast", "--verdict", "clear"), 16),
        (("--hue", "blue"), 8),
        (("--remark", "dark"), 7),
        (("--failed",), 1),
        (("--folder", "/a"), 31),
        (("--folder", "/a/box"), 31),
        (("--folder", "box"), 31),
    ],
)
def test_the_list_is_narrowed(ledger: Path, arguments: tuple[str, ...], lines: int) -> None:
    result = run("list", ledger, "--count", "0", *arguments)
    assert result.exit_code == 0
    assert len(re.findall(r"\.jpg", result.stdout)) == lines
    assert result.stdout.startswith(f"{lines} picture")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("list", "x", "--verdict", "maybe"), "'maybe' is not one of clear, cast, ask"),
        (("list", "x", "--hue", "navy"), "'navy' is not one of warm, cold, magenta-red"),
        (("list", "x", "--remark", "nice"), "'nice' is not one of conflict"),
        (("list", "x", "--failed", "--hue", "blue"), "they have no verdict, hue or remark"),
        (("presort", "x"), "Missing option '--into'"),
        (("presort", "x", "--into", "y", "--rejudge", "--retry-failed"), "--rejudge includes it"),
        (("presort", "x", "--into", "y", "--take-back", "--strict"), "or take back what was"),
        (("presort", "x", "--into", "y", "--jobs", "2", "--scheduler", "z"), "set that"),
        (("sidecars", "x", "--verdict", "maybe"), "'maybe' is not one of"),
    ],
)
def test_what_is_not_understood_exits_2(arguments: tuple[str, ...], said: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.replace("│", " ").split())


def test_what_cannot_be_done_exits_1_with_one_sentence(tmp_path: Path, ledger: Path) -> None:
    for arguments, said in (
        (("list", tmp_path / "none"), "does not exist; name a ledger, or make one"),
        (("presort", tmp_path / "none", "--into", ledger), "is no folder; give the folders"),
        (("export", ledger, "--to", tmp_path / "a.doc"), "must end in .csv"),
        (("sidecars", tmp_path / "none"), "does not exist"),
    ):
        result = run(*arguments)
        assert result.exit_code == 1
        assert result.stderr.startswith("autocast: ")
        assert said in result.stderr
        assert result.stderr.count("\n") == 1


def test_export_and_sidecars_are_commands(walked: tuple[Path, Path], tmp_path: Path) -> None:
    root, ledger = walked
    result = run("export", ledger, "--to", tmp_path / "a.csv")
    assert (result.exit_code, result.stdout) == (
        0,
        f"9 pictures written to {tmp_path / 'a.csv'}.\n",
    )
    with Ledger.read(ledger) as opened:
        asked = len(opened.page(0, Wanted(verdicts=("ask",))))
    result = run("sidecars", ledger, "--verdict", "ask", "--subjects")
    assert result.exit_code == 0
    assert result.stdout == f"{asked} sidecars written.\n"
    made = list(root.rglob("*.xmp"))
    assert len(made) == asked > 0
    assert all(b"autocast: a person should look" in path.read_bytes() for path in made)
    made[0].write_bytes(b"mine")
    result = run("sidecars", ledger, "--verdict", "ask")
    assert result.exit_code == 1
    assert "is left as it is" in result.stderr
    assert result.stdout == f"{counted(asked - 1, 'sidecar')} written. 1 not.\n"
    for path in made:
        path.unlink()


def test_a_terminal_shows_how_far_it_is(walked: tuple[Path, Path], tmp_path: Path) -> None:
    root, _ = walked
    near, far = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "autocast", "presort", str(root), "--into", str(tmp_path / "l")],
        cwd=ROOT,
        stdin=far,
        stdout=subprocess.DEVNULL,
        stderr=far,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"},
    ) as process:
        os.close(far)
        shown = b""
        while select.select([near], [], [], 60)[0]:
            try:
                piece = os.read(near, 4096)
            except OSError:  # the other end is closed
                break
            if not piece:
                break
            shown += piece
    os.close(near)
    assert process.returncode == 0
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown.decode("utf-8", "replace"))
    assert "of 10 files" in text
    assert "/s" in text
    assert "left" in text
    assert re.search(r"\d for a person", text)


def test_list_and_report_say_which_chance_they_give_and_why_judge_gives_another(
    walked: tuple[Path, Path], tmp_path: Path
) -> None:
    path = walked[1]

    def listed(*more: str) -> tuple[str, list[list[str]]]:
        shown = run("list", path, "--both", "--each", "--count", "0", *more).stdout
        found = re.findall(r"^ +(<?>?\d+ %) +(<?>?\d+ %)  .*?(\w+\.jpg)$", shown, re.MULTILINE)
        return " ".join(shown.split()), [list(row) for row in found]

    for more, rate in (([], None), (["--base-rate", "0.07"], "7 %")):
        said, rows = listed(*more)
        once = r"Chances are those in this archive \((\d+ %) of it casts\)"
        if more:  # one thing is said, not another by the scores
            once = r"By the base rate that verdicts go by, (\d+ %) of the pictures have"
            assert "Going by the chances" not in said
            assert "Chances are" not in said
        of_it = re.search(once, said)
        assert of_it is not None
        assert rate in {None, of_it[1]}
        assert "autocast judge sees a picture alone, takes 25 %" in said
        assert rows
        assert any(alone != here for alone, here, _ in rows)
        run("report", path, "--to", tmp_path / "out", *more)
        cards = "".join(p.read_text("utf-8") for p in (tmp_path / "out/data").glob("cards-*.js"))
        for alone, here, name in rows:
            words = (
                f"Chance of an evident cast: {here} in this archive ({of_it[1]} of it casts), "
                f"{alone} for the picture alone (25 % of all pictures), as autocast judge gives it."
            )
            card = next(part for part in cards.split("article class") if name in part)
            assert words in card.replace("\\u00a0", " ").replace("\\u003c", "<").replace(
                "&lt;", "<"
            )
        page = (tmp_path / "out" / "index.html").read_text("utf-8").replace("\xa0", " ")
        assert of_it[0] in page


def test_the_list_for_a_terminal_fits_it_and_for_programs_has_fields(ledger: Path) -> None:
    with Ledger.read(ledger) as opened:
        pages = list(opened.pages(documents=True))
        shown = list(listing(pages, opened.counts(), 80))
    assert all(cell_len(line) <= 80 for text in shown for line in text.splitlines())
    assert "In /a/box" in shown
    result = run("list", ledger, "--count", "0", "--plain")
    rows = [line.split("\t") for line in result.stdout.splitlines()]
    assert {len(row) for row in rows} == {7}
    assert Counter(row[0] for row in rows) == {"cast": 8, "ask": 14, "clear": 8, "failed": 1}
    asks = [row for row in rows if row[0] == "ask"]
    assert all(row[6].rstrip("0123456789%,() ").endswith(("?", ".", "A:", "B:")) for row in asks)
    assert rows[-1][6]  # why it failed
    assert len(run("list", ledger, "--plain", "--count", "3").stdout.splitlines()) == 3


def test_a_verdict_may_be_given_as_it_is_printed(ledger: Path) -> None:
    for key, words in VERDICT_WORDS.items():
        by_key, by_words = (
            run("list", ledger, "--plain", "--count", "0", "--verdict", each).stdout
            for each in (key, words)
        )
        assert by_key == by_words
        assert {line.split("\t")[0] for line in by_words.splitlines()} == {key}


def test_presort_forgets_a_base_rate_it_was_given(
    walked: tuple[Path, Path], tmp_path: Path
) -> None:
    root, path = walked
    ledger = tmp_path / "a.ledger"
    shutil.copy(path, ledger)
    usual = run("list", ledger, "--plain", "--count", "0").stdout
    run("presort", root, "--into", ledger, "--base-rate", "0.02")
    assert run("list", ledger, "--plain", "--count", "0").stdout != usual
    again = run("presort", root, "--into", ledger)  # it is kept until it is taken back
    assert "Verdicts go by a base rate of 2 %" in " ".join(again.stdout.split())
    back = run("presort", root, "--into", ledger, "--take-back")
    assert back.exit_code == 0
    assert "Taken back" in back.stdout
    assert "Verdicts go by" not in back.stdout
    assert run("list", ledger, "--plain", "--count", "0").stdout == usual
    assert "Nothing to take back" in run("presort", root, "--into", ledger, "--take-back").stdout


@pytest.mark.parametrize("command", ["judge", "presort", "list", "report"])
def test_what_is_assumed_is_asked_for_alike(command: str) -> None:
    said = " ".join(run(command, "--help").stdout.replace("│", " ").split())
    for option in ("--base-rate", "--risk-clear", "--risk-missed", "--risk-cast", "--strict"):
        assert f"{option} " in said
    assert "Share of evident casts among such pictures; 0.1 is 10 %." in said
    assert run(command, "x", "--base-rate", "7").exit_code == 2


def test_hues_may_be_warm_or_cold(ledger: Path) -> None:
    cold = run("list", ledger, "--count", "0", "--plain", "--hue", "cold").stdout
    blue = run("list", ledger, "--count", "0", "--plain", "--hue", "blue").stdout
    assert cold.splitlines() == blue.splitlines() != []
    assert run("list", ledger, "--plain", "--hue", "warm").stdout == ""


def test_a_folder_that_is_not_there_is_told_with_those_that_are(tmp_path: Path) -> None:
    path = tmp_path / "a.ledger"
    with Ledger.write(path) as opened:
        opened.record([outcome(b"/a/%02d/x/1.jpg" % k, k % 4) for k in range(12)])
    result = run("list", path, "--folder", "b")
    assert result.exit_code == 1
    assert result.stderr.startswith("autocast: No picture lies in b; give a folder below /a")
    assert "such as 00/x, 01/x," in result.stderr
    assert result.stderr.rstrip().endswith(" and others.")
    for meant in ("03", "03/x", "a/03", "/a/03/x/"):
        shown = run("list", path, "--folder", meant, "--plain", "--count", "0").stdout
        assert shown.count("/a/03/x/1.jpg") == 1
        assert len(shown.splitlines()) == 1


def test_a_list_tells_what_was_decided_and_is_narrowed_by_it(tmp_path: Path) -> None:
    path = ledgers.build(tmp_path, [b"%d.png" % k for k in range(8)], ledgers.cycle(8), failures=0)
    with Ledger.share(path) as opened:
        decide(opened, Wish(1, "fine", "Ada"))
        decide(opened, Wish(5, "cast", "Ada"))
        decide(opened, Wish(5, "meant_so", "Ben"))
    shown = run("list", path, "--count", "0").stdout
    assert shown.count("decided: ") == 2
    assert "decided: cast, by Ada; meant so, by Ben" in shown

    def listed(*arguments: str) -> list[str]:
        lines = run("list", path, "--plain", "--count", "0", *arguments).stdout.splitlines()
        return sorted(line.split("\t")[5].rpartition("/")[2] for line in lines)

    assert listed("--decided", "fine") == ["0.png"]
    assert listed("--decided", "cast", "--decided", "fine") == ["0.png", "4.png"]
    assert listed("--undecided") == [f"{k}.png" for k in (1, 2, 3, 5, 6, 7)]
    assert listed("--decided", "meant so") == listed("--decided", "meant_so") == ["4.png"]
    result = run("list", path, "--decided", "meant")
    assert result.exit_code == 2
    assert "Did you mean meant_so?" in " ".join(result.stderr.split())


def test_a_ledger_that_is_not_there_is_told_from_one_that_is_none(tmp_path: Path) -> None:
    assert "does not exist" in run("list", tmp_path / "days.ledger").stderr
    (tmp_path / "folder").mkdir()
    assert "is no ledger" in run("list", tmp_path / "folder").stderr
