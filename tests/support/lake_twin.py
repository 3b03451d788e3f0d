"""A build of two valves, and sets of straight springs in a book for it, for command-line tests."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from support.shared import made_once

TWO_VALVES = '[head.valves]\n"1 in" = "40.0 mm"\n"1 ex" = "40.4 mm"\n'
ALL_ALIKE = 'installed_height = "40 mm"\nvalves = {}\n'
PAIRS, SINGLE = 'outer = ["larch"]\ninner = ["heron"]', 'outer = ["birch"]'
TIRED = 0.7  # of its rate is left to a tired spring


def build_text(
    head: str = TWO_VALVES,
    *,
    springs: str = PAIRS,
    shims: str = '[[shims]]\nthickness = "0.4 mm"\ncount = 1',
    limits: str = "",
) -> str:
    """Return a build file's text: 300 N at 40 mm or so and 600 N 10 mm below."""
    offset = 'inner_offset = "2 mm"' if "inner" in springs else ""
    return f"""
[cam]
name = "Lake twin"
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
[head]
{offset}
{head}
{shims}
[limits]
coil_bind_margin = "1.2 mm"
{limits}
[springs]
{springs}
"""


def labels_of(name: str, count: int = 6) -> list[str]:
    return [f"{name}-{number:02}" for number in range(1, count + 1)]


def register(
    book: Path,
    name: str,
    role: str,
    labels: Sequence[str],
    line: tuple[float, float],
    extra: Sequence[str] = (),
    heights_mm: Iterable[float] = (46.0, 40.0, 33.0, 26.0),
    tired: int | None = None,
) -> None:
    """Register a set of straight springs that were read at some heights.

    Args:
        line: free length in mm, rate in N/mm; each spring's is 0.2 % above that of the one before.
        extra: more options of `set new`.
        tired: the number of one that is.
    """
    free_mm, rate = line
    new = ["set", "new", name, "--role", role, "--labels", ",".join(labels), *extra]
    assert run(["--book", str(book), *new]) == 0
    rows = ["label,height_mm,load_n"]
    for number, label in enumerate(labels, 1):
        own = rate * (1.0 + 0.002 * number) * (TIRED if number == tired else 1.0)
        quoted = '"' + label.replace('"', '""') + '"'
        rows += [f"{quoted},{mm:.1f},{own * (free_mm - mm):.3f}" for mm in heights_mm]
    points = book.parent / "points.csv"
    points.write_text("\n".join(rows), encoding="utf-8")
    assert run(["--book", str(book), "import", str(points), "--set", name]) == 0


@pytest.fixture(scope="session")
def twin_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six outers and six inners in `book.db`, a tired one each, and a build file; to be copied."""

    def make(folder: Path) -> None:
        for name, role, line, solid in (
            ("larch", "outer", (50.0, 20.0), "20mm"),
            ("heron", "inner", (48.0, 10.0), "18mm"),
        ):
            extra = ("--solid-height", solid)
            register(folder / "book.db", name, role, labels_of(name), line, extra, tired=3)
        (folder / "twin.toml").write_text(build_text())

    return made_once(tmp_path_factory, "lake-twin", make)
