"""Keyed readings in the book: each one a row that counts or not, stored, replaced, left out.

Nothing is deleted or changed: what is replaced or removed stays and no longer counts.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

import msgspec
from msgspec.structs import asdict

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.keyed_document import keyed_setup_of
from coilbench.capture.book.notes import remarks_of, with_finding
from coilbench.capture.book.rows import OF_THIS_BENCH, first_row, new_id, writing
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.book.sweeps import NewSweep, StrokeRow, store_sweep, stored_points
from coilbench.capture.calibration.keyed_setup import KeyedSetup, give_mm_of
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.stored import BranchName, CurveRow, points_as_rows
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.tables.keyed import SOLID_KEPT_MM, KeyedBranches, KeyedReading

_REPLACED = "reading_replaced"
_REMOVED = "reading_removed"


def spring_named(record: SetRecord, text: str) -> str:
    """Return the label that is meant: the whole of it, or short: 1 or larch-1 for larch-01.

    Raises:
        CoilbenchError: the set has no such spring, or several that could be meant.
    """
    if text in record.labels:
        return text
    wanted = _parts(text)
    fitting = [label for label in record.labels if _meant(wanted, _parts(label))]
    return fitting[0] if len(fitting) == 1 else record.spring(text).label


def _parts(label: str) -> tuple[str, int | None]:
    """Part a label into what stands before its last number, and that number."""
    found = re.fullmatch(r"(.*?)([0-9]{1,9})", label)
    return (label, None) if found is None else (found[1], int(found[2]))


def _meant(typed: tuple[str, int | None], label: tuple[str, int | None]) -> bool:
    before, number = typed
    return number is not None and number == label[1] and before.lower() in ("", label[0].lower())


def refuse_height(record: SetRecord, label: str, height_mm: float) -> None:
    """Refuse to ask for a height that a spring must not be pressed to by hand, or is loose at.

    Raises:
        CoilbenchError: it is within SOLID_KEPT_MM of the known solid height, or not between 0 and
            the free length.
    """
    KeyedReading(label, 0.0, height_mm=height_mm).spring_height_mm(record.free_of_mm(label))
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


def refuse_below_solid(record: SetRecord, label: str, height_mm: float, u_mm: float) -> None:
    """Refuse to store a height that a spring cannot have been pressed to.

    Args:
        u_mm: the height's standard uncertainty; solid may be passed by twice as much (k = 2).

    Raises:
        CoilbenchError: it is farther below the known solid height.
    """
    solid_mm = record.solid_of_mm(label)
    if solid_mm is not None and height_mm < solid_mm - 2.0 * u_mm:
        raise CoilbenchError(
            "the height {height_mm} is below the solid height {solid_mm}",
            where=label,
            hint="Check the height; or mend the solid height: coilbench set edit",
            height_mm=height_mm,
            solid_mm=solid_mm,
        )


class KeyedRow(msgspec.Struct, frozen=True):
    """One keyed reading as the book has it.

    Attributes:
        number: of its stroke among the spring's, from 1, oldest first, as `set strokes` counts.
        place: which reading of that stroke, from 0; the stroke of an early book may hold several.
        of: how many readings the stroke holds.
        keyed_utc: when it was typed.
        setup: how it was taken, as KeyedSetup.to_document.
        height_mm, load_n: of the spring; load_u_n, load_u_relative, height_u_mm as in Sweep.
        counted: whether it counts, as far as no ruling says otherwise.
    """

    stroke: StrokeRow
    place: int
    of: int
    keyed_utc: str
    reading: KeyedReading
    setup: Mapping[str, Any]
    height_mm: float
    load_n: float
    load_u_n: float
    load_u_relative: float
    height_u_mm: float

    @property
    def name(self) -> str:
        """How it is named to a command: larch-08:3, or larch-08:3.2 for one of several."""
        part = f".{self.place + 1}" if self.of > 1 else ""
        return f"{self.stroke.label}:{self.stroke.number}{part}"

    @property
    def quill_mm(self) -> float:
        """The height as the quill told it, without the give of scale and press."""
        return self.height_mm - give_mm_of(self.setup, self.load_n)

    @property
    def counts(self) -> bool:
        """Whether the spring's curve is read from it: it was not left out, by the user or else."""
        ruling = self.stroke.ruling
        return ruling == "use" or (self.stroke.counted and ruling != "leave")

    @classmethod
    def of_set(cls, db: Database, record: SetRecord) -> dict[str, list[KeyedRow]]:
        """Return every keyed reading of a set by label, oldest first, those not counted too."""
        sql = "SELECT * FROM sweeps WHERE id = ?"
        of_set = "spring_id IN (SELECT id FROM springs WHERE set_id = ?)"
        keyed = {
            sweep_id
            for (sweep_id,) in db.execute(
                f"SELECT id FROM sweeps WHERE origin = ? AND {of_set}",  # noqa: S608
                [Origin.KEYED.value, record.set_id],
            )
        }
        return {
            label: [
                one
                for stroke in strokes
                if stroke.sweep_id in keyed
                for row in db.query(sql, [stroke.sweep_id])
                for one in _readings(db, stroke, row)
            ]
            for label, strokes in StrokeRow.of_set(db, record).items()
        }

    @classmethod
    def named(cls, db: Database, record: SetRecord, text: str) -> KeyedRow:
        """Return the reading that is named, like larch-08:3.

        Raises:
            CoilbenchError: there is none of that name.
        """
        label, _, number = text.rpartition(":")
        if not label:
            raise CoilbenchError(
                f"{text!r} is not a reading",
                hint="Write it like larch-08:3, the spring's label and the reading's number",
            )
        label = spring_named(record, label)
        own = cls.of_set(db, record)[label]
        for one in own:
            if number == one.name.rpartition(":")[2]:
                return one
        known = ", ".join(one.name for one in own) or "none"
        raise CoilbenchError(
            f"spring {label!r} has no keyed reading {number!r}", hint=f"Its readings: {known}"
        )


