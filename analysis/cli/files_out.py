"""Files that a command writes: all complete or none, and none overwritten unless asked."""

from __future__ import annotations

import shutil
import tempfile
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


def write_new_files(folder: Path, files: Iterable[tuple[str, bytes]], *, force: bool) -> int:
    """Write files into a folder, made if necessary; returns how many.

    They are written beside the folder first and moved when all are complete, so that a full disk or
    a kill leaves what was there.

    Args:
        folder: to write to.
        files: relative path, with / between folders, and content of each.
        force: replace existing files.

    Raises:
        CoilbenchError: a file exists and force is off, or the folder cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise CoilbenchError(
            "this is a file, not a folder", where=str(folder), hint="Give a folder"
        )
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        try:
            return _write_all(stage, folder, files, force)
        finally:
            shutil.rmtree(stage, ignore_errors=True)
    except OSError as error:
        raise _not_written(folder, error) from error


def _write_all(stage: Path, folder: Path, files: Iterable[tuple[str, bytes]], force: bool) -> int:
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
        hint="Check the disk and the permissions, or give another folder",
    )
