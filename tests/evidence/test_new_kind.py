"""A new kind of evidence is one file and one row: nothing else knows of it, and all shows it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import autocast
from autocast import judging
from autocast.judgement.things import EVIDENCE_KINDS
from autocast.modelstore import models_folder
from autocast.voting.features import extract

KIND, LABEL = "embers", "glowing embers"

FILE = '''
"""Made up: it insists on a strong green cast of the whole and of every part."""

import numpy as np

from autocast.colour.grid import grid
from autocast.evidence import Feature, FeatureSet, Finding, KindOfEvidence, PictureWide


def insist(scene, parts):
    off = np.hypot(*(grid().casts - np.array([-40.0, 20.0])).T)
    return PictureWide(np.tile(-(off**2), (len(parts) + 1, 1)), {"embers": (-40.0, 20.0)})


EVIDENCE = KindOfEvidence(
    kind="embers",
    label="glowing embers",
    find=lambda scene, members: Finding(0.5, None, None, ()),
    picture_wide=insist,
    own=FeatureSet(
        lambda: (Feature("embers.glow", "embers", "how much they glow", "0..1"),),
        lambda scene, found: iter([("embers.glow", len(found.single) / 2)]),
    ),
)
'''
ROW = """
    Thing(
        name="embers",
        singular="ember",
        plural="glowing embers",
        source="Made up.",
        mark=Mark((90, 60, 30), "hexagon"),
    ),
"""

LOOK = """
import json, sys
from pathlib import Path
from typer.testing import CliRunner
import autocast
from autocast import judging
from autocast.cli import app
from autocast.report import evidence_picture
from autocast.voting.features import extract
from matplotlib.text import Text

archive, scratch = Path(sys.argv[1]), Path(sys.argv[2])
(source,) = archive.iterdir()
examination = judging.examine(source)
drawn = evidence_picture.figure(examination)
for command in (
    ["presort", str(archive), "--into", str(scratch / "ledger"), "--jobs", "1"],
    ["report", str(scratch / "ledger"), "--to", str(scratch / "report")],
):
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
kinds = autocast.json_schema()["$defs"]["evidence"]["properties"]["kind"]["enum"]
print(json.dumps({
    "package": autocast.__file__,
    "judgement": examination.judgement.to_dict(),
    "schema": kinds,
    "features": extract(examination.analysis),
    "picture": [text.get_text() for text in drawn.findobj(Text)],
    "cards": [path.read_text() for path in sorted((scratch / "report/data").glob("cards-*.js"))],
}))
"""


def seen(package: Path, photograph: Path, scratch: Path) -> dict[str, Any]:
    """What the package in a folder makes of a photograph, wherever it is shown."""
    archive = scratch / "archive"
    archive.mkdir()
    shutil.copy2(photograph, archive)
    done = subprocess.run(
        [sys.executable, "-c", LOOK, archive, scratch],
        cwd=scratch,
        env={**os.environ, "PYTHONPATH": str(package)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    assert Path(found["package"]).is_relative_to(package)
    return found


@pytest.mark.slow
def test_one_file_and_one_row_are_all_that_a_new_kind_needs(
    photograph: Path, tmp_path: Path
) -> None:
    source = Path(autocast.__file__).parent
    changed = tmp_path / "changed"
    ignored = shutil.ignore_patterns("__pycache__", "models")
    shutil.copytree(source, changed / "autocast", ignore=ignored)
    shutil.copytree(models_folder(), changed / "models")
    (changed / f"autocast/evidence/{KIND}.py").write_text(FILE, encoding="utf-8")
    table = changed / "autocast/judgement/things.py"
    before, end, after = table.read_text(encoding="utf-8").partition(
        '\n)\n"""Every kind of evidence'
    )
    assert end
    table.write_text(before + ROW.rstrip("\n") + end + after, encoding="utf-8")

    new = seen(changed, photograph, tmp_path)
    plain = judging.examine(photograph)

    # It is shown with its own label, and weighs nothing: no model knows it.
    evidence = new["judgement"]["evidence"]
    (own,) = [each for each in evidence if each["kind"] == KIND]
    assert own["label"] == LABEL
    assert own["share"] == 0.5
    assert own["weight"] == own["drove"] == own["drove_probability"] == 0
    assert own["stance"] == "silent"
    known = list(EVIDENCE_KINDS)
    assert new["schema"] == [*known[:5], KIND, *known[5:]]
    assert new["features"].pop(f"{KIND}.glow") == 0.5
    assert new["features"] == pytest.approx(extract(plain.analysis), rel=1e-12, nan_ok=True)
    for where in ("picture", "cards"):
        said = "\n".join(new[where])
        assert KIND in said or LABEL in said, where

    # Nothing else of the judgement changed.
    evidence.remove(own)
    del new["judgement"]["name"]
    expected = json.loads(plain.judgement.to_json())
    del expected["name"]
    assert new["judgement"] == expected
