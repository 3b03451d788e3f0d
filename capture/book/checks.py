"""Checks of the rig with a weight in the book, and how long a calibration stands for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlite_utils import Database

from coilbench.capture.book.rows import insert, new_id, utc_now, writing


@dataclass(frozen=True)
class NewCheck:
    """A check as it was just judged.

    Attributes:
        load_part_id: the load calibration it was read with.
        device_id: the rig, where known.
        mass_kg, gravity_m_s2: the weight and what it presses with here.
        zero_counts, load_counts, load_sd_counts: the reading; raw, kept for ever.
        error_n, error_u_n: read less expected, and its expanded uncertainty (k = 2).
        tolerance_n: the largest error that passes.
    """

    load_part_id: str
    device_id: str | None
    mass_kg: float
    gravity_m_s2: float
    zero_counts: float
    load_counts: float
    load_sd_counts: float
    error_n: float
    error_u_n: float
    tolerance_n: float
    passed: bool


@dataclass(frozen=True)
class CheckRecord:
    """A check as the book keeps it."""

    check_id: str
    made_utc: str
    check: NewCheck


def store_check(db: Database, check: NewCheck) -> CheckRecord:
    """Store a check and return it with its id and time.

    Raises:
        CoilbenchError: a number is not finite.
    """
    record = CheckRecord(new_id(), utc_now(), check)
    row = {"id": record.check_id, "made_utc": record.made_utc, **vars(check)}
    with writing(db):
        insert(db, "mass_checks", row | {"passed": int(check.passed)})
    return record


def mass_checks(db: Database, load_part_id: str | None = None) -> tuple[CheckRecord, ...]:
    """Return the checks, oldest first: all, or those of one load calibration."""
    # by rowid: the order of storing stands though the clock was set back in between
    where, values = ("1", []) if load_part_id is None else ("load_part_id = ?", [load_part_id])
    rows = db.query(f"SELECT * FROM mass_checks WHERE {where} ORDER BY rowid", values)  # noqa: S608
    return tuple(_record(row) for row in rows)


def _record(row: dict[str, Any]) -> CheckRecord:
    check_id, made_utc = row.pop("id"), row.pop("made_utc")
    return CheckRecord(check_id, made_utc, NewCheck(**row | {"passed": bool(row["passed"])}))


def good_for_days(db: Database) -> float | None:
    """Return how many days a calibration or check stands for; None where it was never set."""
    row = db.execute("SELECT good_for_days FROM rig_settings").fetchone()
    return None if row is None else float(row[0])


def set_good_for_days(db: Database, days: float) -> None:
    """Keep how many days, above 0, a calibration or check stands for."""
    with writing(db):
        db.execute(
            "INSERT INTO rig_settings (only_row, good_for_days) VALUES (1, ?)"
            " ON CONFLICT (only_row) DO UPDATE SET good_for_days = excluded.good_for_days",
            [days],
        )
