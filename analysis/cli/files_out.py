"""Files that a command writes: all complete or none, and none overwritten unless asked."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from uuid import uuid4

from coilbench.capture.errors import CoilbenchError


def refuse_existing(path: Path, force: bool, inputs: Iterable[Path] = ()) -> None:
    """Refuse to write over a file, and always over one of `inputs`, which it is made from.

    Raises:
        CoilbenchError: it exists and `force` is not given, or it is not a file, or is an input.
    """
    if not path.exists():
        return
    if any(each.exists() and each.samefile(path) for each in inputs):
        raise CoilbenchError(
            "the page would overwrite a file that it is made from",
            where=str(path),
            hint="Give another file",
        )
    if not path.is_file():
        raise CoilbenchError("this is not a file", where=str(path), hint="Give a file")
    if not force:
        raise CoilbenchError(
            "this file exists already; nothing was written",
            where=str(path),
            hint="Give another, or overwrite it with --force",
        )


def write_whole(path: Path, text: str) -> None:
    """Write a text file in UTF-8, complete or not at all.

    Raises:
        CoilbenchError: the folder does not exist or cannot be written to.
    """
    part = path.with_name(f".{uuid4().hex}.part")
    try:
        with part.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise _not_written(path, error) from error


def _not_written(path: Path, error: OSError) -> CoilbenchError:
    return CoilbenchError(
        f"this cannot be written ({error.strerror})",
        where=str(path),
        hint="Check the disk and the permissions, or give another folder",
    )
