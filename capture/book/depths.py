"""Readings that were typed as depths, once the free length that makes heights of them changes.

What was typed stays as it is (`keyed_json`). The sweep that it made no longer counts; one with the
heights of the new free length takes its place, under an id that follows from both: so two books in
which the same was corrected hold the same, and each free length has one sweep.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.digests import DIGESTS, seal_content
from coilbench.capture.book.ids import rederived_id
from coilbench.capture.book.notes import note_of, remarks_of
from coilbench.capture.book.rows import insert
from coilbench.capture.book.sets import SetRecord, SpringRecord
from coilbench.capture.calibration.keyed_setup import give_mm_of
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading

Row = dict[str, Any]
_WHY = Finding.of("free_length_changed")
_ROOT = "rederived_from"  # in keyed_json: the sweep that was stored when it was typed
_SAME_MM = 1e-9


def rederive_depths(db: Database, record: SetRecord) -> tuple[str, ...]:
    """Give readings by depth the heights that the free lengths now make; returns whose.

    Raises:
        CoilbenchError: a free length is not known any more, or less than a depth.
    """
    changed = [
        spring.label
        for spring in record.springs
        for versions in _by_depth(db, spring)
        if _counts_with(db, record, spring, versions)
    ]
    return tuple(dict.fromkeys(changed))


def _by_depth(db: Database, spring: SpringRecord) -> Iterator[list[Row]]:
    """Yield what was typed with depths, each as the sweeps of all free lengths; none taken back."""
    found: dict[str, list[Row]] = {}
    for row in db.query(
        "SELECT * FROM sweeps WHERE spring_id = ? AND keyed_json IS NOT NULL"
        " ORDER BY stored_utc, id",
        [spring.spring_id],
    ):
        keyed = json.loads(row["keyed_json"])
        if any(one.get("depth_mm") is not None for one in keyed["readings"]):
            found.setdefault(keyed.get(_ROOT, row["id"]), []).append(row | {"keyed": keyed})
    for versions in found.values():
        if all(row["counted"] or _WHY in remarks_of(row["note"]) for row in versions):
            yield versions


def _counts_with(
    db: Database, record: SetRecord, spring: SpringRecord, versions: Sequence[Row]
) -> bool:
    """Let the version of the free length that holds count, it alone; tells whether it didn't."""
    free_mm = record.free_of_mm(spring.label)
    if free_mm is None:
        raise CoilbenchError(
            "readings of it were typed as depths, which need the free length",
            where=spring.label,
            hint="Give the right free length, or take the readings back: coilbench note --set "
            f"{record.name} --take-back",
        )
    right = next((row for row in versions if _is_of(row, free_mm)), None)
    others = [row for row in versions if row is not right and row["counted"]]
    if right is not None and right["counted"] and not others:
        return False
    if right is None:
        _store_version(db, spring, versions[-1], free_mm)
    else:
        remarks = [one for one in remarks_of(right["note"]) if one != _WHY]
        db.execute(
            "UPDATE sweeps SET counted = 1, note = ? WHERE id = ?", [note_of(remarks), right["id"]]
        )
    for row in others:
        note = note_of([*remarks_of(row["note"]), _WHY])
        db.execute("UPDATE sweeps SET counted = 0, note = ? WHERE id = ?", [note, row["id"]])
    return True


def _is_of(row: Row, free_mm: float) -> bool:
    return bool(abs(row["keyed"]["free_length_mm"] - free_mm) < _SAME_MM)


def _store_version(db: Database, spring: SpringRecord, row: Row, free_mm: float) -> None:
    """Store a sweep once more, with the heights that another free length makes of its depths."""
    root_id = row["keyed"].get(_ROOT, row["id"])
    new_id = rederived_id(root_id, free_mm)
    keyed = row["keyed"] | {"free_length_mm": free_mm, _ROOT: root_id}
    remarks = [one for one in remarks_of(row["note"]) if one != _WHY]
    cells = {name: cell for name, cell in row.items() if name not in ("keyed", *DIGESTS)}
    cells |= {"id": new_id, "keyed_json": json.dumps(keyed), "counted": 1, "note": note_of(remarks)}
    insert(db, "sweeps", cells)
    for branch in ("loading", "unloading"):
        own = [one for one in keyed["readings"] if one["loading"] == (branch == "loading")]
        points = db.execute(
            "SELECT point, height_mm, load_n FROM curve_rows WHERE sweep_id = ? AND branch = ?"
            " ORDER BY point",
            [row["id"], branch],
        ).fetchall()
        for one, (point, height_mm, load_n) in zip(own, points, strict=True):
            if one.get("depth_mm") is not None:
                reading = KeyedReading(spring.label, load_n, depth_mm=one["depth_mm"])
                give_mm = give_mm_of(keyed["setup"], load_n)
                height_mm = reading.spring_height_mm(free_mm) + give_mm
            names = ("sweep_id", "branch", "point", "height_mm", "load_n")
            point_cells = (new_id, branch, point, height_mm, load_n)
            insert(db, "curve_rows", dict(zip(names, point_cells, strict=True)))
    seal_content(db.conn, new_id)


def read_from_files(db: Database, record: SetRecord) -> tuple[str, ...]:
    """Return the springs with points from files: heights made of depths there can't be remade."""
    rows = db.execute(
        "SELECT DISTINCT label FROM springs JOIN sweeps ON spring_id = springs.id"
        " WHERE set_id = ? AND counted AND origin = 'points file' ORDER BY turn",
        [record.set_id],
    )
    return tuple(label for (label,) in rows)
