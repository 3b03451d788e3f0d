"""The demo's books, each run once for all tests that read it."""

from __future__ import annotations

import io
import json
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from coilbench.analysis.cli import run
from support.shared import made_once


class DemoRun(NamedTuple):
    """A demo that was run: its book, not to be changed, and what it told as JSON."""

    book: Path
    told: dict[str, Any]


def demo_of(tmp_path_factory: pytest.TempPathFactory, seed: int) -> DemoRun:
    """Run the demo of a seed, once."""

    def make(folder: Path) -> None:
        told = io.StringIO()
        with redirect_stdout(told):
            arguments = ["demo", "--json", "--seed", str(seed)]
            assert run([*arguments, "--book", str(folder / "demo.db")]) == 0
        (folder / "told.json").write_text(told.getvalue(), encoding="utf-8")

    folder = made_once(tmp_path_factory, f"demo-{seed}", make)
    return DemoRun(folder / "demo.db", json.loads((folder / "told.json").read_text("utf-8")))
