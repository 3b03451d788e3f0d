"""Calibrations, checks with a weight, and scales in the book.

Every one is kept; the newest is in force. A calibration is a load part, a travel part and, where it
was measured, a flex part: each new part makes a new calibration, and sweeps name the one they were
read with. Newest is by rowid, the order of storing, since a clock may be set back.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from sqlite_utils import Database

from coilbench.capture.book.notes import note_of, remarks_of
from coilbench.capture.book.rows import first_row, insert, new_id, utc_now, writing
from coilbench.capture.calibration.model import (
    Calibration,
    NewPart,
    PartKind,
    PointRow,
    fit_from_json,
    fit_to_json,
)
from coilbench.capture.errors import CoilbenchError

_COMMANDS: dict[PartKind, str] = {"load": "weigh", "travel": "gauge", "flex": "flex"}
_PART_COLUMNS = (
    "kind",
    "origin",
    "device_id",
    "boot_id",
    "reference_u_relative",
    "gravity_m_s2",
    "masses_err",
)
_SCALE_COLUMNS = ("name", "origin", "reference_u_relative", "gravity_m_s2")
_POINT_COLUMNS = tuple(field.name for field in fields(PointRow))


@dataclass(frozen=True, kw_only=True)
class PartRecord(NewPart):
    """A part as the book keeps it, without its points: `part_points` reads them."""

    part_id: str
    made_utc: str


@dataclass(frozen=True)
class CalibrationRecord:
    """A calibration and its parts."""

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
    """Store a part and, where load and travel are both known, the new calibration.

    Returns:
        The new calibration's id; None where load or travel is missing.
    """
    part_id = new_id()
    in_newtons = part.kind == "load"
    with writing(db):
        insert(
            db,
            "calibration_parts",
            {name: getattr(part, name) for name in _PART_COLUMNS}
            | {
                "id": part_id,
                "made_utc": utc_now(),
                "fit_json": fit_to_json(part.fit),
                "residual_sd_n": part.fit.residual_sd if in_newtons else None,
                "residual_sd_mm": None if in_newtons else part.fit.residual_sd,
                "notes_json": note_of(part.notes) or "[]",
            },
        )
        for number, point in enumerate(part.points, start=1):
            insert(db, "calibration_points", {"part_id": part_id, "point": number, **vars(point)})
        return _compose(db)


def _compose(db: Database) -> str | None:
    load, travel, flex = (newest_part(db, kind) for kind in _COMMANDS)
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


def newest_part(db: Database, kind: PartKind) -> PartRecord | None:
    """Return the part of a kind that is in force, or None."""
    row = first_row(
        db, "SELECT * FROM calibration_parts WHERE kind = ? ORDER BY rowid DESC LIMIT 1", [kind]
    )
    return None if row is None else _part(row)


def parts(db: Database, kind: PartKind) -> list[PartRecord]:
    """Return every part of a kind, newest first."""
    rows = db.query("SELECT * FROM calibration_parts WHERE kind = ? ORDER BY rowid DESC", [kind])
    return [_part(row) for row in rows]


def current_calibration(db: Database) -> CalibrationRecord:
    """Return the calibration in force.

    Raises:
        CoilbenchError: load or travel is not calibrated; names the command that does it.
    """
    row = first_row(db, "SELECT * FROM calibrations ORDER BY rowid DESC LIMIT 1")
    if row is not None:
        return _calibration(db, row)
    missing = next(kind for kind in _COMMANDS if newest_part(db, kind) is None)
    raise CoilbenchError(
        f"the rig's {missing} is not calibrated in this book",
        hint=f"Calibrate it with: coilbench rig {_COMMANDS[missing]}",
    )


def find_calibration(db: Database, calibration_id: str) -> CalibrationRecord:
    """Return a calibration by its id or its first characters.

    Raises:
        CoilbenchError: the book has none that begins so, or several.
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
            f"the book has {several} calibration whose id begins with {calibration_id!r}",
            hint="See their ids in the book's table calibrations, or give own or newest",
        )
    return _calibration(db, rows[0])


def _calibration(db: Database, row: dict[str, Any]) -> CalibrationRecord:
    load, travel, flex = (_part_by_id(db, row[f"{kind}_part_id"]) for kind in _COMMANDS)
    assert load is not None  # noqa: S101  the schema wants both
    assert travel is not None  # noqa: S101
    return CalibrationRecord(row["id"], row["made_utc"], load, travel, flex)


def _part_by_id(db: Database, part_id: str | None) -> PartRecord | None:
    row = first_row(db, "SELECT * FROM calibration_parts WHERE id = ?", [part_id])
    return None if row is None else _part(row)


def _part(row: dict[str, Any]) -> PartRecord:
    return PartRecord(
        **{name: row[name] for name in _PART_COLUMNS},
        part_id=row["id"],
        made_utc=row["made_utc"],
        fit=fit_from_json(row["fit_json"]),
        points=(),
        notes=tuple(remarks_of(row["notes_json"])),
    )


@dataclass(frozen=True)
class NewCheck:
    """A check with a weight.

    Attributes:
        zero_counts, load_counts, load_sd_counts: the raw reading.
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

    def store(self, db: Database) -> CheckRecord:
        """Store the check; returns it with its id and time.

        Raises:
            CoilbenchError: a number is not finite.
        """
        record = CheckRecord(new_id(), utc_now(), self)
        row = {"id": record.check_id, "made_utc": record.made_utc, **vars(self)}
        with writing(db):
            insert(db, "mass_checks", row | {"passed": int(self.passed)})
        return record


@dataclass(frozen=True)
class CheckRecord:
    """A check as the book keeps it."""

    check_id: str
    made_utc: str
    check: NewCheck


def mass_checks(db: Database, load_part_id: str | None = None) -> tuple[CheckRecord, ...]:
    """Return the checks, oldest first: all, or those of one load calibration."""
    where, values = ("1", []) if load_part_id is None else ("load_part_id = ?", [load_part_id])
    names = ", ".join(("id", "made_utc", *NewCheck.__match_args__))
    rows = db.execute(f"SELECT {names} FROM mass_checks WHERE {where} ORDER BY rowid", values)  # noqa: S608
    return tuple(
        CheckRecord(check_id, made_utc, NewCheck(*row[:-1], *map(bool, row[-1:])))
        for check_id, made_utc, *row in rows
    )


def set_good_for_days(db: Database, days: float) -> None:
    """Store how many days, above 0, a calibration or check is valid."""
    with writing(db):
        db.execute(
            "INSERT INTO rig_settings (only_row, good_for_days) VALUES (1, ?)"
            " ON CONFLICT (only_row) DO UPDATE SET good_for_days = excluded.good_for_days",
            [days],
        )
