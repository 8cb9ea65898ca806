"""Every command once, on small pictures of every format. A script for bare environments.

    PYTHON tests/smoke.py

``.ci/run`` runs it with the lowest versions that pyproject.toml declares. It needs what
commands need and nothing else: no pytest. ``evaluate``, ``train`` and ``demo``, which need
many pictures, print their help.
"""

# ruff: noqa: T201 -- it prints how far it came; the commands are our own

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.studies import mutants

AUTOCAST = [sys.executable, "-W", "error::DeprecationWarning:autocast", "-m", "autocast"]


def run(*arguments: str | Path, codes: tuple[int, ...] = (0,), silent: bool = True) -> str:
    """A command's output; it must end well, and ``silent`` ones say nothing beside it."""
    command = [*AUTOCAST, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    told = f"autocast {' '.join(map(str, arguments))}"
    if done.returncode not in codes or "Traceback" in done.stderr or (silent and done.stderr):
        raise SystemExit(f"{told}\nexit code {done.returncode}\n{done.stdout}\n{done.stderr}")
    return done.stdout


def review(ledger: Path) -> None:
    """Serve the page, fetch it once, and stop."""
    command = [*AUTOCAST, "review", str(ledger), "--no-open"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        found = re.search(r"http://\S+", process.stderr.readline())
        if found is None:
            raise SystemExit("autocast review names no page")
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with opener.open(found.group(), timeout=20) as page:
            if b"review-token" not in page.read():
                raise SystemExit("autocast review serves no page")
        process.terminate()


def main() -> None:
    """All commands, in the order of a day."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        archive = folder / "archive"
        archive.mkdir()
        for name, data in mutants.seeds().items():
            kind, _, what = name.partition("-")
            (archive / f"{what}-{kind}.{kind}").write_bytes(data)
        pictures = sorted(archive.iterdir())
        judged = run("judge", "--plain", *pictures)
        if len(judged.splitlines()) != len(pictures):
            raise SystemExit(f"not all judged:\n{judged}")
        sixteen, plain = archive / "sixteen-tif.tif", archive / "plain-jpg.jpg"
        run("measure", sixteen, "--at", "50%,50%")
        for path in (sixteen, plain, archive / "plain-png.png", archive / "plain-webp.webp"):
            copy, pair = folder / f"copy{path.suffix}", folder / f"pair{path.suffix}.png"
            run("correct", path, "--best-guess", "--to", copy, "--pair", pair, codes=(0, 3, 4))
        evidence = folder / "evidence.png"
        run("judge", plain, "--neutral", "50%,50%", "--picture", evidence, silent=False)
        run("explain")
        ledger = folder / "a.ledger"
        run("presort", archive, "--into", ledger, "--jobs", "2", silent=False)
        run("list", ledger, silent=False)
        run("report", ledger, "--to", folder / "report", silent=False)
        review(ledger)
        for name in ("t.csv", "t.jsonl", "t.parquet"):
            run("export", ledger, "--to", folder / name)
        run("export", ledger, "--decisions", folder / "decisions.csv")
        run("sidecars", ledger, "--subjects", silent=False)
        for name in ("evaluate", "train", "demo"):
            run(name, "--help")
    print(f"{len(pictures)} pictures of every format and all commands: all well")


if __name__ == "__main__":
    main()
