"""What may be off in a stroke that a rig read, beside its calibration, as the book knows it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.gains import Gains
from coilbench.capture.book.notes import CLOSED, remarks_of
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.strokes.sweep import RigReading


class RigErrors:
    """Of the strokes of a set: each thing is looked up once."""

    def __init__(self, db: Database, set_id: str) -> None:
        self._gains = Gains(db)
        self._closings = list(
            db.query(
                "SELECT session_id, calibration_id, spring_id, stored_utc, note FROM sweeps"
                " JOIN springs ON springs.id = spring_id"
                " WHERE set_id = ? AND NOT counted AND instr(note, ?) ORDER BY stored_utc",
                [set_id, f'"{CLOSED}"'],
            )
        )

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
        """Return what heights may have moved by since the first spring of a capture was read.

        Its closing press agreed; what it shows beyond its uncertainty may have come at any time
        before: anything from nothing to that and its uncertainty (JCGM 100:2008, 4.3.7).
        """
        for one in self._closings:
            same = all(one[name] == row[name] for name in ("session_id", "calibration_id"))
            if same and one["stored_utc"] > row["stored_utc"]:
                return 0.0 if one["spring_id"] == row["spring_id"] else _left_open_mm(one["note"])
        return 0.0


def _left_open_mm(note: str) -> float:
    found = [one for one in remarks_of(note) if isinstance(one, Finding) and one.kind == CLOSED]
    moved_mm, u_mm = (abs(float(found[-1].facts[name])) for name in ("moved_mm", "u_mm"))
    return (moved_mm + u_mm) / math.sqrt(3.0) if moved_mm > u_mm else 0.0
