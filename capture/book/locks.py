"""One capture per book and per port."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from coilbench.capture.errors import CoilbenchError

_NOT_SHARED = frozenset({"virtual", "recording"})


def book_lock_path(book: Path) -> Path:
    """Return the lock file of a book, the same for any of its names."""
    real = Path(os.path.realpath(book))
    return real.with_name(real.name + ".lock")


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
            hint="Stop that one first, or give another book with --book",
        ),
    ):
        yield


def port_lock_path(url: str) -> Path:
    """Return this user's lock file of a port, the same for any of its names.

    Another user's capture is refused by the port itself.
    """
    device = url.removeprefix("serial://").partition("?")[0]
    place = os.path.realpath(device) if device.startswith("/") else url
    user = os.getuid() if hasattr(os, "getuid") else 0
    key = hashlib.sha256(f"{user} {place}".encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"coilbench-port-{key}.lock"


@contextmanager
def hold_port(url: str) -> Iterator[None]:
    """Be the only capture on this port.

    A simulated rig and a recording are not shared, so they are not locked.

    Raises:
        CoilbenchError: another capture holds it.
    """
    if url.partition(":")[0].lower() in _NOT_SHARED:
        yield
        return
    with _held(
        port_lock_path(url),
        CoilbenchError(
            "another coilbench capture is using this port",
            where=url,
            hint="Stop that one first",
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
            f"the lock file cannot be created ({error.strerror})",
            where=str(path),
            hint="Check the folder's permissions",
        ) from error
    try:
        yield
    finally:
        lock.release()
