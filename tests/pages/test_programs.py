"""The programs that no test runs, in tests/bench and tests/fuzz, find what they import of ours."""

from __future__ import annotations

import ast
from importlib import import_module
from pathlib import Path

import pytest

PROGRAMS = sorted(
    path for room in ("bench", "fuzz") for path in (Path(__file__).parents[1] / room).glob("*.py")
)


@pytest.mark.parametrize("path", PROGRAMS, ids=lambda path: path.stem)
def test_what_a_program_imports_of_ours_is_there(path: Path) -> None:
    """A module that moved would be noticed by whoever runs the program next, months later."""
    imports = [
        node
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom)
        and (node.module or "").partition(".")[0] in ("coilbench", "support")
    ]
    for node in imports:
        module = import_module(node.module or "")
        for alias in node.names:
            assert hasattr(module, alias.name) or import_module(f"{node.module}.{alias.name}")
