"""Books that the command line's tests begin with, and a way to call it."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from coilbench.analysis.cli import run
from coilbench.analysis.cli.demo import Demo
from support.demo_runs import DemoRun, demo_of
from support.lake_twin import twin_folder
from support.shared import made_once

__all__ = ["twin_folder"]
FINE = ("--resolution", "0.01kg", "--repeatability", "0.02kg", "--quill", "0.01mm")


class Said(NamedTuple):
    """What a command said."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """Its JSON."""
        return json.loads(self.out)  # type: ignore[no-any-return]

    def refused(self, facts: str) -> None:
        """It was bad input: one line, exit 2, with what a pattern looks for."""
        assert self.status == 2
        assert self.out == ""
        assert len(self.err.splitlines()) == 1
        assert re.search(facts, self.err)


Call = Callable[..., Said]


@pytest.fixture(scope="session")
def books(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The books that several tests begin with, each made once; to be copied, not changed."""
    made = {"larch": _make_larch, "elm": _make_elm}

    def make(folder: Path) -> None:
        for name, fill in made.items():
            fill(folder, str(folder / f"{name}.db"))

    folder = made_once(tmp_path_factory, "books", make)
    return {name: folder / f"{name}.db" for name in made}


@pytest.fixture(scope="session")
def demo_run(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], DemoRun]:
    """Return what runs the demo of a seed, once."""
    return partial(demo_of, tmp_path_factory)


@pytest.fixture(scope="session")
def calibrated_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book with the demo's calibration and no set: the virtual rig of seed 1. To be copied."""
    name = "demo.db"
    make = lambda folder: Demo(folder / name, 1).calibrate(lambda _: None)  # noqa: E731
    return made_once(tmp_path_factory, "calibrated", make) / name


@pytest.fixture
def call(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Call:
    """Run the program on a book of its own."""

    def run_it(*arguments: str, units: tuple[str, ...] = ()) -> Said:
        status = run(["--book", str(tmp_path / "b.db"), *units, *arguments])
        told = capsys.readouterr()
        return Said(status, told.out, told.err)

    return run_it


@pytest.fixture
def larch(call: Call, tmp_path: Path, books: dict[str, Path]) -> Call:
    """Eight springs keyed at two heights: 23 and 41 kg but for larch-08, a tenth lower."""
    shutil.copy(books["larch"], tmp_path / "b.db")
    return call


def _make_larch(folder: Path, book: str) -> None:
    assert run(["--book", book, "set", "new", "larch", "--role", "outer", "--count", "8"]) == 0
    readings = []
    for number in range(1, 9):
        share = 0.9 if number == 8 else 1.0 + 0.002 * (-1) ** number
        for height, kg in (("38.5mm", 23.0), ("27.6mm", 41.0)):
            readings.append(f"larch-{number:02d} {height} {kg * share:.3f}kg")
    assert run(["--book", book, "note", "--set", "larch", *FINE, *readings]) == 0


def sweep_file(folder: Path, name: str, slip_mm: float = 0.0) -> str:
    """A stroke of a spring of 16 N/mm and 53 mm, as a converted file; a slip at 40 mm."""
    rows, slipped = [], False
    for step in range(401):
        height = 54.0 - 0.135 * (200 - abs(step - 200))
        slipped = slipped or height < 40.0
        load_n = max(0.0, 16.0 * (53.0 - height - (slip_mm if slipped else 0.0)))
        rows.append(f"{step / 50:.2f},{load_n:.3f},{height:.4f}")
    path = folder / name
    path.write_text("t_s,load_n,height_mm\n" + "\n".join(rows) + "\n")
    return str(path)


@pytest.fixture
def pressed(call: Call, tmp_path: Path, books: dict[str, Path]) -> Call:
    """Two springs of three strokes and one without; the second of b slipped by 1 mm."""
    shutil.copy(books["elm"], tmp_path / "b.db")
    return call


def _make_elm(folder: Path, book: str) -> None:
    new = ["set", "new", "elm", "--role", "outer", "--labels", "a,b,c"]
    assert run(["--book", book, *new]) == 0
    for label in ("a", "b"):
        for number in (1, 2, 3):
            # a copy of a stroke would be refused: each has its own hair's breadth of slip
            slip_mm = 1.0 if (label, number) == ("b", 2) else 1e-3 * number
            file = sweep_file(folder, f"{label}{number}.csv", slip_mm)
            assert run(["--book", book, "import", file, "--set", "elm", "--label", label]) == 0


@pytest.fixture
def content(tmp_path: Path) -> Callable[[], str]:
    """Return what tells all that the book holds in one word: a refusal must leave it alone."""
    return lambda: hashlib.sha256((tmp_path / "b.db").read_bytes()).hexdigest()


@pytest.fixture
def slipping_file() -> Callable[..., str]:
    """Return what writes a stroke's file."""
    return sweep_file
