"""README's sample of output is what the program prints on the demo's book."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run

README = Path(__file__).parents[3] / "README.md"


def sample() -> list[str]:
    """The lines of the blocks under its heading."""
    text = README.read_text("utf-8").partition("\n## What comes out\n")[2].partition("\n## ")[0]
    return [line[4:] for line in text.splitlines() if line.startswith("    ")]


def test_each_line_is_printed_and_in_that_order(
    demo_run: Callable[[int], Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = demo_run(1).book
    book = str(shutil.copy(made, tmp_path))
    build = str(shutil.copy(made.with_suffix(".toml"), tmp_path))
    assert (
        run(["--book", book, "set", "check", "larch", "--at", "38.5mm", "--at", "27.6mm"]) == 1
    )  # flagged
    assert run(["--book", book, "pair", build]) == 0
    printed = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    shown = sample()
    assert len(shown) > 15
    ahead = iter(printed)
    assert [line for line in shown if line not in ahead] == []  # `in` takes what comes before it
