"""Files into a folder: all of them or none, and none that is there already unless asked."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable
from pathlib import Path

from coilbench.capture.errors import CoilbenchError


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
        raise CoilbenchError("this is a file, not a folder", where=str(folder), mend="Name another")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        try:
            return _through(stage, folder, files, force)
        finally:
            shutil.rmtree(stage, ignore_errors=True)
    except OSError as error:
        raise CoilbenchError(
            f"the files cannot be written ({error.strerror})",
            where=str(folder),
            mend="Check the disk and the permissions",
        ) from error


def _through(stage: Path, folder: Path, files: Iterable[tuple[str, bytes]], force: bool) -> int:
    paths = []
    for path, data in files:
        if not force and (folder / path).exists():
            raise CoilbenchError(
                "this file is there already, and nothing was written",
                where=str(folder / path),
                mend="Name another folder, or give --force",
            )
        (stage / path).parent.mkdir(parents=True, exist_ok=True)
        (stage / path).write_bytes(data)
        paths.append(path)
    for path in paths:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (stage / path).replace(folder / path)
    return len(paths)
