"""Opening a book: new, ours, and every file that is not ours or not usable."""

import re
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing

import pytest
from sqlite_utils import Database

from coilbench.capture.book import opening, schema, versions
from coilbench.capture.book.copies import explaining_sqlite_errors
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import writing
from coilbench.capture.book.sets import SetPlan, labels_for, new_set, set_names
from coilbench.capture.book.sweeps import store_sweep
from coilbench.capture.errors import CoilbenchError
from support.sqlite_utils_book import utils

pytestmark = pytest.mark.usefixtures("new_books_are_made")

PLAN = SetPlan("rowan", "inner", labels_for("rowan", 2))


def refusal(path, **options) -> str:
    with pytest.raises(CoilbenchError) as caught, open_book(path, **options):
        pass
    return str(caught.value)


def everything_beside(path):
    return {file.name: file.read_bytes() for file in path.parent.iterdir()}


def test_a_new_book_is_journalled_checks_its_keys_and_syncs_every_commit(path):
    with open_book(path, create=True) as db:
        pragmas = {
            name: db.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "foreign_keys", "synchronous", "application_id")
        }
    assert pragmas == {
        "journal_mode": "wal",
        "foreign_keys": 1,
        "synchronous": 2,  # FULL, https://www.sqlite.org/pragma.html#pragma_synchronous
        "application_id": versions.APPLICATION_ID,
    }


def test_these_hold_on_every_opening_not_only_the_first(path):
    with open_book(path, create=True) as db:
        new_set(db, PLAN)
    with open_book(path) as db:
        assert db.execute("PRAGMA foreign_keys").fetchone()[0] == 1
        assert db.execute("PRAGMA synchronous").fetchone()[0] == 2
        assert set_names(db) == ["rowan"]


def test_the_file_itself_says_whose_it_is(path):
    """Bytes 68 to 71 of the header, https://www.sqlite.org/fileformat2.html, before any close."""
    with open_book(path, create=True):
        assert path.read_bytes()[68:72] == versions.APPLICATION_ID.to_bytes(4, "big")


def test_an_empty_file_becomes_a_book(path):
    path.touch()
    with open_book(path) as db:
        assert set_names(db) == []


def test_no_book_is_not_made_unless_asked(path):
    words = refusal(path)
    assert "there is no book here yet" in words
    assert "coilbench set new" in words
    assert not path.exists()


def test_a_folder_is_made_for_a_new_book(tmp_path):
    with open_book(tmp_path / "data" / "bench" / "book.db", create=True) as db:
        assert set_names(db) == []


def test_a_folder_is_no_book(tmp_path):
    assert "this is a folder, not a book" in refusal(tmp_path, create=True)


def test_a_folder_that_cannot_be_made_is_said(path):
    path.write_text("a file where a folder would have to be")
    words = refusal(path / "bench.db", create=True)
    assert re.search("cannot.*exists", words) or "Not a directory" in words


@pytest.mark.parametrize(
    "content",
    [b"hello", b"\0" * 5000, b"t_s,load_counts\n" * 400, b"SQLite format 3\0" + b"\xff" * 4080],
)
def test_garbage_is_refused_and_left_as_it_is(path, content):
    path.write_bytes(content)
    before = everything_beside(path)
    words = refusal(path, create=True)
    assert "not a readable SQLite book" in words or "not made by coilbench" in words
    assert everything_beside(path) == before


@pytest.mark.parametrize("journal", ["delete", "wal"])
def test_another_programs_file_is_refused_and_left_as_it_is(path, journal):
    """Its journal is full of what is not in the file yet, as when that program was killed."""
    with closing(sqlite3.connect(path)) as other:
        other.execute(f"PRAGMA journal_mode = {journal}")
        other.execute("CREATE TABLE recipes (name TEXT)")
        other.execute("INSERT INTO recipes VALUES ('soup')")
        other.commit()
        before = everything_beside(path)
        words = refusal(path, create=True)
        assert "not made by coilbench" in words
        assert "--book" in words
        assert everything_beside(path) == before


def test_a_sqlite_file_without_tables_is_another_programs_too(path):
    with closing(sqlite3.connect(path)) as other:
        other.execute("PRAGMA user_version = 3")
    assert "not made by coilbench" in refusal(path, create=True)


def test_a_newer_programs_book_is_refused_and_left_as_it_is(path):
    with open_book(path, create=True) as db:
        utils(db).table("_sqlite_migrations").insert(
            {"migration_set": "coilbench", "name": "0042_moon", "applied_at": "2031-01-01"}
        )
    before = everything_beside(path)
    words = refusal(path)
    assert "a newer coilbench" in words
    assert "0042_moon" in words
    assert "Update coilbench" in words
    assert everything_beside(path) == before


def test_a_damaged_book_is_said(path):
    with open_book(path, create=True) as db:
        new_set(db, PLAN)
    content = bytearray(path.read_bytes())
    content[100:] = b"\xaa" * (len(content) - 100)
    path.write_bytes(content)
    assert "not a readable SQLite book" in refusal(path)


