"""Calibrations of scales that are read by hand, and what calibrations were fitted to."""

from __future__ import annotations

from dataclasses import fields

from sqlite_utils import Database

from coilbench.capture.book.notes import note_of, remarks_of
from coilbench.capture.book.rows import first_row, insert, later_than, new_id, writing
from coilbench.capture.book.vouching import refuse_damaged_points
from coilbench.capture.calibration.keyed_setup import Scale, ScalePoint
from coilbench.capture.calibration.model import PointRow, fit_from_json, fit_to_json
from coilbench.capture.errors import CoilbenchError

_SCALE_COLUMNS = ("name", "origin", "reference_u_relative", "gravity_m_s2")
_POINT_COLUMNS = tuple(field.name for field in fields(PointRow))


def part_points(db: Database, part_id: str) -> tuple[PointRow, ...]:
    """Return what a part of a calibration was fitted to.

    Raises:
        CoilbenchError: a point is damaged or gone.
    """
    refuse_damaged_points(db.conn, "calibration_points", part_id)
    points = db.query(
        f"SELECT {', '.join(_POINT_COLUMNS)} FROM calibration_points"  # noqa: S608  our own names
        " WHERE part_id = ? ORDER BY point",
        [part_id],
    )
    return tuple(PointRow(**point) for point in points)


def store_scale(db: Database, scale: Scale) -> str:
    """Store a scale's calibration; returns its id."""
    scale_id = new_id()
    with writing(db):
        insert(
            db,
            "scales",
            {name: getattr(scale, name) for name in _SCALE_COLUMNS}
            | {
                "id": scale_id,
                "made_utc": later_than(db, "scales", "made_utc"),
                "fit_json": fit_to_json(scale.fit),
                "notes_json": note_of(scale.notes) or "[]",
            },
        )
        points = zip(scale.points, scale.residuals_n, strict=True)
        for number, (point, residual_n) in enumerate(points, start=1):
            place = {"scale_id": scale_id, "point": number, "residual_n": residual_n}
            insert(db, "scale_points", vars(point) | place)
    return scale_id


def find_scale(db: Database, name: str) -> Scale:
    """Return the newest calibration of a scale.

    Raises:
        CoilbenchError: the book has no scale of that name.
    """
    sql = "SELECT * FROM scales WHERE name = ? ORDER BY made_utc DESC, id DESC LIMIT 1"
    row = first_row(db, sql, [name])
    if row is None:
        known = [row["name"] for row in db.query("SELECT DISTINCT name FROM scales ORDER BY name")]
        raise CoilbenchError(
            f"the book has no scale {name!r}",
            hint=f"Its scales are {', '.join(known)}"
            if known
            else "Calibrate it with: coilbench rig weigh --scale NAME --from FILE",
        )
    refuse_damaged_points(db.conn, "scale_points", row["id"])
    points = list(
        db.query("SELECT * FROM scale_points WHERE scale_id = ? ORDER BY point", [row["id"]])
    )
    return Scale(
        **{name: row[name] for name in _SCALE_COLUMNS},
        fit=fit_from_json(row["fit_json"]),
        points=tuple(
            ScalePoint(p["mass_kg"], p["shown_kg"], p["direction"], p["u_kg"]) for p in points
        ),
        residuals_n=tuple(point["residual_n"] for point in points),
        notes=tuple(remarks_of(row["notes_json"])),
    )
