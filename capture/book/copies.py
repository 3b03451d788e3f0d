"""The book as a file: what identifies it, SQLite's errors, reading it unchanged, and copies of it.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from coilbench.capture.book.ours import refuse_reshaped, refuse_strange
from coilbench.capture.errors import CoilbenchError


class UnreadableBook(CoilbenchError):
    """The file is not an SQLite file, or a damaged one."""


@contextmanager
def explaining_sqlite_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into messages with a hint.

    Raises:
        CoilbenchError: in place of any error of SQLite's own. A wrong use of it from Python is a
            defect and stays as it is.
    """
    try:
        yield
    except UnicodeDecodeError as error:  # a damaged page's text, in an answer or in a message
        raise _unreadable(path) from error
    except sqlite3.Error as error:
        if hasattr(error, "sqlite_errorcode"):
            raise _explained(error, path) from error
        if "Could not decode" in str(error):
            raise _unreadable(path) from error
        raise


def _unreadable(path: Path) -> UnreadableBook:
    return UnreadableBook(
        "this file is not a readable SQLite book",
        where=str(path),
        hint="Give another file; to restore a copy of yours: coilbench book put-back COPY",
    )


_LOCKED = "the book is locked by another program", "Close that program and try again"
_DISK = "the book cannot be opened or written ({error})", "Check the disk and the permissions"
_FULL = "the disk is full; what was stored before is safe", "Free some space and try again"
_READ_ONLY = "the book cannot be written", "Check the file's and folder's permissions"
_EXPLANATIONS = {
    sqlite3.SQLITE_BUSY: _LOCKED,
    sqlite3.SQLITE_LOCKED: _LOCKED,
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    **dict.fromkeys((sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_PERM), _DISK),
}


def _explained(error: sqlite3.Error, path: Path) -> CoilbenchError:
    code = error.sqlite_errorcode & 0xFF  # the lower byte is the kind, the rest the detail
    if code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
        return _unreadable(path)
    what, hint = _EXPLANATIONS.get(code, ("the book refused this ({error})", None))
    return CoilbenchError(what.format(error=error), where=str(path), hint=hint)


BUSY_TIMEOUT_S = 5.0


@contextmanager
def reading(path: Path, *, as_it_is: bool = False) -> Iterator[sqlite3.Connection]:
    """Open a book for reading only: no recovery, no migration.

    Not with `mode=ro`, which leaves an empty journal beside the book.

    Args:
        as_it_is: also where its tables are not as we made them, to look for what is wrong.

    Raises:
        CoilbenchError: there is none, it is another program's file, or it cannot be read.
    """
    if not path.is_file():
        raise CoilbenchError("there is no book here", where=str(path), hint="Check the file's name")
    with explaining_sqlite_errors(path), closing(_connected(path)) as connection:
        refuse_strange(connection, path)
        if not as_it_is:
            refuse_reshaped(connection, path)
        yield connection


def _connected(path: Path) -> sqlite3.Connection:
    """Connect for reading; on a read-only medium, as an immutable file."""
    connection = connect(path, "mode=rw")
    try:
        connection.execute("PRAGMA query_only = ON")
        connection.execute("PRAGMA application_id")
    except sqlite3.DatabaseError as error:
        connection.close()
        if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            raise
        return connect(path, "mode=ro&immutable=1")
    return connection


def connect(path: Path, how: str) -> sqlite3.Connection:
    """Open a database by an SQLite URI with these parameters."""
    address = f"{path.absolute().as_uri()}?{how}"
    return sqlite3.connect(address, uri=True, timeout=BUSY_TIMEOUT_S)


def copy_book(source: Path, target: Path, *, force: bool = False) -> None:
    """Copy a book as it is at one moment, also while a capture writes it.

    SQLite's own online backup (https://www.sqlite.org/backup.html): what was committed before is in
    the copy, a transaction under way is not. The copy is one file, and appears complete or not at
    all.

    Args:
        target: the copy; its folder exists.
        force: replace an existing file.

    Raises:
        CoilbenchError: no such book, the target exists or is the book itself, or it cannot be
            written.
    """
    if target.exists() and not force:
        raise CoilbenchError(
            "this file exists already",
            where=str(target),
            hint="Give another, or add --force",
        )
    if target.exists() and source.exists() and target.samefile(source):
        raise CoilbenchError(
            "this is the book itself", where=str(target), hint="Give another file for the copy"
        )
    with reading(source, as_it_is=True) as connection, _staged(target) as stage:
        with explaining_sqlite_errors(target), closing(sqlite3.connect(stage)) as copy:
            connection.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, whole by itself
        stage.replace(target)


@contextmanager
def _staged(target: Path) -> Iterator[Path]:
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}-", dir=target.parent)
    except OSError as error:
        raise CoilbenchError(
            f"the copy cannot be written ({error.strerror})",
            where=str(target),
            hint="Check the folder and its permissions",
        ) from error
    os.close(handle)
    stage = Path(name)
    try:
        yield stage
    finally:
        for left in (stage, stage.with_name(stage.name + "-journal")):
            left.unlink(missing_ok=True)


def keep_copy(path: Path, word: str) -> Path:
    """Copy a book beside itself before a change; returns the copy's name.

    Args:
        word: the change, for the name: `bench.before-merge-….db`.
    """
    kept = _kept_name(path, word)
    copy_book(path, kept)
    return kept


def _kept_name(path: Path, word: str) -> Path:
    now = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    stem = f"{path.stem}.before-{word}-{now}"
    ends = itertools.chain([""], (f"-{number}" for number in itertools.count(2)))
    names = (path.with_name(f"{stem}{end}{path.suffix}") for end in ends)
    return next(name for name in names if not name.exists())


def put_back(copy: Path, path: Path) -> Path | None:
    """Put a copy in a book's place; returns where the replaced book is kept, if there was one.

    Call it only while holding the book's lock, with a copy that was checked. At every moment the
    complete old or new book is in place; an unreadable old one is moved away first.

    Raises:
        CoilbenchError: the copy cannot be read, or another program has the book open.
    """
    if path.exists() and copy.exists() and path.samefile(copy):
        raise CoilbenchError("this is the book itself", where=str(copy), hint="Give a copy of it")
    with _staged(path) as stage:
        copy_book(copy, stage, force=True)
        kept = _set_aside(path) if path.exists() else None
        stage.replace(path)
    return kept


def _set_aside(path: Path) -> Path:
    """Keep the old book under another name, and leave no journal that the new one would take over.

    A book that SQLite cannot read is kept as it is, with its journal.
    """
    try:
        kept = keep_copy(path, "put-back")
        with (
            explaining_sqlite_errors(path),
            closing(sqlite3.connect(path, timeout=1.0)) as connection,
        ):
            connection.execute("PRAGMA journal_mode = DELETE")  # refused while others have it open
    except UnreadableBook:
        kept = _kept_name(path, "put-back")
        for end in ("-wal", "-shm"):
            with contextlib.suppress(FileNotFoundError):
                path.with_name(path.name + end).replace(kept.with_name(kept.name + end))
        path.replace(kept)
    return kept
