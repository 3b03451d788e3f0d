"""`note` as a process on a pseudo-terminal: questions on a plain one, else the grid."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from coilbench.analysis.cli import run

pytest.importorskip("termios")
from support.signals import AS_STARTED_BY_HAND
from support.terminal import PROGRAM, Terminal


@pytest.fixture
def book(tmp_path: Path) -> str:
    path = str(tmp_path / "b.db")
    new = ["set", "new", "oak", "--role", "outer", "--count", "12", "--free-length", "53mm"]
    assert run(["--book", path, *new]) == 0
    return path


@pytest.fixture
def plain(book: str) -> Iterator[Terminal]:
    heights = ("--at", "38.5mm", "--at", "27.6mm")
    terminal = Terminal(
        "--book", book, "note", "--set", "oak", *heights, "--tare", "0kg", term="dumb"
    )
    yield terminal
    terminal.close()


@pytest.fixture
def drawing(book: str) -> Iterator[Terminal]:
    given = ("--at", "38.5mm", "--at", "27.6mm", "--tare", "0kg")
    terminal = Terminal("--book", book, "note", "--set", "oak", *given)
    yield terminal
    terminal.close()


def loads_kg(book: str) -> list[float]:
    with closing(sqlite3.connect(book)) as plain:
        sql = (
            "SELECT load_n FROM curve_rows JOIN sweeps ON sweeps.id = sweep_id WHERE counted"
            " ORDER BY sweeps.rowid"
        )
        return [round(load_n / 9.80665, 2) for (load_n,) in plain.execute(sql)]


def test_asked_for_one_after_the_other(plain: Terminal, book: str) -> None:
    plain.wait_for(r"oak-01 \(spring 1 of 12\), 38\.50 mm = 14\.50 mm on the quill.*kg")
    plain.press("22.4\r")
    plain.wait_for(r"(?s)Stored.*27\.60 mm = 25\.40 mm on the quill")
    plain.press("42.9 # rusty\r")
    plain.wait_for("spring 2 of 12")
    plain.press("u\r")
    plain.wait_for(r"oak-01.*27\.60")
    plain.press("41.9\r")
    plain.wait_for("spring 2 of 12")
    plain.press("224\r")
    plain.wait_for(r"224\.00 kg at 38\.50 mm\?(?s:.*)22\.40 kg is meant")
    assert loads_kg(book) == [22.4, 41.9]  # on the disk while it asks
    plain.press("m\r")
    plain.wait_for(r"oak-02.*27\.60")
    plain.press("12 38.5 22.9\r")
    plain.wait_for(r"(?s)Stored oak-12.*oak-02.*27\.60")
    plain.press("to 11\r")
    plain.wait_for("spring 11 of 12")
    plain.press("q\r")
    assert plain.end() == 0
    assert loads_kg(book) == [22.4, 41.9, 22.4, 22.9]


def test_the_tare_is_asked_for_before_the_first_reading(book: str) -> None:
    terminal = Terminal("--book", book, "note", "--set", "oak", "--at", "38.5mm", term="dumb")
    try:
        terminal.wait_for("The tare first: what does the scale show(?s:.*)in kg")
        terminal.press("3.2\r")
        terminal.wait_for("spring 1 of 12")
        terminal.press("25.6\r")
        terminal.wait_for("Stored")
        terminal.press("q\r")
        assert terminal.end() == 0
    finally:
        terminal.close()
    assert loads_kg(book) == [22.4]


def test_killed_it_loses_nothing_that_it_acknowledged(plain: Terminal, book: str) -> None:
    plain.wait_for("spring 1 of 12")
    plain.press("22.4\r")
    plain.wait_for("Stored")
    plain.process.kill()
    plain.process.wait()
    assert loads_kg(book) == [22.4]


def test_the_grid_opens_on_a_terminal_and_leaves_it_as_it_was(drawing: Terminal, book: str) -> None:
    drawing.wait_for("oak-12")
    drawing.press("22.4\r41.9\r")
    drawing.wait_for("2 of 24 read")
    assert loads_kg(book) == [22.4, 41.9]
    drawing.press("q")
    assert drawing.end() == 0


def test_in_a_pipe_it_asks(book: str) -> None:
    arguments = ["--book", book, "note", "--set", "oak", "--at", "38.5mm"]
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *arguments],
        input="22.4\n22.6\nq\n",
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert loads_kg(book) == [22.4, 22.6]


def test_help_does_not_load_textual() -> None:
    program = AS_STARTED_BY_HAND + (
        "import sys; from coilbench.analysis.cli import run; run(['note', '--help']);"
        "sys.exit(any(name.partition('.')[0] == 'textual' for name in sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_a_doubtful_line_is_asked_about_where_somebody_can_answer(book: str) -> None:
    assert run(["--book", book, "note", "--set", "oak", "1 38.5mm 22.4kg"]) == 0
    for answer, stored in (("n", [22.4]), ("m", [22.4, 22.6])):
        terminal = Terminal("--book", book, "note", "--set", "oak", "2 38.5mm 226kg")
        try:
            terminal.wait_for(r"226\.00 kg at 38\.50 mm\?(?s:.*)22\.60 kg is meant")
            terminal.press(f"{answer}\r")
            assert terminal.end() == (0 if answer == "m" else 2)
        finally:
            terminal.close()
        assert loads_kg(book) == stored
