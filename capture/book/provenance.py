"""Where a set's counted strokes and readings came from."""

from __future__ import annotations

from dataclasses import dataclass

from sqlite_utils import Database

from coilbench.capture.book.sets import SetRecord
from coilbench.capture.strokes.sweep import Origin


@dataclass(frozen=True)
class Provenance:
    """Counted measured sweeps of one set that came the same way.

    Attributes:
        origin: the way.
        calibration_id: what raw counts were captured with; None where there are none.
        scale: name of the calibrated scale that showed keyed readings; None without one.
        sweeps, springs: how many, and of how many springs.
        first_utc, last_utc: when the first and the last one were stored.
    """

    origin: Origin
    calibration_id: str | None
    scale: str | None
    sweeps: int
    springs: int
    first_utc: str
    last_utc: str


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
