"""Open a book safely: ours or refused, journalled, foreign keys on, up to date."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlite_utils import Database

from coilbench.capture.book.schema import APPLICATION_ID, migrations
from coilbench.capture.errors import CoilbenchError

BUSY_TIMEOUT_MS = 5000


@contextmanager
def open_book(path: Path, *, create: bool = False) -> Iterator[Database]:
    """Open a book, bring it up to date and close it again.

    Every commit is on the disk when it returns (`synchronous = FULL`): what was acknowledged
    survives a power cut.

    Args:
        path: the file.
        create: make a new book where there is none.

    Raises:
        CoilbenchError: no such book, not a book of ours, locked, damaged or not writable.
    """
    _check_path(path, create=create)
    with wording_sqlite_errors(path):
        connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_MS / 1000)
        try:
            db = Database(connection)
            _check_ours(db, path)
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("PRAGMA synchronous = FULL")
            if migrations.pending(db):
                db.execute("PRAGMA journal_mode = WAL")
                migrations.apply(db)
            yield db
        finally:
            connection.close()


def _check_path(path: Path, *, create: bool) -> None:
    if path.is_dir():
        raise CoilbenchError("this is a folder, not a book", where=str(path))
    if path.exists():
        return
    if not create:
        raise CoilbenchError(
            "there is no book here yet",
            where=str(path),
            mend="Start one with: coilbench set new NAME --role outer --count 12",
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CoilbenchError(
            f"the book's folder cannot be made ({error.strerror})", where=str(path.parent)
        ) from error


def _check_ours(db: Database, path: Path) -> None:
    application_id = db.execute("PRAGMA application_id").fetchone()[0]
    if application_id == APPLICATION_ID:
        return
    if db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
        return  # an empty file: a new book
    raise CoilbenchError(
        "this SQLite file was not made by coilbench, and it is left as it is",
        where=str(path),
        mend="Name another file with --book",
    )


@contextmanager
def wording_sqlite_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into sentences with a cure.

    Raises:
        CoilbenchError: in place of any sqlite3.Error.
    """
    try:
        yield
    except sqlite3.Error as error:
        raise _worded(error, path) from error


def _worded(error: sqlite3.Error, path: Path) -> CoilbenchError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        what = "the book is locked by another program"
        return CoilbenchError(what, where=str(path), mend="Close that program and try again")
    if code == sqlite3.SQLITE_FULL:
        what = "the disk is full; what was stored before is safe"
        return CoilbenchError(what, where=str(path), mend="Free some space and try again")
    if code == sqlite3.SQLITE_READONLY:
        what = "the book cannot be written"
        return CoilbenchError(
            what, where=str(path), mend="Check the file's and folder's permissions"
        )
    if code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
        what = "this file is not a readable SQLite book"
        return CoilbenchError(what, where=str(path), mend="Name another file with --book")
    if code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_PERM):
        what = f"the book cannot be opened or written ({error})"
        return CoilbenchError(what, where=str(path), mend="Check the disk and the permissions")
    return CoilbenchError(f"the book refused this ({error})", where=str(path))
