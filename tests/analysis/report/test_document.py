"""The route to words and JSON: the same whichever modules happen to be loaded."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from coilbench.analysis.report import document as route

FIRST = """
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
found = Finding.of("few_samples", samples=3)
print(document(found)["text"], "|", describe(found, Units()))
"""


def test_a_finding_has_its_words_with_no_other_module_loaded() -> None:
    done = subprocess.run(
        [sys.executable, "-c", FIRST], capture_output=True, text=True, timeout=60, check=False
    )
    text, words = done.stdout.strip().split(" | ")
    assert "3" in text, done.stderr
    assert text == words


def test_a_class_has_its_keys_with_no_other_module_loaded() -> None:
    code = """
from coilbench.analysis.engine.assignment import Assignment
from coilbench.analysis.report import document as route
route.document(route.SI)
print(Assignment in route._KEYS)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.stdout.strip() == "True", done.stderr


def test_every_module_that_has_words_or_keys_is_in_the_list() -> None:
    folder = Path(route.__file__).parent
    having = {
        path.stem
        for path in folder.glob("*.py")
        if re.search(r"^(@describe\.register|json_keys\()", path.read_text("utf-8"), re.MULTILINE)
    }
    assert having == set(route._WORDS)


def test_no_class_has_words_in_one_module_and_better_ones_in_another() -> None:
    """The modules load one by one until a class has words: a later one can't say it otherwise."""
    route._load_words()
    words = {kind: say.__module__ for kind, say in route.describe.registry.items()}
    apart = [
        (kind, wider)
        for kind in words
        for wider in words
        if wider not in (object, kind) and issubclass(kind, wider) and words[kind] != words[wider]
    ]
    assert apart == []


def test_what_nobody_has_words_for_is_refused() -> None:
    with pytest.raises(TypeError, match="object"):
        route.describe(object(), route.SI)
