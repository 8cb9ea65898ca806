"""Words that were given up stay away from everything that a person can meet."""

from __future__ import annotations

import ast
import functools
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GIVEN_UP = {
    r"\bmended\b|\bthe mend\b": "correction, check passed or failed",
    r"\bthe move\b|\bproposed move\b": "proposed correction",
    r"neither clear nor to be ruled out": "possible cast, not certain",
    r"\bhardly any\b": "negligible",
    r"\bled by\b": "example",
    r"\bunlike its series\b": "differs from its series",
    r"coloured thing\b": "object",
    r"\bvouch": "check the light",
    r"speaks? for neither": "no clear vote",
    r"--anyway|--again": "--best-guess, --rejudge, --retry-failed",
    r"\bits kin\b|\bis no place\b|\bis none of\b|\bmeet only\b|\bfarther off\b": "plain English",
    r"\bwhat (only )?asks\b|\bthat ask or\b": "what a person should look at",
    r"\bdecisions tell\b": "what the decisions show",
    r"from no verdict|\bKeep it from\b": "rules out",
    r"\bparted by tabs\b": "between tabs",
    r"\bset beside\b|\bset another beside\b": "compare with",
    r"\bby its scores\b|\bits own scores\b": "by the chances of all pictures",
    r"\b1 (pictures|files|folders|sidecars|decisions)\b": "singular",
}


@functools.cache
def everything() -> tuple[tuple[str, str], ...]:
    """What :func:`strings` finds, read once."""
    return tuple(strings())


def strings() -> Iterator[tuple[str, str]]:
    """Every text of the package that is no docstring of a module, class or function, and pages."""
    for path in sorted((ROOT / "autocast").rglob("*")):
        if path.suffix in {".html", ".js", ".css"}:
            yield path.name, path.read_text(encoding="utf-8")
        if path.suffix != ".py":
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        silent: set[int] = set()
        for node in ast.walk(tree):
            body = getattr(node, "body", None)
            if not isinstance(body, list):
                continue
            # A command's docstring is its help; a text that stands alone documents a constant.
            commands = "cli" in path.parts and isinstance(node, ast.FunctionDef)
            silent |= {
                id(each.value)
                for each in body
                if isinstance(each, ast.Expr) and not (commands and each is body[0])
            }
        for node in ast.walk(tree):
            # What the ledger's steps did once is history.
            if not isinstance(node, ast.Constant) or path.name == "schema.py":
                continue
            if isinstance(node.value, str) and id(node) not in silent:
                yield f"{path.name}:{node.lineno}", node.value
    yield "README.md", (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("pattern", GIVEN_UP, ids=list(GIVEN_UP.values()))
def test_what_was_given_up_is_met_nowhere(pattern: str) -> None:
    found = [where for where, text in everything() if re.search(pattern, text, re.IGNORECASE)]
    assert found == []


def test_the_search_finds_what_is_there() -> None:
    said = " ".join(text for _, text in everything())
    assert "A person should look" in said
    assert "proposed correction" in said
    assert "Say what you know of a spot" in said
