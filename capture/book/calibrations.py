"""Calibrations in the book: every one is kept, the newest of each kind is in force.

A calibration is a load part, a travel part and, where it was measured, a flex part. Each newly
made part makes a new calibration; sweeps name the one they were read with.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from typing import Any

from sqlite_utils import Database

from coilbench.capture.book.rows import insert, new_id, utc_now, writing
from coilbench.capture.calibration.model import (
    Calibration,
    PolynomialFit,
    fit_from_document,
    fit_to_document,
)
from coilbench.capture.calibration.parts import NewPart, PartKind, PointRow
from coilbench.capture.errors import CoilbenchError

_COMMANDS = {"load": "weigh", "travel": "gauge", "flex": "flex"}


@dataclass(frozen=True)
class PartRecord:
    """A part as the book keeps it."""

    part_id: str
    kind: PartKind
    made_utc: str
    origin: str
    device_id: str | None
    boot_id: int | None
    fit: PolynomialFit
    reference_u_relative: float
    gravity_m_s2: float | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class CalibrationRecord:
    """A calibration, with the parts it is made of."""

    calibration_id: str
    made_utc: str
    load: PartRecord
    travel: PartRecord
    flex: PartRecord | None

    @property
    def calibration(self) -> Calibration:
        """What turns counts into load and height."""
        return Calibration(
            load=self.load.fit,
            travel=self.travel.fit,
            flex=None if self.flex is None else self.flex.fit,
            load_u_relative=self.load.reference_u_relative,
        )


def store_part(db: Database, part: NewPart) -> str | None:
    """Store a part and, when load and travel are both known, the calibration it makes.

    Returns:
        The new calibration's id; None while load or travel is still missing.
    """
    part_id = new_id()
    in_newtons = part.kind == "load"
    with writing(db):
        insert(
            db,
            "calibration_parts",
            {
                "id": part_id,
                "kind": part.kind,
                "made_utc": utc_now(),
                "origin": part.origin,
                "device_id": part.device_id,
                "boot_id": part.boot_id,
                "fit_json": json.dumps(fit_to_document(part.fit)),
                "reference_u_relative": part.reference_u_relative,
                "gravity_m_s2": part.gravity_m_s2,
                "residual_sd_n": part.fit.residual_sd if in_newtons else None,
                "residual_sd_mm": None if in_newtons else part.fit.residual_sd,
                "notes_json": json.dumps(list(part.notes)),
            },
        )
        for number, point in enumerate(part.points, start=1):
            insert(db, "calibration_points", {"part_id": part_id, "point": number, **vars(point)})
        return _compose(db)


def _compose(db: Database) -> str | None:
    newest = {kind: _newest_part(db, kind) for kind in _COMMANDS}
    load, travel, flex = newest["load"], newest["travel"], newest["flex"]
    if load is None or travel is None:
        return None
    calibration_id = new_id()
    insert(
        db,
        "calibrations",
        {
            "id": calibration_id,
            "made_utc": utc_now(),
            "load_part_id": load.part_id,
            "travel_part_id": travel.part_id,
            "flex_part_id": None if flex is None else flex.part_id,
        },
    )
    return calibration_id


def _newest_part(db: Database, kind: str) -> PartRecord | None:
    # by rowid: the order of storing stands though the clock was set back in between
    rows = list(
        db.query(
            "SELECT * FROM calibration_parts WHERE kind = ? ORDER BY rowid DESC LIMIT 1", [kind]
        )
    )
    return _part(rows[0]) if rows else None


def newest_part(db: Database, kind: PartKind) -> PartRecord | None:
    """Return the part of a kind that is in force, or None."""
    return _newest_part(db, kind)


def current_calibration(db: Database) -> CalibrationRecord:
    """Return the calibration in force.

    Raises:
        CoilbenchError: load or travel is not calibrated; names the command that does it.
    """
    rows = list(db.query("SELECT * FROM calibrations ORDER BY rowid DESC LIMIT 1"))
    if rows:
        return _calibration(db, rows[0])
    missing = next(k for k in ("load", "travel") if _newest_part(db, k) is None)
    raise CoilbenchError(
        f"the rig's {missing} is not calibrated in this book",
        mend=f"Calibrate it with: coilbench rig {_COMMANDS[missing]}",
    )


def calibration_by_id(db: Database, calibration_id: str) -> Calibration:
    """Return a calibration that a sweep names.

    Raises:
        CoilbenchError: the book does not hold it.
    """
    return find_calibration(db, calibration_id).calibration


def find_calibration(db: Database, calibration_id: str) -> CalibrationRecord:
    """Return a calibration by its id, or by the first figures of it.

    Raises:
        CoilbenchError: the book holds none that begins so, or several.
    """
    rows = list(
        db.query(
            "SELECT * FROM calibrations WHERE substr(id, 1, length(:id)) = :id LIMIT 2",
            {"id": calibration_id},
        )
    )
    if len(rows) != 1 or not calibration_id:
        several = "more than one" if rows else "no"
        raise CoilbenchError(
            f"the book holds {several} calibration {calibration_id!r}",
            mend="See their ids in the book's table calibrations, or name own or newest",
        )
    return _calibration(db, rows[0])


def _calibration(db: Database, row: dict[str, Any]) -> CalibrationRecord:
    parts = {
        kind: _part_by_id(db, row[f"{kind}_part_id"])
        for kind in _COMMANDS
        if row[f"{kind}_part_id"] is not None
    }
    return CalibrationRecord(
        row["id"], row["made_utc"], parts["load"], parts["travel"], parts.get("flex")
    )


def _part_by_id(db: Database, part_id: str) -> PartRecord:
    (row,) = db.query("SELECT * FROM calibration_parts WHERE id = ?", [part_id])
    return _part(row)


def _part(row: dict[str, Any]) -> PartRecord:
    return PartRecord(
        part_id=row["id"],
        kind=row["kind"],
        made_utc=row["made_utc"],
        origin=row["origin"],
        device_id=row["device_id"],
        boot_id=row["boot_id"],
        fit=fit_from_document(json.loads(row["fit_json"])),
        reference_u_relative=row["reference_u_relative"],
        gravity_m_s2=row["gravity_m_s2"],
        notes=tuple(json.loads(row["notes_json"])),
    )


def stored_part(db: Database, record: PartRecord) -> NewPart:
    """Return a part as it was when it was made, its points among it."""
    names = tuple(field.name for field in fields(PointRow))
    rows = db.query(
        f"SELECT {', '.join(names)} FROM calibration_points"  # noqa: S608  our own names
        " WHERE part_id = ? ORDER BY point",
        [record.part_id],
    )
    return NewPart(
        kind=record.kind,
        origin=record.origin,
        fit=record.fit,
        points=tuple(PointRow(**row) for row in rows),
        notes=record.notes,
        reference_u_relative=record.reference_u_relative,
        gravity_m_s2=record.gravity_m_s2,
        device_id=record.device_id,
        boot_id=record.boot_id,
    )
