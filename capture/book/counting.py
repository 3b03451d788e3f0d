"""What counts of a set while it is captured: curves to compare with, strokes in and out of it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from typing import Literal, NamedTuple, get_args

import numpy as np

from coilbench.capture.blocks import Finding
from coilbench.capture.book.asked import asked_of
from coilbench.capture.book.connection import Database
from coilbench.capture.book.notes import waits, waits_for, with_finding, without_wait
from coilbench.capture.book.rows import first_row, writing
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.waits import TAKEN, WAITS
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.likeness import mean_of_ways
from coilbench.capture.strokes.stored import BranchName, CurveRow


class PressedCurves:
    """Each spring's newest counted press, to work it or to read it; each is read once."""

    def __init__(self, db: Database) -> None:
        self._db = db
        self._known: dict[str, Branch] = {}  # by the sweep's id
        self._newest: tuple[object, list[tuple[str, str]]] = None, []  # when, and labels and ids

    def of(self, record: SetRecord) -> dict[str, Branch]:
        """Return them by label: the mean of both ways, heights ascending; of sampled strokes."""
        state = self._db.state
        asked = None if state is None else (state, record.set_id)
        if asked is None or asked != self._newest[0]:
            self._newest = asked, self._read_newest(record.set_id)
        return {label: self._known[sweep_id] for label, sweep_id in self._newest[1]}

    def _read_newest(self, set_id: str) -> list[tuple[str, str]]:
        newest = self._db.execute(
            f"""
            SELECT springs.label, sweeps.id, max(stored_utc || sweeps.id)
            FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
            WHERE springs.set_id = ? AND {TAKEN} AND sweeps.samples > 0
            GROUP BY springs.id
            """,  # noqa: S608  our own words
            [set_id],
        ).fetchall()
        before, self._known = self._known, {}
        for _, sweep_id, _ in newest:
            known = before.get(sweep_id)
            self._known[sweep_id] = self._read(sweep_id) if known is None else known
        return [(label, sweep_id) for label, sweep_id, _ in newest]

    def keep(self, sweep_id: str, rows: Sequence[CurveRow]) -> None:
        """Take a curve that is stored just now, so that it is not read again."""
        ways = ([row for row in rows if row.branch == way] for way in get_args(BranchName))
        points = ([(row.height_mm, row.load_n) for row in way] for way in ways)
        self._known[sweep_id] = mean_of_ways(*map(_branch, points))

    def _read(self, sweep_id: str) -> Branch:
        sql = (
            "SELECT height_mm, load_n FROM curve_rows"
            " WHERE sweep_id = ? AND branch = ? ORDER BY point"
        )
        ways = (self._db.execute(sql, [sweep_id, way]) for way in get_args(BranchName))
        return mean_of_ways(*(_branch(rows.fetchall()) for rows in ways))


def _branch(points: list[tuple[float, float]]) -> Branch:
    heights, loads = np.array(points, dtype=np.float64).reshape(-1, 2).T
    return Branch(heights, loads)


class ReadStroke(NamedTuple):
    """A press that counts or waits, and its note."""

    sweep_id: str
    label: str
    set_name: str
    note: str | None


def read_by_travel(db: Database, travel_part_id: str, boot_id: int | None) -> list[ReadStroke]:
    """Return the presses that count or wait, by a travel calibration in a start of the rig."""
    rows = db.execute(
        f"""
        SELECT sweeps.id, springs.label, sets.name, sweeps.note FROM sweeps
        JOIN springs ON springs.id = sweeps.spring_id JOIN sets ON sets.id = springs.set_id
        JOIN calibrations ON calibrations.id = sweeps.calibration_id
        WHERE {TAKEN} AND calibrations.travel_part_id = ? AND sweeps.boot_id IS ?
        ORDER BY sweeps.stored_utc, sweeps.id
        """,  # noqa: S608  our own words
        [travel_part_id, boot_id],
    )
    return [ReadStroke(*row) for row in rows.fetchall()]


def left_out_of(db: Database, sweep_ids: Iterable[str]) -> list[ReadStroke]:
    """Return those of these presses that the book has, and that do not count."""
    rows = db.execute(
        """
        SELECT sweeps.id, springs.label, sets.name, sweeps.note FROM sweeps
        JOIN springs ON springs.id = sweeps.spring_id JOIN sets ON sets.id = springs.set_id
        WHERE NOT sweeps.counted AND sweeps.id IN (SELECT value FROM json_each(?))
        ORDER BY sweeps.rowid
        """,
        [json.dumps([*sweep_ids])],
    )
    return [ReadStroke(*row) for row in rows.fetchall()]


