"""Files and keyed readings into the book, all of a run or nothing, and undoing a run.

Undo deletes nothing: what was read stays, marked as taken back, and no longer counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from sqlite_utils import Database

from coilbench.capture.blocks import Finding, LoadBlock, RawBlock
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.rows import new_id, refresh_solid_heights, writing
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import NewSweep, store_sweep, stored_points
from coilbench.capture.calibration.model import apply, instrument_uncertainty
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.stored import points_as_rows, reduced_curve
from coilbench.capture.strokes.sweep import Origin, read_stroke
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.tables.keyed import SOLID_KEPT_MM, KeyedReading, KeyedSetup
from coilbench.capture.tables.sweep_files import PointsFile, SpringPoints, read_sweep_file

# Standard uncertainties (k = 1) of a file's loads and heights, which its columns do not give. Our
# assumption, said to the user: a testing machine or a tidy home rig. Common practice, no source.
FILE_LOAD_U_RELATIVE = 0.0025
FILE_HEIGHT_U_MM = 0.05


_ASSUMED = Finding.of(
    "file_uncertainty",  # expanded, k = 2
    load_u_relative=2.0 * FILE_LOAD_U_RELATIVE,
    height_u_mm=2.0 * FILE_HEIGHT_U_MM,
)


@dataclass(frozen=True)
class Imported:
    """What a file brought.

    Attributes:
        kind: raw sweep, converted sweep or points.
    """

    kind: str
    labels: tuple[str, ...]
    notes: tuple[Finding, ...]


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

    Converted heights and loads get FILE_LOAD_U_RELATIVE and FILE_HEIGHT_U_MM, and the notes say so.
    Readings that the spring has already from a file are refused: a copy would count as a second
    measurement and lower the uncertainty wrongly.

    Args:
        label: the spring of a sweep file; for a points file the one spring to take.
        closed_down: whether each spring's largest load is at its solid height; None judges.
        zero_counts: of a raw sweep: its load counts with nothing pressed; None finds them before
            the touch.
        entry_id: the run it belongs to, for undo; None makes a new one.

    Raises:
        CoilbenchError: a label that the set does not have, a sweep without a label, a raw sweep
            without a calibration, a zero for another kind of file, readings that were imported
            before, or wrong numbers. Nothing is stored then.
    """
    if label is not None:
        record.spring(label)
    content = read_sweep_file(table, free_length_mm=record.free_length_mm)
    if zero_counts is not None and not isinstance(content, RawBlock):
        raise table.refuse("--zero-counts is for raw sweeps only", "Leave it out")
    if isinstance(content, PointsFile):
        return _import_points(db, record, table, content, label, closed_down, entry_id)
    if label is None:
        raise table.refuse("a sweep file does not name its spring", "Give --label LABEL")
    spring_id = record.spring(label).spring_id
    if isinstance(content, RawBlock):
        sweep = _raw_sweep(db, content, spring_id, table.name, zero_counts)
        brought = Imported("raw sweep", (label,), ())
    else:
        sweep = _converted_sweep(content, spring_id, table.name)
        brought = Imported("converted sweep", (label,), (_ASSUMED,))
    with writing(db):
        _store_new(db, replace(sweep, entry_id=entry_id or new_id()), label)
    return brought


def _store_new(db: Database, sweep: NewSweep, label: str) -> None:
    stored = _stored_copy(db, sweep)
    if stored is not None:
        raise CoilbenchError(
            f"spring {label!r} already has these readings, imported from {stored}",
            where=sweep.note,
            hint="Leave them out; a copy would count as a second measurement",
        )
    store_sweep(db, sweep)


def _stored_copy(db: Database, sweep: NewSweep) -> str | None:
    points = [(row.branch, row.point, row.height_mm, row.load_n) for row in sweep.rows]
    for row in db.query(
        "SELECT * FROM sweeps WHERE spring_id = ? AND origin = ? AND counted",
        [sweep.spring_id, sweep.origin.value],
    ):
        if sweep.samples is not None:
            stored = sample_blob.unpack(row["samples_format"], row["samples_blob"])
            same = np.array_equal(stored, sweep.samples)
        else:
            same = points == stored_points(db, row["id"])
        if same:
            return f"{row['note']} on {row['stored_utc'][:10]}"
    return None


def _raw_sweep(
    db: Database, raw: RawBlock, spring_id: str, name: str, zero_counts: float | None
) -> NewSweep:
    calibration = current_calibration(db)
    instrument = instrument_uncertainty(calibration.calibration)
    if zero_counts is None:
        _, rig = read_stroke(raw, calibration.calibration, calibration.calibration_id)
        zero_counts = rig.zero_counts if rig.zero_known else None
    return NewSweep(
        spring_id=spring_id,
        origin=Origin.RAW_FILE,
        rows=reduced_curve(apply(calibration.calibration, raw, zero_counts)),
        **vars(instrument),
        samples=raw.samples,
        calibration_id=calibration.calibration_id,
        zero_counts=zero_counts,
        rests_n=Ratings.of_book(db).rests_n,
        note=name,
    )


