"""Only a book whose tables are as our migrations make them is opened; anything else is named."""

from __future__ import annotations

import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.capture.book import ours
from coilbench.capture.book.copies import copy_book, put_back, reading
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ours import shape_digest
from coilbench.capture.book.schema import bring_to
from coilbench.capture.book.sets import SetPlan, new_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.state import BookState
from coilbench.capture.book.versions import MIGRATION_NAMES
from coilbench.capture.errors import CoilbenchError

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"
SWALLOW = (
    "CREATE TRIGGER swallow BEFORE INSERT ON sweeps BEGIN SELECT RAISE(IGNORE); END",
    "the trigger 'swallow' is not one of ours",
)
CHANGES = [
    SWALLOW,
    ("CREATE VIEW mine AS SELECT 1", "the view 'mine' is not one of ours"),
    ("CREATE TABLE mine (a)", "the table 'mine' is not one of ours"),
    ("CREATE INDEX mine ON sets (role)", "the index 'mine' is not one of ours"),
    ("ALTER TABLE sets ADD COLUMN mine TEXT", "the table 'sets' is not as we made it"),
    ("ALTER TABLE mass_checks RENAME COLUMN passed TO mine", "'mass_checks' is not as we made it"),
    ("DROP TRIGGER sets_digest_kept", "the trigger 'sets_digest_kept' is missing"),
    ("DROP VIEW curve_points", "the view 'curve_points' is missing"),
    ("DROP INDEX sweeps_in_brief", "the index 'sweeps_in_brief' is missing"),
    (
        "CREATE TRIGGER moon BEFORE INSERT ON _sqlite_migrations BEGIN SELECT 1; END",
        "the trigger 'moon' is not one of ours",
    ),
    ("DELETE FROM _sqlite_migrations", "the book's list of its versions has a gap"),
    ("DELETE FROM _sqlite_migrations WHERE name LIKE '0002%'", "list of its versions has a gap"),
    ("UPDATE _sqlite_migrations SET name = '8' || name WHERE name > '0018'", "a name that is none"),
    ("DROP TABLE _sqlite_migrations", "list of its versions is not one of ours"),
]
REWRITTEN = [("STRICT", ""), ("NOT NULL", ""), ("CHECK (role IN", "CHECK (role NOT IN")]


def change(path: Path, sql: str) -> None:
    with closing(sqlite3.connect(path)) as plain:
        plain.execute(sql)
        plain.commit()


def everything_beside(path: Path) -> dict[str, bytes]:
    return {
        file.name: file.read_bytes()
        for file in path.parent.iterdir()
        if not file.name.endswith(("-shm", ".lock"))
    }


