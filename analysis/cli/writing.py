"""Files that a command writes: whole or not at all, and over nothing by mistake."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from uuid import uuid4

from coilbench.capture.errors import CoilbenchError


def refuse_existing(path: Path, force: bool, inputs: Iterable[Path] = ()) -> None:
    """Refuse to write over a file.

    Args:
        path: what is to be written.
        force: the user wants it to take a file's place.
        inputs: what it is made of, which nothing may take the place of.

    Raises:
        CoilbenchError: it is there and `force` is not given, or what is there is no file or an
            input.
    """
    if not path.exists():
        return
    if any(each.exists() and each.samefile(path) for each in inputs):
        raise CoilbenchError(
            "the page would take the place of what it is made of",
            where=str(path),
            mend="Name another file",
        )
    if not path.is_file():
        raise CoilbenchError("this is no file", where=str(path), mend="Name a file")
    if not force:
        raise CoilbenchError(
            "the file is there already",
            where=str(path),
            mend="Name another, or write over it with --force",
        )


def write_whole(path: Path, text: str) -> None:
    """Write a text file in UTF-8 so that it is there whole or not at all.

    Raises:
        CoilbenchError: the folder isn't there or can't be written to.
    """
    part = path.with_name(f".{uuid4().hex}.part")
    try:
        with part.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise CoilbenchError(
            f"the file cannot be written ({error.strerror})",
            where=str(path),
            mend="Name a file in a folder that you may write to",
        ) from error
