"""In a line: how old the rig's calibration is, what the last check said, what speaks against it."""

from __future__ import annotations

from sqlite_utils import Database

from coilbench.analysis.rig.check import days_between
from coilbench.analysis.rig_record import rig_warnings
from coilbench.capture.book.calibrations import newest_part
from coilbench.capture.book.checks import mass_checks


def standing_words(db: Database, now_utc: str) -> str:
    """Say how the rig's calibration stands; empty where the load was never calibrated."""
    load = newest_part(db, "load")
    if load is None:
        return ""
    words = f"calibrated {_ago(load.made_utc, now_utc)}"
    checks = mass_checks(db, load.part_id)
    if checks:
        last = checks[-1]
        verdict = "passed" if last.check.passed else "FAILED"
        words += f"; check with {last.check.mass_kg:g} kg {verdict} {_ago(last.made_utc, now_utc)}"
    else:
        words += "; not checked since"
    warned = rig_warnings(db, now_utc)
    return f"{words}. WARNING: {warned[0]}" if warned else words


def _ago(then_utc: str, now_utc: str) -> str:
    days = days_between(then_utc, now_utc)
    if days < 0.0:
        return "at a later date than today: look at the clock"
    if days < 1.0:
        return "within a day"
    return f"{days:.0f} days ago" if days >= 1.5 else "a day ago"
