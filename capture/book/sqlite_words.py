"""SQLite's errors as sentences with a cure."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from coilbench.capture.errors import CoilbenchError


class UnreadableBook(CoilbenchError):
    """The file is no SQLite file any more, or a damaged one."""


@contextmanager
def wording_sqlite_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into sentences with a cure.

    Raises:
        CoilbenchError: in place of any error of SQLite's own. An error in using it from Python
            is a defect and stays what it is.
    """
    try:
        yield
    except UnicodeDecodeError as error:  # a damaged page's text, in an answer or in a message
        raise _unreadable(path) from error
    except sqlite3.Error as error:
        if hasattr(error, "sqlite_errorcode"):
            raise _worded(error, path) from error
        if "Could not decode" in str(error):
            raise _unreadable(path) from error
        raise


def _unreadable(path: Path) -> UnreadableBook:
    return UnreadableBook(
        "this file is not a readable SQLite book",
        where=str(path),
        mend="Name another file; a copy of yours comes back by: coilbench book put-back COPY",
    )


def _worded(error: sqlite3.Error, path: Path) -> CoilbenchError:
    code = error.sqlite_errorcode & 0xFF  # the lower byte is the kind, the rest the detail
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
        return _unreadable(path)
    if code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_PERM):
        what = f"the book cannot be opened or written ({error})"
        return CoilbenchError(what, where=str(path), mend="Check the disk and the permissions")
    return CoilbenchError(f"the book refused this ({error})", where=str(path))
