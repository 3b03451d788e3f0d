"""No text that a person reads is empty, or has a blank too many: errors, hints, sentences, help.

Read from the source, as most of them are said in cases that no test has.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import coilbench.analysis.cli
import coilbench.capture.book

PRODUCT = [
    Path(package.__path__[0]).parent for package in (coilbench.analysis.cli, coilbench.capture.book)
]
SAYING = {"sentences", "filled"}  # their arguments are words
KEYWORDS = {"hint", "help", "epilog"}
WORDS = re.compile("[a-z]{2,} [a-z]{2,}")


def plain(node: ast.AST | None) -> Iterator[ast.Constant]:
    """The texts that an expression can be, as far as they are written there."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node
    elif isinstance(node, ast.Dict):
        for value in node.values:
            yield from plain(value)


def worded(node: ast.Dict) -> bool:
    """Whether a table's texts are sentences: several words each, no ends to be added to others."""
    said = [one for text in plain(node) if (one := str(text.value))]
    return len(said) > 1 and all(WORDS.search(one) and one[0] != " " for one in said)


def texts(tree: ast.AST) -> Iterator[ast.Constant]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func).rpartition(".")[2]
            if called in SAYING or called.endswith("Error"):
                for argument in node.args:
                    yield from plain(argument)
            for keyword in node.keywords:
                if keyword.arg in KEYWORDS:
                    yield from plain(keyword.value)
        elif isinstance(node, ast.Yield):
            yield from plain(node.value)
        elif isinstance(node, ast.Dict) and worded(node):
            yield from plain(node)


@pytest.mark.parametrize(
    "folder",
    [
        each
        for product in PRODUCT
        for each in sorted({path.parent for path in product.rglob("*.py")})
    ],
    ids=lambda folder: folder.name,
)
def test_no_text_is_empty_or_has_a_blank_too_many(folder: Path) -> None:
    for path in sorted(folder.glob("*.py")):
        for text in texts(ast.parse(path.read_text("utf-8"))):
            said, where = str(text.value), f"{path.name}:{text.lineno}"
            assert said, f"{where} says nothing"
            if "\n" not in said:  # else it is a table of its own
                assert said == said.rstrip(), f"{where}: {said!r}"
                assert "  " not in said.replace("  [default", " [default"), f"{where}: {said!r}"
