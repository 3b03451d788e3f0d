"""Files into the book, all of a run or nothing."""

from __future__ import annotations

from dataclasses import replace

from sqlite_utils import Database

from coilbench.capture.blocks import LoadBlock, RawBlock
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.importing_points import (
    ASSUMED,
    FILE_HEIGHT_U_MM,
    FILE_LOAD_U_RELATIVE,
    Imported,
    import_points,
    store_new,
)
from coilbench.capture.book.keyed_readings import spring_named
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.rows import new_id, writing
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import NewSweep
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.calibration.model import apply, instrument_uncertainty
from coilbench.capture.strokes.stored import reduced_curve
from coilbench.capture.strokes.sweep import Origin, read_stroke
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.tables.points_file import PointsFile
from coilbench.capture.tables.sweep_files import SweepFile, read_sweep_file


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
    kind, notes = ("raw sweep", ()) if raw else ("converted sweep", (ASSUMED,))
    return Imported(kind, (label,), (*content.notes, *notes))


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
