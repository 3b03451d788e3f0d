"""Files into the book, all of a run or nothing."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

import numpy as np
from msgspec.structs import asdict, replace

from coilbench.capture.blocks import Finding, LoadBlock, RawBlock
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.connection import Database
from coilbench.capture.book.entries import take_back_text
from coilbench.capture.book.importing_points import Imported, ImportedRow
from coilbench.capture.book.in_force import InForce
from coilbench.capture.book.keyed_readings import spring_named
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.rows import new_id, refresh_solid_heights, writing
from coilbench.capture.book.scales import find_scale
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import NewSweep, store_sweep, stored_points
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.stored import points_as_rows, reduced_curve
from coilbench.capture.strokes.sweep import Origin, apply, read_stroke
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.tables.keyed import SOLID_KEPT_MM, KeyedBranches, KeyedReading
from coilbench.capture.tables.points_file import (
    ASSUMED,
    FILE_HEIGHT_U_MM,
    FILE_LOAD_U_RELATIVE,
    PointsFile,
    SpringPoints,
)
from coilbench.capture.tables.sweep_files import SweepFile, read_sweep_file

_Said = Counter[tuple[bool, float, float]]


def import_table(
    db: Database,
    record: SetRecord,
    table: Table,
    *,
    label: str | None = None,
    closed_down: bool | None = None,
    zero_counts: float | None = None,
    hand: KeyedSetup | None = None,
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
        hand: how the loads of a points file were read by hand; what its columns say comes first.
        entry_id: the run it belongs to, for undo; None makes a new one.

    Raises:
        CoilbenchError: a label that the set does not have, a sweep without a label, a raw sweep
            without a calibration, a zero for another kind of file, readings that were imported
            before, or wrong numbers. Nothing is stored then.
    """
    if label is not None:
        label = spring_named(record, label)
    entry_id = entry_id or new_id()
    content = read_sweep_file(table, free_length_mm=record.free_length_mm)
    raw = isinstance(content, SweepFile) and isinstance(content.presses[0], RawBlock)
    if zero_counts is not None and not raw:
        raise table.refuse("--zero-counts is for raw sweeps only", "Leave it out")
    if isinstance(content, PointsFile):
        return import_points(db, record, table, content, label, closed_down, hand, entry_id)
    if hand is not None:
        what = "how a load was read by hand is of no use with a sweep"
        raise table.refuse(what, "Leave those options out, or give a file of points")
    if label is None:
        raise table.refuse("a sweep file does not name its spring", "Give --label LABEL")
    spring_id = record.spring(label).spring_id
    with writing(db):
        for block in content.presses:
            if isinstance(block, RawBlock):
                rests_n = Ratings.of_book(db).resting_n(record.rests_n)
                sweep = _raw_sweep(db, block, spring_id, table.name, zero_counts)
                sweep = replace(sweep, rests_n=rests_n)
            else:
                sweep = _converted_sweep(block, spring_id, table.name)
            store_new(db, replace(sweep, entry_id=entry_id), label)
    kind, notes = ("raw sweep", _anothers_rig(db)) if raw else ("converted sweep", (ASSUMED,))
    return Imported(kind, (label,), (*content.notes, *notes))


def _anothers_rig(db: Database) -> tuple[Finding, ...]:
    """Say it where counts are read by a calibration that came from another bench."""
    holds = InForce.of(db)
    if holds.here:
        return ()
    rig = holds.device_id or current_calibration(db).load.origin
    return (Finding.of("rig_of_another", rig=rig),)


