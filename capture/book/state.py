"""The state of a book, by SQL alone: nothing slow to load is imported."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from coilbench.capture.book.asked import asked_of
from coilbench.capture.book.copies import reading
from coilbench.capture.book.in_force import InForce
from coilbench.capture.book.rows import CHECK_COUNTS, OF_THIS_BENCH
from coilbench.capture.book.versions import MIGRATION_NAMES, versions
from coilbench.capture.book.vouching import refuse_damaged_rig, refuse_damaged_sets
from coilbench.capture.book.waits import WAITS

if TYPE_CHECKING:
    from coilbench.capture.book.connection import Database


GOOD_FOR_DAYS = 90.0  # common practice, no source: a season between calibrations


class SetState(NamedTuple):
    """How far a set is measured.

    Attributes:
        measured: springs with as many counted strokes as the set asks for, or with any that came by
            hand or from a file.
        begun: springs with any counted stroke.
        by_hand: whether something counts, none of it from a rig.
        last_utc: when its last stroke was stored; empty where there is none.
        asked: presses of which nobody said yet whether they count.
    """

    name: str
    role: str
    springs: int
    measured: int
    begun: int
    by_hand: bool
    last_utc: str
    asked: int = 0

    @property
    def done(self) -> bool:
        """Whether every spring is measured."""
        return self.measured == self.springs

    @classmethod
    def every(cls, connection: sqlite3.Connection) -> tuple[SetState, ...]:
        """Return how far each set is measured, in the order they were made.

        Raises:
            CoilbenchError: a row of a set is damaged or gone, but for a stroke that was left out.
        """
        refuse_damaged_sets(connection)
        rows = connection.execute(
            """
            SELECT sets.name, sets.role, count(*),
              sum(coalesce(by_hand, 0) OR coalesce(strokes, 0) >= measured_strokes),
              sum(coalesce(strokes, 0) > 0),
              coalesce(max(strokes) > 0 AND min(coalesce(by_hand, 1)), 0),
              coalesce(max(last_utc), '')
            FROM sets JOIN springs ON springs.set_id = sets.id
            LEFT JOIN (
              SELECT spring_id, count(*) AS strokes, max(stored_utc) AS last_utc,
                min(origin <> 'rig') AS by_hand
              FROM sweeps WHERE counted AND purpose = 'measured' GROUP BY spring_id
            ) ON spring_id = springs.id
            GROUP BY sets.id ORDER BY sets.made_utc, sets.id
            """
        )
        return tuple(
            cls(name, role, springs, measured, begun, bool(by_hand), last_utc)
            for name, role, springs, measured, begun, by_hand, last_utc in rows
        )


class CaptureState(NamedTuple):
    """The last capture."""

    source_url: str
    set_name: str
    seen_utc: str  # when it last updated its row
    running: bool  # whether it has no end: it is running, or was killed
    waiting: int = 0  # its presses of which nobody knows yet whether they count


class CheckState(NamedTuple):
    """The last check of the load calibration in force."""

    made_utc: str
    passed: bool


class BookState(NamedTuple):
    """What a book holds.

    Attributes:
        newer: whether a newer program has written it; then nothing else is read.
        older: whether its next use brings it up to date.
        parts_utc: when the parts in force were made, by kind: load, travel, flex.
        check: None where the load calibration was never checked.
        rig: the rig that they are of; None where they don't say.
        other_rigs: those whose load is calibrated in this book, too.
        rig_here: whether any rig was calibrated at this bench; else they are another bench's.
        scale_weighed: whether a scale that is read by hand was weighed at this bench.
    """

    newer: bool
    older: bool
    parts_utc: dict[str, str]
    check: CheckState | None
    good_for_days: float
    sets: tuple[SetState, ...]
    capture: CaptureState | None
    scale_weighed: bool = False
    rig: str | None = None
    other_rigs: tuple[str, ...] = ()
    rig_here: bool = True

    @classmethod
    def read(cls, path: Path) -> BookState:
        """Return the state of a book without changing it.

        Raises:
            CoilbenchError: there is no book, it is not ours, or it cannot be read.
        """
        with reading(path) as connection:
            found = versions(connection)
            if not set(found) <= set(MIGRATION_NAMES):
                return cls(True, False, {}, None, GOOD_FOR_DAYS, (), None)
            refuse_damaged_rig(connection, path, documents=False)
            holds = InForce.of(connection)
            has_checks = MIGRATION_NAMES[1] in found
            older = len(found) < len(MIGRATION_NAMES)
            asked = {} if older else _asked(connection)
            return cls(
                newer=False,
                older=older,
                parts_utc=_parts_utc(connection, holds),
                check=_check(connection, holds) if has_checks else None,
                good_for_days=good_for_days(connection) if has_checks else GOOD_FOR_DAYS,
                sets=tuple(
                    one._replace(asked=asked.get(one.name, 0)) for one in SetState.every(connection)
                ),
                capture=_capture(connection, asked),
                scale_weighed=has_checks and scale_weighed(connection),
                rig=holds.device_id,
                other_rigs=holds.others,
                rig_here=holds.here,
            )


def _parts_utc(connection: sqlite3.Connection, holds: InForce) -> dict[str, str]:
    made = dict(connection.execute("SELECT id, made_utc FROM calibration_parts").fetchall())
    return {kind: made[part_id] for kind, part_id in holds.parts.items()}


def scale_weighed(db: sqlite3.Connection | Database) -> bool:
    """Return whether a scale that is read by hand was weighed at this bench."""
    sql = f"SELECT 1 FROM scales WHERE {OF_THIS_BENCH} LIMIT 1"  # noqa: S608  our own words
    return db.execute(sql).fetchone() is not None


def _check(connection: sqlite3.Connection, holds: InForce) -> CheckState | None:
    row = connection.execute(
        f"SELECT made_utc, passed FROM mass_checks WHERE load_part_id = ? AND {CHECK_COUNTS}"  # noqa: S608
        " ORDER BY made_utc DESC, id DESC LIMIT 1",
        [holds.parts.get("load")],
    ).fetchone()
    return None if row is None else CheckState(row[0], bool(row[1]))


def good_for_days(db: sqlite3.Connection | Database) -> float:
    """Return how many days a calibration or check is valid, as set or by default."""
    row = db.execute("SELECT good_for_days FROM rig_settings").fetchone()
    return GOOD_FOR_DAYS if row is None else float(row[0])


def _asked(connection: sqlite3.Connection) -> dict[str, int]:
    """Return of each set how many presses are asked about, by the set's name."""
    rows = connection.execute(
        "SELECT sets.name, count(*) FROM sets JOIN springs ON set_id = sets.id"  # noqa: S608
        " JOIN sweeps ON spring_id = springs.id"
        f" WHERE NOT coalesce({WAITS}, 0) AND sweeps.id IN (SELECT value FROM json_each(?))"
        " GROUP BY sets.id",
        [json.dumps([*asked_of(connection)])],
    )
    return dict(rows.fetchall())


def _capture(connection: sqlite3.Connection, asked: Mapping[str, int]) -> CaptureState | None:
    row = connection.execute(
        "SELECT source_url, sets.name, seen_utc, ended_utc IS NULL,"  # noqa: S608
        " CASE WHEN ended_utc IS NULL THEN (SELECT count(*) FROM springs JOIN sweeps"
        f"  ON spring_id = springs.id AND NOT counted AND {WAITS}"
        "  WHERE springs.set_id = sessions.set_id) ELSE 0 END FROM sessions"
        f" JOIN sets ON sets.id = set_id WHERE sessions.{OF_THIS_BENCH}"
        " ORDER BY ended_utc IS NULL DESC, seen_utc DESC LIMIT 1"
    ).fetchone()
    if row is None:
        return None
    url, name, seen_utc, running, waiting = row
    waiting += asked.get(name, 0) if running else 0
    return CaptureState(url, name, seen_utc, bool(running), waiting)
