"""What counts of a set while it is captured: curves to compare with, strokes in and out of it."""

from __future__ import annotations

from typing import Literal

import numpy as np
from sqlite_utils import Database

from coilbench.capture.blocks import Finding
from coilbench.capture.book.notes import with_finding
from coilbench.capture.book.rows import first_row, writing
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.strokes.likeness import mean_of_ways
from coilbench.capture.strokes.sweep import Branch


def pressed_curves(db: Database, record: SetRecord) -> dict[str, Branch]:
    """Return each spring's newest counted press, to work it or to read it, by label.

    The mean of both ways, heights ascending; of sampled strokes alone.
    """
    rows = db.execute(
        """
        SELECT label, branch, height_mm, load_n FROM curve_rows
        JOIN (
          SELECT max(sweeps.rowid), sweeps.id AS newest_id, springs.label AS label
          FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
          WHERE springs.set_id = ? AND sweeps.counted AND sweeps.samples > 0
          GROUP BY springs.id
        ) ON newest_id = curve_rows.sweep_id
        """,
        [record.set_id],
    ).fetchall()
    points: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for label, branch, height_mm, load_n in rows:
        points.setdefault(label, {}).setdefault(branch, []).append((height_mm, load_n))
    return {
        label: mean_of_ways(*(_branch(ways.get(way, [])) for way in ("loading", "unloading")))
        for label, ways in points.items()
    }


def _branch(points: list[tuple[float, float]]) -> Branch:
    heights, loads = np.array(points, dtype=np.float64).reshape(-1, 2).T
    return Branch(heights, loads)


def rulings_of(db: Database, spring_id: str) -> dict[str, Literal["use", "leave"] | None]:
    """Return the user's ruling on each stroke of a spring, by its id."""
    sql = "SELECT id, ruling FROM sweeps WHERE spring_id = ?"
    return dict(db.execute(sql, [spring_id]).fetchall())


def let_count(db: Database, sweep_id: str, why: Finding) -> None:
    """Count a stroke that did not, and keep why."""
    _settle(db, sweep_id, why, counted=True, status="complete")


def leave_out(db: Database, sweep_id: str, why: Finding) -> None:
    """Let a stroke no longer count, and keep why."""
    _settle(db, sweep_id, why, counted=False, status="aborted")


def _settle(db: Database, sweep_id: str, why: Finding, *, counted: bool, status: str) -> None:
    with writing(db):
        row = first_row(db, "SELECT note FROM sweeps WHERE id = ?", [sweep_id])
        note = with_finding(None if row is None else row["note"], why)
        sql = "UPDATE sweeps SET counted = ?, status = ?, note = ? WHERE id = ?"
        db.execute(sql, [int(counted), status, note, sweep_id])
