"""Numerics name what they find by kinds, as a program does; the words are the report's."""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Literal, get_args, get_origin

import pytest

import coilbench.analysis
import coilbench.analysis.curves
import coilbench.analysis.engine
import coilbench.analysis.limits
import coilbench.analysis.rig
import coilbench.analysis.sets
import coilbench.capture
import coilbench.capture.strokes
from coilbench.analysis.report import phrases
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import SI
from coilbench.capture.blocks import Finding

PACKAGES = (
    coilbench.analysis.curves,
    coilbench.analysis.engine,
    coilbench.analysis.sets,
    coilbench.analysis.rig,
    coilbench.analysis.limits,
    coilbench.capture.strokes,
)


def kinds() -> Iterator[tuple[str, str]]:
    for package in PACKAGES:
        for each in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            module = importlib.import_module(each.name)
            for name, value in vars(module).items():
                if get_origin(value) is Literal:
                    yield from ((f"{each.name}.{name}", str(kind)) for kind in get_args(value))


@pytest.mark.parametrize("package", PACKAGES, ids=lambda package: package.__name__)
def test_a_kind_is_a_name_and_no_sentence(package: object) -> None:
    name = getattr(package, "__name__", "")
    found = [(where, kind) for where, kind in kinds() if where.startswith(f"{name}.")]
    assert found
    assert [each for each in found if not re.fullmatch(r"[A-Za-z][a-z0-9_]*", each[1])] == []


WORDS_ITS_OWN = "losses.py"


def found_kinds() -> set[str]:
    """Every kind of Finding that the source makes by name."""
    roots = [Path(coilbench.capture.__path__[0]), Path(coilbench.analysis.__path__[0])]
    files = (file for root in roots for file in root.rglob("*.py") if file.name != WORDS_ITS_OWN)
    trees = [ast.parse(text) for file in files if "Finding" in (text := file.read_text("utf-8"))]
    calls = [node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Call)]
    made = (call for call in calls if call.args and _makes_a_finding(call.func))
    kinds = (call.args[0] for call in made)
    return {str(kind.value) for kind in kinds if isinstance(kind, ast.Constant)}


def _makes_a_finding(called: ast.expr) -> bool:
    """It is Finding(...) or Finding.of(...)."""
    if isinstance(called, ast.Attribute) and called.attr == "of":
        called = called.value
    return isinstance(called, ast.Name) and called.id == "Finding"


def test_every_finding_has_words() -> None:
    """One test for all: each worker would read the whole source to collect one for each."""
    found = found_kinds()
    assert len(found) > 100
    assert [kind for kind in sorted(found) if not _has_words(kind)] == []


def _has_words(kind: str) -> bool:
    facts = {"code": 1} if kind.endswith("fault") else {}
    in_table = any(one == kind or one.startswith(f"{kind}_") for one in phrases._RIG)
    try:
        describe(Finding(kind, facts), SI)
    except (KeyError, TypeError, AttributeError) as missing:  # else it lacks a fact, no words
        return missing.args[0] != kind or in_table
    return True
