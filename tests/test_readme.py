"""README.md says what the code does."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from autocast.judgement import (
    EVIDENT_FROM,
    REMARKS,
    SLIGHT_FROM,
    STRONG_FROM,
    TONE_RANGES,
    VERDICT_WORDS,
)

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _section(title: str) -> str:
    _, _, rest = README.partition(f"\n## {title}\n")
    assert rest, title
    return rest.partition("\n## ")[0]


def _block(section: str, language: str) -> str:
    (found,) = re.findall(rf"```{language}\n(.*?)```", section, flags=re.DOTALL)
    return str(found).strip()


def test_remarks_are_listed_as_they_are() -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.+?) \| (asks )?\|$", README, flags=re.MULTILINE)
    listed = [(key, sentence, bool(asks)) for key, sentence, asks in rows if key in REMARKS]
    assert listed == [(key, *text) for key, text in REMARKS.items()]


def test_verdicts_are_listed_as_they_are() -> None:
    for verdict, words in VERDICT_WORDS.items():
        assert f"| `{verdict}` | {words} |" in README


def test_thresholds_are_those_of_the_code() -> None:
    assert (
        f"below {SLIGHT_FROM:g} *hardly any*, from {SLIGHT_FROM:g} *slight*, "
        f"from {EVIDENT_FROM:g} *evident*, from {STRONG_FROM:g} *strong*"
    ) in " ".join(README.split())
    for low, high, at in TONE_RANGES.values():
        assert re.search(rf"{low:g}–{high:g},\s+(quoted )?at {at:g}\b", README)


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
