"""The rig's calibrations and scales as the CSV files that `rig weigh|gauge|flex --from` read."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlite_utils import Database

from coilbench.capture.book.calibrations import PartRecord, find_calibration, stored_part
from coilbench.capture.book.export_step import ExportStep, FileNames
from coilbench.capture.calibration.fit import (
    ASSUMED_GAUGE_U_MM,
    ASSUMED_MASS_U_RELATIVE,
    LEAST_GAUGES,
)
from coilbench.capture.calibration.regression import evaluate
from coilbench.capture.tables.csv_out import csv_bytes

FOLDER = "rig"
_COMMANDS = {"load": "weigh", "travel": "gauge", "flex": "flex"}
# Column of the file -> field of a point. An uncertainty that no point was given has no column.
_COLUMNS = {
    "load": {
        "mass_kg": "mass_kg",
        "counts": "load_counts",
        "direction": "direction",
        "u_kg": "u_kg",
    },
    "travel": {"length_mm": "length_mm", "counts": "travel_counts", "u_mm": "u_mm"},
    "flex": {"load_counts": "load_counts", "travel_counts": "travel_counts"},
    "scale": {
        "mass_kg": "mass_kg",
        "shown_kg": "shown_kg",
        "direction": "direction",
        "u_kg": "u_kg",
    },
}


class RigExport:
    """Yields what brings calibrations and scales into force, in the order strokes ask for them.

    Args:
        db: the open book.
        names: gives the files their names.
    """

    def __init__(self, db: Database, names: FileNames) -> None:
        self._db = db
        self._names = names
        self._paths: dict[str, str] = {}
        self._in_force: dict[str, str] = {}

    def calibration(self, calibration_id: str) -> Iterator[ExportStep]:
        """Yield what puts a calibration into force, after what was yielded before."""
        record = find_calibration(self._db, calibration_id)
        for part in (record.load, record.travel, record.flex):
            if part is not None and self._in_force.get(part.kind) != part.part_id:
                self._in_force[part.kind] = part.part_id
                yield self._part(part)

    def _part(self, part: PartRecord) -> ExportStep:
        path, first = self._path(part.part_id, f"{part.kind}-{part.made_utc[:10]}")
        arguments = ["rig", _COMMANDS[part.kind], "--from", path]
        if part.gravity_m_s2 is not None:
            arguments += ["--gravity", repr(part.gravity_m_s2)]
        return ExportStep(
            kind=f"{part.kind} calibration",
            arguments=tuple(arguments),
            path=path,
            data=self._part_file(part) if first else None,
            stored_utc=part.made_utc,
            note=part.origin,
        )

    def _part_file(self, part: PartRecord) -> bytes:
        points = stored_part(self._db, part).points
        comments = [f"{part.kind} calibration of {part.made_utc} ({part.origin})"]
        if part.kind == "travel" and len(points) < LEAST_GAUGES:
            comments.append("A datum set anew: two points of its line, with what they are good for")
            return csv_bytes(("length_mm", "counts", "u_mm"), _line_ends(part), comments)
        names = _COLUMNS[part.kind]
        return _points_file(names, [vars(point) for point in points], comments)

    def scale(self, name: str, fit: Any) -> Iterator[ExportStep]:
        """Yield what puts the scale that has this fit (as JSON has it) into force."""
        for row in self._db.query("SELECT * FROM scales WHERE name = ? ORDER BY rowid", [name]):
            if json.loads(row["fit_json"]) != fit:
                continue
            if self._in_force.get(f"scale {name}") != row["id"]:
                self._in_force[f"scale {name}"] = row["id"]
                yield self._scale(row)
            return

    def _scale(self, row: dict[str, Any]) -> ExportStep:
        path, first = self._path(row["id"], f"scale-{row['name']}-{row['made_utc'][:10]}")
        arguments = ("rig", "weigh", "--scale", row["name"], "--from", path)
        gravity = ("--gravity", repr(row["gravity_m_s2"]))
        return ExportStep(
            kind="scale calibration",
            arguments=arguments + gravity,
            path=path,
            data=self._scale_file(row) if first else None,
            stored_utc=row["made_utc"],
            note=row["origin"],
        )

    def _scale_file(self, row: dict[str, Any]) -> bytes:
        points = self._db.query(
            "SELECT * FROM scale_points WHERE scale_id = ? ORDER BY point", [row["id"]]
        )
        comments = [f"scale {row['name']} of {row['made_utc']}"]
        return _points_file(_COLUMNS["scale"], list(points), comments)

    def _path(self, item_id: str, stem: str) -> tuple[str, bool]:
        first = item_id not in self._paths
        if first:
            self._paths[item_id] = self._names.take(FOLDER, stem)
        return self._paths[item_id], first


def _points_file(
    names: Mapping[str, str], points: Sequence[Mapping[str, Any]], comments: Sequence[str]
) -> bytes:
    """Write points; where only some have an uncertainty, the others get what is assumed."""
    rows = [dict(point) for point in points]
    kept = dict(names)
    for field, assumed in (("u_kg", _assumed_u_kg), ("u_mm", lambda _: ASSUMED_GAUGE_U_MM)):
        if all(row.get(field) is None for row in rows):
            kept.pop(field, None)
        for row in rows:
            if field in kept and row[field] is None:
                row[field] = assumed(row)
    return csv_bytes(tuple(kept), ([row[name] for name in kept.values()] for row in rows), comments)


def _assumed_u_kg(row: Mapping[str, Any]) -> float:
    return ASSUMED_MASS_U_RELATIVE * float(row["mass_kg"])


def _line_ends(part: PartRecord) -> list[tuple[float, float, float]]:
    """Return (length_mm, counts, u_mm) at both ends of a travel line's range."""
    ends = [part.fit.x_min, part.fit.x_max]
    length_mm, u_mm = evaluate(part.fit, ends)
    return list(zip(length_mm.tolist(), ends, (2.0 * u_mm).tolist(), strict=True))
