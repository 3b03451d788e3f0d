"""Every command that shows, counts or leaves out flags says the same of a set.

Each input of the judgement is changed in the book (nominal, its tolerance, free length, a ruling
on a stroke, a stroke that can't be relied on), and every command must follow.
"""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import redirect_stdout
from itertools import pairwise
from pathlib import Path

import pytest

from coilbench.analysis.cli import demo, run
from coilbench.analysis.dashboard.scene import SetTable
from coilbench.analysis.dashboard.set_table import read_set_table
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from support import edits
from support.shared import made_once

BUILD = """
[cam]
name = "Lake four"
valve_lift = "8 mm"
seat_load = "208 N"
seat_tolerance = "20 N"
open_load = "336 N"
open_tolerance = "20 N"
[head]
installed_height = "40 mm"
valves = 1
[limits]
coil_bind_margin = "1 mm"
[springs]
outer = ["larch"]
"""
AT = ("--at", "40mm", "--at", "32mm")
Judged = Mapping[str, frozenset[str]]  # what each command says: "flagged" or "unsure", and whom


def stroke(folder: Path, slip_mm: float = 0.0) -> str:
    """One stroke of a spring of 16 N/mm and 53 mm as a converted file; a slip at 43 mm."""
    rows, slipped = [], False
    for step in range(241):
        height = 54.0 - 0.225 * (120 - abs(step - 120))
        slipped = slipped or height < 43.0
        load_n = max(0.0, 16.0 * (53.0 - height - (slip_mm if slipped else 0.0)))
        rows.append(f"{step / 30:.3f},{load_n:.3f},{height:.4f}")
    path = folder / f"slip{slip_mm}.csv"
    path.write_text("t_s,load_n,height_mm\n" + "\n".join(rows) + "\n")
    return str(path)


def points(folder: Path, shares: Mapping[str, float]) -> str:
    """Springs of 53 mm and such shares of 16 N/mm, read at four heights."""
    rows = [
        f"{label},{height_mm},{16.0 * share * (53.0 - height_mm):.3f}"
        for label, share in shares.items()
        for height_mm in (45.0, 40.0, 38.5, 32.0)
    ]
    path = folder / f"points{len(shares)}.csv"
    path.write_text("label,height_mm,load_n\n" + "\n".join(rows) + "\n")
    return str(path)


