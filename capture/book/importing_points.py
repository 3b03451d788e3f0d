"""Points out of files into the book, with what is known of how they were read."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from sqlite_utils import Database

from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import find_scale
from coilbench.capture.book.entries import take_back_text
from coilbench.capture.book.keyed_readings import spring_named
from coilbench.capture.book.rows import refresh_solid_heights, writing
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import NewSweep, store_sweep, stored_points
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.stored import points_as_rows
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.tables.keyed import SOLID_KEPT_MM, KeyedBranches, KeyedReading
from coilbench.capture.tables.points_file import (
    ASSUMED,
    FILE_HEIGHT_U_MM,
    FILE_LOAD_U_RELATIVE,
    PointsFile,
    SpringPoints,
)


@dataclass(frozen=True)
class ImportedRow:
    """A point as it was stored, and the file's line that it comes from; uncertainties k = 1."""

    file: str
    line: int
    label: str
    height_mm: float
    load_n: float
    loading: bool
    load_u_n: float
    height_u_mm: float


@dataclass(frozen=True)
class Imported:
    """What a file brought.

    Attributes:
        kind: raw sweep, converted sweep or points.
        rows: of points.
    """

    kind: str
    labels: tuple[str, ...]
    notes: tuple[Finding, ...]
    rows: tuple[ImportedRow, ...] = ()


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
            "readings": [vars(one) for one in readings],
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


_Said = Counter[tuple[bool, float, float]]


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
