"""Files are made beside their place, out of sight, and put there whole; what was left is removed.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from coilbench.capture.errors import CoilbenchError

if TYPE_CHECKING:
    from filelock import FileLock

_END = ".coilbench-part"
_LOCK = "owner.lock"
BOOK, COPY = "book", "copy"  # what is made there is called so, or by a number
_OURS = re.compile(rf"({BOOK}|{COPY}|\d+\.db)(-wal|-shm|-journal|\.lock)?")


@contextmanager
def staging(target: Path) -> Iterator[Path]:
    """Yield a folder beside a file that is to be made, gone afterwards.

    Its owner holds a lock in it, which the system lets go when the owner ends, however it ends.

    Raises:
        CoilbenchError: the target's folder cannot be written.
    """
    folder, lock = _made(target)
    try:
        yield folder
    finally:
        lock.release()
        shutil.rmtree(folder, ignore_errors=True)


def _made(target: Path) -> tuple[Path, FileLock]:
    import tempfile  # both imported late: slow to load

    from filelock import FileLock, Timeout

    while True:
        try:
            made = tempfile.mkdtemp(prefix=f".{target.name}-", suffix=_END, dir=target.parent)
        except OSError as error:
            raise CoilbenchError(
                f"the copy cannot be written ({error.strerror})",
                where=str(place(target)),
                hint="Check the folder and its permissions",
            ) from error
        lock = FileLock(Path(made) / _LOCK)
        with contextlib.suppress(Timeout, FileNotFoundError):  # taken for one that was left
            lock.acquire(timeout=0)
            return Path(made), lock


def place(path: Path) -> Path:
    """Return where a file is, as a user knows it: of a hidden one, the folder it is made in."""
    hidden = (one for one in reversed(path.parents) if one.name.endswith(_END))
    return next((one.parent for one in hidden), path)


def remove_left(folder: Path) -> None:
    """Remove what programs that were killed left in a folder; what has an owner stays.

    A folder that others may write holds whatever they like under such a name: only a real folder of
    this user that holds a lock of ours is looked into, only files called as ours are removed there,
    and nothing is followed.
    """
    with contextlib.suppress(OSError):
        for left in folder.glob(f".*{_END}"):
            if _is_mine(left, stat.S_ISDIR):
                _remove_unheld(left)


def _remove_unheld(left: Path) -> None:
    from filelock import Timeout  # imported late: slow to load

    with contextlib.suppress(Timeout, OSError):
        _remove(left)


def _remove(left: Path) -> None:
    from filelock import FileLock  # imported late: slow to load

    lock = left / _LOCK
    if _is_mine(lock, stat.S_ISREG):
        held = FileLock(lock)
        held.acquire(timeout=0)
        try:
            remove_left(left)  # a copy that was being made in it
            for file in left.iterdir():
                if _OURS.fullmatch(file.name) and _is_mine(file, stat.S_ISREG):
                    file.unlink()
        finally:
            held.release()
        lock.unlink(missing_ok=True)
    left.rmdir()  # refused where anything else is in it


def _is_mine(path: Path, kind: Callable[[int], bool]) -> bool:
    """Return whether a path itself, not what it points to, is of this kind and of this user."""
    try:
        found = path.lstat()
    except FileNotFoundError:
        return False
    return kind(found.st_mode) and (not hasattr(os, "geteuid") or found.st_uid == os.geteuid())