def rulings_of(db: Database, spring_id: str) -> dict[str, Literal["use", "leave"] | None]:
    """Return the user's ruling on each stroke of a spring, by its id."""
    sql = "SELECT id, ruling FROM sweeps WHERE spring_id = ?"
    return dict(db.execute(sql, [spring_id]).fetchall())


def uncount(db: Database, spring_id: str, *, last_only: bool, purpose: str = "measured") -> int:
    """Stop counting the sweeps of a spring of a purpose, or the last of them; returns how many.

    Those that wait, too.
    """
    # not by time: a clock may be set back
    last = "ORDER BY rowid DESC LIMIT 1" if last_only else ""
    why = Finding.of("redone" if last_only else "measured_again")
    with writing(db):
        rows = db.execute(
            "SELECT id FROM sweeps"  # noqa: S608  our own words
            f" WHERE spring_id = ? AND {TAKEN} AND purpose = ? {last}",
            [spring_id, purpose],
        ).fetchall()
        for (sweep_id,) in rows:
            leave_out(db, sweep_id, why)
    return len(rows)


def let_count(db: Database, sweep_id: str, why: Finding) -> None:
    """Count a stroke that did not, and keep why."""
    _settle(db, sweep_id, why, counted=True, status="complete")


def leave_out(db: Database, sweep_id: str, why: Finding) -> None:
    """Let a stroke no longer count, and keep why."""
    _settle(db, sweep_id, why, counted=False, status="aborted")


def let_wait(db: Database, sweep_id: str, why: Finding) -> None:
    """Let a press that counts wait till more is known of this: till then it is in no result."""
    _change(db, sweep_id, lambda note: waits(note, why), "counted = 0")


def end_wait(db: Database, sweep_id: str) -> None:
    """Count a press that waited; of one that does not wait any more nothing changes."""
    with writing(db):
        row = first_row(db, "SELECT note FROM sweeps WHERE id = ?", [sweep_id])
        if row is not None and waits_for(row["note"]) is not None:
            _change(db, sweep_id, without_wait, "counted = 1")


def waiting_of(db: Database, session_id: str) -> list[tuple[str, Finding]]:
    """Return the presses of a capture that wait, by their ids, and for what."""
    sql = f"SELECT id, note FROM sweeps WHERE session_id = ? AND {WAITS}"  # noqa: S608
    rows = db.execute(sql, [session_id]).fetchall()
    return [(sweep_id, why) for sweep_id, note in rows if (why := waits_for(note)) is not None]


class WaitingPress(NamedTuple):
    """A press that reads its spring, and of which nobody knows yet whether it counts, and why.

    Attributes:
        taken: the running capture goes on as if it counted.
    """

    set_name: str
    label: str
    why: Finding
    taken: bool


def waiting_in(db: Database, set_names: Iterable[str]) -> list[WaitingPress]:
    """Return the presses of some sets that wait, for a person's answer too, oldest first."""
    asked = asked_of(db)
    rows = db.execute(
        f"""
        SELECT sets.name, label, sweeps.note, sweeps.id FROM sets JOIN springs ON set_id = sets.id
        JOIN sweeps ON spring_id = springs.id AND purpose = 'measured' AND NOT counted
        WHERE sets.name IN (SELECT value FROM json_each(?))
          AND ({WAITS} OR sweeps.id IN (SELECT value FROM json_each(?)))
        ORDER BY sweeps.rowid
        """,  # noqa: S608  our own words
        [json.dumps([*set_names]), json.dumps([*asked])],
    ).fetchall()
    found = ((name, label, waits_for(note), sweep_id) for name, label, note, sweep_id in rows)
    return [
        WaitingPress(name, label, why or Finding.from_document(asked[sweep_id]), why is not None)
        for name, label, why, sweep_id in found
        if why is not None or sweep_id in asked
    ]


def add_note(db: Database, sweep_id: str, finding: Finding) -> None:
    """Keep one thing more of a stroke."""
    _change(db, sweep_id, lambda note: with_finding(note, finding))


def _settle(db: Database, sweep_id: str, why: Finding, *, counted: bool, status: str) -> None:
    now = f"counted = {counted:d}", f"status = '{status}'"
    _change(db, sweep_id, lambda note: with_finding(without_wait(note), why), *now)


def _change(
    db: Database, sweep_id: str, changed: Callable[[str | None], str | None], *more: str
) -> None:
    """Store a stroke's note anew, and what more is set of it."""
    sql = f"UPDATE sweeps SET {', '.join(['note = ?', *more])} WHERE id = ?"  # noqa: S608
    with writing(db):
        row = first_row(db, "SELECT note FROM sweeps WHERE id = ?", [sweep_id])
        db.execute(sql, [changed(None if row is None else row["note"]), sweep_id])
