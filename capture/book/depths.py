"""Readings that were typed as depths, once the free length that makes heights of them changes.

What was typed stays as it is (`keyed_json`). The sweep that it made no longer counts; one with the
heights of the new free length takes its place, under an id that follows from both, so that two
books in which the same was corrected hold the same.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Sequence
from typing import Any

from sqlite_utils import Database

from coilbench.capture.blocks import Finding
from coilbench.capture.book.notes import with_finding
from coilbench.capture.book.rows import insert, utc_now
from coilbench.capture.book.sets import SetRecord, SpringRecord
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading

_WHY = Finding.of("free_length_changed")
_SAME_MM = 1e-9


def rederive_depths(db: Database, record: SetRecord) -> tuple[str, ...]:
    """Give readings by depth the heights that the free lengths now make; returns whose.

    Raises:
        CoilbenchError: a free length is not known any more, or less than a depth.
    """
    changed = [
        spring.label
        for spring in record.springs
        for row in _by_depth(db, spring)
        if _rederive(db, record, spring, row)
    ]
    return tuple(dict.fromkeys(changed))


def _by_depth(db: Database, spring: SpringRecord) -> Sequence[dict[str, Any]]:
    """Return a spring's sweeps that count and hold a reading typed as a depth."""
    rows = db.query(
        "SELECT * FROM sweeps WHERE spring_id = ? AND counted AND keyed_json IS NOT NULL"
        " ORDER BY rowid",
        [spring.spring_id],
    )
    return [row for row in rows if any(map(_depth_mm, json.loads(row["keyed_json"])["readings"]))]


def _depth_mm(reading: dict[str, Any]) -> float | None:
    depth_mm: float | None = reading.get("depth_mm")
    return depth_mm


def _rederive(db: Database, record: SetRecord, spring: SpringRecord, row: dict[str, Any]) -> bool:
    keyed, free_mm = json.loads(row["keyed_json"]), record.free_of_mm(spring.label)
    if free_mm is not None and abs(free_mm - keyed["free_length_mm"]) < _SAME_MM:
        return False
    if free_mm is None:
        raise CoilbenchError(
            "readings of it were typed as depths, which need the free length",
            where=spring.label,
            hint="Give the right free length, or take the readings back: coilbench note --set "
            f"{record.name} --take-back",
        )
    new_id = str(uuid.uuid5(uuid.UUID(row["id"]), f"free length {free_mm!r} mm"))
    keyed["free_length_mm"] = free_mm
    copied = dict(row) | {"id": new_id, "stored_utc": utc_now(), "keyed_json": json.dumps(keyed)}
    db.execute(
        "UPDATE sweeps SET counted = 0, ruling = NULL, note = ? WHERE id = ?",
        [with_finding(row["note"], _WHY), row["id"]],
    )
    if db.execute("SELECT 1 FROM sweeps WHERE id = ?", [new_id]).fetchone() is not None:
        db.execute("UPDATE sweeps SET counted = 1, note = NULL WHERE id = ?", [new_id])
        return True
    insert(db, "sweeps", copied)
    for branch in ("loading", "unloading"):
        own = [one for one in keyed["readings"] if one["loading"] == (branch == "loading")]
        points = db.execute(
            "SELECT point, height_mm, load_n FROM curve_rows WHERE sweep_id = ? AND branch = ?"
            " ORDER BY point",
            [row["id"], branch],
        ).fetchall()
        for one, (point, height_mm, load_n) in zip(own, points, strict=True):
            if (depth_mm := _depth_mm(one)) is not None:
                reading = KeyedReading(spring.label, load_n, depth_mm=depth_mm)
                height_mm = reading.spring_height_mm(free_mm)
            names = ("sweep_id", "branch", "point", "height_mm", "load_n")
            cells = (new_id, branch, point, height_mm, load_n)
            insert(db, "curve_rows", dict(zip(names, cells, strict=True)))
    return True


def read_from_files(db: Database, record: SetRecord) -> tuple[str, ...]:
    """Return the springs with points from files: heights made of depths there can't be remade."""
    rows = db.execute(
        "SELECT DISTINCT label FROM springs JOIN sweeps ON spring_id = springs.id"
        " WHERE set_id = ? AND counted AND origin = 'points file' ORDER BY turn",
        [record.set_id],
    )
    return tuple(label for (label,) in rows)
