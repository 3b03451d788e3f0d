"""`coilbench` alone says what state things are in, at once, and its next command is one that is."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from coilbench.analysis.cli import cli, run
from coilbench.capture.book.opening import open_book
from support.edits import change

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"


class Bench:
    """A book in a folder and a person at it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.book, self._capsys = folder, folder / "bench.db", capsys

    def run(self, *arguments: str, status: int = 0) -> str:
        self._capsys.readouterr()
        done = run(["--book", str(self.book), *arguments])
        told = self._capsys.readouterr()
        assert done == status, told.out + told.err
        return told.out + told.err

    def next(self) -> str:
        told = json.loads(self.run("status", "--json"))["next"]["command"]
        lines = self.run().splitlines()
        place = next(i for i, line in enumerate(lines) if line.startswith("Next    "))
        assert lines[place + 1] == f"            {told}"
        assert max(map(len, lines[1:])) <= 80  # the first one names the book
        name = told.split()[1]
        assert name in cli.list_commands(None)  # type: ignore[arg-type]
        return str(told)

    def file(self, name: str, text: str) -> str:
        path = self.folder / name
        path.write_text(text)
        return str(path)


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    return Bench(tmp_path, capsys)


def test_of_several_rigs_it_says_which_is_meant(bench: Bench) -> None:
    weighed = bench.file("masses.csv", "mass_kg,counts\n0,0\n20,40000\n40,80000\n")
    gauged = bench.file("gauges.csv", "length_mm,counts\n0,6000\n20,4000\n50,1000\n")
    for rig in ("C011BE4C00000001", "C011BE4C00000002"):
        bench.run("rig", "weigh", "--from", weighed)
        bench.run("rig", "gauge", "--from", gauged)
        sql = "UPDATE calibration_parts SET device_id = ? WHERE device_id IS NULL"
        change(bench.book, sql, rig)
    told = bench.run()
    assert "this is C011BE4C00000002; the book has 1 other rig, too" in told
    rig = json.loads(bench.run("status", "--json"))["rig"]
    assert (rig["device_id"], rig["others"]) == ("C011BE4C00000002", ["C011BE4C00000001"])
    card = bench.run("rig", "card")
    assert "This is the rig C011BE4C00000002" in card
    assert "C011BE4C00000001" in card


def test_the_job_from_nothing_to_a_measured_set(bench: Bench) -> None:
    assert "none yet" in bench.run()
    assert bench.next() == "coilbench begin"
    assert list(bench.folder.iterdir()) == []  # looking makes no book
    bench.run("set", "new", "larch", "--role", "outer", "--count", "2")
    assert bench.next() == "coilbench rig weigh --port PORT"
    assert re.search("coilbench note --set larch", bench.run())
    masses = "".join(f"{kg},{100 + 2000 * kg}\n" for kg in (0, 10, 20, 40))
    bench.run("rig", "weigh", "--from", bench.file("m.csv", "mass_kg,counts\n" + masses))
    assert "load just now; not yet: travel, flex" in bench.run()
    assert bench.next().startswith("coilbench rig gauge")
    gauges = "".join(f"{mm},{(60 - mm) * 100}\n" for mm in (0, 20, 50))
    bench.run("rig", "gauge", "--from", bench.file("g.csv", "length_mm,counts\n" + gauges))
    assert bench.next() == "coilbench rig flex --port PORT"
    bench.run("note", "--set", "larch", "larch-01 38.5mm 22.4kg")
    assert re.search(r"larch.*\b1 of 2", bench.run())
    assert bench.next() == "coilbench note --set larch --at HEIGHT"
    bench.run("note", "--set", "larch", "larch-02 38.5mm 22.5kg")
    assert bench.next() == "coilbench set check larch --at HEIGHT"
    (bench.folder / "bench.db.unfinished-weigh.json").write_text("{}")
    assert "a guided rig weigh was interrupted" in bench.run()


def test_what_is_still_to_do_comes_first_and_many_sets_are_cut(bench: Bench) -> None:
    for number in range(10):
        bench.run("set", "new", f"set{number}", "--role", "outer", "--count", "1")
    bench.run("note", "--set", "set0", "set0-01 38.5mm 22.4kg")
    told = bench.run()
    assert re.search(r"set1.*\b0 of 1", told)
    assert re.search(r"\b2\b.*coilbench set list", told)


def test_a_capture_and_a_failed_check_are_told(bench: Bench) -> None:
    bench.run("set", "new", "larch", "--role", "outer", "--count", "2")
    change(
        bench.book,
        "INSERT INTO sessions (id, set_id, source_url, started_utc, seen_utc, samples,"
        " samples_lost, lines_bad, restarts) SELECT 's', id, '/dev/ttyUSB0', made_utc,"
        " strftime('%Y-%m-%dT%H:%M:%S+00:00', 'now'), 0, 0, 0, 0 FROM sets",
    )
    assert re.search("larch.*running", bench.run())
    assert bench.next() == "coilbench live"
    for sql in (
        "UPDATE sessions SET seen_utc = '2026-01-01T00:00:00+00:00'",
        "INSERT INTO calibration_parts (id, kind, made_utc, origin, fit_json,"
        " reference_u_relative, notes_json) VALUES"
        " ('p', 'load', '2020-01-01T00:00:00+00:00', 'x', '{}', 0, '[]')",
        "INSERT INTO mass_checks VALUES ('c', '2020-01-02T00:00:00+00:00', 'p', NULL,"
        " 20, 9.8, 0, 1, 0, 5, 1, 1, 0, NULL)",
    ):
        change(bench.book, sql)
    told = bench.run()
    assert "ended without closing the book" in told
    assert "Check   FAILED" in told
    assert "OVERDUE" in told


def test_an_old_book_is_looked_at_and_left_as_it_is(bench: Bench) -> None:
    shutil.copyfile(FIRST, bench.book)
    told = bench.run()
    assert "an older version, updated on its next use" in told
    assert "larch  outer   3 of 3 measured" in told
    assert bench.book.read_bytes() == FIRST.read_bytes()
    assert [path.name for path in bench.folder.iterdir()] == ["bench.db"]


def test_a_newer_book_and_no_book_at_all_are_told(bench: Bench) -> None:
    shutil.copyfile(FIRST, bench.book)
    with open_book(bench.book):
        pass
    with closing(sqlite3.connect(bench.book)) as plain:
        plain.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
            " VALUES ('coilbench', '9999_of_tomorrow', 'x')"
        )
        plain.commit()
    assert re.search("newer.*written", bench.run())
    bench.book.write_text("words\n" * 500)
    told = bench.run(status=2)
    assert "not a readable SQLite book" in told
    assert len(told.splitlines()) == 1


def test_it_answers_without_the_heavy_libraries(bench: Bench) -> None:
    bench.run("set", "new", "larch", "--role", "outer", "--count", "2")
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; from coilbench.analysis.cli import run; assert run(sys.argv[1:]) == 0;"
            "heavy = {'numpy', 'scipy', 'matplotlib', 'rich', 'sqlite_utils', 'serial'};"
            "print(sorted(heavy & set(sys.modules)))",
            "--book",
            str(bench.book),
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout.splitlines()[-1] == "[]", done.stdout + done.stderr
