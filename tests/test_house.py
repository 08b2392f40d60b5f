"""The house in order: no file over 500 lines, no function over 40 (its docstring not counted)."""

from __future__ import annotations

import ast
from pathlib import Path

LONGEST_FILE = 500
LONGEST_FUNCTION = 40
HOUSE = Path(__file__).parents[1]
SOURCES = sorted(path for room in ("doe", "cli", "tests") for path in (HOUSE / room).rglob("*.py"))


def body_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Count the lines of a function's body behind its docstring."""
    first = function.body[1 if ast.get_docstring(function) and len(function.body) > 1 else 0]
    return (function.end_lineno or first.lineno) - first.lineno + 1


def test_every_file_and_every_function_fits_the_eye():
    long = []
    for path in SOURCES:
        text, name = path.read_text(encoding="utf-8"), path.relative_to(HOUSE).as_posix()
        if text.count("\n") > LONGEST_FILE:
            long.append(name)
        nodes = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
        long += [f"{name}: {node.name}" for node in nodes if body_lines(node) > LONGEST_FUNCTION]
    assert len(SOURCES) > 300
    assert long == []
