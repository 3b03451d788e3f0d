"""Copies of a book: whole though it is in use, put back without a moment without a book."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from coilbench.capture.book.copies import copy_book, keep_copy, put_back, reading
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import writing
from coilbench.capture.book.sets import SetPlan, new_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.sweeps import store_sweep
from coilbench.capture.errors import CoilbenchError


def plan(name: str) -> SetPlan:
    return SetPlan(name, "outer", (f"{name}-01", f"{name}-02"))


def make(path: Path, *names: str) -> Path:
    with open_book(path, create=True) as db:
        for name in names:
            new_set(db, plan(name))
    return path


def names_in(path: Path) -> list[str]:
    with open_book(path) as db:
        return set_names(db)


def refusal(*arguments, **options) -> str:
    with pytest.raises(CoilbenchError) as caught:
        copy_book(*arguments, **options)
    return str(caught.value)


def test_a_copy_holds_what_was_acknowledged_and_not_what_is_under_way(path, tmp_path):
    with open_book(path, create=True) as db:
        new_set(db, plan("larch"))
        with writing(db):
            new_set(db, plan("rowan"))
            copy_book(path, tmp_path / "early.db")
        copy_book(path, tmp_path / "late.db")
    assert names_in(tmp_path / "early.db") == ["larch"]
    assert names_in(tmp_path / "late.db") == ["larch", "rowan"]


def test_a_copy_is_one_file_and_reads_without_our_code(path, tmp_path):
    folder = tmp_path / "stick"
    folder.mkdir()
    with open_book(path, create=True) as db:
        new_set(db, plan("larch"))
        copy_book(path, folder / "copy.db")
    assert [file.name for file in folder.iterdir()] == ["copy.db"]
    with closing(sqlite3.connect(folder / "copy.db")) as plain:
        assert plain.execute("SELECT name FROM sets").fetchall() == [("larch",)]


def test_the_book_is_not_touched_by_being_copied(path, tmp_path):
    make(path, "larch")
    before = path.read_bytes()
    copy_book(path, tmp_path / "copy.db")
    assert path.read_bytes() == before


def test_copies_made_while_strokes_are_stored_are_all_whole(
    path, tmp_path, larch, calibration_id, points_sweep, stroke
):
    """Each holds every stroke that was acknowledged before it was begun."""
    acknowledged = 0
    stop = threading.Event()

    def capture():
        nonlocal acknowledged
        with open_book(path) as own:
            while not stop.is_set():
                store_sweep(own, points_sweep(samples=stroke, calibration_id=calibration_id))
                acknowledged += 1

    writer = threading.Thread(target=capture)
    writer.start()
    try:
        for number in range(8):
            before = acknowledged
            copy_book(path, tmp_path / f"{number}.db")
            found = check_book(tmp_path / f"{number}.db")
            assert found.findings == []
            assert found.sweeps >= before
    finally:
        stop.set()
        writer.join()
    assert found.sweeps > 0


def test_a_copy_takes_no_files_place_unless_asked(path, tmp_path):
    make(path, "larch")
    target = tmp_path / "copy.db"
    target.write_text("mine")
    assert "exists already" in refusal(path, target)
    assert target.read_text() == "mine"
    copy_book(path, target, force=True)
    assert names_in(target) == ["larch"]


@pytest.mark.parametrize("same", ["bench.db", "../{folder}/bench.db"])
def test_a_book_is_not_copied_onto_itself(path, tmp_path, same):
    make(path, "larch")
    target = tmp_path / same.format(folder=tmp_path.name)
    assert "the book itself" in refusal(path, target, force=True)
    assert names_in(path) == ["larch"]


def test_what_is_no_book_is_not_copied(path, tmp_path):
    assert "no book here" in refusal(path, tmp_path / "copy.db")
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE theirs (a)")
        other.commit()
    assert "not made by coilbench" in refusal(path, tmp_path / "copy.db")
    path.write_bytes(b"no SQLite at all, but long enough to be looked at" * 100)
    assert "not a readable" in refusal(path, tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()
    assert [file.name for file in tmp_path.iterdir()] == ["bench.db"]


def test_a_folder_that_is_not_there_is_said(path, tmp_path):
    make(path, "larch")
    assert "cannot be written" in refusal(path, tmp_path / "no" / "copy.db")


def test_reading_changes_nothing_even_if_asked(path):
    make(path, "larch")
    with (
        pytest.raises(CoilbenchError, match="cannot be written"),
        reading(path) as connection,
    ):
        connection.execute("DROP VIEW spring_summary")


def test_two_copies_in_one_second_have_two_names(path):
    make(path, "larch")
    kept = {keep_copy(path, "merge") for _ in range(3)}
    assert len(kept) == 3
    assert all(".before-merge-" in one.name and one.parent == path.parent for one in kept)


def test_put_back_keeps_what_it_replaces(path, tmp_path):
    make(path, "larch")
    copy_book(path, tmp_path / "copy.db")
    make(path, "rowan")
    kept = put_back(tmp_path / "copy.db", path)
    assert names_in(path) == ["larch"]
    assert kept is not None
    assert names_in(kept) == ["larch", "rowan"]
    assert names_in(tmp_path / "copy.db") == ["larch"]


def test_put_back_leaves_no_journal_of_the_old_book(path, tmp_path):
    """A write-ahead log beside a file it does not belong to would be read into it."""
    make(path, "larch")
    copy_book(path, tmp_path / "copy.db")
    script = (
        "import os, sys; from pathlib import Path\n"
        "from coilbench.capture.book.opening import open_book\n"
        "from coilbench.capture.book.sets import SetPlan, new_set\n"
        "with open_book(Path(sys.argv[1])) as db:\n"
        "    new_set(db, SetPlan('rowan', 'outer', ('a',)))\n"
        "    os._exit(0)\n"  # killed: its log stays
    )
    subprocess.run([sys.executable, "-c", script, str(path)], check=True)
    assert path.with_name("bench.db-wal").stat().st_size > 0
    kept = put_back(tmp_path / "copy.db", path)
    assert names_in(path) == ["larch"]
    assert check_book(path).findings == []
    assert kept is not None
    assert names_in(kept) == ["larch", "rowan"]


def test_put_back_where_there_is_no_book_makes_one(path, tmp_path):
    make(path, "larch")
    copy_book(path, tmp_path / "copy.db")
    assert put_back(tmp_path / "copy.db", tmp_path / "new.db") is None
    assert names_in(tmp_path / "new.db") == ["larch"]


def test_put_back_waits_for_no_other_program_but_says_so(path, tmp_path):
    make(path, "larch")
    copy_book(path, tmp_path / "copy.db")
    with open_book(path) as db:
        assert set_names(db) == ["larch"]
        with pytest.raises(CoilbenchError, match="locked by another program"):
            put_back(tmp_path / "copy.db", path)
    assert names_in(path) == ["larch"]


def test_put_back_takes_the_place_of_a_book_that_cannot_be_read(path, tmp_path):
    make(path, "larch")
    copy_book(path, tmp_path / "copy.db")
    broken = bytearray(path.read_bytes())
    broken[0:16] = b"no SQLite header"
    path.write_bytes(broken)
    kept = put_back(tmp_path / "copy.db", path)
    assert names_in(path) == ["larch"]
    assert kept is not None
    assert kept.read_bytes() == broken


def test_a_book_is_not_put_back_onto_itself(path):
    make(path, "larch")
    with pytest.raises(CoilbenchError, match="the book itself"):
        put_back(path, path)
    assert names_in(path) == ["larch"]
