"""All strokes of a set, numbered, and the user's ruling on each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sqlite_utils import Database

from coilbench.capture.book.rows import writing
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.errors import CoilbenchError

Ruling = Literal["use", "leave"]


@dataclass(frozen=True)
class StrokeRow:
    """One stroke, or one entry of keyed readings.

    Attributes:
        number: from 1 for each spring, oldest first.
        counted: whether the capture counted it.
        may_be_used: whether it counts, or may be ruled in: its start of the rig and its calibration
            are those of a stroke of the set that counted, so that its heights are valid.
        note: of the capture or the import.
        ruling: the user's; None leaves it to the rules.
    """

    sweep_id: str
    label: str
    number: int
    counted: bool
    may_be_used: bool
    note: str | None
    ruling: Ruling | None


def stroke_rows(db: Database, record: SetRecord) -> dict[str, list[StrokeRow]]:
    """Return every measured stroke of a set by label, including those that do not count."""
    rows: dict[str, list[StrokeRow]] = {label: [] for label in record.labels}
    for row in db.query(
        """
        SELECT sweeps.id AS id, springs.label AS label, sweeps.counted AS counted,
          sweeps.note AS note, sweeps.ruling AS ruling,
          sweeps.status IN ('aborted', 'gapped') AND EXISTS (
            SELECT 1 FROM sweeps AS other JOIN springs AS mate ON mate.id = other.spring_id
            WHERE mate.set_id = springs.set_id AND other.counted AND other.purpose = 'measured'
              AND other.boot_id IS sweeps.boot_id
              AND other.calibration_id IS sweeps.calibration_id) AS sound
        FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
        WHERE springs.set_id = ? AND sweeps.purpose = 'measured'
        ORDER BY sweeps.stored_utc, sweeps.rowid
        """,
        [record.set_id],
    ):
        own = rows[row["label"]]
        own.append(
            StrokeRow(
                sweep_id=row["id"],
                label=row["label"],
                number=len(own) + 1,
                counted=bool(row["counted"]),
                may_be_used=bool(row["counted"] or row["sound"]),
                note=row["note"],
                ruling=row["ruling"],
            )
        )
    return rows


def keep_rulings(
    db: Database, record: SetRecord, rulings: Sequence[tuple[str, int, Ruling | None]]
) -> None:
    """Store the user's rulings on some strokes, all or none; None leaves one to the rules again.

    Args:
        db: the open book.
        record: the set.
        rulings: label, number and ruling of each.

    Raises:
        CoilbenchError: no such spring or stroke, a duplicate stroke, or one that cannot be used.
    """
    named = [(label, number) for label, number, _ in rulings]
    for label, number in named:
        if named.count((label, number)) > 1:
            raise CoilbenchError(
                f"duplicate stroke {label}:{number}", hint="Give one ruling for it"
            )
    with writing(db):
        rows = stroke_rows(db, record)
        for label, number, ruling in rulings:
            row = _row(record, rows, label, number)
            if ruling == "use" and not row.may_be_used:
                raise CoilbenchError(
                    f"stroke {label}:{number} did not count, and its heights may be wrong",
                    hint="Press it again",
                )
            db.execute("UPDATE sweeps SET ruling = ? WHERE id = ?", [ruling, row.sweep_id])


def _row(record: SetRecord, rows: dict[str, list[StrokeRow]], label: str, number: int) -> StrokeRow:
    own = rows[record.spring(label).label]
    if not 1 <= number <= len(own):
        known = f"It has 1 to {len(own)}" if own else "It has none yet"
        raise CoilbenchError(f"spring {label!r} has no stroke {number}", hint=known)
    return own[number - 1]