def _converted_sweep(block: LoadBlock, spring_id: str, name: str) -> NewSweep:
    return NewSweep(
        spring_id=spring_id,
        origin=Origin.CONVERTED_FILE,
        rows=reduced_curve(block),
        load_u_n=0.0,
        load_u_relative=FILE_LOAD_U_RELATIVE,
        height_u_mm=FILE_HEIGHT_U_MM,
        samples=block.samples,
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
        hint = "Check --label; without it, all springs of the file are taken"
        raise table.refuse(f"the file has no spring {label!r}", hint)
    try:
        ids = {spring.label: record.spring(spring.label).spring_id for spring in wanted}
    except CoilbenchError as error:
        error.where = table.name
        raise
    solids = {s.label: s for s in content.solid_heights(closed_down)}
    found = {label: solids[label] for label in ids if solids[label].solid_height_mm is not None}
    entry_id = entry_id or new_id()
    with writing(db):
        for spring in wanted:
            solid = found.get(spring.label)
            sweep = NewSweep(
                ids[spring.label],
                Origin.POINTS_FILE,
                points_as_rows(spring.loading, spring.unloading),
                load_u_n=0.0,
                load_u_relative=FILE_LOAD_U_RELATIVE,
                height_u_mm=FILE_HEIGHT_U_MM,
                note=table.name,
                entry_id=entry_id,
                solid_height_mm=None if solid is None else solid.solid_height_mm,
                solid_reason=None if solid is None else solid.reason,
            )
            _store_new(db, sweep, spring.label)
        refresh_solid_heights(db, (ids[label] for label in found))
    notes: list[Finding] = [*content.drops, *_near_solid(record, wanted), _ASSUMED]
    if found:
        reason = next(iter(found.values())).reason
        notes.append(Finding.of("solid_heights_found", springs=len(found), reason=reason))
    return Imported("points", tuple(ids), tuple(notes))


def _near_solid(record: SetRecord, springs: Sequence[SpringPoints]) -> Iterator[Finding]:
    """Yield the springs that were pressed nearer to their known solid height than is asked for."""
    for spring in springs:
        solid_mm = record.solid_of_mm(spring.label)
        heights_mm = [*spring.loading.height_mm, *spring.unloading.height_mm]
        if solid_mm is not None and heights_mm and min(heights_mm) < solid_mm + SOLID_KEPT_MM:
            lowest_mm = float(min(heights_mm))
            yield Finding.of(
                "near_solid", label=spring.label, height_mm=lowest_mm, solid_height_mm=solid_mm
            )


def refuse_height(record: SetRecord, label: str, height_mm: float) -> None:
    """Refuse a height that a spring must not be pressed to by hand, or is loose at.

    Raises:
        CoilbenchError: it is within SOLID_KEPT_MM of the known solid height, or not between 0 and
            the free length.
    """
    KeyedReading(label, 0.0, height_mm=height_mm).spring_height_mm(record.free_length_mm)
    solid_mm = record.solid_of_mm(label)
    if solid_mm is not None and height_mm < solid_mm + SOLID_KEPT_MM:
        raise CoilbenchError(
            "the height {height_mm} is within {kept_mm} of the solid height {solid_mm}",
            where=label,
            hint="Check the height; don't press so near to solid",
            height_mm=height_mm,
            kept_mm=SOLID_KEPT_MM,
            solid_mm=solid_mm,
        )


def store_readings(
    db: Database, record: SetRecord, readings: Sequence[KeyedReading], setup: KeyedSetup
) -> tuple[str, ...]:
    """Store keyed readings, one sweep per spring; returns the labels.

    What was typed is kept beside the derived points (`keyed_json`): what the scale showed, the
    height or the depth, and how the readings were taken.

    Raises:
        CoilbenchError: a label that the set does not have, an impossible reading, or one within
            SOLID_KEPT_MM of a known solid height. Nothing is stored then.
    """
    by_label: dict[str, list[KeyedReading]] = {}
    for reading in readings:
        by_label.setdefault(record.spring(reading.label).label, []).append(reading)
    sweeps = []
    entry_id = new_id()
    for label, own in by_label.items():
        branches = setup.convert(own, record.free_length_mm)
        for one in own:
            refuse_height(record, label, one.spring_height_mm(record.free_length_mm))
        sweeps.append(
            NewSweep(
                record.spring(label).spring_id,
                Origin.KEYED,
                points_as_rows(branches.loading, branches.unloading),
                branches.load_u_n,
                branches.load_u_relative,
                branches.height_u_mm,
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
_NOTE = "taken back"  # as books have it


@dataclass(frozen=True)
class Entry:
    """One run of import or note.

    Attributes:
        stored_utc: when its first stroke was stored.
        files: their names; none for keyed readings.
        counts: whether any of it still counts.
    """

    entry_id: str
    stored_utc: str
    set_name: str
    files: tuple[str, ...]
    labels: tuple[str, ...]
    counts: bool

    @classmethod
    def newest_first(
        cls, db: Database, origins: Sequence[Origin], set_name: str | None = None
    ) -> tuple[Entry, ...]:
        """Return the runs that brought strokes of these origins."""
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

    @classmethod
    def undo(
        cls, db: Database, which: str, origins: Sequence[Origin], set_name: str | None = None
    ) -> Entry:
        """Undo a run of import or note: what it brought is kept, but no longer counts.

        Solid heights found in it go too; those found in earlier strokes apply again.

        Args:
            which: `last`, the last one that still counts; or an id, or its first characters.

        Raises:
            CoilbenchError: there is none, several begin so, or it was undone before.
        """
        with writing(db):
            entry = _chosen(cls.newest_first(db, origins, set_name), which)
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


def _chosen(known: Sequence[Entry], which: str) -> Entry:
    if which == LAST:
        fitting = [entry for entry in known if entry.counts][:1]
        what = "there is nothing left to undo"
    else:
        fitting = [entry for entry in known if entry.entry_id.startswith(which) and which]
        many = "more than one" if fitting else "no"
        what = f"{many} run of this command has an id that begins with {which!r}"
    if len(fitting) != 1:
        raise CoilbenchError(what, hint="See the runs and their ids with --history")
    if not fitting[0].counts:
        raise CoilbenchError(
            f"the run {which} was undone before", hint="See the others with --history"
        )
    return fitting[0]
