"""Who may write: one capture a book, and one a port.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

from coilbench.capture.book.copies import refuse_linked
from coilbench.capture.errors import CoilbenchError

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
