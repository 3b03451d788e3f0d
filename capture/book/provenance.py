"""Where a set's counted strokes and readings came from, out of the book."""

from __future__ import annotations

from sqlite_utils import Database

from coilbench.capture.book.sets import SetRecord
from coilbench.capture.strokes.provenance import Provenance
from coilbench.capture.strokes.sweep import Origin


def set_provenance(db: Database, record: SetRecord) -> tuple[Provenance, ...]:
    """Return the ways a set was measured, oldest first."""
    rows = db.query(
        """
        SELECT sweeps.origin, sweeps.calibration_id,
          json_extract(sweeps.keyed_json, '$.setup.scale.name') AS scale,
          count(*) AS sweeps, count(DISTINCT sweeps.spring_id) AS springs,
          min(sweeps.stored_utc) AS first_utc, max(sweeps.stored_utc) AS last_utc
        FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
        WHERE springs.set_id = ? AND sweeps.counted AND sweeps.purpose = 'measured'
        GROUP BY sweeps.origin, sweeps.calibration_id, scale
        ORDER BY first_utc, sweeps.origin, sweeps.calibration_id, scale
        """,
        [record.set_id],
    )
    return tuple(Provenance(**row | {"origin": Origin(row["origin"])}) for row in rows)


def scale_made_utc(db: Database, name: str) -> str | None:
    """Return when the newest calibration of a scale was made; None without one."""
    rows = list(
        db.query("SELECT made_utc FROM scales WHERE name = ? ORDER BY rowid DESC LIMIT 1", [name])
    )
    return str(rows[0]["made_utc"]) if rows else None
