"""Which calibration old strokes are read with: their own, or another."""

from __future__ import annotations

from dataclasses import dataclass

from sqlite_utils import Database

from coilbench.capture.book.calibrations import (
    CalibrationRecord,
    current_calibration,
    find_calibration,
)
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.recalibrate import recalibrated

OWN = "own"
NEWEST = "newest"


class Calibrations:
    """Reads each stroke's calibration once.

    Args:
        db: the open book.
        choice: `own`, `newest`, or a calibration's id or the first figures of it.

    Raises:
        CoilbenchError: the book holds no such calibration.
    """

    def __init__(self, db: Database, choice: str = OWN) -> None:
        self.choice = choice
        self._db = db
        self._other = chosen(db, choice)
        self._readings: dict[str, Calibration] = {}

    def reading(self, own_id: str) -> Calibration:
        """Return what counts captured under a calibration are to be read with."""
        if own_id not in self._readings:
            self._readings[own_id] = self._reading(find_calibration(self._db, own_id))
        return self._readings[own_id]

    def reading_id(self, own_id: str) -> str:
        """Return whose errors such counts then have: the same id, the same errors."""
        return own_id if self._other is None else self._other.calibration_id

    def _reading(self, own: CalibrationRecord) -> Calibration:
        other = self._other
        if other is None or other.calibration_id == own.calibration_id:
            return own.calibration
        same_start = other.travel.boot_id == own.travel.boot_id
        return recalibrated(own.calibration, other.calibration, same_start=same_start)


def chosen(db: Database, choice: str) -> CalibrationRecord | None:
    """Return the calibration that a person names; None for each stroke's own.

    Raises:
        CoilbenchError: the book holds no such calibration.
    """
    if choice == OWN:
        return None
    return current_calibration(db) if choice == NEWEST else find_calibration(db, choice)


@dataclass(frozen=True)
class Used:
    """A calibration that strokes of a set were captured with, and how many of them."""

    calibration_id: str
    made_utc: str
    sweeps: int


def used_calibrations(db: Database, record: SetRecord) -> tuple[Used, ...]:
    """Return what a set's counted raw strokes were captured with, oldest first."""
    rows = db.execute(
        """
        SELECT calibrations.id, calibrations.made_utc, count(*) FROM sweeps
        JOIN springs ON springs.id = sweeps.spring_id
        JOIN calibrations ON calibrations.id = sweeps.calibration_id
        WHERE springs.set_id = ? AND sweeps.counted AND sweeps.purpose = 'measured'
        GROUP BY calibrations.id ORDER BY calibrations.rowid
        """,
        [record.set_id],
    ).fetchall()
    return tuple(Used(*row) for row in rows)
