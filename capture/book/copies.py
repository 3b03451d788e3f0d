"""The book as a file: what identifies it, SQLite's errors, reading it unchanged, and copies of it.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import sqlite3
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from coilbench.capture.book.ours import refuse_reshaped, refuse_strange
from coilbench.capture.book.staging import BOOK, COPY, place, staging
from coilbench.capture.errors import CoilbenchError


class UnreadableBook(CoilbenchError):
    """The file is not an SQLite file, or a damaged one."""


@contextmanager
def explaining_sqlite_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into messages with a hint.

    Raises:
        CoilbenchError: in place of any error of SQLite's own. A wrong use of it from Python is a
            defect and stays as it is.
        KeyboardInterrupt: it was Ctrl-C that became the error.
    """
    stops = _hear_stops()
    try:
        yield
    except UnicodeDecodeError as error:  # a damaged page's text, in an answer or in a message
        raise _unreadable(path) from error
    except sqlite3.Error as error:
        if stops.made(error):
            raise KeyboardInterrupt from error
        if hasattr(error, "sqlite_errorcode"):
            raise _explained(error, path) from error
        if "Could not decode" in str(error):
            raise _unreadable(path) from error
        raise


class _Stops:
    """Hears of Ctrl-C inside a function of ours that SQLite calls.

    SQLite tells only that the function failed; Python hands what was raised to this hook.
    """

    def __init__(self, others: Callable[[sys.UnraisableHookArgs], object]) -> None:
        self._came = False
        self._others = others

    def __call__(self, raised: sys.UnraisableHookArgs) -> None:
        if raised.exc_type is KeyboardInterrupt:
            self._came = True
        elif not str(getattr(raised.object, "__module__", "")).startswith("coilbench."):
            self._others(raised)

    def made(self, error: sqlite3.Error) -> bool:
        """Return whether an error came of Ctrl-C, there or in what was then undone."""
        came, self._came = self._came, False
        before = error.__context__
        while before is not None and not isinstance(before, KeyboardInterrupt):
            before = before.__context__
        return before is not None or (came and "user-defined function" in str(error))


def _hear_stops() -> _Stops:
    if isinstance(sys.unraisablehook, _Stops):
        return sys.unraisablehook
    stops = _Stops(sys.unraisablehook)
    sys.unraisablehook = stops
    sqlite3.enable_callback_tracebacks(True)  # else the hook is not told
    return stops