def _raw_sweep(
    db: Database, raw: RawBlock, spring_id: str, name: str, zero_counts: float | None
) -> NewSweep:
    calibration = current_calibration(db)
    instrument = calibration.calibration.uncertainty
    if zero_counts is None:
        _, rig = read_stroke(raw, calibration.calibration, calibration.calibration_id)
        zero_counts = rig.zero_counts if rig.zero_known else None
    return NewSweep(
        spring_id=spring_id,
        origin=Origin.RAW_FILE,
        rows=reduced_curve(apply(calibration.calibration, raw, zero_counts)),
        **asdict(instrument),
        samples=raw.samples,
        calibration_id=calibration.calibration_id,
        zero_counts=zero_counts,
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


def import_points(
    db: Database,
    record: SetRecord,
    table: Table,
    content: PointsFile,
    label: str | None,
    closed_down: bool | None,
    hand: KeyedSetup | None,
    entry_id: str,
) -> Imported:
    """Store a file's points, of one label or of all; the arguments are those of import_table.

    Raises:
        CoilbenchError: as import_table.
    """
    springs = tuple(replace(one, label=_named(record, one.label)) for one in content.springs)
    content = replace(content, springs=springs)
    wanted = [spring for spring in springs if label in (None, spring.label)]
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
    rows: list[ImportedRow] = []
    with writing(db):
        for spring in wanted:
            solid = found.get(spring.label)
            sweep = replace(
                _points(db, record, spring, hand),
                spring_id=ids[spring.label],
                note=table.name,
                entry_id=entry_id,
                solid_height_mm=None if solid is None else solid.solid_height_mm,
                solid_reason=None if solid is None else solid.reason,
            )
            store_new(db, sweep, spring.label)
            rows += _rows(sweep, spring)
        refresh_solid_heights(db, (ids[label] for label in found))
    notes: list[Finding] = [*content.drops, *_near_solid(record, wanted)]
    notes += [Finding.of("column_passed_over", column=name) for name in content.passed_over]
    if hand is None and any(one.hand is None and one.load_u_n is None for one in wanted):
        notes.append(ASSUMED)
    if found:
        reason = next(iter(found.values())).reason
        notes.append(Finding.of("solid_heights_found", springs=len(found), reason=reason))
    return Imported("points", tuple(ids), tuple(notes), tuple(rows))


def _rows(sweep: NewSweep, spring: SpringPoints) -> Iterator[ImportedRow]:
    """Yield a spring's points with their lines; both have the way down first."""
    lines = [*spring.lines[0], *spring.lines[1]]
    for row, line in zip(sweep.rows, lines, strict=True):
        yield ImportedRow(
            sweep.note or "",
            line,
            spring.label,
            row.height_mm,
            row.load_n,
            row.branch == "loading",
            sweep.load_u_n + sweep.load_u_relative * row.load_n,
            sweep.height_u_mm,
        )


def _named(record: SetRecord, label: str) -> str:
    """Return the label of the set that is meant; as it stands where it is of another set."""
    with suppress(CoilbenchError):
        return spring_named(record, label)
    return label


def _points(
    db: Database, record: SetRecord, spring: SpringPoints, hand: KeyedSetup | None
) -> NewSweep:
    """Return a spring's points with what is known of their uncertainty, in this order.

    As the file states it of each load; as of readings by hand, where the file or the user says
    that they are; else as assumed of a file.
    """
    setup = _setup(db, spring, hand)
    branches = spring.loading, spring.unloading
    keyed: dict[str, Any] | None = None
    u = 0.0, FILE_LOAD_U_RELATIVE, FILE_HEIGHT_U_MM
    if setup is not None:
        readings = [
            KeyedReading(spring.label, float(load_n), height_mm=float(height_mm), loading=down)
            for branch, down in zip(branches, (True, False), strict=True)
            for height_mm, load_n in zip(branch.height_mm, branch.load_n, strict=True)
        ]
        read = KeyedBranches.of(readings, setup, record.free_length_mm)
        branches = read.loading, read.unloading
        u = read.load_u_n, read.load_u_relative, read.height_u_mm
        keyed = {
            "readings": [asdict(one) for one in readings],
            "setup": setup.to_document(),
            "free_length_mm": record.free_length_mm,
        }
    if spring.load_u_n is not None and setup is not None:
        raise CoilbenchError(
            f"spring {spring.label!r} has u_kg beside what says how its load was read",
            where=record.name,
            hint="u_kg is that of the spring's load as it stands: leave it out, or leave out tare, "
            "lever, scale and the options of readings by hand",
        )
    if spring.load_u_n is not None:
        u = 0.0, 0.0, u[2]
        stated = [*spring.load_u_n[0], *spring.load_u_n[1]]
        keyed = {"readings": [], "setup": None, "stated_u_n": stated}
    return NewSweep("", Origin.POINTS_FILE, points_as_rows(*branches), *u, keyed=keyed)


def _setup(db: Database, spring: SpringPoints, hand: KeyedSetup | None) -> KeyedSetup | None:
    """Return how a spring's loads were read by hand: as its columns say, else as the user does."""
    own = spring.hand
    if own is None:
        return hand
    setup = hand or KeyedSetup()
    if own.tare_n is not None:
        setup = replace(setup, tare_n=own.tare_n)
    if own.lever_ratio is not None:
        setup = replace(setup, lever_ratio=own.lever_ratio)
    return setup if own.scale is None else replace(setup, scale=find_scale(db, own.scale))


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


def store_new(db: Database, sweep: NewSweep, label: str) -> None:
    """Store what came out of a file, unless the spring has it already.

    Raises:
        CoilbenchError: the same readings count already.
    """
    copy = _stored_copy(db, sweep)
    if copy is None:
        store_sweep(db, sweep)
        return
    entry_id = copy["entry_id"]
    back = "" if entry_id is None else f"; or first: {take_back_text(entry_id)}"
    raise CoilbenchError(
        f"spring {label!r} already has these readings, imported from {copy['note']} on "
        f"{copy['stored_utc'][:10]}",
        where=sweep.note,
        hint=f"Leave them out, a copy would count as a second measurement{back}",
    )


def _stored_copy(db: Database, sweep: NewSweep) -> Mapping[str, Any] | None:
    """Return the counted sweep that a file's numbers are in the book as; None where there is none.

    Held against each other is what the files say, however their loads were corrected afterwards.
    """
    points = [(row.branch, row.point, row.height_mm, row.load_n) for row in sweep.rows]
    said = _as_said(points, sweep.keyed)
    for row in db.query(
        "SELECT * FROM sweeps WHERE spring_id = ? AND origin = ? AND counted",
        [sweep.spring_id, sweep.origin.value],
    ):
        if sweep.samples is not None:
            stored = sample_blob.unpack(row["samples_format"], row["samples_blob"])
            same = np.array_equal(stored, sweep.samples)
        else:
            keyed = None if row["keyed_json"] is None else json.loads(row["keyed_json"])
            same = _same_rows(said, _as_said(stored_points(db, row["id"]), keyed))
        if same:
            return row
    return None


def _as_said(
    points: Sequence[tuple[str, int, float, float]], keyed: Mapping[str, Any] | None
) -> _Said:
    """Return way, height and load of each row as the file had them, in whatever order.

    Rounded far below what any file states, as conversion from its units is not exact.
    """
    typed = [] if keyed is None else keyed["readings"]
    rows = [(one["loading"], one["height_mm"], one["shown_load_n"]) for one in typed] or [
        (way == "loading", height_mm, load_n) for way, _, height_mm, load_n in points
    ]
    return Counter((down, round(mm, 4), round(load_n, 4)) for down, mm, load_n in rows)


def _same_rows(one: _Said, other: _Said) -> bool:
    """Tell whether rows are the same, or some that others were added to since.

    A single row may be an honest repeat that shows the same again.
    """
    return one == other or (min(one.total(), other.total()) > 1 and (one <= other or other <= one))