def _readings(db: Database, stroke: StrokeRow, row: Mapping[str, Any]) -> Iterator[KeyedRow]:
    keyed = json.loads(row["keyed_json"])
    points = stored_points(db, row["id"])
    ways = {
        True: iter([point for point in points if point[0] == "loading"]),
        False: iter([point for point in points if point[0] != "loading"]),
    }
    for place, typed in enumerate(keyed["readings"]):
        reading = KeyedReading(**typed)
        _, _, height_mm, load_n = next(ways[reading.loading])
        yield KeyedRow(
            stroke,
            place,
            len(keyed["readings"]),
            keyed.get("keyed_utc", row["stored_utc"]),
            reading,
            keyed["setup"],
            height_mm,
            load_n,
            row["load_u_n"],
            row["load_u_relative"],
            row["height_u_mm"],
        )


def was_keyed(db: Database, record: SetRecord) -> bool:
    """Tell whether anything of a set was keyed in, at any bench."""
    sql = "SELECT 1 FROM sweeps JOIN springs ON springs.id = spring_id WHERE set_id = ?"
    found = first_row(db, f"{sql} AND origin = ? LIMIT 1", [record.set_id, Origin.KEYED.value])
    return found is not None


def last_setup(db: Database, record: SetRecord) -> tuple[KeyedSetup, str] | None:
    """Return how this bench's last reading was taken, and of which set: of this one, else of any.

    None where nothing was keyed in at this bench, or what was can't be read. Another bench's
    tare, lever and give are of its own scale and press.
    """
    sql = (
        "SELECT keyed_json, load_u_relative, sets.name AS name FROM sweeps"  # noqa: S608  our own
        " JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id"
        f" WHERE origin = ? AND sweeps.{OF_THIS_BENCH}"
        " ORDER BY set_id = ? DESC, counted DESC, stored_utc DESC, sweeps.id DESC LIMIT 1"
    )
    for row in db.query(sql, [Origin.KEYED.value, record.set_id]):
        if row["name"] != record.name:
            find_set(db, row["name"])
        document = json.loads(row["keyed_json"])["setup"]
        return keyed_setup_of(document, row["load_u_relative"]), row["name"]
    return None


def store_readings(
    db: Database,
    record: SetRecord,
    readings: Sequence[KeyedReading],
    setup: KeyedSetup,
    *,
    instead_of: Sequence[KeyedRow] = (),
    entry_id: str | None = None,
) -> tuple[str, ...]:
    """Store keyed readings, a stroke each, under one entry; returns the labels.

    What was typed is kept beside the derived points (`keyed_json`): what the scale showed, the
    height or the depth, the remark, and how the readings were taken.

    Args:
        instead_of: readings that no longer count from then on.
        entry_id: the run it belongs to, for undo; None makes a new one.

    Raises:
        CoilbenchError: a label that the set does not have, or an impossible reading: no load, a
            height above the free length or below a known solid height. Nothing is stored then.
    """
    entry_id = entry_id or new_id()
    sweeps = [_sweep(record, reading, setup, entry_id) for reading in readings]
    with writing(db):
        for sweep in sweeps:
            store_sweep(db, sweep)
        _leave_out(db, instead_of, _REPLACED, entry_id=entry_id)
    return tuple(dict.fromkeys(reading.label for reading in readings))


