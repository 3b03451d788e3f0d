"""Calibrations of scales that are read by hand, and what calibrations were fitted to."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from msgspec.structs import asdict

from coilbench.capture.book.connection import Database
from coilbench.capture.book.merge_names import full_name, row_in_full
from coilbench.capture.book.notes import note_of, remarks_of
from coilbench.capture.book.rows import (
    OF_THIS_BENCH,
    first_row,
    insert,
    later_than,
    new_id,
    writing,
)
from coilbench.capture.book.vouching import refuse_damaged_points
from coilbench.capture.calibration.keyed_setup import Scale, ScalePoint
from coilbench.capture.calibration.model import PointRow, fit_from_json, fit_to_json
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

_SCALE_COLUMNS = ("name", "origin", "reference_u_relative", "gravity_m_s2")
_POINT_COLUMNS = PointRow.__struct_fields__


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
            insert(db, "scale_points", asdict(point) | place)
    return scale_id


def find_scale(db: Database, name: str) -> Scale:
    """Return the newest calibration of a scale of this bench, or another bench's by its full name.

    A full name, like bathroom~380d, always means the same calibration.

    Raises:
        CoilbenchError: this bench weighed no scale of that name; it names those that others did.
    """
    row = _scale_row(db, name)
    if row is None:
        raise CoilbenchError(f"this bench weighed no scale {name!r}", hint=_known_scales(db, name))
    refuse_damaged_points(db.conn, "scale_points", row["id"])
    points = list(
        db.query("SELECT * FROM scale_points WHERE scale_id = ? ORDER BY point", [row["id"]])
    )
    return Scale(
        **{column: row[column] for column in _SCALE_COLUMNS} | {"name": name},
        fit=fit_from_json(row["fit_json"]),
        points=tuple(
            ScalePoint(p["mass_kg"], p["shown_kg"], p["direction"], p["u_kg"]) for p in points
        ),
        residuals_n=tuple(point["residual_n"] for point in points),
        notes=tuple(remarks_of(row["notes_json"])),
    )


def _scale_row(db: Database, name: str) -> dict[str, Any] | None:
    sql = f"SELECT * FROM scales WHERE name = ? AND {OF_THIS_BENCH} ORDER BY made_utc DESC, id DESC"  # noqa: S608
    return first_row(db, f"{sql} LIMIT 1", [name]) or row_in_full(db, "scales", name)


def newer_elsewhere(db: Database, name: str) -> str | None:
    """Return the full name of a scale so called that another bench weighed last; None for none.

    None too where that was before this bench weighed its own.
    """
    sql = f"SELECT id, {OF_THIS_BENCH} AS own FROM scales WHERE name = ?"  # noqa: S608
    row = first_row(db, f"{sql} ORDER BY made_utc DESC, id DESC LIMIT 1", [name])
    return None if row is None or row["own"] else full_name(name, row["id"])


def _known_scales(db: Database, name: str) -> str:
    rows = db.execute(
        f"SELECT name, id, made_utc, {OF_THIS_BENCH} FROM scales ORDER BY name, made_utc, id"  # noqa: S608
    )
    own, others = [], []
    for called, scale_id, made_utc, is_own in rows.fetchall():
        if is_own:
            own.append(called)
        elif called == name:
            made = made_utc[:16].replace("T", " ")
            others.append(f"{full_name(name, scale_id)} (weighed {made})")
    if others:
        return (
            f"Another bench's: {', '.join(others)}. If it is that very scale, name it so; else "
            f"weigh this one: coilbench rig weigh --scale {as_typed(name)} --from FILE"
        )
    if own:
        return f"Its scales are {', '.join(dict.fromkeys(own))}"
    return "Calibrate it with: coilbench rig weigh --scale NAME --from FILE"


def scale_made_utc(db: Database, name: str) -> str | None:
    """Return when the calibration was made that `find_scale` returns; None without one."""
    row = _scale_row(db, name)
    return None if row is None else str(row["made_utc"])


def scale_called(db: Database, known: Mapping[str, Any]) -> str:
    """Return what the scale in a reading's document is called here: another bench's in full.

    It is told by its curve, which the document has.
    """
    name = str(known["name"])
    sql = f"SELECT id, fit_json, {OF_THIS_BENCH} AS own FROM scales WHERE name = ?"  # noqa: S608
    for row in db.query(f"{sql} ORDER BY own DESC, made_utc, id", [name]):
        if json.loads(row["fit_json"]) == known["fit"]:
            return name if row["own"] else full_name(name, row["id"])
    return name
