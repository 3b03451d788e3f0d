"""Sweeps in the book: stored, read back calibrated, with provenance and the user's rulings."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from types import MappingProxyType
from typing import Any, Literal

import msgspec
import numpy as np
from msgspec.structs import asdict
from numpy.typing import NDArray

from coilbench.capture.blocks import LOAD_DTYPE, Finding, RawBlock, usable_of
from coilbench.capture.book.asked import asked_of
from coilbench.capture.book.calibrations import (
    CalibrationRecord,
    current_calibration,
    find_calibration,
)
from coilbench.capture.book.connection import Database
from coilbench.capture.book.damage import leave_damaged
from coilbench.capture.book.digests import seal_content
from coilbench.capture.book.keyed_document import keyed_setup_of
from coilbench.capture.book.notes import waits_for, with_finding
from coilbench.capture.book.rig_errors import RigErrors
from coilbench.capture.book.rows import insert, just_after, new_id, utc_now, writing
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.vouching import damaged_strokes
from coilbench.capture.book.waits import BY_HEIGHTS, TAKEN
from coilbench.capture.calibration.lag import Press
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.choices import OWN
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.judging import Done, Purpose, TurnOrder
from coilbench.capture.strokes.stored import CurveRow
from coilbench.capture.strokes.sweep import (
    HandReading,
    Origin,
    RigReading,
    Sweep,
    SweepStatus,
    read_stroke,
)


class NewSweep(msgspec.Struct, frozen=True):
    """Everything the book keeps of one sweep.

    Attributes:
        rows: the reduced curve, or the points themselves.
        load_u_n, load_u_relative, height_u_mm: as in Sweep.
        samples: raw (RAW_DTYPE) or converted (LOAD_DTYPE) samples; None for points and readings.
        keyed: what was typed, for keyed readings.
        entry_id: the run of import or note that brought it, for undo.
        solid_height_mm, solid_reason: the solid height that it shows, and how it was found.
        rests_n: what lay on the spring when the zero was taken; None where it was not told.
    """

    spring_id: str
    origin: Origin
    rows: Sequence[CurveRow]
    load_u_n: float
    load_u_relative: float
    height_u_mm: float
    status: SweepStatus = SweepStatus.COMPLETE
    purpose: Purpose = Purpose.MEASURED
    counted: bool = True
    samples: NDArray[np.void] | None = None
    samples_lost: int = 0
    session_id: str | None = None
    calibration_id: str | None = None
    boot_id: int | None = None
    zero_counts: float | None = None
    note: str | None = None
    keyed: Mapping[str, Any] | None = None
    entry_id: str | None = None
    solid_height_mm: float | None = None
    solid_reason: str | None = None
    rests_n: float | None = None


def store_sweep(db: Database, sweep: NewSweep) -> str:
    """Store a sweep and its curve; returns its id. It is on the disk when this returns.

    Inside another transaction it is part of that one.

    Raises:
        CoilbenchError: a number is not finite. Nothing is stored then.
    """
    _refuse_unfinite(sweep)
    sweep_id = new_id()
    blob_format, blob = (None, None) if sweep.samples is None else sample_blob.pack(sweep.samples)
    with writing(db):
        insert(
            db,
            "sweeps",
            {name: value for name, value in asdict(sweep).items() if name not in ("rows", "keyed")}
            | {
                "id": sweep_id,
                "stored_utc": _stored_utc(db, sweep.spring_id),
                "origin": sweep.origin.value,
                "status": sweep.status.value,
                "purpose": sweep.purpose.value,
                "counted": int(sweep.counted),
                "samples": 0 if sweep.samples is None else sweep.samples.shape[0],
                "samples_format": blob_format,
                "samples_blob": blob,
                "keyed_json": None if sweep.keyed is None else json.dumps(sweep.keyed),
            },
        )
        _store_curve(db, sweep_id, sweep.rows)
        seal_content(db.conn, sweep_id)
    return sweep_id


def _stored_utc(db: Database, spring_id: str) -> str:
    """Return the time now, a millisecond after the spring's last where both are at once.

    Its strokes are numbered by their times, so that each has the same number at every bench.
    """
    now = utc_now()
    (last,) = db.execute(
        "SELECT max(stored_utc) FROM sweeps WHERE spring_id = ? AND substr(stored_utc, 1, 19) = ?",
        [spring_id, now[:19]],
    ).fetchone()
    return now if last is None or last < now else just_after(str(last))


def _store_curve(db: Database, sweep_id: str, rows: Sequence[CurveRow]) -> None:
    """Store a curve where `curve_rows` puts it, which would look for its branch at each row."""
    for branch in dict.fromkeys(row.branch for row in rows):
        its_row = "INSERT INTO curves (sweep_id, branch) VALUES (?, ?)"
        curve_id = db.execute(its_row, [sweep_id, branch]).lastrowid
        steps = [
            (curve_id, row.point, row.height_mm, row.load_n) for row in rows if row.branch == branch
        ]
        db.conn.executemany("INSERT INTO curve_steps VALUES (?, ?, ?, ?)", steps)


def _refuse_unfinite(sweep: NewSweep) -> None:
    numbers = [number for row in sweep.rows for number in (row.height_mm, row.load_n)]
    whole = bool(np.isfinite(numbers).all())
    if sweep.samples is not None and sweep.samples.dtype == LOAD_DTYPE:
        whole = whole and all(
            bool(np.isfinite(sweep.samples[name]).all()) for name in ("t_s", "load_n", "height_mm")
        )
    if not whole:
        raise CoilbenchError("a height or load is not a number; the sweep was not stored")


NEWEST = "newest"


def chosen(db: Database, choice: str) -> CalibrationRecord | None:
    """Return the calibration that a user names; None for each stroke's own.

    Args:
        choice: `own`, `newest`, or a calibration's id or its first characters.

    Raises:
        CoilbenchError: the book has no such calibration.
    """
    if choice == OWN:
        return None
    return current_calibration(db) if choice == NEWEST else find_calibration(db, choice)


Reading = Callable[[str], tuple[Calibration, str]]


def _readings(db: Database, choice: str) -> Reading:
    """Return what gives, for counts captured with a calibration, the one to read them with.

    And the id of the calibration whose errors they have. `choice` as in `chosen`.
    """
    other = chosen(db, choice)

    @cache
    def reading(own_id: str) -> tuple[Calibration, str]:
        own = find_calibration(db, own_id)
        if other is None or other.calibration_id == own.calibration_id:
            return own.calibration, own_id
        same_start = other.travel.boot_id == own.travel.boot_id
        read_with = other.calibration.for_counts_of(own.calibration, same_start=same_start)
        return read_with, other.calibration_id

    return reading


def load_sweeps(
    db: Database,
    record: SetRecord,
    calibration: str = OWN,
    *,
    only: str | None = None,
    worked: bool = False,
    waiting: bool = False,
    known: Mapping[str, Sweep] = MappingProxyType({}),
) -> dict[str, list[Sweep]]:
    """Return the measured sweeps of every spring of a set, or of one, by label, oldest first.

    Those that the capture counted, ruled out by the user or not, and those that the user ruled in.
    Where a stroke was captured before it was told what rests on the spring, what is told now holds;
    what is told of its set comes before both.

    Args:
        calibration: to read raw strokes with, as in `chosen`. Nothing stored changes.
        only: this spring's label; None for all.
        worked: with the presses that worked it.
        waiting: with those that wait for what shows their heights.
        known: sweeps by id that need not be read again, their counts being what they were.

    Raises:
        CoilbenchError: the book has no such calibration.
    """
    labels = {spring.spring_id: spring.label for spring in record.springs}
    sweeps: dict[str, list[Sweep]] = {label: [] for label in record.labels}
    readings = _readings(db, calibration)
    errors = RigErrors(db, record.set_id)
    counts = TAKEN if waiting else "counted"
    for row in db.query(
        f"""
        SELECT sweeps.*,
          (SELECT rests_n FROM resting_weights WHERE sweep_id = sweeps.id) AS resting_n
        FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
        WHERE springs.set_id = ? AND (? OR sweeps.purpose = 'measured')
          AND ({counts} OR sweeps.ruling IS 'use') AND springs.label = coalesce(?, label)
        ORDER BY sweeps.stored_utc, sweeps.id
        """,  # noqa: S608  our own words
        [record.set_id, int(worked), only],
    ):
        label = labels[row["spring_id"]]
        read = known.get(row["id"])
        sweeps[label].append(_sweep(db, row, label, readings, errors) if read is None else read)
    return sweeps


def _sweep(
    db: Database, row: dict[str, Any], label: str, readings: Reading, errors: RigErrors
) -> Sweep:
    press, rig = _press(row, readings, errors)
    if press is None:
        loading, unloading = _stored_branches(db, row["id"])
    else:
        loading, unloading = Branch(press.travel_mm + press.flex_mm, press.load_n).split()
    return Sweep(
        sweep_id=row["id"],
        label=label,
        origin=Origin(row["origin"]),
        loading=loading,
        unloading=unloading,
        load_u_n=row["load_u_n"],
        load_u_relative=row["load_u_relative"],
        height_u_mm=row["height_u_mm"],
        press=press,
        rig=rig,
        hand=_hand(row),
        stated_u_n=_stated(row, len(loading)),
        works=row["purpose"] != "measured",
    )


def _hand(row: dict[str, Any]) -> HandReading | None:
    """Return how keyed readings were taken, or points of a file that says so."""
    setup = json.loads(row["keyed_json"] or "{}").get("setup")
    if setup is None:
        return None
    keyed = keyed_setup_of(setup, row["load_u_relative"])
    return HandReading(keyed, row["entry_id"] or row["id"], row["stored_utc"][:10])


def _stated(
    row: dict[str, Any], loading: int
) -> tuple[tuple[float, ...], tuple[float, ...]] | None:
    stated = json.loads(row["keyed_json"] or "{}").get("stated_u_n")
    return None if stated is None else (tuple(stated[:loading]), tuple(stated[loading:]))


def _press(
    row: dict[str, Any], readings: Reading, errors: RigErrors
) -> tuple[Press | None, RigReading | None]:
    """Read a stroke's samples, raw ones with their calibration; None where it has only points."""
    if row["samples_blob"] is None:
        return None, None
    samples = sample_blob.unpack(row["samples_format"], row["samples_blob"])
    if row["samples_format"] == sample_blob.CONVERTED_FORMAT:
        usable = usable_of(samples)
        load_n = usable["load_n"].astype(np.float64)
        return Press(usable["t_s"], load_n, usable["height_mm"], np.zeros_like(load_n)), None
    raw = RawBlock(samples, row["boot_id"])
    press, rig = read_stroke(raw, *readings(row["calibration_id"]), row["zero_counts"])
    return press, errors.of(rig, row)


