"""What source files say of the values that they assign."""

from __future__ import annotations

import ast
from pathlib import Path


def documented(path: Path) -> dict[str, str]:
    """Every name that a file assigns outside of functions, with the string that follows it."""
    found: dict[str, str] = {}
    body = ast.parse(path.read_text(encoding="utf-8")).body
    for statement, after in zip(body, [*body[1:], ast.Pass()], strict=True):
        targets: list[ast.expr] = []
        if isinstance(statement, ast.Assign):
            targets = statement.targets
        elif isinstance(statement, ast.AnnAssign):
            targets = [statement.target]
        said = ast.get_docstring(ast.Module([after], []))
        found |= {each.id: said or "" for each in targets if isinstance(each, ast.Name)}
    return found
