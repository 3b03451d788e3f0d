"""What may be off in a stroke that a rig read, beside its calibration, as the book knows it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property
from typing import Any

from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.gains import Gains
from coilbench.capture.book.notes import CLOSED, remarks_of
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.strokes.pressed_again import widened_by_mm
from coilbench.capture.strokes.sweep import RigReading

# Each closing press, with each calibration of the heights that it shows.
_CLOSINGS = """
SELECT read.id AS calibration_id, closing.stored_utc, closing.note
FROM sweeps AS closing JOIN springs ON springs.id = closing.spring_id
JOIN calibrations AS own ON own.id = closing.calibration_id
JOIN calibrations AS read ON read.travel_part_id = own.travel_part_id
WHERE set_id = :set AND NOT closing.counted AND instr(closing.note, :closed)
ORDER BY closing.stored_utc"""
_COUNTED = """
SELECT sweeps.id, travel_part_id, session_id || spring_id, purpose = 'measured'
FROM sweeps JOIN springs ON springs.id = spring_id
JOIN calibrations ON calibrations.id = calibration_id
WHERE set_id = ? AND counted ORDER BY sweeps.rowid"""


def _first_read(db: Database, set_id: str) -> set[str]:
    """Return the presses by which each datum's first spring was read before any other's."""
    first: dict[str, str] = {}
    over: set[str] = set()
    found = set()
    for sweep_id, datum, of, measured in db.execute(_COUNTED, [set_id]).fetchall():
        if measured:
            first.setdefault(datum, of)
        if first.get(datum, of) != of:
            over.add(datum)
        elif datum not in over:
            found.add(sweep_id)
    return found


class RigErrors:
    """Of the strokes of a set: each thing is looked up once."""

    def __init__(self, db: Database, set_id: str) -> None:
        self._db, self._set_id = db, set_id
        self._gains = Gains(db)

    @cached_property
    def _closings(self) -> list[dict[str, Any]]:
        told = {"set": self._set_id, "closed": f'"{CLOSED}"'}
        return list(self._db.query(_CLOSINGS, told))

    @cached_property
    def _first(self) -> set[str]:
        return _first_read(self._db, self._set_id)

    def of(self, rig: RigReading, row: Mapping[str, Any]) -> RigReading:
        """Return how a stroke was read with what is known beside its calibration.

        Args:
            row: the sweep's, with `resting_n`.
        """
        zero_n = float(value(rig.calibration.load, rig.zero_counts))
        gain_u = self._gains.u_relative(rig.calibration_id, row["stored_utc"], zero_n)
        moved_u_mm = self._moved_u_mm(row)
        return replace(rig, rests_n=row["resting_n"], gain_u_relative=gain_u, moved_u_mm=moved_u_mm)

    def _moved_u_mm(self, row: Mapping[str, Any]) -> float:
        """Return what heights may have moved by since the first spring was read by their datum.

        Its closing press agreed; what it shows beyond its uncertainty may have come at any time
        before: anything from nothing to that and its uncertainty (JCGM 100:2008, 4.3.7).
        """
        for one in self._closings:
            by = one["calibration_id"], one["stored_utc"] > row["stored_utc"]
            if by == (row["calibration_id"], True):
                return 0.0 if row["id"] in self._first else _left_open_mm(one["note"])
        return 0.0


def _left_open_mm(note: str) -> float:
    found = [one for one in remarks_of(note) if isinstance(one, Finding) and one.kind == CLOSED]
    moved_mm, u_mm = (float(found[-1].facts[name]) for name in ("moved_mm", "u_mm"))
    return widened_by_mm(moved_mm, u_mm) / math.sqrt(3.0)
