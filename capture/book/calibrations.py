"""Calibrations in the book: every one is kept, the newest of each kind is in force.

A calibration is a load part, a travel part and, where it was measured, a flex part. Each newly
made part makes a new calibration; sweeps name the one they were read with.

Checks of the rig with a weight in the book, and how long a calibration stands for.

Scales in the book: each calibration of one is kept, the newest of a name is in force.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from typing import Any

from sqlite_utils import Database

from coilbench.capture.book.rows import insert, new_id, utc_now, writing
from coilbench.capture.calibration.model import Calibration, fit_from_document, fit_to_document
from coilbench.capture.calibration.parts import NewPart, PartKind, PointRow
from coilbench.capture.calibration.regression import PolynomialFit
from coilbench.capture.calibration.scale import Scale, ScalePoint
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
        hint=f"Calibrate it with: coilbench rig {_COMMANDS[missing]}",
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
            hint="See their ids in the book's table calibrations, or name own or newest",
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


@dataclass(frozen=True)
class NewCheck:
    """A check as it was just judged.

    Attributes:
        load_part_id: the load calibration it was read with.
        device_id: the rig, where known.
        mass_kg, gravity_m_s2: the weight and what it presses with here.
        zero_counts, load_counts, load_sd_counts: the reading; raw, kept for ever.
        error_n, error_u_n: read less expected, and its expanded uncertainty (k = 2).
        tolerance_n: the largest error that passes.
    """

    load_part_id: str
    device_id: str | None
    mass_kg: float
    gravity_m_s2: float
    zero_counts: float
    load_counts: float
    load_sd_counts: float
    error_n: float
    error_u_n: float
    tolerance_n: float
    passed: bool


@dataclass(frozen=True)
class CheckRecord:
    """A check as the book keeps it."""

    check_id: str
    made_utc: str
    check: NewCheck


def store_check(db: Database, check: NewCheck) -> CheckRecord:
    """Store a check and return it with its id and time.

    Raises:
        CoilbenchError: a number is not finite.
    """
    record = CheckRecord(new_id(), utc_now(), check)
    row = {"id": record.check_id, "made_utc": record.made_utc, **vars(check)}
    with writing(db):
        insert(db, "mass_checks", row | {"passed": int(check.passed)})
    return record


def mass_checks(db: Database, load_part_id: str | None = None) -> tuple[CheckRecord, ...]:
    """Return the checks, oldest first: all, or those of one load calibration."""
    # by rowid: the order of storing stands though the clock was set back in between
    where, values = ("1", []) if load_part_id is None else ("load_part_id = ?", [load_part_id])
    rows = db.query(f"SELECT * FROM mass_checks WHERE {where} ORDER BY rowid", values)  # noqa: S608
    return tuple(_record(row) for row in rows)


def _record(row: dict[str, Any]) -> CheckRecord:
    check_id, made_utc = row.pop("id"), row.pop("made_utc")
    return CheckRecord(check_id, made_utc, NewCheck(**row | {"passed": bool(row["passed"])}))


def good_for_days(db: Database) -> float | None:
    """Return how many days a calibration or check stands for; None where it was never set."""
    row = db.execute("SELECT good_for_days FROM rig_settings").fetchone()
    return None if row is None else float(row[0])


def set_good_for_days(db: Database, days: float) -> None:
    """Keep how many days, above 0, a calibration or check stands for."""
    with writing(db):
        db.execute(
            "INSERT INTO rig_settings (only_row, good_for_days) VALUES (1, ?)"
            " ON CONFLICT (only_row) DO UPDATE SET good_for_days = excluded.good_for_days",
            [days],
        )


def store_scale(db: Database, scale: Scale) -> str:
    """Store a scale's calibration; returns its id."""
    scale_id = new_id()
    with writing(db):
        insert(
            db,
            "scales",
            {
                "id": scale_id,
                "name": scale.name,
                "made_utc": utc_now(),
                "origin": scale.origin,
                "fit_json": json.dumps(fit_to_document(scale.fit)),
                "reference_u_relative": scale.reference_u_relative,
                "gravity_m_s2": scale.gravity_m_s2,
                "notes_json": json.dumps(list(scale.notes)),
            },
        )
        for number, (point, residual_n) in enumerate(
            zip(scale.points, scale.residuals_n, strict=True), start=1
        ):
            insert(
                db,
                "scale_points",
                {
                    "scale_id": scale_id,
                    "point": number,
                    "direction": point.direction,
                    "mass_kg": point.mass_kg,
                    "shown_kg": point.shown_kg,
                    "residual_n": residual_n,
                    "u_kg": point.u_kg,
                },
            )
    return scale_id


def find_scale(db: Database, name: str) -> Scale:
    """Return the newest calibration of a scale.

    Raises:
        CoilbenchError: the book has no scale of that name.
    """
    # by rowid: the order of storing stands though the clock was set back in between
    rows = list(db.query("SELECT * FROM scales WHERE name = ? ORDER BY rowid DESC LIMIT 1", [name]))
    if not rows:
        known = [row["name"] for row in db.query("SELECT DISTINCT name FROM scales ORDER BY name")]
        raise CoilbenchError(
            f"the book has no scale {name!r}",
            hint=f"Its scales are {', '.join(known)}"
            if known
            else "Calibrate it with: coilbench rig weigh --scale NAME --from FILE",
        )
    row = rows[0]
    points = list(
        db.query("SELECT * FROM scale_points WHERE scale_id = ? ORDER BY point", [row["id"]])
    )
    return Scale(
        name=row["name"],
        origin=row["origin"],
        fit=fit_from_document(json.loads(row["fit_json"])),
        reference_u_relative=row["reference_u_relative"],
        gravity_m_s2=row["gravity_m_s2"],
        points=tuple(
            ScalePoint(p["mass_kg"], p["shown_kg"], p["direction"], p["u_kg"]) for p in points
        ),
        residuals_n=tuple(point["residual_n"] for point in points),
        notes=tuple(json.loads(row["notes_json"])),
    )