def stored_points(db: Database, sweep_id: str) -> list[tuple[str, int, float, float]]:
    """Return (branch, point, height_mm, load_n) of a sweep's curve, loading first."""
    return db.execute(
        "SELECT branch, point, height_mm, load_n FROM main.curve_rows WHERE sweep_id = ?"
        " ORDER BY branch, point",
        [sweep_id],
    ).fetchall()


def _stored_branches(db: Database, sweep_id: str) -> tuple[Branch, Branch]:
    points = np.array(stored_points(db, sweep_id), dtype=object).reshape(-1, 4)
    numbers, loading = points[:, 2:].astype(np.float64), points[:, 0] == "loading"
    whole = Branch(numbers[:, 0], numbers[:, 1])
    return whole.at(loading), whole.at(~loading)


Ruling = Literal["use", "leave"]


class StrokeRow(msgspec.Struct, frozen=True):
    """One stroke, or one entry of keyed readings.

    Attributes:
        number: from 1 for each spring, oldest first.
        counted: whether the capture counted it.
        may_be_used: whether it counts, or may be ruled in: its start of the rig and its calibration
            are those of a stroke of the set that counted, so that its heights are valid.
        ruling: the user's; None leaves it to the rules.
        waits_for: why nobody knows yet whether it counts; None where it does not wait.
    """

    sweep_id: str
    label: str
    number: int
    counted: bool
    may_be_used: bool
    note: str | None
    ruling: Ruling | None
    waits_for: Finding | None = None

    @classmethod
    def of_set(cls, db: Database, record: SetRecord) -> dict[str, list[StrokeRow]]:
        """Return every measured stroke of a set by label, including those that do not count."""
        rows: dict[str, list[StrokeRow]] = {label: [] for label in record.labels}
        asked = asked_of(db)
        for row in db.query(
            """
            SELECT sweeps.id AS id, springs.label AS label, sweeps.counted AS counted,
              sweeps.note AS note, sweeps.ruling AS ruling,
              sweeps.status IN ('aborted', 'gapped') AND EXISTS (
                SELECT 1 FROM sweeps AS other JOIN springs AS mate ON mate.id = other.spring_id
                WHERE mate.set_id = springs.set_id AND other.counted AND other.purpose = 'measured'
                  AND other.boot_id IS sweeps.boot_id
                  AND other.calibration_id IS sweeps.calibration_id) AS sound
            FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
            WHERE springs.set_id = ? AND sweeps.purpose = 'measured'
            ORDER BY sweeps.stored_utc, sweeps.id
            """,
            [record.set_id],
        ):
            own = rows[row["label"]]
            open_ = asked.get(row["id"])
            waits = waits_for(row["note"]) or (open_ and Finding.from_document(open_)) or None
            own.append(
                cls(
                    sweep_id=row["id"],
                    label=row["label"],
                    number=len(own) + 1,
                    counted=bool(row["counted"]),
                    may_be_used=bool(row["counted"] or row["sound"]),
                    note=row["note"],
                    ruling=row["ruling"],
                    waits_for=waits,
                )
            )
        return rows

    @classmethod
    def keep_rulings(
        cls, db: Database, record: SetRecord, rulings: Sequence[tuple[str, int, Ruling | None]]
    ) -> None:
        """Store the user's rulings on some strokes, all or none; None leaves one to the rules.

        Raises:
            CoilbenchError: no such spring or stroke, a duplicate, or one that cannot be used.
        """
        named = [(label, number) for label, number, _ in rulings]
        for label, number in named:
            if named.count((label, number)) > 1:
                raise CoilbenchError(
                    f"duplicate stroke {label}:{number}", hint="Give one ruling for it"
                )
        with writing(db):
            rows, damaged = cls.of_set(db, record), damaged_strokes(db.conn, record.set_id)
            by_name = {stroke: rowid for rowid, (_, stroke) in damaged.items()}
            for label, number, ruling in rulings:
                row = _row(record, rows, label, number)
                if (name := f"{row.label}:{row.number}") in by_name:
                    _rule_damaged(db, row, ruling, by_name[name])
                    continue
                waits = row.waits_for
                if ruling == "use" and waits is not None and waits.kind in BY_HEIGHTS:
                    raise CoilbenchError(
                        f"stroke {label}:{number} waits: nothing shows its heights yet",
                        hint=f"See what does: coilbench set strokes {as_typed(record.name)}",
                    )
                if ruling == "use" and not row.may_be_used:
                    raise CoilbenchError(
                        f"stroke {label}:{number} did not count, and its heights may be wrong",
                        hint="Press it again",
                    )
                db.execute("UPDATE sweeps SET ruling = ? WHERE id = ?", [ruling, row.sweep_id])


