"""The set's table and the rig's standing, read out of the book beside the screen."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.dashboard.scene import SetTable, SpringRow
from coilbench.analysis.inputs.kept import nothing_kept
from coilbench.analysis.inputs.measured import judge_set
from coilbench.analysis.inputs.rig_record import rig_warnings
from coilbench.analysis.report.curve_text import readings_at
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.check import days_between
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import mass_checks, newest_part
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import waiting_in
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import first_row, utc_now
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.book.sweeps import turn_order
from coilbench.capture.errors import CoilbenchError

BOOK_LOOK_S = 0.5
RETRY_S = 2.0  # after the book could not be read
BAND_POINTS = 30


def read_set_table(
    db: Database, set_name: str, heights_mm: Sequence[float], units: Units, before: SetTable
) -> Iterator[SetTable]:
    """Yield the set's table with the strokes and labels of now, then with its loads and flags, too.

    Counting strokes is quick, fitting curves is not: a stroke shows at once, its load a little
    later. Flags come as soon as there are springs to compare.

    Args:
        db: the open book.
        set_name: the set.
        heights_mm: heights to read at; none: two inside what was measured.
        units: of the reasons.
        before: the table when it was last read.
    """
    record = find_set(db, set_name)
    done = turn_order(db, record).done
    waiting = waiting_in(db, [record.name])
    waits = Counter(one.label for one in waiting)
    strokes = Counter({label: own.measured for label, own in done.items()})
    strokes.update(one.label for one in waiting if not one.taken)
    yield _with_strokes(record, strokes, waits, before)
    try:
        asked = [(mm, None) for mm in heights_mm]
        with nothing_kept():  # the next stroke changes it
            judged = judge_set(db, record, asked, must_reach=False)
    except CoilbenchError:
        judged = None  # no spring is measured yet
    curves = () if judged is None else judged.measured.curves
    heights = tuple(heights_mm)
    if not heights:
        heights = _nominal_mm(record) if judged is None else judged.heights_mm
    by_label = {curve.label: curve for curve in curves}
    springs = () if judged is None or judged.check is None else judged.check.springs
    flags = {spring.label: spring.flags for spring in springs}
    rows = tuple(
        SpringRow(
            label=label,
            strokes=strokes[label],
            loads_n=_loads_n(by_label.get(label), heights),
            flags=tuple(flag.kind for flag in flags.get(label, ())),
            reasons=tuple(describe(flag, units) for flag in flags.get(label, ())),
            waits=waits[label],
        )
        for label in record.labels
    )
    found_mm = [c.solid_height_mm for c in curves if c.solid_height_mm is not None]
    solid_mm = record.highest_solid_mm  # as known, of any spring; else the highest found
    if solid_mm is None:
        solid_mm = max(found_mm, default=None)
    nominal_mm = _nominal_mm(record)
    yield SetTable(heights, record.measured_strokes, rows, solid_mm, nominal_mm, _band(curves))


def _nominal_mm(record: SetRecord) -> tuple[float, ...]:
    return () if record.nominal is None else tuple(load.height_mm for load in record.nominal.loads)


def _with_strokes(
    record: SetRecord, strokes: Mapping[str, int], waits: Mapping[str, int], table: SetTable
) -> SetTable:
    known = {row.label: row for row in table.rows}
    nothing = (None,) * len(table.heights_mm)
    rows = tuple(
        replace(
            known.get(label, SpringRow(label, 0, nothing, ())),
            strokes=strokes.get(label, 0),
            waits=waits.get(label, 0),
        )
        for label in record.labels
    )
    solid_mm = record.highest_solid_mm if table.solid_mm is None else table.solid_mm
    return replace(
        table,
        strokes_wanted=record.measured_strokes,
        rows=rows,
        solid_mm=solid_mm,
        nominal_mm=_nominal_mm(record),
    )


def _band(curves: Sequence[SpringCurve]) -> tuple[tuple[float, float, float], ...]:
    """Return the lowest and highest load at heights that every curve reaches."""
    if not curves:
        return ()
    low_mm = max(curve.lowest_mm for curve in curves)
    high_mm = min(curve.highest_mm for curve in curves)
    if high_mm <= low_mm:
        return ()
    heights_mm = np.linspace(high_mm, low_mm, BAND_POINTS)
    loads_n = []
    for curve in curves:
        at_mm, n = curve.sampled(BAND_POINTS)
        order = np.argsort(at_mm)
        loads_n.append(np.interp(heights_mm, at_mm[order], n[order]))
    low_n, high_n = np.min(loads_n, axis=0), np.max(loads_n, axis=0)
    return tuple(zip(heights_mm.tolist(), low_n.tolist(), high_n.tolist(), strict=True))


def _loads_n(curve: SpringCurve | None, heights_mm: Sequence[float]) -> tuple[float | None, ...]:
    read = {} if curve is None else {mm: readings_at(curve, [mm]) for mm in heights_mm}
    return tuple(read[mm][0].load_n if read.get(mm) else None for mm in heights_mm)


class BookReader(msgspec.Struct, dict=True):
    """Reads the set's table and the rig's standing, on a thread of its own.

    Fitting a set's curves takes a good part of a second: the screen goes on meanwhile.
    """

    path: Path
    set_name: str
    heights_mm: tuple[float, ...]
    units: Units
    standing: str = ""
    _read_mark: tuple[object, ...] | None = None

    def __post_init__(self) -> None:
        self.table = SetTable((), 0, ())
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="coilbench-table", daemon=True)

    def start(self) -> None:
        """Begin to read; `table` and `standing` follow the book from now on."""
        self._thread.start()

    def close(self) -> None:
        """End it."""
        self._over.set()
        if self._thread.ident is not None:
            self._thread.join()

    def read(self) -> None:
        """Read once, in the caller's own thread."""
        with open_book(self.path) as db:
            self._read(db)

    def _run(self) -> None:
        while not self._over.is_set():
            try:
                with open_book(self.path) as db:
                    while not self._over.wait(BOOK_LOOK_S if self._read_mark is not None else 0.0):
                        self._read(db)
            except Exception as error:  # shown; the capture goes on, and the next look may succeed
                known = isinstance(error, CoilbenchError)
                words = str(error) if known else f"{type(error).__name__}: {error}"
                self.standing = f"THE TABLE CAN'T BE READ: {words}"
                self._read_mark = None
                self._over.wait(RETRY_S)

    def _read(self, db: Database) -> None:
        if first_row(db, "SELECT 1 FROM sets WHERE name = ?", [self.set_name]) is None:
            return
        mark = (*_mark(db), waiting_in(db, [self.set_name]))
        if mark == self._read_mark:
            return
        state = _calibration_state(db, utc_now())
        self.standing = "" if state is None else describe(state, self.units)
        asked = self.set_name, self.heights_mm, self.units
        for table in read_set_table(db, *asked, self.table):
            self.table = table  # shown by the screen's thread while the next is worked out
        self._read_mark = mark


