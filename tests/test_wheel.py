"""The wheel by itself: built, installed where nothing else is, and put to work."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

import autocast
from autocast.judgement import VERDICT_WORDS, Judgement

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent


def _run(*command: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run without anything in the environment that could lend the wheel the source tree."""
    clean = {k: v for k, v in os.environ.items() if k not in {"PYTHONPATH", "PYTHONHOME"}}
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=clean,
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built by way of the source distribution, as a release would be."""
    out = tmp_path_factory.mktemp("dist")
    _run(sys.executable, "-m", "build", "--no-isolation", "--outdir", out, ROOT, cwd=out)
    (built,) = out.glob("*.whl")
    return built


def test_the_wheel_holds_the_package_and_every_fitted_file(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    fitted = {f"autocast/models/{p.name}" for p in (ROOT / "models").iterdir() if p.is_file()}
    assert any(name.endswith(".json") for name in fitted)
    assert fitted <= names
    assert {
        "autocast/__init__.py",
        "autocast/cli/__init__.py",
        "autocast/judgement/types.py",
    } <= names
    strays = {n for n in names if not n.startswith(("autocast/", "autocast-"))}
    assert strays == set()


def test_the_installed_script_judges_a_picture_from_another_directory(
    wheel: Path, portrait: Path, tmp_path: Path
) -> None:
    home = tmp_path / "venv"
    venv.create(home, with_pip=True)
    bin_ = home / ("Scripts" if os.name == "nt" else "bin")
    _run(bin_ / "python", "-m", "pip", "install", "--quiet", wheel, cwd=tmp_path)

    place = _run(bin_ / "python", "-c", "import autocast; print(autocast.__file__)", cwd=tmp_path)
    assert Path(place.stdout.strip()).is_relative_to(home)

    before = portrait.read_bytes()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    done = _run(bin_ / "autocast", "judge", "--json", portrait, cwd=elsewhere)

    document = json.loads(done.stdout)
    judgement = Judgement.from_json(json.dumps(document))
    assert judgement.verdict in VERDICT_WORDS
    assert document["verdict_words"] in {"no evident cast", "likely cast", "a person should look"}
    assert judgement.model
    assert judgement.model == autocast.judge(portrait).model
    assert (judgement.width, judgement.height) == (512, 512)
    assert portrait.read_bytes() == before
    assert list(elsewhere.iterdir()) == []
