"""Open a book safely: only ours, journalled, migrated, recovered; one capture per book and port."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import (
    AbstractContextManager,
    ExitStack,
    closing,
    contextmanager,
    nullcontext,
    suppress,
)
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
from coilbench.capture.book.ours import refuse_reshaped, refuse_strange
from coilbench.capture.book.rows import writing
from coilbench.capture.book.staging import remove_left
from coilbench.capture.book.state import left_over
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


_NOT_SHARED = frozenset({"virtual", "recording"})


def book_lock_path(book: Path) -> Path:
    """Return the lock file of a book, the same for any of its names."""
    real = Path(os.path.realpath(book))
    return real.with_name(real.name + ".lock")


def hold_book(book: Path) -> AbstractContextManager[None]:
    """Be the only capture that writes this book.

    Raises:
        CoilbenchError: another one holds it, or sharing does while it brings something in, or it
            has a second name by which another one could.
    """
    refuse_linked(book)
    what = "another coilbench capture is writing this book, or a share brings something in"
    hint = "Stop that one first, or wait for the share; or give another book with --book"
    return _held(book_lock_path(book), CoilbenchError(what, where=str(book), hint=hint))


def port_lock_path(url: str) -> Path:
    """Return this user's lock file of a port, the same for any of its names.

    Another user's capture is refused by the port itself.
    """
    device = url.removeprefix("serial://").partition("?")[0]
    place = os.path.realpath(device) if device.startswith("/") else url
    user = os.getuid() if hasattr(os, "getuid") else 0
    key = hashlib.sha256(f"{user} {place}".encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"coilbench-port-{key}.lock"


def hold_port(url: str) -> AbstractContextManager[None]:
    """Be the only capture on this port.

    A simulated rig and a recording are not shared, so they are not locked.

    Raises:
        CoilbenchError: another capture holds it.
    """
    if url.partition(":")[0].lower() in _NOT_SHARED:
        return nullcontext()
    what = "another coilbench capture is using this port"
    refusal = CoilbenchError(what, where=url, hint="Stop that one first")
    cure = "Remove it, or have its owner do so; or set TMPDIR to a folder of your own"
    return _held(port_lock_path(url), refusal, cure)


@contextmanager
def _held(
    path: Path, refusal: CoilbenchError, cure: str = "Check the folder's permissions"
) -> Iterator[None]:
    from filelock import FileLock, Timeout  # imported late: slow to load

    lock = FileLock(path)
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise refusal from error
    except OSError as error:
        raise CoilbenchError(
            f"the lock file cannot be created ({error.strerror})",
            where=str(path),
            hint=cure if os.path.lexists(path) else "Check the folder's permissions",
        ) from error
    try:
        yield
    finally:
        lock.release()
