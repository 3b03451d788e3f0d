"""Files are made beside their place, out of sight, and put there whole; what was left is removed.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from coilbench.capture.errors import CoilbenchError

_END = ".coilbench-part"
_LOCK = "owner.lock"


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
    while True:
        try:
            made = tempfile.mkdtemp(prefix=f".{target.name}-", suffix=_END, dir=target.parent)
        except OSError as error:
            raise CoilbenchError(
                f"the copy cannot be written ({error.strerror})",
                where=str(target),
                hint="Check the folder and its permissions",
            ) from error
        lock = FileLock(Path(made) / _LOCK)
        with contextlib.suppress(Timeout, FileNotFoundError):  # taken for one that was left
            lock.acquire(timeout=0)
            return Path(made), lock


def remove_left(folder: Path) -> None:
    """Remove what programs that were killed left in a folder; what has an owner stays."""
    with contextlib.suppress(OSError):
        for left in folder.glob(f".*{_END}"):
            lock = FileLock(left / _LOCK)
            with contextlib.suppress(Timeout, OSError):
                lock.acquire(timeout=0)
                for file in left.iterdir():
                    if file.name != _LOCK:  # some systems keep a file that is open
                        file.unlink()
                lock.release()
                shutil.rmtree(left, ignore_errors=True)
