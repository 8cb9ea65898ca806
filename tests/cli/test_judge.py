"""The command line, with invented judgements, and as a program with real pictures."""

from __future__ import annotations

import importlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

import autocast
from autocast import picture
from autocast.cli import _app, app
from autocast.errors import UnreadablePicture
from autocast.judgement import SCHEMA_VERSION, VERDICT_WORDS, Assumptions, Hint, Judgement
from autocast.judgement.things import HINT_HELP
from autocast.modelstore import default_models
from autocast.modelstore.files import register
from tests import samples

if TYPE_CHECKING:
    from collections.abc import Sequence

    from typer.testing import Result

ROOT = Path(__file__).parents[2]
KNOWN = {j.name: j for j in samples.ALL}


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Let pictures be judged by name alone; gives the names in the order of asking."""
    asked: list[str] = []

    def judge(
        source: Path, hints: Sequence[Hint], assumptions: Assumptions, models: None, memory: int
    ) -> Judgement:
        assert (tuple(hints), assumptions, models) == ((), Assumptions(), None)
        assert memory == 10**9
        name = os.fspath(source)
        asked.append(name)
        if name.startswith("bad"):
            raise UnreadablePicture(f"{name} is empty; get a whole copy of it.")
        if name.startswith("stop"):
            raise KeyboardInterrupt
        return replace(KNOWN.get(Path(name).name, samples.LIKELY), name=name)

    def examine(
        source: Path, hints: Sequence[Hint], assumptions: Assumptions, models: None, memory: int
    ) -> samples.FakeExamination:
        return samples.examination(judge(source, hints, assumptions, models, memory))

    # A picture is shown with its correction, which is to know the real one.
    importlib.import_module("autocast.correction")
    importlib.import_module("autocast.report.evidence_picture")
    fake = ModuleType("autocast.judging")
    vars(fake).update(judge=judge, examine=examine)
    monkeypatch.setitem(sys.modules, "autocast.judging", fake)
    monkeypatch.setattr(autocast, "judging", fake, raising=False)
    monkeypatch.setattr(picture, "reduced_pixels", lambda *_: np.full((20, 30, 3), 0.5))
    return asked


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, ["judge", *arguments])


def test_one_picture_gets_a_screen_and_all_of_it_where_it_is_asked_for(judged: list[str]) -> None:
    screen = run("harbour_0231.jpg")
    assert "LIKELY CAST: evident, colder, towards blue" in screen.stdout
    assert "weight" not in screen.stdout
    judged.clear()
    result = run("harbour_0231.jpg", "--details")
    assert result.exit_code == 0
    assert judged == ["harbour_0231.jpg"]
    assert "LIKELY CAST: evident, colder, towards blue" in result.stdout
    assert "weight 0.55" in result.stdout
    assert "\x1b" not in result.stdout
    assert result.stderr == ""


@pytest.mark.parametrize("name", KNOWN)
def test_the_exit_code_does_not_tell_the_verdict(judged: list[str], name: str) -> None:
    assert run(name).exit_code == 0
    assert judged


def test_several_pictures_get_short_blocks_in_order_and_a_closing_count(judged: list[str]) -> None:
    result = run(*KNOWN)
    assert result.exit_code == 0
    assert judged == list(KNOWN)
    places = [result.stdout.index(name) for name in KNOWN]
    assert places == sorted(places)
    assert "weight" not in result.stdout
    assert result.stdout.endswith(
        "\n\n4 pictures: 1 no evident cast, 1 likely cast, 2 a person should look.\n"
    )


def test_a_bad_picture_is_named_and_the_others_are_judged(judged: list[str]) -> None:
    result = run("harbour_0231.jpg", "bad\x1b[31m.jpg", "square_0007.jpg")
    assert result.exit_code == 1
    assert len(judged) == 3
    assert result.stderr == "autocast: bad\\x1b[31m.jpg is empty; get a whole copy of it.\n"
    assert "LIKELY CAST" in result.stdout
    assert "NO EVIDENT CAST" in result.stdout
    assert "1 could not be judged." in result.stdout


@pytest.mark.usefixtures("judged")
def test_json_is_one_document_a_line() -> None:
    result = run("--json", "bad.jpg", *KNOWN)
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    assert [Judgement.from_json(line) for line in lines] == list(samples.ALL)
    assert all(json.loads(line)["schema"] == SCHEMA_VERSION for line in lines)


@pytest.mark.usefixtures("judged")
def test_brief_is_one_line_a_picture() -> None:
    result = run("--brief", *KNOWN)
    *lines, count = result.stdout.splitlines()
    assert len(lines) == len(KNOWN)
    assert all(name in line for name, line in zip(KNOWN, lines, strict=True))
    assert count.startswith("4 pictures: ")
    assert len(run("--brief", "square_0007.jpg").stdout.splitlines()) == 1


@pytest.mark.usefixtures("judged")
def test_names_that_are_not_unicode_or_hold_control_codes_are_spelt_out() -> None:
    name = "\udce9\x1b\u202e\x9b.jpg"
    shown = r"\xe9\x1b\u202e\x9b.jpg"
    for flags in ((), ("--brief",)):
        result = run(*flags, name)
        assert result.exit_code == 0
        assert shown in result.stdout
    line = run("--json", name).stdout.rstrip("\n")
    assert line.isascii()
    assert line.isprintable()
    assert json.loads(line)["name"] == shown


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "Missing argument"),
        (("a.jpg", "--json", "--brief"), "choose one of --json and --brief"),
        (("a.jpg", "b.jpg", "--picture", "out.png"), "takes one picture at a time"),
        (("a.jpg", "--force"), "goes with --picture only"),
        (("a.jpg", "--verbose"), "No such option"),
    ],
)
def test_what_is_not_understood_exits_2(
    judged: list[str], arguments: Sequence[str], words: str
) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in " ".join(result.stderr.split())
    assert judged == []


def test_interrupted_exits_130(judged: list[str]) -> None:
    result = run("harbour_0231.jpg", "stop.jpg", "square_0007.jpg")
    assert result.exit_code == 130
    assert judged == ["harbour_0231.jpg", "stop.jpg"]
    assert "LIKELY CAST" in result.stdout


@pytest.mark.slow
@pytest.mark.usefixtures("judged")
def test_the_evidence_picture_is_drawn_and_never_overwrites_unasked(tmp_path: Path) -> None:
    target = tmp_path / "evidence.png"
    result = run("harbour_0231.jpg", "--picture", str(target))
    assert f"Written: {target}" in result.stderr
    assert result.exit_code == 0
    assert "LIKELY CAST" in result.stdout
    with Image.open(target) as image:
        assert image.width == 1200
    target.write_bytes(b"mine")
    result = run("harbour_0231.jpg", "--picture", str(target))
    assert result.exit_code == 1
    assert result.stderr.startswith("autocast: ")
    assert "exists already" in result.stderr
    assert target.read_bytes() == b"mine"
    assert run("harbour_0231.jpg", "--picture", str(target), "--force").exit_code == 0
    assert target.read_bytes().startswith(b"\x89PNG")
    result = run("harbour_0231.jpg", "--picture", str(tmp_path / "evidence.jpg"))
    assert result.exit_code == 1
    assert "The evidence picture is a PNG; give" in result.stderr
    assert "a name that ends in .png" in result.stderr


@pytest.mark.usefixtures("judged")
def test_what_comes_to_be_where_the_evidence_picture_goes_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "evidence.png"

    def late(*_: object) -> object:
        target.write_bytes(b"another's")
        return np.full((20, 30, 3), 0.5)

    monkeypatch.setattr(picture, "reduced_pixels", late)
    result = run("harbour_0231.jpg", "--picture", str(target))
    assert result.exit_code == 1
    assert "exists already" in result.stderr
    assert target.read_bytes() == b"another's"
    target.unlink()
    assert run("harbour_0231.jpg", "--picture", str(target), "--force").exit_code == 0
    assert target.read_bytes().startswith(b"\x89PNG")


@pytest.mark.usefixtures("judged")
def test_an_evidence_picture_that_cannot_be_written_leaves_the_judgement_shown(
    tmp_path: Path,
) -> None:
    result = run("harbour_0231.jpg", "--picture", str(tmp_path / "nowhere" / "evidence.png"))
    assert result.exit_code == 1
    assert "LIKELY CAST" in result.stdout
    assert "does not exist; make the folder first" in result.stderr


def terminal(monkeypatch: pytest.MonkeyPatch, **variables: str) -> tuple[int, bool]:
    for name in ("NO_COLOR", "TERM", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(isatty=lambda: True))
    return _app.terminal()


def test_colour_only_on_a_terminal_that_wants_it(monkeypatch: pytest.MonkeyPatch) -> None:
    assert terminal(monkeypatch, TERM="xterm") == (80, True)
    assert terminal(monkeypatch, TERM="xterm", NO_COLOR="1") == (80, False)
    assert terminal(monkeypatch, TERM="xterm", NO_COLOR="") == (80, True)
    assert terminal(monkeypatch, TERM="dumb") == (80, False)
    assert terminal(monkeypatch, TERM="xterm", COLUMNS="60") == (60, True)
    assert terminal(monkeypatch, TERM="xterm", COLUMNS="300") == (_app.WIDEST, True)


# From here on autocast runs as a program of its own.


@pytest.fixture(scope="module")
def photographs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("photographs")
    pixels = np.round(samples.examination().picture.encoded * 255).astype(np.uint8)
    paths = [folder / f"{number}.jpg" for number in range(6)]
    for path in paths:
        Image.fromarray(pixels).save(path)
    return paths


def started(*arguments: str | Path, **options: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "autocast", *arguments],
        stdout=subprocess.PIPE,
        stderr=options.get("stderr", subprocess.PIPE),
        cwd=ROOT,
        start_new_session=True,
    )


def test_the_program_judges_a_photograph(photographs: list[Path]) -> None:
    before = photographs[0].read_bytes()
    missing = photographs[0].with_name("missing.jpg")
    out, err = started("judge", "--json", photographs[0], missing).communicate(timeout=60)
    judgement = Judgement.from_json(out)
    assert judgement.verdict in VERDICT_WORDS
    assert judgement.name == str(photographs[0])
    assert err.decode().startswith(f"autocast: {missing}")
    assert len(err.splitlines()) == 1
    assert photographs[0].read_bytes() == before


def test_other_models_are_asked_where_a_folder_of_them_is_given(
    photographs: list[Path], tmp_path: Path
) -> None:
    folder = tmp_path / "models"
    shutil.copytree(default_models().folder, folder)
    rules = json.loads((folder / "verdict.json").read_text())
    (folder / "verdict.json").write_text(json.dumps({**rules, "base_rate": 0.123}))
    other = register(folder, "verdict.json", made_by="a test", what="another base rate")
    out, err = started("judge", "--json", "--models", folder, photographs[0]).communicate()
    judgement = Judgement.from_json(out)
    assert (err, judgement.model, judgement.base_rate) == (b"", other, 0.123)
    assert other != default_models().id


@pytest.mark.parametrize("command", ["judge", "measure", "correct"])
def test_a_folder_without_models_is_one_sentence(tmp_path: Path, command: str) -> None:
    result = CliRunner().invoke(app, [command, "a.jpg", "--models", str(tmp_path)])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr == (
        f"autocast: {tmp_path} holds no models; give a folder that autocast train wrote into.\n"
    )


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are bytes on Linux")
def test_the_program_takes_a_file_name_that_is_no_unicode(photographs: list[Path]) -> None:
    strange = photographs[0].with_name(os.fsdecode(b"caf\xe9.jpg"))
    strange.write_bytes(photographs[0].read_bytes())
    program = started("judge", "--json", strange)
    out, err = program.communicate(timeout=60)
    assert (program.returncode, err) == (0, b"")
    assert json.loads(out.decode("utf-8"))["name"].endswith(r"caf\xe9.jpg")


def test_a_reader_that_goes_away_is_no_drama(photographs: list[Path]) -> None:
    program = started("judge", *photographs * 3)
    assert program.stdout is not None
    assert program.stderr is not None
    program.stdout.readline()
    program.stdout.close()
    assert program.wait(timeout=60) == 1
    with program.stderr as errors:
        assert errors.read() == b""


@pytest.mark.skipif(sys.platform == "win32", reason="signals differ")
def test_the_program_stops_when_interrupted(photographs: list[Path]) -> None:
    program = started("judge", "--brief", *photographs * 300)
    assert program.stdout is not None
    program.stdout.readline()
    program.send_signal(signal.SIGINT)
    out, err = program.communicate(timeout=60)
    assert program.returncode == 130
    assert err == b""
    assert len(out.splitlines()) < len(photographs) * 300


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_progress_is_shown_on_a_terminal_and_results_keep_their_order(
    photographs: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    shown, ours = os.openpty()
    program = started("judge", "--brief", *photographs, stderr=ours)
    os.close(ours)
    out = program.communicate(timeout=60)[0].decode()
    with os.fdopen(shown, "rb", buffering=0) as terminal_side:
        progress = terminal_side.read(100_000)
    assert b"/6" in progress
    assert "\x1b" not in out
    *lines, _count = out.splitlines()
    names = [path.name for path in photographs]
    assert [line.rsplit("/", 1)[-1] for line in lines] == names


def test_version_and_help_are_quick_and_light() -> None:
    code = (
        "import sys\n"
        "from autocast import cli\n"
        "try: cli.app(['judge', '--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'PIL', 'matplotlib', 'rich', 'scipy', 'skimage'} & set(sys.modules)\n"
        "sys.exit(f'imported: {heavy}' if heavy else 0)\n"
    )
    began = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert time.perf_counter() - began < 5
    text = " ".join(done.stdout.decode().split())
    assert "Exit codes: 0 all judged, whatever the verdicts; 1 some picture" in text
    assert "130 interrupted" in text
    for flag in ("--json", "--brief", "--picture", "--force", "--models"):
        assert flag in text
    for hint, words in HINT_HELP.items():
        assert f"--{hint.replace('_', '-')} X,Y[,RADIUS]" in text
        assert words in text


def test_version() -> None:
    result = CliRunner().invoke(app, ["--version"])
    assert result.stdout == f"autocast {autocast.__version__}\n"
    assert result.exit_code == 0


def test_a_folder_is_answered_by_the_command_for_folders(tmp_path: Path) -> None:
    folder = tmp_path / "a b"
    folder.mkdir()
    result = run(str(folder))
    assert result.exit_code == 1
    assert f"autocast presort '{folder}' --into FILE" in result.stderr