@pytest.fixture
def book(path: Path) -> Path:
    with open_book(path, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a", "b")))
    return path


@pytest.mark.parametrize("version", MIGRATION_NAMES)
def test_the_shapes_kept_are_those_that_the_migrations_make(version: str) -> None:
    with closing(sqlite3.connect(":memory:")) as connection:
        bring_to(Database(connection), version)
        assert shape_digest(connection) == ours._SHAPES[version]


def test_the_stored_book_of_the_first_version_has_the_shape_of_the_first_migration() -> None:
    with closing(sqlite3.connect(FIRST)) as connection:
        assert shape_digest(connection) == ours._SHAPES[MIGRATION_NAMES[0]]


@pytest.mark.parametrize(("sql", "words"), CHANGES)
def test_what_is_not_ours_is_refused_by_name_and_left_as_it_is(
    book: Path, sql: str, words: str
) -> None:
    change(book, sql)
    before = everything_beside(book)
    with pytest.raises(CoilbenchError, match=re.escape(words)) as caught, open_book(book):
        pytest.fail("opened")
    assert "put-back" in str(caught.value)
    with pytest.raises(CoilbenchError, match=re.escape(words)), reading(book):
        pytest.fail("read")
    (finding,) = check_book(book).findings
    assert words in finding
    assert everything_beside(book) == before


@pytest.mark.parametrize(("was", "now"), REWRITTEN)
def test_a_table_with_its_rules_taken_away_is_refused(book: Path, was: str, now: str) -> None:
    """https://www.sqlite.org/pragma.html#pragma_writable_schema."""
    with closing(sqlite3.connect(book)) as plain:
        plain.execute("PRAGMA writable_schema = ON")
        sql = "UPDATE sqlite_schema SET sql = replace(sql, ?, ?) WHERE name = 'sets'"
        assert plain.execute(sql, [was, now]).rowcount == 1
        plain.commit()
    words = "the table 'sets' is not as we made it"
    with pytest.raises(CoilbenchError, match=words), open_book(book):
        pytest.fail("opened")


def test_it_is_neither_merged_nor_put_back(book: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    copy_book(book, other)
    change(other, SWALLOW[0])
    with pytest.raises(CoilbenchError, match="the trigger 'swallow' is not one of ours"):
        merge_books(book, [other])
    assert check_book(book).findings == []


def test_a_book_that_was_changed_is_replaced_by_a_copy(book: Path, tmp_path: Path) -> None:
    copy_book(book, tmp_path / "copy.db")
    change(book, SWALLOW[0])
    kept = put_back(tmp_path / "copy.db", book)
    with open_book(book) as db:
        assert set_names(db) == ["larch"]
    assert kept is not None
    assert check_book(kept).findings == [SWALLOW[1]]


def test_a_changed_book_of_the_first_version_is_not_brought_up_to_date(tmp_path: Path) -> None:
    old = tmp_path / "old.db"
    shutil.copyfile(FIRST, old)
    change(old, SWALLOW[0])
    with pytest.raises(CoilbenchError, match="the trigger 'swallow'"), open_book(old):
        pytest.fail("opened")
    assert check_book(old).version == ""
    assert not list(tmp_path.glob("old.before*"))


def test_what_sqlite_itself_keeps_of_a_books_tables_is_no_other_programs(path: Path) -> None:
    with open_book(path, create=True):
        pass
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("ANALYZE")
        plain.commit()
    with open_book(path) as db:
        assert db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'sqlite_stat1'").fetchone()


def test_a_trigger_under_a_name_like_sqlites_own_is_no_statistics(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    with open_book(path, create=True):
        pass
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("PRAGMA writable_schema = ON")
        plain.execute(
            "INSERT INTO sqlite_schema VALUES ('trigger', 'sqlite_statx', 'sweeps', 0,"
            " 'CREATE TRIGGER sqlite_statx AFTER INSERT ON sweeps BEGIN SELECT 1; END')"
        )
        plain.commit()
    with pytest.raises(CoilbenchError, match="sqlite_statx"), open_book(path):
        pytest.fail("opened")


def flipped_in_the_file(book: Path, words: bytes, near: bytes) -> Iterator[Path]:
    """Yield the book with each bit of a word flipped, wherever it stands before another one."""
    with closing(sqlite3.connect(book)) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    content = book.read_bytes()
    for found in re.finditer(re.escape(words) + re.escape(near), content):
        for at in range(found.start(), found.start() + len(words)):
            for bit in range(8):
                other = bytes([content[at] ^ 1 << bit])
                book.write_bytes(content[:at] + other + content[at + 1 :])
                yield book


def test_a_flip_in_a_name_of_the_list_of_versions_makes_no_newer_book(book: Path) -> None:
    """In the list or in its index, of which no name is trusted."""
    before = BookState.read(book)
    for name in (MIGRATION_NAMES[-1], MIGRATION_NAMES[-4]):
        flips = 0
        for harmed in flipped_in_the_file(book, name[:6].encode(), name[6:].encode()):
            flips += 1
            with suppress(CoilbenchError):
                assert BookState.read(harmed) == before
            with suppress(CoilbenchError):
                assert check_book(harmed).findings
        assert flips >= 2 * 6 * 8


def test_a_definition_that_became_bytes_is_not_as_we_made_it(book: Path) -> None:
    """SQLite's file format, section 2.1: a serial type of 13 + 2 n is text, 12 + 2 n bytes."""
    with closing(sqlite3.connect(book, isolation_level=None)) as plain:
        plain.execute("PRAGMA writable_schema = ON")
        sql = "SELECT rowid FROM sqlite_schema WHERE name = 'sets_digest_kept'"
        of = plain.execute(sql).fetchone()
        for column in ("name", "sql", "type"):
            change = f"UPDATE sqlite_schema SET {column} = CAST({column} AS {{}}) WHERE rowid = ?"
            plain.execute(change.format("BLOB"), of)
            assert "'sets_digest_kept'" in (ours.reshaped(plain) or "")
            plain.execute(change.format("TEXT"), of)
        assert ours.reshaped(plain) is None


def test_an_older_book_with_another_name_in_its_lists_index_is_not_brought_up_to_date(
    tmp_path: Path,
) -> None:
    old = tmp_path / "old.db"
    shutil.copyfile(FIRST, old)
    name = MIGRATION_NAMES[0]
    refused = 0
    for harmed in flipped_in_the_file(old, name[:5].encode(), name[5:].encode()):
        with pytest.raises(CoilbenchError), open_book(harmed):
            pytest.fail("opened")
        refused += 1
    assert refused >= 2 * 5 * 8