def test_a_creation_that_failed_leaves_no_half_book(path, monkeypatch):
    with monkeypatch.context() as patched:
        patched.setitem(schema._SQL, schema.MIGRATION_NAMES[-1], "SELEKT")
        assert "refused this" in refusal(path, create=True)
    with open_book(path, create=True) as db:
        new_set(db, PLAN)
        assert set_names(db) == ["rowan"]


def test_a_book_that_another_program_writes_is_waited_for_and_then_said(path, counts, monkeypatch):
    monkeypatch.setattr(opening, "BUSY_TIMEOUT_S", 0.02)
    with open_book(path, create=True) as db:
        new_set(db, PLAN)

    def read_and_write():
        with open_book(path) as db:
            assert set_names(db) == ["rowan"]  # reading goes on
            new_set(db, SetPlan("larch", "outer", ("a",)))

    with closing(sqlite3.connect(path)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(CoilbenchError) as caught:
            read_and_write()
        other.rollback()
    assert str(caught.value) == (
        f"{path}: the book is locked by another program. Close that program and try again."
    )
    assert counts()["sets"] == 1


def test_a_locked_book_is_waited_for(path):
    """The other program lets go while we wait; what it wrote and what we write both stand."""
    with open_book(path, create=True):
        pass
    waiting, written = threading.Event(), threading.Event()

    def other_program():
        with open_book(path) as db, writing(db):
            new_set(db, PLAN)
            written.set()
            waiting.wait(10.0)

    thread = threading.Thread(target=other_program)
    thread.start()
    try:
        written.wait(10.0)
        with open_book(path) as db:
            threading.Timer(0.05, waiting.set).start()
            new_set(db, SetPlan("larch", "outer", ("a",)))
            assert set_names(db) == ["rowan", "larch"]
    finally:
        waiting.set()
        thread.join()


def test_a_transaction_that_reads_first_can_still_write(path, monkeypatch):
    """Begun plainly, it would fail with "locked" once another program has written since."""
    monkeypatch.setattr(opening, "BUSY_TIMEOUT_S", 0.02)
    with open_book(path, create=True) as db, open_book(path) as other:
        with writing(db):
            assert set_names(db) == []
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                new_set(other, PLAN)
            new_set(db, PLAN)
        assert set_names(other) == ["rowan"]


def test_a_full_disk_is_said_and_nothing_is_half_stored(path, counts, points_sweep, db):
    """SQLite's own limit on the file's pages gives the error that a full disk gives."""
    before = counts()
    pages = db.execute("PRAGMA page_count").fetchone()[0]
    sweep = points_sweep(note="x" * 100_000)

    def store_on_a_full_disk():
        with open_book(path) as small:
            small.execute(f"PRAGMA max_page_count = {pages + 1}")
            store_sweep(small, sweep)

    with pytest.raises(CoilbenchError) as caught:
        store_on_a_full_disk()
    assert "the disk is full; what was stored before is safe" in str(caught.value)
    assert "Free some space" in str(caught.value)
    assert counts() == before
    store_sweep(db, sweep)  # with space, it goes in
    assert counts() == {**before, "sweeps": 1, "curves": 1, "curve_steps": 2}


def test_a_book_that_cannot_be_written_is_said(path):
    with open_book(path, create=True):
        pass

    def write_where_it_is_forbidden():
        with open_book(path) as db:
            db.execute("PRAGMA query_only = ON")
            new_set(db, PLAN)

    with pytest.raises(CoilbenchError) as caught:
        write_where_it_is_forbidden()
    assert "the book cannot be written" in str(caught.value)
    assert "permissions" in str(caught.value)


def test_a_place_that_cannot_be_opened_is_said(path):
    with pytest.raises(CoilbenchError) as caught, explaining_sqlite_errors(path):
        sqlite3.connect(path / "no" / "such" / "folder.db")
    assert "cannot be opened or written" in str(caught.value)


def test_a_defect_stays_a_defect(path):
    with pytest.raises(sqlite3.ProgrammingError), open_book(path, create=True) as db:
        db.execute("SELECT ?", [])


def test_what_the_body_left_unfinished_is_not_stored(path, counts):
    with open_book(path, create=True):
        pass

    def stop_half_way():
        with open_book(path) as db, writing(db):
            new_set(db, PLAN)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        stop_half_way()
    assert counts()["sets"] == 0


def test_looking_at_a_book_takes_no_lock_from_another_connection(path):
    """Closing a file that was opened past SQLite would; the journal could then be taken away."""
    with open_book(path, create=True):
        with open_book(path):
            pass
        script = (
            "import sqlite3, sys\n"
            "c = sqlite3.connect(sys.argv[1], timeout=0.02)\n"
            "try: c.execute('PRAGMA journal_mode = DELETE')\n"
            "except sqlite3.OperationalError as error: print(error)\n"
            "c.close()\n"
        )
        said = subprocess.run(
            [sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True
        )
    assert said.stdout.strip() == "database is locked"


def test_two_first_openings_at_once_make_one_book(path):
    """Each waits for the other, so that both find the whole book."""
    errors = []

    def opens():
        try:
            with open_book(path, create=True) as db:
                assert "spring_summary" in utils(db).view_names()
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=opens) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    with closing(Database(path)) as db:
        assert utils(db).table("_sqlite_migrations").count == len(schema.MIGRATION_NAMES)
