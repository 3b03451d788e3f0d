"""Where the numbers of a set came from: calibrations, scales, and how many strokes each read."""

from __future__ import annotations

import json
from collections.abc import Collection

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.rows import first_row
from coilbench.capture.book.scales import scale_called
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.strokes.sweep import Origin, Provenance


class Used(msgspec.Struct, frozen=True):
    """A calibration that strokes of a set were captured with, and how many of them."""

    calibration_id: str
    made_utc: str
    sweeps: int

    @classmethod
    def of_set(cls, db: Database, record: SetRecord) -> tuple[Used, ...]:
        """Return what a set's counted raw strokes were captured with, oldest first."""
        rows = db.execute(
            """
            SELECT calibrations.id, calibrations.made_utc, count(*) FROM sweeps
            JOIN springs ON springs.id = sweeps.spring_id
            JOIN calibrations ON calibrations.id = sweeps.calibration_id
            WHERE springs.set_id = ? AND sweeps.counted AND sweeps.purpose = 'measured'
            GROUP BY calibrations.id ORDER BY calibrations.made_utc, calibrations.id
            """,
            [record.set_id],
        )
        return tuple(cls(*row) for row in rows.fetchall())


def set_provenance(db: Database, record: SetRecord) -> tuple[Provenance, ...]:
    """Return the ways a set was measured, oldest first."""
    rows = db.query(
        """
        SELECT sweeps.origin, sweeps.calibration_id,
          json_extract(sweeps.keyed_json, '$.setup.scale') AS scale,
          count(*) AS sweeps, count(DISTINCT sweeps.spring_id) AS springs,
          min(sweeps.stored_utc) AS first_utc, max(sweeps.stored_utc) AS last_utc
        FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
        WHERE springs.set_id = ? AND sweeps.counted AND sweeps.purpose = 'measured'
        GROUP BY sweeps.origin, sweeps.calibration_id, scale
        ORDER BY first_utc, sweeps.origin, sweeps.calibration_id, scale
        """,
        [record.set_id],
    )
    return tuple(
        Provenance(**row | {"origin": Origin(row["origin"]), "scale": _called(db, row["scale"])})
        for row in rows
    )


def _called(db: Database, scale_json: str | None) -> str | None:
    return None if scale_json is None else scale_called(db, json.loads(scale_json))


def never_weighed(db: Database, set_names: Collection[str]) -> bool:
    """Return whether readings of these sets came off a scale of which no calibration is known."""
    marks = ", ".join("?" * len(set_names))
    sql = f"""
        SELECT 1 FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
        JOIN sets ON sets.id = springs.set_id
        WHERE sets.name IN ({marks}) AND sweeps.counted AND sweeps.purpose = 'measured'
          AND json_extract(sweeps.keyed_json, '$.setup') IS NOT NULL
          AND json_extract(sweeps.keyed_json, '$.setup.scale') IS NULL
        LIMIT 1
        """  # noqa: S608  question marks only
    return first_row(db, sql, list(set_names)) is not None
