"""The pages that people read, and the commands quoted in them."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GLOBS = (
    *("*.md", "capture/*.md", "analysis/*.md", "firmware/*.md", "hardware/*.md"),
    *("tests/*.md", "tests/bench/*.md", "tests/faults/*.md"),
)
FENCE = re.compile(r"^```\w*\n(.*?)^```$", re.MULTILINE | re.DOTALL)
SPAN = re.compile(r"`([^`]+)`")
BLOCK_LINE = re.compile(r"^ {4,}(\S.*)$", re.MULTILINE)
CALL = re.compile(r"(?:^|&& |time |\$\()(?:\S*/)?coilbench (.+)")


@pytest.fixture(scope="session")
def root() -> Path:
    """The folder that holds README.md."""
    return ROOT


@pytest.fixture(scope="session")
def pages() -> dict[str, str]:
    """Each page's text by its path from the root."""
    found = sorted(path for pattern in GLOBS for path in ROOT.glob(pattern))
    return {path.relative_to(ROOT).as_posix(): path.read_text("utf-8") for path in found}


@pytest.fixture(scope="session")
def quoted(pages: dict[str, str]) -> list[tuple[str, list[str]]]:
    """Every call of coilbench in a code span or block: the page, and the words after coilbench."""
    return [(page, words) for page, text in pages.items() for words in _calls(text)]


def _calls(text: str) -> Iterator[list[str]]:
    spans = (re.sub(r"\s+", " ", span) for span in SPAN.findall(FENCE.sub("", text)))
    lines = (line for fence in FENCE.findall(text) for line in fence.splitlines())
    for code in (*spans, *BLOCK_LINE.findall(text), *lines):
        call = CALL.search(code)
        if call:
            words, _, _ = call[1].removesuffix(')"').partition(" > ")
            yield shlex.split(words, comments=True)
