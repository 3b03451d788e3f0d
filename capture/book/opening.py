"""Open a book safely: only ours, journalled, migrated, recovered."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from functools import partial
from pathlib import Path

from coilbench.capture.book.connection import Database
from coilbench.capture.book.copies import (
    BUSY_TIMEOUT_S,
    connect,
    explaining_sqlite_errors,
    keep_copy,
    may_be_written,
    read_only,
    refuse_linked,
)
from coilbench.capture.book.digests import register
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.ours import refuse_reshaped, refuse_strange
from coilbench.capture.book.rows import writing
from coilbench.capture.book.staging import remove_left
from coilbench.capture.book.versions import LIST, MIGRATION_NAMES, versions
from coilbench.capture.book.vouching import refuse_damaged_book, refuse_damaged_rig
from coilbench.capture.errors import CoilbenchError

BUSY_PAUSE_S = 0.005


@contextmanager
def open_book(path: Path, *, create: bool = False) -> Iterator[Database]:
    """Open a book, migrate it, recover it after a crash, and close it again.

    Every commit is on the disk when it returns (`synchronous = FULL`), so it survives a power cut.

    Args:
        create: make a new book where there is none.

    Raises:
        CoilbenchError: no such book, not a book of ours, a newer one, locked, damaged or not
            writable; also for SQLite errors of the body: locked, disk full.
    """
    _check_path(path, create=create)
    refuse_linked(path)
    with explaining_sqlite_errors(path):
        _check_ours(path)
        if path.exists() and not may_be_written(path):
            with closing(_read_only(path)) as connection:
                yield Database(connection)
            return
        remove_left(path.parent)
        with closing(sqlite3.connect(path, timeout=BUSY_TIMEOUT_S)) as connection:
            db = Database(connection)
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("PRAGMA synchronous = FULL")
            if _look_at(connection, path):
                _bring_up_to_date(db, path)
            _journal(db)
            if left_over(db):
                _recover(db, path)
            yield db


def _look_at(connection: sqlite3.Connection, path: Path) -> bool:
    """Refuse a book that is not as we made it, newer, or damaged in what is of the rig.

    A new one has nothing in it; at a set, `find_set` looks. Returns whether it is to be brought up
    to date.
    """
    register(connection)
    # text that is none is found by its digest; where its row was left out, it is shown as it is
    connection.text_factory = partial(str, encoding="utf-8", errors="backslashreplace")
    if not connection.execute("SELECT 1 FROM sqlite_schema").fetchone():
        return True
    refuse_reshaped(connection, path)
    had = set(versions(connection))
    newer = had - set(MIGRATION_NAMES)
    if newer:
        raise CoilbenchError(
            f"a newer coilbench has written this book ({min(newer)}); it is not changed",
            where=str(path),
            hint="Update coilbench, or give another file with --book",
        )
    if had == set(MIGRATION_NAMES):
        refuse_damaged_rig(connection, path)
        return False
    refuse_damaged_book(connection, path)  # what is in it is sealed again
    return True


def _read_only(path: Path) -> sqlite3.Connection:
    """Open a book that cannot be written; an older one is brought up to date in memory."""
    connection = read_only(path)
    if _look_at(connection, path):
        with closing(connection) as older:
            connection = sqlite3.connect(":memory:")
            older.backup(connection)
            _bring_to_this_version(Database(connection))
            connection.commit()
    connection.execute("PRAGMA query_only = ON")
    return connection


def check_book(path: Path) -> None:
    """Refuse what is no book of ours, and leave nothing behind: no lock file either.

    Raises:
        CoilbenchError: no such book, a folder, another program's file, or damaged.
    """
    _check_path(path, create=False)
    with explaining_sqlite_errors(path):
        _check_ours(path)


def _check_path(path: Path, *, create: bool) -> None:
    if path.is_dir():
        raise CoilbenchError(
            "this is a folder, not a book", where=str(path), hint="Give a file with --book"
        )
    if path.exists():
        return
    if not create:
        raise CoilbenchError(
            "there is no book here yet",
            where=str(path),
            hint="Start one with: coilbench set new NAME --role outer --count 12",
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CoilbenchError(
            f"the book's folder cannot be made ({error.strerror})",
            where=str(path.parent),
            hint="Check the path given with --book",
        ) from error


def _check_ours(path: Path) -> None:
    """Refuse a file of another program without changing it.

    Read as immutable, so that another program's journal is not applied. SQLite reads it, never
    `open`: closing a file drops the locks that this process holds on it elsewhere
    (https://www.sqlite.org/howtocorrupt.html, 2.2).
    """
    if not path.exists() or path.stat().st_size == 0:
        return  # a new book
    try:
        with closing(connect(path, "mode=ro&immutable=1")) as connection:
            refuse_strange(connection, path)
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_CORRUPT:
            raise
        # Interrupted while its journal was written back: incomplete without the journal.
        with closing(connect(path, "mode=ro")) as connection:
            refuse_strange(connection, path)


def _bring_up_to_date(db: Database, path: Path) -> None:
    with writing(db):  # a new book is complete or not there
        listed = db.execute("SELECT 1 FROM main.sqlite_schema WHERE name = ?", [LIST]).fetchone()
        had = versions(db.conn) if listed else []
        left = [name for name in MIGRATION_NAMES if name not in had]
        if left:  # else another program was first
            if had:
                keep_copy(path, left[0].partition("_")[0])
            _bring_to_this_version(db)
    _give_back_room(db)


def _give_back_room(db: Database) -> None:
    """Make the file smaller where bringing it up to date emptied half of it; else it waits for use.

    SQLite gives rows new rowids only where it says so, which our digests would show.
    """
    empty, pages = (
        db.execute(f"PRAGMA {what}").fetchone()[0] for what in ("freelist_count", "page_count")
    )
    if 2 * empty > pages:
        with suppress(sqlite3.OperationalError):  # another one reads it, or the disk is full
            db.execute("VACUUM")


def _journal(db: Database) -> None:
    """Turn on the journal, waiting for others that do so too: SQLite itself does not wait here.

    After the tables: while these are only in the journal, the file has no application id.
    """
    until_s = time.monotonic() + BUSY_TIMEOUT_S
    while db.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() > until_s:
                raise
            time.sleep(BUSY_PAUSE_S)


def _bring_to_this_version(db: Database) -> None:
    from coilbench.capture.book.schema import bring_to  # imported late: slow to load

    bring_to(db)


def _recover(db: Database, path: Path) -> None:
    """Close what a killed capture left open, unless a capture may be running.

    A capture that is just starting holds the lock, and calls `recover` itself.
    """
    from coilbench.capture.book.sessions import recover  # imported late: slow to load

    with ExitStack() as lock:
        try:
            lock.enter_context(hold_book(path))
        except CoilbenchError:
            return  # a capture holds it, or no lock can be made here; reading needs none
        recover(db)


def left_over(db: Database) -> bool:
    """Return whether a capture ended without closing this book, or is still running."""
    found = db.execute("SELECT 1 FROM sessions WHERE ended_utc IS NULL LIMIT 1").fetchone()
    return found is not None
