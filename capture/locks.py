"""One capture per book and per port."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from coilbench.capture.errors import CoilbenchError


def book_lock_path(book: Path) -> Path:
    """Return the file whose lock means: a capture is writing this book."""
    return book.with_name(book.name + ".lock")


@contextmanager
def hold_book(book: Path) -> Iterator[None]:
    """Be the only capture that writes this book.

    Raises:
        CoilbenchError: another capture holds it.
    """
    with _held(
        book_lock_path(book),
        CoilbenchError(
            "another coilbench capture is writing this book",
            where=str(book),
            mend="Stop that one first, or name another book with --book",
        ),
    ):
        yield


@contextmanager
def hold_port(url: str) -> Iterator[None]:
    """Be the only capture on this port.

    Raises:
        CoilbenchError: another capture holds it.
    """
    key = hashlib.sha256(url.encode()).hexdigest()[:16]
    with _held(
        Path(tempfile.gettempdir()) / f"coilbench-port-{key}.lock",
        CoilbenchError(
            "another coilbench capture is using this port",
            where=url,
            mend="Stop that one first",
        ),
    ):
        yield


@contextmanager
def _held(path: Path, refusal: CoilbenchError) -> Iterator[None]:
    lock = FileLock(path)
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise refusal from error
    except OSError as error:
        raise CoilbenchError(
            f"the lock file cannot be made ({error.strerror})", where=str(path)
        ) from error
    try:
        yield
    finally:
        lock.release()