def _rule_damaged(db: Database, row: StrokeRow, ruling: Ruling | None, rowid: int) -> None:
    if ruling != "leave":
        raise CoilbenchError(
            f"stroke {row.label}:{row.number} is damaged, so it can only be left out",
            hint="Press it again",
        )
    leave_damaged(db.conn, rowid, with_finding(row.note, Finding.of("damaged")))


def _row(record: SetRecord, rows: dict[str, list[StrokeRow]], label: str, number: int) -> StrokeRow:
    own = rows[record.spring(label).label]
    if not 1 <= number <= len(own):
        known = f"It has 1 to {len(own)}" if own else "It has none yet"
        raise CoilbenchError(f"spring {label!r} has no stroke {number}", hint=known)
    return own[number - 1]


def turn_order(db: Database, record: SetRecord) -> TurnOrder:
    """Return how far a set has come, from the strokes that count or wait."""
    rows = db.query(
        f"""
        SELECT springs.label AS label,
          sum(sweeps.purpose = 'conditioning') AS conditioning,
          sum(sweeps.purpose = 'measured') AS measured
        FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
        WHERE springs.set_id = ? AND {TAKEN}
        GROUP BY springs.id
        """,  # noqa: S608  our own words
        [record.set_id],
    )
    done = {row["label"]: Done(row[Purpose.CONDITIONING], row[Purpose.MEASURED]) for row in rows}
    return TurnOrder(record.labels, record.conditioning_strokes, record.measured_strokes, done)
