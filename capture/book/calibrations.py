"""Calibrations, checks with a weight, and scales in the book.

Every one is kept; which is in force, `in_force` tells. A calibration is a load part, a travel part
and, where it was measured, a flex part, all of one rig: each new part makes a new calibration, and
sweeps name the one they were read with.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import msgspec
from msgspec.structs import asdict

from coilbench.capture.book.connection import Database
from coilbench.capture.book.in_force import InForce, compose
from coilbench.capture.book.notes import note_of, remarks_of
from coilbench.capture.book.rows import (
    CHECK_COUNTS,
    first_row,
    insert,
    later_than,
    new_id,
    writing,
)
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
_POINT_COLUMNS = PointRow.__struct_fields__


class PartRecord(NewPart, frozen=True, kw_only=True):
    """A part as the book keeps it, without its points: `part_points` reads them."""

    part_id: str
    made_utc: str


class CalibrationRecord(msgspec.Struct, frozen=True, dict=True):
    """A calibration and its parts."""

    calibration_id: str
    made_utc: str
    load: PartRecord
    travel: PartRecord
    flex: PartRecord | None

    @cached_property
    def calibration(self) -> Calibration:
        """What turns counts into load and height."""
        return Calibration(
            load=self.load.fit,
            travel=self.travel.fit,
            flex=None if self.flex is None else self.flex.fit,
            load_u_relative=self.load.reference_u_relative,
        )

    def refuse_other_rig(self, device_id: str) -> None:
        """Refuse a rig that it is not of.

        Raises:
            CoilbenchError: it is of another one.
        """
        if self.load.device_id not in (None, device_id):
            raise CoilbenchError(
                f"this is the rig {device_id}, but the calibration is of {self.load.device_id}",
                hint="Connect that rig, or calibrate this one with: coilbench rig weigh",
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
                "made_utc": later_than(db, "calibration_parts", "made_utc"),
                "fit_json": fit_to_json(part.fit),
                "residual_sd_n": part.fit.residual_sd if in_newtons else None,
                "residual_sd_mm": None if in_newtons else part.fit.residual_sd,
                "notes_json": note_of(part.notes) or "[]",
            },
        )
        for number, point in enumerate(part.points, start=1):
            insert(db, "calibration_points", {"part_id": part_id, "point": number, **asdict(point)})
        return compose(db, part.device_id)


def newest_part(db: Database, kind: PartKind, device_id: str | None = None) -> PartRecord | None:
    """Return the part of a kind that is in force on a rig, as `InForce.of` names it, or None."""
    return _part_by_id(db, InForce.of(db, device_id).parts.get(kind))


def parts(db: Database, kind: PartKind) -> list[PartRecord]:
    """Return every part of a kind, whatever rig's, newest first."""
    sql = "SELECT * FROM calibration_parts WHERE kind = ? ORDER BY made_utc DESC, id DESC"
    rows = db.query(sql, [kind])
    return [_part(row) for row in rows]


def current_calibration(db: Database, device_id: str | None = None) -> CalibrationRecord:
    """Return the calibration in force on a rig, as `InForce.of` names it.

    Raises:
        CoilbenchError: load or travel is not calibrated; names the command that does it.
    """
    known = InForce.of(db, device_id)
    if known.calibration_id is not None:
        return find_calibration(db, known.calibration_id)
    missing = next(kind for kind in _COMMANDS if kind not in known.parts)
    of_rig = f" of the rig {known.device_id}" if known.device_id else ""
    others = f"; of {', '.join(known.others)} there is one" if known.others else ""
    raise CoilbenchError(
        f"the rig's {missing} is not calibrated in this book"
        if not of_rig
        else f"the {missing}{of_rig} is not calibrated in this book{others}",
        hint=f"Calibrate it with: coilbench rig {_COMMANDS[missing]}",
    )


def calibration_on(db: Database, device_id: str) -> CalibrationRecord:
    """Return the calibration of a rig; of another, where this one has none.

    Raises:
        CoilbenchError: as `current_calibration`.
    """
    own = InForce.of(db, device_id).calibration_id
    return current_calibration(db) if own is None else find_calibration(db, own)


def refuse_uncalibrated(db: Database) -> None:
    """Refuse a book without a calibration of any rig; raises as `current_calibration`."""
    if not db.execute("SELECT 1 FROM calibrations LIMIT 1").fetchone():
        current_calibration(db)


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


class NewCheck(msgspec.Struct, frozen=True):
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
        with writing(db):
            record = CheckRecord(new_id(), later_than(db, "mass_checks", "made_utc"), self)
            row = {"id": record.check_id, "made_utc": record.made_utc, **asdict(self)}
            insert(db, "mass_checks", row | {"passed": int(self.passed)})
        return record


class CheckRecord(msgspec.Struct, frozen=True):
    """A check as the book keeps it.

    Attributes:
        counts: False for another bench's, of a load that was calibrated at this one: it was not on
            this press. Of a load that another bench calibrated, all count.
    """

    check_id: str
    made_utc: str
    check: NewCheck
    counts: bool = True


def mass_checks(db: Database, load_part_id: str | None = None) -> tuple[CheckRecord, ...]:
    """Return the checks, oldest first: all, or those that count of one load calibration."""
    names = ", ".join(NewCheck.__match_args__)
    rows = db.execute(
        f"SELECT id, made_utc, {CHECK_COUNTS}, {names} FROM mass_checks"  # noqa: S608  our own words
        " WHERE ?1 IS NULL OR load_part_id = ?1 ORDER BY made_utc, id",
        [load_part_id],
    )
    found = (
        CheckRecord(check_id, made_utc, NewCheck(*row[:-1], *map(bool, row[-1:])), bool(counts))
        for check_id, made_utc, counts, *row in rows
    )
    return tuple(one for one in found if one.counts or load_part_id is None)


def set_good_for_days(db: Database, days: float) -> None:
    """Store how many days, above 0, a calibration or check is valid."""
    with writing(db):
        db.execute(
            "INSERT INTO rig_settings (only_row, good_for_days) VALUES (1, ?)"
            " ON CONFLICT (only_row) DO UPDATE SET good_for_days = excluded.good_for_days",
            [days],
        )
