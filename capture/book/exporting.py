"""A book's sets as CSV files, in the order in which another book would take them in."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from sqlite_utils import Database

from coilbench.capture.book.export_rig import RigExport
from coilbench.capture.book.export_step import ExportStep, FileNames
from coilbench.capture.book.export_sweeps import (
    counts,
    keyed_step,
    points_steps,
    sampled_step,
    set_step,
)
from coilbench.capture.book.sets import SetRecord, find_set, set_names
from coilbench.capture.strokes.sweep import Origin


def export_steps(db: Database, wanted: Sequence[str] = ()) -> Iterator[ExportStep]:
    """Yield what there is to write, a stroke's file before the next one is read.

    First the sets, then each calibration and the strokes that were captured with it, then what
    needs none. Strokes of calibrations without a flex part come first: what is once in force
    stays so.

    Args:
        db: the open book.
        wanted: the sets' names; empty for all.

    Raises:
        CoilbenchError: there is no such set.
    """
    records = [find_set(db, name) for name in dict.fromkeys(wanted) or set_names(db)]
    names = FileNames()
    rig = RigExport(db, names)
    for record in records:
        yield set_step(record, _made_utc(db, record))
    for calibration_id in _calibrations(db, records):
        yield from rig.calibration(calibration_id)
        for record in records:
            for row in _sweeps(db, record, "calibration_id = ?", calibration_id):
                yield sampled_step(row, record, names)
    for record in records:
        yield from _without_calibration(db, record, rig, names)


def _without_calibration(
    db: Database, record: SetRecord, rig: RigExport, names: FileNames
) -> Iterator[ExportStep]:
    for row in _sweeps(db, record, "origin = ?", Origin.CONVERTED_FILE.value):
        yield sampled_step(row, record, names)
    points = list(_sweeps(db, record, "origin = ?", Origin.POINTS_FILE.value))
    for in_use in (True, False):
        some = [row for row in points if counts(row) == in_use]
        yield from points_steps(db, some, record, names)
    for row in _sweeps(db, record, "origin = ?", Origin.KEYED.value):
        scale = json.loads(row["keyed_json"])["setup"].get("scale")  # early books have none
        if scale is not None:
            yield from rig.scale(scale["name"], scale["fit"])
        yield keyed_step(db, row, record, names)


def _made_utc(db: Database, record: SetRecord) -> str:
    made: str = db.execute("SELECT made_utc FROM sets WHERE id = ?", [record.set_id]).fetchone()[0]
    return made


def _calibrations(db: Database, records: Sequence[SetRecord]) -> list[str]:
    """Return the calibrations of the sets' strokes, and those their flex parts were made under."""
    marks = ",".join("?" * len(records))
    rows = db.execute(
        f"""
        WITH used AS (
          SELECT DISTINCT calibrations.rowid AS place, calibrations.id, flex_part_id
          FROM calibrations JOIN sweeps ON sweeps.calibration_id = calibrations.id
          JOIN springs ON springs.id = sweeps.spring_id WHERE springs.set_id IN ({marks}))
        SELECT id FROM calibrations WHERE id IN (SELECT id FROM used) OR rowid IN (
          SELECT min(calibrations.rowid) FROM calibrations
          JOIN used USING (flex_part_id) GROUP BY flex_part_id)
        ORDER BY flex_part_id IS NOT NULL, rowid
        """,  # noqa: S608  question marks only
        [record.set_id for record in records],
    ).fetchall()
    return [row[0] for row in rows]


def _sweeps(db: Database, record: SetRecord, where: str, value: str) -> Iterator[dict[str, Any]]:
    ids = db.execute(
        "SELECT sweeps.id FROM sweeps JOIN springs ON springs.id = sweeps.spring_id"  # noqa: S608
        f" WHERE springs.set_id = ? AND {where}"
        " ORDER BY springs.turn, sweeps.stored_utc, sweeps.rowid",
        [record.set_id, value],
    ).fetchall()
    for (sweep_id,) in ids:
        (row,) = db.query(
            "SELECT sweeps.*, springs.label FROM sweeps"
            " JOIN springs ON springs.id = sweeps.spring_id WHERE sweeps.id = ?",
            [sweep_id],
        )
        yield row
