"""The demo's books, each run once for all tests that read it."""

from __future__ import annotations

import io
import json
import shutil
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from coilbench.analysis.cli import run
from support import edits
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


def four_of_each(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the demo's book with four springs a set, larch-04 tired: soon judged; to be copied."""

    def make(folder: Path) -> None:
        shutil.copy(demo_of(tmp_path_factory, 1).book, folder / "demo.db")
        more = "SELECT id FROM springs WHERE label GLOB '*-0[5-9]' OR label GLOB '*-1*'"
        with edits.changing(folder / "demo.db") as connection:
            connection.execute(f"DELETE FROM sweeps WHERE spring_id IN ({more})")
            connection.execute(f"DELETE FROM springs WHERE id IN ({more})")

    return made_once(tmp_path_factory, "demo-four", make) / "demo.db"