def _unreadable(path: Path) -> UnreadableBook:
    return UnreadableBook(
        "this file is not a readable SQLite book",
        where=str(place(path)),
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


_FAIL_WHEN_FULL = (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
_LEAST_FREE = 65_536  # bytes; SQLite's index of a journal takes 32 KiB


def _disk_full(folder: Path) -> bool:
    """Return whether a disk has no room for a journal; False where the system doesn't tell."""
    try:
        disk = os.statvfs(folder)
    except (AttributeError, OSError):  # no such call on Windows
        return False
    blocks = disk.f_bfree if os.geteuid() == 0 else disk.f_bavail
    return disk.f_blocks > 0 and blocks * disk.f_frsize < _LEAST_FREE


def _explained(error: sqlite3.Error, path: Path) -> CoilbenchError:
    code = error.sqlite_errorcode & 0xFF  # the lower byte is the kind, the rest the detail
    if code in _FAIL_WHEN_FULL and _disk_full(path.parent):
        return CoilbenchError(_FULL[0], where=str(place(path)), hint=_FULL[1])
    if code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
        return _unreadable(path)
    what, hint = _EXPLANATIONS.get(code, ("the book refused this ({error})", None))
    return CoilbenchError(what.format(error=error), where=str(place(path)), hint=hint)


BUSY_TIMEOUT_S = 5.0
_MOUNTS = Path("/proc/self/mountinfo")


@contextmanager
def reading(path: Path, *, as_it_is: bool = False) -> Iterator[sqlite3.Connection]:
    """Open a book for reading only: no recovery, no migration.

    Not with `mode=ro` where it could be written, which leaves an empty journal beside the book.

    Args:
        as_it_is: also where its tables are not as we made them, or it has a second name, to look
            for what is wrong or to copy it.

    Raises:
        CoilbenchError: there is none, it is another program's file, or it cannot be read.
    """
    if not path.is_file():
        raise CoilbenchError("there is no book here", where=str(path), hint="Check the file's name")
    with explaining_sqlite_errors(path), closing(_connected(path)) as connection:
        refuse_strange(connection, path)
        if not as_it_is:
            refuse_linked(path)
            refuse_reshaped(connection, path)
        yield connection


def _connected(path: Path) -> sqlite3.Connection:
    if not may_be_written(path):
        return read_only(path)
    connection = connect(path, "mode=rw")
    connection.execute("PRAGMA query_only = ON")
    return connection


def may_be_written(path: Path) -> bool:
    """Return whether a book and its folder, where its journal is, can be written; not if full."""
    as_used = os.access in os.supports_effective_ids
    allowed = (os.access(one, os.W_OK, effective_ids=as_used) for one in (path, path.parent))
    return all(allowed) and not _disk_full(path.parent)


def read_only(path: Path) -> sqlite3.Connection:
    """Connect to a book that cannot be written; what its journal holds is read, too.

    Raises:
        CoilbenchError: its journal holds something, which cannot be read there.
    """
    journal = path.with_name(f"{path.name}-wal")
    full = journal.exists() and journal.stat().st_size > 0
    try:
        connection = connect(path, "mode=ro" if full else "mode=ro&immutable=1")
        connection.execute("SELECT 1 FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError as error:
        unreadable = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
        if not full or error.sqlite_errorcode & 0xFF not in unreadable:
            raise
        if _disk_full(path.parent):
            raise
        raise CoilbenchError(
            "the book's newest strokes are in its journal, which can't be read where nothing can "
            "be written",
            where=str(path),
            hint=f"Copy {path.name} and {journal.name} together to a folder that can be written",
        ) from error
    return connection


def refuse_linked(path: Path) -> None:
    """Refuse a book that has another name in the file system, by a hard link or a mount of its own.

    Its journal and its lock are found by its name: under two names, two programs write it at once,
    and strokes are lost (https://www.sqlite.org/howtocorrupt.html, 2.5). A symbolic link is another
    matter: it is followed first.

    Raises:
        CoilbenchError: it has.
    """
    if not path.exists():
        return
    if path.stat().st_nlink > 1:
        raise CoilbenchError(
            "this file has a second name (a hard link), and strokes would be lost if both were "
            "used",
            where=str(path),
            hint="Remove the other name, or go on with a copy: coilbench book copy FILE",
        )
    real = os.path.realpath(path)
    _refuse_foreign_journal(Path(real))
    if _is_mounted(real):
        raise CoilbenchError(
            "this file is mounted by itself, so its journal is not the book's",
            where=str(path),
            hint="Mount the folder that it is in",
        )


def _refuse_foreign_journal(book: Path) -> None:
    """Refuse what lies where a book's journal belongs and is none, or is of one who can't write it.

    SQLite would bring a journal into the book whoever wrote it, and wait at a pipe for ever.
    """
    owned = book.stat()
    writers = {0, owned.st_uid, os.getuid() if hasattr(os, "getuid") else owned.st_uid}
    shared = bool(owned.st_mode & (stat.S_IWGRP | stat.S_IWOTH))
    for end in ("-wal", "-shm", "-journal"):
        beside = Path(f"{book}{end}")
        try:
            found = beside.lstat()
        except OSError:
            continue
        what = None
        if not stat.S_ISREG(found.st_mode):
            what = "this is a link" if stat.S_ISLNK(found.st_mode) else "this is no file"
        elif not shared and found.st_uid not in writers:
            what = "this is of a user who may not write the book"
        if what is not None:
            raise CoilbenchError(
                f"{what}, where the book's journal belongs",
                where=str(beside),
                hint="Look who put it there, and move it away",
            )


def _is_mounted(path: str) -> bool:
    """Tell whether something is mounted there; not where the system doesn't tell."""
    try:
        lines = _MOUNTS.read_text(errors="surrogateescape").splitlines()
    except OSError:
        return False
    # proc(5): the fifth field; blank, tab, newline and backslash as octal
    written = re.sub(r"[ \t\n\\]", lambda m: f"\\{ord(m[0]):03o}", path)
    return any(line.split()[4] == written for line in lines)


def connect(path: Path, how: str) -> sqlite3.Connection:
    """Open a database by an SQLite URI with these parameters."""
    address = f"{path.absolute().as_uri()}?{how}"
    return sqlite3.connect(address, uri=True, timeout=BUSY_TIMEOUT_S)


def copy_book(source: Path, target: Path, *, force: bool = False) -> None:
    """Copy a book as it is at one moment, also while a capture writes it.

    SQLite's own online backup (https://www.sqlite.org/backup.html): what was committed before is in
    the copy, a transaction under way is not. The copy is one file, appears complete or not at all,
    and has the mode of the file that it replaces, else of the book.

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
    kept_as = target if target.exists() else source
    with reading(source, as_it_is=True) as connection, staging(target) as folder:
        stage = folder / BOOK
        with explaining_sqlite_errors(target), closing(sqlite3.connect(stage)) as copy:
            connection.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, whole by itself
        stage.chmod(stat.S_IMODE(kept_as.stat().st_mode) | stat.S_IWUSR)
        stage.replace(target)


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
    with staging(path) as folder:
        stage = folder / COPY
        copy_book(copy, stage)
        if path.exists():
            stage.chmod(stat.S_IMODE(path.stat().st_mode) | stat.S_IWUSR)
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
