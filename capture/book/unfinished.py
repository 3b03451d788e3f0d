"""An interrupted guided calibration: its points so far, in a small file beside the book."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from coilbench.capture.calibration.steady import Hold
from coilbench.capture.errors import CoilbenchError


@dataclass(frozen=True)
class Unfinished:
    """The points read before the interruption.

    Attributes:
        kind: `weigh` or `gauge`.
        device_id, boot_id: the rig, and which start of it.
        values: what was to be read: masses in kg or lengths in mm.
        holds: the first of them, as read.
        touched_utc: when the last was read.
    """

    kind: str
    device_id: str
    boot_id: int
    values: tuple[float, ...]
    holds: tuple[Hold, ...]
    touched_utc: str


def _path(book: Path, kind: str) -> Path:
    """Return the file beside the book."""
    return book.with_name(f"{book.name}.unfinished-{kind}.json")


def keep_unfinished(book: Path, unfinished: Unfinished) -> None:
    """Store the points so far, all or nothing; without points delete the file.

    Raises:
        CoilbenchError: it cannot be written.
    """
    path = _path(book, unfinished.kind)
    if not unfinished.holds:
        drop_unfinished(book, unfinished.kind)
        return
    beside = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("w", encoding="utf-8") as file:
            json.dump(asdict(unfinished), file, allow_nan=False)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise CoilbenchError(
            f"the points so far cannot be stored ({error.strerror})",
            where=str(path),
            hint="Check the folder's permissions and the disk's space",
        ) from error


def find_unfinished(book: Path, kind: str) -> Unfinished | None:
    """Return the interrupted calibration, or None.

    Raises:
        CoilbenchError: the file exists and cannot be read.
    """
    path = _path(book, kind)
    if not path.exists():
        return None
    try:
        document = json.loads(path.read_text("utf-8"))
        return Unfinished(
            kind=str(document["kind"]),
            device_id=str(document["device_id"]),
            boot_id=int(document["boot_id"]),
            values=tuple(float(value) for value in document["values"]),
            holds=_holds(document["holds"]),
            touched_utc=str(document["touched_utc"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise CoilbenchError(
            "the stored points of an interrupted calibration cannot be read",
            where=str(path),
            hint="Start again with --afresh",
        ) from error


def _holds(rows: Sequence[dict[str, float]]) -> tuple[Hold, ...]:
    names = [field.name for field in fields(Hold)]
    return tuple(
        Hold(**{name: int(row[name]) if name == "n" else float(row[name]) for name in names})  # type: ignore[arg-type]
        for row in rows
    )


def drop_unfinished(book: Path, kind: str) -> None:
    """Delete the interrupted calibration."""
    with suppress(FileNotFoundError):
        _path(book, kind).unlink()