def _mark(db: Database) -> tuple[object, ...]:
    """Return what changes when there is something new for the table or the standing."""
    row = db.execute(
        "SELECT (SELECT max(rowid) FROM sweeps),"  # of this bench's own; what is pulled has none
        " (SELECT count(*) FROM sweeps), (SELECT sum(counted) FROM sweeps),"
        " (SELECT count(*) FROM calibration_parts),"
        " (SELECT count(*) FROM mass_checks),"
        " (SELECT group_concat(rowid || ruling) FROM sweeps WHERE ruling IS NOT NULL)"
    ).fetchone()
    # labels, nominals, dimensions
    registered = [
        db.execute(f"SELECT * FROM {name}")  # noqa: S608  our own names
        for name in ("sets", "springs")
    ]
    return (*row, *map(tuple, registered))


def _calibration_state(db: Database, now_utc: str) -> Finding | None:
    """Return how old the rig's calibration and its last check are, and the warnings on it.

    None where the load was never calibrated.
    """
    load = newest_part(db, "load")
    if load is None:
        return None
    checks = mass_checks(db, load.part_id)
    last = checks[-1] if checks else None
    warned = rig_warnings(db, now_utc)
    return Finding.of(
        "calibrated",
        age_days=days_between(load.made_utc, now_utc),
        check_kg=None if last is None else last.check.mass_kg,
        check_passed=None if last is None else last.check.passed,
        check_age_days=None if last is None else days_between(last.made_utc, now_utc),
        warning=warned[0].to_document() if warned else None,
    )
