"""Files and keyed readings into the book: all of a file, or nothing.

What came into the book by one run of import or note, and how it is taken back.

Nothing is deleted: what was typed or read stays, with the note that it was taken back, and does
not count any more.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from sqlite_utils import Database

from coilbench.capture.blocks import LOAD_DTYPE, LoadBlock
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.rows import new_id, refresh_solid_heights, writing
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import NewSweep, store_sweep, stored_copy
from coilbench.capture.calibration.model import apply, instrument_uncertainty
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import CurveRow, points_as_rows, reduced_curve
from coilbench.capture.strokes.sweep import Branch, Origin, SweepStatus, read_stroke
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.tables.keyed import KeyedReading, KeyedSetup, convert
from coilbench.capture.tables.points_file import PointsFile, find_solid_heights
from coilbench.capture.tables.sweep_files import ConvertedSweepFile, RawSweepFile, read_sweep_file

# What a file's heights and loads are taken as good for (k = 1), since its columns don't say; what
# was taken is noted to the user. Our assumption: a testing machine or a tidy home rig. Common
# practice, no source.
FILE_LOAD_U_RELATIVE = 0.0025
FILE_HEIGHT_U_MM = 0.05
_ASSUMED = (
    f"Loads are taken as good to {2 * FILE_LOAD_U_RELATIVE:.1%} and heights to "
    f"{2 * FILE_HEIGHT_U_MM:g} mm (k = 2), since the file doesn't say"
)


@dataclass(frozen=True)
class Imported:
    """What a file brought.

    Attributes:
        kind: what sort of file it was, in words.
        labels: the springs it brought sweeps for.
        notes: what is worth knowing, sentences without a full stop.
    """

    kind: str
    labels: tuple[str, ...]
    notes: tuple[str, ...]


def import_table(
    db: Database,
    record: SetRecord,
    table: Table,
    *,
    label: str | None = None,
    closed_down: bool | None = None,
    zero_counts: float | None = None,
    entry_id: str | None = None,
) -> Imported:
    """Store what a CSV file holds: all of it, or nothing.

    Heights and loads that come converted are taken as good to FILE_LOAD_U_RELATIVE and
    FILE_HEIGHT_U_MM, our assumption; the notes say so. What a spring has already from a file is
    refused: a copy would count as a second measurement, and make the spring look surer than it is.

    Args:
        db: the open book.
        record: the set it belongs to.
        table: the file.
        label: the spring of a sweep file; for a points file the one spring to take.
        closed_down: whether each spring's largest load is at its solid height; None: look.
        zero_counts: of a raw sweep: its load counts with nothing pressed; None: look before the
            touch.
        entry_id: what to take it back by, with other files of one run; None: by itself.

    Raises:
        CoilbenchError: a label that the set doesn't have, a sweep without a label, a raw sweep
            without a calibration, a zero for what is no raw sweep, readings that were imported
            before, or anything wrong with the numbers. Nothing is stored then.
    """
    if label is not None:
        record.spring(label)
    content = read_sweep_file(table, free_length_mm=record.free_length_mm)
    if zero_counts is not None and not isinstance(content, RawSweepFile):
        raise CoilbenchError(
            "a zero in counts belongs to a raw sweep", where=table.name, hint="Leave it away"
        )
    if isinstance(content, PointsFile):
        return _import_points(db, record, table, content, label, closed_down, entry_id)
    if label is None:
        raise CoilbenchError(
            "a sweep file doesn't say whose it is", where=table.name, hint="Give --label LABEL"
        )
    spring_id = record.spring(label).spring_id
    if isinstance(content, RawSweepFile):
        sweep = _raw_sweep(db, content, spring_id, table.name, zero_counts)
        brought = Imported("raw sweep", (label,), ())
    else:
        sweep = _converted_sweep(content, spring_id, table.name)
        brought = Imported("converted sweep", (label,), (_ASSUMED,))
    with writing(db):
        _store_new(db, replace(sweep, entry_id=entry_id or new_id()), label)
    return brought


def _store_new(db: Database, sweep: NewSweep, label: str) -> None:
    """Store a file's sweep unless the spring has the same one already."""
    stored = stored_copy(db, sweep)
    if stored is not None:
        raise CoilbenchError(
            f"spring {label!r} has these readings already, imported from {stored}",
            where=sweep.note,
            hint="Leave them out; a copy would count as a second measurement",
        )
    store_sweep(db, sweep)


