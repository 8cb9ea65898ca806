"""Limits set by hand: every one says what it is, and every one is used."""

from __future__ import annotations

import ast
from pathlib import Path

import autocast
from autocast.judgement import limits
from tests.sources import documented

PACKAGE = Path(autocast.__file__).parent


def test_every_limit_has_a_docstring() -> None:
    found = documented(Path(limits.__file__))
    assert set(found) == {name for name in vars(limits) if name.isupper()}
    assert [name for name, said in found.items() if not said.endswith((".", ")."))] == []


def test_every_limit_is_used() -> None:
    """None outlives its rule."""
    files = [p for p in PACKAGE.rglob("*.py") if p != Path(limits.__file__)]
    names = {
        node.id if isinstance(node, ast.Name) else node.attr
        for path in files
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, (ast.Name, ast.Attribute))
    }
    assert {name for name in vars(limits) if name.isupper()} - names == set()
