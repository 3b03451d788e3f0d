"""What the book knows of the rig: its calibration card, and warnings for every report.

In a line: how old the rig's calibration is, what the last check said, what speaks against it.
"""

from __future__ import annotations

from sqlite_utils import Database

from coilbench.analysis.rig.card import Card, make_card
from coilbench.analysis.rig.check import PastCheck, days_between, mixed_rigs, trend, warnings
from coilbench.capture.book.calibrations import (
    CheckRecord,
    current_calibration,
    mass_checks,
    newest_part,
)
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.state import good_for_days
from coilbench.capture.calibration.model import PartKind
from coilbench.capture.errors import CoilbenchError

OTHER_KINDS: tuple[PartKind, ...] = ("travel", "flex")


def rig_warnings(db: Database, now_utc: str | None = None) -> tuple[str, ...]:
    """Say what speaks against the rig's figures: a failed check, a calibration over its age.

    Args:
        db: the open book.
        now_utc: now, ISO 8601; None asks the clock.

    Returns:
        Sentences without a full stop; none where nothing does, or no rig was calibrated.
    """
    load = newest_part(db, "load")
    if load is None:
        return ()
    checks = past_checks(mass_checks(db, load.part_id))
    mixed = rigs_mixed(db)
    aged = warnings(
        load.made_utc, checks, utc_now() if now_utc is None else now_utc, good_for_days(db)
    )
    return aged if mixed is None else (mixed, *aged)


def rigs_mixed(db: Database) -> str | None:
    """Say that the parts in force were made on different rigs; None where they were not."""
    kinds: tuple[PartKind, ...] = ("load", *OTHER_KINDS)
    parts = {kind: newest_part(db, kind) for kind in kinds}
    return mixed_rigs({kind: part.device_id for kind, part in parts.items() if part is not None})


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
    others = [part for kind in OTHER_KINDS if (part := newest_part(db, kind)) is not None]
    records = mass_checks(db, load.part_id)
    checks = past_checks(records)
    complete = any(part.kind == "travel" for part in others)
    return make_card(
        current_calibration(db).calibration_id if complete else None,
        [(part.part_id, part.made_utc, part) for part in (load, *others)],
        utc_now(),
        noise_counts=records[-1].check.load_sd_counts if records else None,
        check=checks[-1] if checks else None,
        trend=trend(checks),
        warnings=rig_warnings(db),
    )


def past_checks(records: tuple[CheckRecord, ...]) -> list[PastCheck]:
    """Return stored checks as the trend and the warnings see them."""
    return [
        PastCheck(
            record.made_utc,
            record.check.mass_kg,
            record.check.gravity_m_s2,
            record.check.error_n,
            record.check.error_u_n,
            record.check.tolerance_n,
            record.check.passed,
        )
        for record in records
    ]


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