def _raw_sweep(
    db: Database,
    content: RawSweepFile,
    spring_id: str,
    name: str,
    zero_counts: float | None,
) -> NewSweep:
    calibration = current_calibration(db)
    instrument = instrument_uncertainty(calibration.calibration)
    raw = content.raw_block()
    if zero_counts is None:
        _, rig = read_stroke(raw, calibration.calibration, calibration.calibration_id)
        zero_counts = rig.zero_counts if rig.zero_known else None
    return NewSweep(
        spring_id=spring_id,
        origin=Origin.RAW_FILE,
        status=SweepStatus.COMPLETE,
        purpose=Purpose.MEASURED,
        counted=True,
        rows=reduced_curve(apply(calibration.calibration, raw, zero_counts)),
        load_u_n=instrument.load_u_n,
        load_u_relative=instrument.load_u_relative,
        height_u_mm=instrument.height_u_mm,
        samples=raw.samples,
        calibration_id=calibration.calibration_id,
        zero_counts=zero_counts,
        note=name,
    )


def _converted_sweep(content: ConvertedSweepFile, spring_id: str, name: str) -> NewSweep:
    samples = np.zeros(content.t_s.shape, LOAD_DTYPE)
    samples["t_s"] = content.t_s - content.t_s[0]
    samples["load_n"] = content.load_n
    samples["height_mm"] = content.height_mm
    return NewSweep(
        spring_id=spring_id,
        origin=Origin.CONVERTED_FILE,
        status=SweepStatus.COMPLETE,
        purpose=Purpose.MEASURED,
        counted=True,
        rows=reduced_curve(LoadBlock(samples)),
        load_u_n=0.0,
        load_u_relative=FILE_LOAD_U_RELATIVE,
        height_u_mm=FILE_HEIGHT_U_MM,
        samples=samples,
        note=name,
    )


def _import_points(
    db: Database,
    record: SetRecord,
    table: Table,
    content: PointsFile,
    label: str | None,
    closed_down: bool | None,
    entry_id: str | None,
) -> Imported:
    wanted = [spring for spring in content.springs if label in (None, spring.label)]
    if not wanted:
        raise CoilbenchError(
            f"the file has no spring {label!r}",
            where=table.name,
            hint="Check --label; without it, all springs of the file are taken",
        )
    ids = {spring.label: _spring_id(record, spring.label, table.name) for spring in wanted}
    solids = {s.label: s for s in find_solid_heights(content.springs, closed_down)}
    found = {label: solids[label] for label in ids if solids[label].solid_height_mm is not None}
    entry_id = entry_id or new_id()
    with writing(db):
        for spring in wanted:
            sweep = _points_sweep(
                ids[spring.label],
                Origin.POINTS_FILE,
                (spring.loading, spring.unloading),
                (0.0, FILE_LOAD_U_RELATIVE, FILE_HEIGHT_U_MM),
                note=table.name,
            )
            solid = found.get(spring.label)
            if solid is not None:
                mm, reason = solid.solid_height_mm, solid.reason
                sweep = replace(sweep, solid_height_mm=mm, solid_reason=reason)
            _store_new(db, replace(sweep, entry_id=entry_id), spring.label)
        refresh_solid_heights(db, (ids[label] for label in found))
    notes = (*content.notes, _ASSUMED)
    if found:
        reason = next(iter(found.values())).reason
        notes += (f"Solid heights of {len(found)} springs taken from it: {reason}",)
    return Imported("points", tuple(ids), notes)


def _spring_id(record: SetRecord, label: str, file: str) -> str:
    try:
        return record.spring(label).spring_id
    except CoilbenchError as error:
        raise CoilbenchError(error.what, where=file, hint=error.hint) from error


def _points_sweep(
    spring_id: str,
    origin: Origin,
    branches: tuple[Branch, Branch],
    uncertainties: tuple[float, float, float],
    *,
    note: str | None = None,
    keyed: Mapping[str, Any] | None = None,
    entry_id: str | None = None,
) -> NewSweep:
    load_u_n, load_u_relative, height_u_mm = uncertainties
    rows: list[CurveRow] = points_as_rows("loading", branches[0])
    rows += points_as_rows("unloading", branches[1])
    return NewSweep(
        spring_id=spring_id,
        origin=origin,
        status=SweepStatus.COMPLETE,
        purpose=Purpose.MEASURED,
        counted=True,
        rows=rows,
        load_u_n=load_u_n,
        load_u_relative=load_u_relative,
        height_u_mm=height_u_mm,
        note=note,
        keyed=keyed,
        entry_id=entry_id,
    )


