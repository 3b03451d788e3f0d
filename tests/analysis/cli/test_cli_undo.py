"""A wrong import or a slip of the key is taken back; what was read is kept."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.merging import merge_books

WATERTOWN = Path(__file__).parents[2] / "data" / "watertown1900_springs.csv"
LABELS = "8,9,10,12,13,14,15,16,17,18,19,20"


class Bench:
    """A book in a folder, a set in it, and a person at it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.book, self._capsys = folder, folder / "bench.db", capsys

    def run(self, *arguments: str, status: int = 0) -> str:
        self._capsys.readouterr()
        done = run(["--book", str(self.book), *arguments])
        told = self._capsys.readouterr()
        assert done == status, told.out + told.err
        return told.out + told.err

    def points(self, name: str, load_kg: float) -> str:
        path = self.folder / name
        path.write_text(f"label,height_mm,load_kg\nlarch-01,38.5,{load_kg}\n")
        return str(path)

    def counted(self, name: str = "larch") -> list[int]:
        shown = json.loads(self.run("set", "show", name, "--json"))
        return [spring["sweeps_counted"] for spring in shown["springs"]]

    def load_kg(self) -> Any:
        check = json.loads(self.run("set", "check", "larch", "--at", "38.5mm", "--json"))
        return check["springs"][0]["readings"][0]["load_n"] / 9.80665


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    made = Bench(tmp_path, capsys)
    made.run("set", "new", "larch", "--role", "outer", "--count", "2")
    return made


def test_the_last_import_is_taken_back_and_the_one_before_stands(bench: Bench) -> None:
    bench.run("import", bench.points("right.csv", 22.4), "--set", "larch")
    bench.run("import", bench.points("wrong.csv", 2.24), "--set", "larch", "--yes")
    assert bench.load_kg() == pytest.approx((22.4 + 2.24) / 2)
    told = bench.run("import", "--take-back", "last")
    assert "wrong.csv  larch-01" in told
    assert bench.load_kg() == pytest.approx(22.4)
    with closing(sqlite3.connect(bench.book)) as plain:
        kept = plain.execute("SELECT counted, status, note FROM sweeps ORDER BY rowid").fetchall()
    assert kept == [(1, "complete", "right.csv"), (0, "complete", "wrong.csv; taken back")]


def test_one_run_of_several_files_goes_as_it_came(bench: Bench) -> None:
    one, two = bench.points("one.csv", 22.4), bench.points("two.csv", 22.5)
    told = bench.run("import", one, two, "--set", "larch")
    entry_id = told.split("--take-back ")[1].strip().rstrip(")")
    assert bench.counted() == [2, 0]
    bench.run("import", "--take-back", entry_id)
    assert bench.counted() == [0, 0]
    assert "(undone)" in bench.run("import", "--history")
    assert "undone before" in bench.run("import", "--take-back", entry_id, status=2)


def test_what_was_taken_back_may_come_in_again(bench: Bench) -> None:
    file = bench.points("points.csv", 22.4)
    bench.run("import", file, "--set", "larch")
    assert "already has these readings" in bench.run("import", file, "--set", "larch", status=2)
    bench.run("import", "--take-back", "last")
    bench.run("import", file, "--set", "larch")
    assert bench.counted() == [1, 0]


def test_solid_heights_go_with_the_import_that_told_them(bench: Bench) -> None:
    """The springs of the Watertown report were closed down; without it nothing says so."""
    bench.run("set", "new", "nest", "--role", "single", "--labels", LABELS)
    bench.run("import", str(WATERTOWN), "--set", "nest")
    one = bench.folder / "one.csv"
    one.write_text("label,height_mm,load_lbf\n8,300,21000\n8,240,60000\n")
    bench.run("import", str(one), "--set", "nest", "--closed-down", "--yes")

    def solid_mm() -> list[float | None]:
        shown = json.loads(bench.run("set", "show", "nest", "--json"))["springs"][:2]
        return [spring["solid_height_mm"] for spring in shown]

    assert solid_mm() == [240.0, pytest.approx(9.70 * 25.4)]
    bench.run("import", "--take-back", "last")
    assert solid_mm() == [pytest.approx(9.63 * 25.4), pytest.approx(9.70 * 25.4)]
    bench.run("import", "--take-back", "last")
    assert solid_mm() == [None, None]
    assert bench.counted("nest") == [0] * 12


def test_keyed_readings_are_taken_back_by_note(bench: Bench) -> None:
    bench.run("note", "--set", "larch", "larch-01 38.5mm 22.4kg", "larch-02 38.5mm 22.6kg")
    bench.run("note", "--set", "larch", "--yes", "larch-01 38.5mm 224kg")
    assert "nothing left to undo" in bench.run("import", "--take-back", "last", status=2)
    told = bench.run("note", "--set", "larch", "--take-back", "last")
    assert re.search(r"larch-01\.", told)
    assert bench.counted() == [1, 1]
    lines = bench.run("note", "--set", "larch", "--history").splitlines()
    assert len(lines) == 2
    assert lines[0].endswith("larch-01  (undone)")
    assert lines[1].endswith("2 springs")


def test_a_take_back_stands_after_a_merge_with_an_older_copy(bench: Bench) -> None:
    bench.run("import", bench.points("wrong.csv", 2.24), "--set", "larch", "--yes")
    copy = bench.folder / "copy.db"
    bench.run("book", "copy", str(copy))
    bench.run("import", "--take-back", "last")
    merge_books(bench.book, [copy])
    assert bench.counted() == [0, 0]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["import"], "FILES is missing"),
        (["import", "x.csv"], "--set is missing"),
        (["import", "--take-back", "last"], "nothing left to undo"),
        (["import", "--take-back", "abc"], "no run of this command has an id that begins"),
        (["import", "--take-back", ""], "no run of this command"),
        (["import", "x.csv", "--take-back", "last"], "cannot be given with"),
    ],
)
def test_a_refusal_is_one_line(bench: Bench, arguments: list[str], words: str) -> None:
    told = bench.run(*arguments, status=2)
    assert len(told.splitlines()) == 1
    assert re.search(words, told)


def test_history_is_told_as_json_and_when_empty(bench: Bench) -> None:
    assert "Nothing to undo" in bench.run("import", "--history")
    bench.run("import", bench.points("p.csv", 22.4), "--set", "larch")
    (entry,) = json.loads(bench.run("import", "--history", "--json"))["entries"]
    assert entry["files"] == ["p.csv"]
    assert entry["counts"] is True
    back = json.loads(bench.run("import", "--take-back", entry["entry_id"], "--json"))
    assert back["taken_back"]["counts"] is False
    assert json.loads(bench.run("import", "--history", "--set", "larch", "--json"))["entries"]
