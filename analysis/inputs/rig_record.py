"""What the book knows of the rig: the card of its calibration, and how old that is."""

from __future__ import annotations

from pathlib import Path

from msgspec.structs import replace

from coilbench.analysis.curves.load_budget import typical_budget
from coilbench.analysis.inputs.rig_warnings import other_parts, past_checks, rig_warnings
from coilbench.analysis.rig.card import Card
from coilbench.analysis.rig.check import (
    Trend,
    days_between,
    moves,
)
from coilbench.capture.blocks import (
    Finding,
)
from coilbench.capture.book.calibrations import (
    current_calibration,
    mass_checks,
    newest_part,
)
from coilbench.capture.book.connection import Database
from coilbench.capture.book.gains import Gains
from coilbench.capture.book.in_force import InForce
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.rests import rests_beside
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.scales import part_points
from coilbench.capture.book.zeros import session_zeros
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import slope
from coilbench.capture.errors import CoilbenchError


def calibration_card(db: Database) -> Card:
    """Return the card of the calibration in force.

    Raises:
        CoilbenchError: the load is not calibrated.
    """
    load = newest_part(db, "load")
    if load is None:
        raise CoilbenchError(
            "the rig's load is not calibrated in this book", hint="First: coilbench rig weigh"
        )
    others = other_parts(db)
    records = mass_checks(db, load.part_id)
    checks = past_checks(records)
    complete = any(part.kind == "travel" for part in others)
    whole = current_calibration(db) if complete else None
    zeros = session_zeros(db)
    told = Ratings.of_book(db)
    holds = InForce.of(db)
    of_sets, kept = rests_beside(db, told.rests_n)
    card = Card.of(
        None if whole is None else whole.calibration_id,
        [
            (part.part_id, part.made_utc, replace(part, points=part_points(db, part.part_id)))
            for part in (load, *others)
        ],
        utc_now(),
        noise_counts=records[-1].check.load_sd_counts if records else None,
        budget=None
        if whole is None
        else typical_budget(
            whole.calibration,
            rests_n=told.rests_n,
            gain_u_relative=Gains(db).u_relative(whole.calibration_id, utc_now(), 0.0),
        ),
        check=checks[-1] if checks else None,
        trend=Trend.of(checks),
        warnings=rig_warnings(db),
        zeros=moves(zeros, float(slope(load.fit, zeros[0].counts))) if zeros else (),
    )
    return replace(
        card,
        rests_n=told.rests_n,
        rests_of_sets=of_sets,
        kept_rests=kept,
        cups_meet_mm=told.cups_meet_mm,
        other_rigs=holds.others,
        calibrated_here=holds.here,
    )


def calibration_if_any(path: Path, device_id: str) -> Calibration | None:
    """Return the calibration in force on a rig; None where there is no book or none in it."""
    if not path.exists():
        return None
    with open_book(path) as db:
        try:
            return current_calibration(db, device_id).calibration
        except CoilbenchError:
            return None  # counts are still worth looking at


def calibration_state(db: Database, now_utc: str) -> Finding | None:
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