def store_readings(
    db: Database, record: SetRecord, readings: Sequence[KeyedReading], setup: KeyedSetup
) -> tuple[str, ...]:
    """Store keyed readings, one sweep a spring; returns the labels.

    What was typed stands beside the derived points (`keyed_json`): what the scale showed, the
    height or the depth, and how the readings were taken.

    Raises:
        CoilbenchError: a label that the set doesn't have, or an impossible reading. Nothing is
            stored then.
    """
    by_label: dict[str, list[KeyedReading]] = {}
    for reading in readings:
        by_label.setdefault(record.spring(reading.label).label, []).append(reading)
    sweeps = []
    entry_id = new_id()
    for label, own in by_label.items():
        branches = convert(own, setup, record.free_length_mm)
        sweeps.append(
            _points_sweep(
                record.spring(label).spring_id,
                Origin.KEYED,
                (branches.loading, branches.unloading),
                (branches.load_u_n, branches.load_u_relative, branches.height_u_mm),
                entry_id=entry_id,
                keyed={
                    "readings": [vars(reading) for reading in own],
                    "setup": setup.to_document(),
                    "free_length_mm": record.free_length_mm,
                },
            )
        )
    with writing(db):
        for sweep in sweeps:
            store_sweep(db, sweep)
    return tuple(by_label)


LAST = "last"
FILES = (Origin.RAW_FILE, Origin.CONVERTED_FILE, Origin.POINTS_FILE)
KEYED = (Origin.KEYED,)
_NOTE = "taken back"


@dataclass(frozen=True)
class Entry:
    """One run of import or note.

    Attributes:
        stored_utc: when its first stroke was stored.
        set_name: the set it went to.
        files: their names; none for keyed readings.
        labels: the springs it brought something for.
        counts: whether any of it counts still.
    """

    entry_id: str
    stored_utc: str
    set_name: str
    files: tuple[str, ...]
    labels: tuple[str, ...]
    counts: bool


def entries(
    db: Database, origins: Sequence[Origin], set_name: str | None = None
) -> tuple[Entry, ...]:
    """Return the runs that brought strokes of these origins, the newest first."""
    marks = ", ".join("?" * len(origins))
    found: dict[str, list[dict[str, Any]]] = {}
    for row in db.query(
        f"""
        SELECT entry_id, stored_utc, sets.name AS set_name, label, note, counted
        FROM sweeps JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id
        WHERE entry_id IS NOT NULL AND origin IN ({marks}) ORDER BY sweeps.rowid
        """,  # noqa: S608  question marks only
        [origin.value for origin in origins],
    ):
        if set_name in (None, row["set_name"]):
            found.setdefault(row["entry_id"], []).append(row)
    return tuple(_entry(rows) for rows in reversed(found.values()))


def _entry(rows: Sequence[dict[str, Any]]) -> Entry:
    files = [row["note"].partition("; ")[0] for row in rows if row["note"] is not None]
    return Entry(
        entry_id=rows[0]["entry_id"],
        stored_utc=rows[0]["stored_utc"],
        set_name=rows[0]["set_name"],
        files=tuple(file for file in dict.fromkeys(files) if file != _NOTE),
        labels=tuple(dict.fromkeys(row["label"] for row in rows)),
        counts=any(row["counted"] for row in rows),
    )


def take_back(
    db: Database, which: str, origins: Sequence[Origin], set_name: str | None = None
) -> Entry:
    """Take a run of import or note back: what it brought is kept, but does not count any more.

    Solid heights that it told go too; those that earlier strokes told stand again.

    Args:
        db: the open book.
        which: `last`, the last one that counts still; or an id, or its first figures.
        origins: what kind of run is meant.
        set_name: look at this set only.

    Raises:
        CoilbenchError: there is none, several begin so, or it was taken back before.
    """
    with writing(db):
        entry = _chosen(entries(db, origins, set_name), which)
        springs = db.execute(
            "SELECT DISTINCT spring_id FROM sweeps WHERE entry_id = ?", [entry.entry_id]
        ).fetchall()
        db.execute(
            "UPDATE sweeps SET counted = 0, ruling = NULL,"
            " note = coalesce(note || '; ', '') || ? WHERE entry_id = ? AND counted",
            [_NOTE, entry.entry_id],
        )
        refresh_solid_heights(db, (spring_id for (spring_id,) in springs))
    return entry


def _chosen(known: Sequence[Entry], which: str) -> Entry:
    if which == LAST:
        fitting = [entry for entry in known if entry.counts][:1]
        words = "there is nothing left to take back"
    else:
        fitting = [entry for entry in known if entry.entry_id.startswith(which) and which]
        many = "more than one" if fitting else "no"
        words = f"{many} run of this command has an id that begins with {which!r}"
    if len(fitting) != 1:
        raise CoilbenchError(words, hint="See the runs and their ids with --history")
    if not fitting[0].counts:
        raise CoilbenchError(
            f"the run {which} was taken back before", hint="See the others with --history"
        )
    return fitting[0]
