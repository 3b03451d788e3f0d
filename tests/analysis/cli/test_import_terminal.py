"""`import` on a pseudo-terminal: what looks like a slip is asked about there."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from coilbench.analysis.cli import run

pytest.importorskip("termios")
from support.terminal import Terminal

READ = [f"{n} {mm}mm {kg}kg" for n in (1, 2, 3) for mm, kg in ((38.5, 23), (27.6, 41))]


@pytest.mark.parametrize(
    ("rows", "asked", "answer", "said", "stored"),
    [
        ("4,38.5,23.1\n4,27.6,418\n", "Store it as it is", "n", "nothing was stored. Mend", 0),
        ("4,38.5,23.1\n4,27.6,418\n", "Store it as it is", "y", "oak-04 of set oak", 1),
        ("4,38.5,23.1\n5,38.5,2.3\n4,27.6,418\n", "Store them as they are", "n", "Mend", 0),
    ],
)
def test_both_answers(
    tmp_path: Path, rows: str, asked: str, answer: str, said: str, stored: int
) -> None:
    book, file = str(tmp_path / "b.db"), tmp_path / "r.csv"
    assert run(["--book", book, "set", "new", "oak", "--role", "outer", "--count", "5"]) == 0
    assert run(["--book", book, "note", "--set", "oak", *READ]) == 0
    file.write_text("label,height_mm,load_kg\n" + rows)
    terminal = Terminal("--book", book, "import", str(file), "--set", "oak")
    try:
        terminal.wait_for(rf"(?s)418\.00 kg at 27\.60 mm.*{asked}")
        terminal.press(f"{answer}\r")
        terminal.wait_for(said)
    finally:
        terminal.close()
    with closing(sqlite3.connect(book)) as plain:
        (count,) = plain.execute(
            "SELECT count(*) FROM sweeps WHERE counted AND origin = 'points file'"
        ).fetchone()
    assert count == stored
