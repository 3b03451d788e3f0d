"""Scales in the book: each calibration of one is kept, the newest of a name is in force."""

from __future__ import annotations

import json

from sqlite_utils import Database

from coilbench.capture.book.rows import insert, new_id, utc_now, writing
from coilbench.capture.calibration.model import fit_from_document, fit_to_document
from coilbench.capture.calibration.scale import Scale, ScalePoint
from coilbench.capture.errors import CoilbenchError


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
            mend=f"Its scales are {', '.join(known)}"
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