@pytest.fixture(scope="session")
def books(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A set without a flag, and the same with one input of its judgement changed each.

    d and e push 3 % less than the others; e was read a second time 10 % lower, which is left out.
    """
    folder = made_once(tmp_path_factory, "judged", _make_books)
    return {name: folder / f"{name}.db" for name in ("sound", *CHANGES)}


def _make_books(folder: Path) -> None:
    sound = folder / "sound.db"
    shares = {"a": 1.0, "b": 1.015, "c": 1.005, "d": 0.97, "e": 0.971}
    for arguments in (
        ("set", "new", "larch", "--role", "single", "--labels", "a,b,c,d,e,f,g",
         "--solid-height", "24mm"),
        ("import", points(folder, shares), "--set", "larch"),
        ("import", points(folder, {"e": 0.9}), "--set", "larch", "--yes"),
        ("import", stroke(folder), "--set", "larch", "--label", "f"),
        ("set", "strokes", "larch", "--leave", "e:2"),
    ):  # fmt: skip
        command(*arguments)(sound, folder)
    for name, change in CHANGES.items():
        book = Path(shutil.copy(sound, folder / f"{name}.db"))
        change(book, folder)


def command(*arguments: str) -> Callable[[Path, Path], None]:
    """A change made by a command."""

    def change(book: Path, _folder: Path) -> None:
        assert run(["--book", str(book), *arguments]) == 0

    return change


def _free_length(book: Path, _folder: Path) -> None:
    assert edits.change(book, "UPDATE sets SET free_length_mm = 55") == 1


def _doubt(book: Path, folder: Path) -> None:
    file = stroke(folder, slip_mm=0.6)
    command("import", file, "--set", "larch", "--label", "g")(book, folder)


CHANGES: dict[str, Callable[[Path, Path], None]] = {
    "nominal": command("set", "nominal", "larch", "242N@38.5mm", "--tolerance", "5.5%"),
    "tolerance": command("set", "nominal", "larch", "242N@38.5mm", "--tolerance", "12%"),
    "rate": command("set", "nominal", "larch", "--rate", "16.7N/mm"),
    "free length": _free_length,
    "ruling": command("set", "strokes", "larch", "--leave", "e:1", "--use", "e:2"),
    "doubt": _doubt,
}


def said(book: Path, *arguments: str) -> str:
    out = io.StringIO()
    with redirect_stdout(out):
        run(["--book", str(book), *arguments])
    return out.getvalue()


def _of_springs(springs: list[dict[str, object]]) -> Judged:
    kinds = {
        str(one["label"]): {flag["kind"] for flag in one["flags"]}  # type: ignore[attr-defined]
        for one in springs
    }
    return _sorted_out(kinds)


def _sorted_out(kinds: Mapping[str, set[str]]) -> Judged:
    return {
        "flagged": frozenset(label for label, own in kinds.items() if own - {"unsure"}),
        "unsure": frozenset(label for label, own in kinds.items() if own == {"unsure"}),
    }


def by_check(book: Path, _build: Path) -> Judged:
    return _of_springs(json.loads(said(book, "set", "check", "larch", *AT, "--json"))["springs"])


def by_curves(book: Path, _build: Path) -> Judged:
    legend = said(book, "set", "show", "larch", "--curves", *AT).split("dots:")[0]
    words = [word for line in legend.splitlines() if "|" not in line for word in line.split()]
    found: dict[str, set[str]] = {}
    for letter, label in pairwise(words):
        if letter in "ABCDEFG" and label in "abcdefg":
            found[label] = set()
        elif found and label in ("weak", "stiff", "short", "odd", "unsure"):
            found[next(reversed(found))].add(label)
    return _sorted_out(found)


def by_dashboard(book: Path, _build: Path) -> Judged:
    with open_book(book) as db:
        empty = SetTable((), 0, ())
        *_, table = read_set_table(db, "larch", (40.0, 32.0), Units(), empty)
    return _sorted_out({row.label: set(row.flags) for row in table.rows})


def _left_out(document: dict[str, list[str]]) -> Judged:
    return {
        key: frozenset(document[of]) for key, of in (("flagged", "left_out"), ("unsure", "unsure"))
    }


def by_pair(book: Path, build: Path) -> Judged:
    return _left_out(json.loads(said(book, "pair", str(build), "--json")))


def by_assign(book: Path, build: Path) -> Judged:
    return _left_out(json.loads(said(book, "assign", str(build), "--json")))


def by_report(book: Path, build: Path) -> Judged:
    (one,) = json.loads(said(book, "report", str(build), "--json"))["sets"]
    return _of_springs(one["springs"])


def by_demo(book: Path, build: Path) -> Judged:
    result = demo.Demo(book, 1).decide()
    return {
        key: frozenset(getattr(result.candidates, of))
        for key, of in (("flagged", "left_out"), ("unsure", "unsure"))
    }


COMMANDS = (by_check, by_curves, by_dashboard, by_pair, by_assign, by_report, by_demo)
EXPECTED = {  # the flagged, the unsure
    "sound": ("", ""),
    "nominal": ("de", ""),
    "tolerance": ("", ""),  # the same nominal with a wider one
    "rate": ("de", ""),
    "free length": ("f", ""),
    "ruling": ("e", ""),
    "doubt": ("", "g"),
}


@pytest.fixture
def build(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    path = tmp_path / "four.toml"
    path.write_text(BUILD)
    monkeypatch.setattr(demo, "BUILD_FILE", BUILD)
    return path


@pytest.mark.parametrize("says", COMMANDS)
@pytest.mark.parametrize("state", EXPECTED)
def test_every_command_follows_the_book(
    books: dict[str, Path], build: Path, state: str, says: Callable[[Path, Path], Judged]
) -> None:
    flagged, unsure = (frozenset(labels) for labels in EXPECTED[state])
    assert says(books[state], build) == {"flagged": flagged, "unsure": unsure}