def _sweep(record: SetRecord, reading: KeyedReading, setup: KeyedSetup, entry_id: str) -> NewSweep:
    spring_id = record.spring(reading.label).spring_id
    free_mm = record.free_of_mm(reading.label)
    branches = KeyedBranches.of([reading], setup, free_mm)
    height_mm = reading.true_height_mm(setup, free_mm)
    refuse_below_solid(record, reading.label, height_mm, setup.height_u_mm)
    return NewSweep(
        spring_id,
        Origin.KEYED,
        points_as_rows(branches.loading, branches.unloading),
        branches.load_u_n,
        branches.load_u_relative,
        branches.height_u_mm,
        entry_id=entry_id,
        keyed={
            "readings": [asdict(reading)],
            "setup": setup.to_document(),
            "free_length_mm": free_mm,
        },
    )


def remove_readings(db: Database, rows: Sequence[KeyedRow]) -> None:
    """Stop counting readings; they stay in the book, marked as removed.

    Raises:
        CoilbenchError: one of them does not count. Nothing changes then.
    """
    for row in rows:
        if not row.stroke.counted:
            raise CoilbenchError(
                f"the reading {row.name} does not count already", hint="See: coilbench set readings"
            )
    with writing(db):
        _leave_out(db, rows, _REMOVED)


def _leave_out(db: Database, rows: Sequence[KeyedRow], kind: str, **facts: str) -> None:
    by_stroke: dict[str, set[int]] = {}
    for row in rows:
        by_stroke.setdefault(row.stroke.sweep_id, set()).add(row.place)
    for sweep_id, places in by_stroke.items():
        (stroke,) = db.query("SELECT * FROM sweeps WHERE id = ?", [sweep_id])
        why = Finding.of(kind, **facts, places=sorted(places))
        db.execute(
            "UPDATE sweeps SET counted = 0, ruling = NULL, note = ? WHERE id = ?",
            [with_finding(stroke["note"], why), sweep_id],
        )
        others = set(range(len(json.loads(stroke["keyed_json"])["readings"]))) - places
        _store_copy(db, stroke, others)  # what an early book keeps in the same stroke


def put_back_replaced(db: Database, entry_id: str) -> None:
    """Count what an entry replaced again, as a copy: what no longer counts never counts again.

    So a merge with a book that knows it only as replaced leaves it alone.
    """
    with writing(db):
        for stroke in list(
            db.query(
                "SELECT * FROM sweeps WHERE origin = ? AND NOT counted AND note LIKE ?",
                [Origin.KEYED.value, f"%{entry_id}%"],
            )
        ):
            for why in remarks_of(stroke["note"]):
                if isinstance(why, Finding) and why.facts.get("entry_id") == entry_id:
                    _store_copy(db, stroke, why["places"])


def count_again(db: Database, row: KeyedRow) -> None:
    """Count a reading that was left out again, as a copy."""
    with writing(db):
        for stroke in list(db.query("SELECT * FROM sweeps WHERE id = ?", [row.stroke.sweep_id])):
            _store_copy(db, stroke, [row.place])


def _store_copy(db: Database, stroke: Mapping[str, Any], places: Collection[int]) -> None:
    """Store some readings of a stroke again, each by itself, under its entry and time."""
    points = stored_points(db, stroke["id"])
    keyed = json.loads(stroke["keyed_json"])
    for place in sorted(places):
        typed = keyed["readings"][place]
        way: BranchName = "loading" if typed["loading"] else "unloading"
        before = sum(one["loading"] == typed["loading"] for one in keyed["readings"][:place])
        _, _, height_mm, load_n = [point for point in points if point[0] == way][before]
        store_sweep(
            db,
            NewSweep(
                stroke["spring_id"],
                Origin.KEYED,
                [CurveRow(way, 0, height_mm, load_n)],
                stroke["load_u_n"],
                stroke["load_u_relative"],
                stroke["height_u_mm"],
                entry_id=stroke["entry_id"],
                keyed=keyed
                | {
                    "readings": [typed],
                    "keyed_utc": keyed.get("keyed_utc", stroke["stored_utc"]),
                },
            ),
        )
