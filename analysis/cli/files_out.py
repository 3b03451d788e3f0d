"""Files that a command writes: all of them whole or none, and none overwritten unless asked."""

from __future__ import annotations

import shutil
import tempfile
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
            hint="Name another file",
        )
    if not path.is_file():
        raise CoilbenchError("this is no file", where=str(path), hint="Name a file")
    if not force:
        raise CoilbenchError(
            "this file is there already, and nothing was written",
            where=str(path),
            hint="Name another place, or write over it with --force",
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
        raise _not_written(path, error) from error


def write_new_files(folder: Path, files: Iterable[tuple[str, bytes]], *, force: bool) -> int:
    """Write files into a folder, made where it is not there; returns how many.

    They are written beside the folder first and moved when all are whole, so that a full disk or
    a kill half-way leaves what was there.

    Args:
        folder: where to.
        files: relative path, with / between folders, and content of each.
        force: take the place of files that are there.

    Raises:
        CoilbenchError: one is there already and force is off, or the folder cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise CoilbenchError("this is a file, not a folder", where=str(folder), hint="Name another")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        try:
            return _through(stage, folder, files, force)
        finally:
            shutil.rmtree(stage, ignore_errors=True)
    except OSError as error:
        raise _not_written(folder, error) from error


def _through(stage: Path, folder: Path, files: Iterable[tuple[str, bytes]], force: bool) -> int:
    paths = []
    for path, data in files:
        refuse_existing(folder / path, force)
        (stage / path).parent.mkdir(parents=True, exist_ok=True)
        (stage / path).write_bytes(data)
        paths.append(path)
    for path in paths:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (stage / path).replace(folder / path)
    return len(paths)


def _not_written(path: Path, error: OSError) -> CoilbenchError:
    return CoilbenchError(
        f"this cannot be written ({error.strerror})",
        where=str(path),
        hint="Check the disk and the permissions, or name another place",
    )
