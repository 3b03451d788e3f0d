"""What the book knows of the rig: its calibration's card and age, the warnings on its figures."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from operator import attrgetter
from pathlib import Path

from msgspec.structs import replace

from coilbench.analysis.curves.load_budget import typical_budget
from coilbench.analysis.rig.card import Card
from coilbench.analysis.rig.check import PastCheck, Trend, moves, warnings
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import (
    CheckRecord,
    PartRecord,
    current_calibration,
    mass_checks,
    newest_part,
)
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import WaitingPress, waiting_in
from coilbench.capture.book.gains import Gains
from coilbench.capture.book.in_force import InForce
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.provenance import never_weighed
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.rests import rests_beside
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.scales import part_points
from coilbench.capture.book.set_trust import SetTrust
from coilbench.capture.book.state import good_for_days
from coilbench.capture.book.zeros import session_zeros
from coilbench.capture.calibration.keyed_setup import SCALE_U_RELATIVE
from coilbench.capture.calibration.model import Calibration, PartKind
from coilbench.capture.calibration.polynomial import slope
from coilbench.capture.errors import CoilbenchError

OTHER_KINDS: tuple[PartKind, ...] = ("travel", "flex")


def _scale_warnings(db: Database, set_names: Collection[str]) -> tuple[Finding, ...]:
    """Return, once, that these sets were read off a scale that was never weighed."""
    if not never_weighed(db, set_names):
        return ()
    return (Finding.of("scale_never_weighed", u_relative=2.0 * SCALE_U_RELATIVE),)


def set_warnings(db: Database, set_names: Collection[str]) -> tuple[Finding, ...]:
    """Return what is not known of the scale and the heights by which these sets were read."""
    trust = SetTrust.of(db, set_names)
    kinds = {"sets_not_closed": trust.unclosed, "scale_unshown": trust.unshown}
    found = [Finding.of(kind, sets=list(names)) for kind, names in kinds.items() if names]
    if trust.by_word:
        facts = {"sets": list(trust.by_word), "presses": trust.by_word_presses}
        found.append(Finding("counts_by_word", facts))
    return (*waiting_warnings(db, set_names), *_scale_warnings(db, set_names), *found)


def waiting_warnings(db: Database, set_names: Collection[str]) -> tuple[Finding, ...]:
    """Return, once for the same reason, that presses of these sets wait and are in no answer."""
    alike: dict[str, list[WaitingPress]] = {}
    for one in waiting_in(db, set_names):
        alike.setdefault(one.why.kind, []).append(one)
    return tuple(
        Finding.of(
            "presses_wait",
            sets=list(dict.fromkeys(one.set_name for one in same)),
            labels=list(dict.fromkeys(one.label for one in same)),
            presses=len(same),
            why=same[0].why.to_document(),
        )
        for same in alike.values()
    )


def rig_warnings(db: Database, now_utc: str | None = None) -> tuple[Finding, ...]:
    """Return the warnings on the rig's figures; now is ISO 8601, None asks the clock."""
    load = newest_part(db, "load")
    if load is None:
        return ()
    checks = past_checks(mass_checks(db, load.part_id))
    return warnings(load.made_utc, checks, now_utc or utc_now(), good_for_days(db))


def _other_parts(db: Database) -> list[PartRecord]:
    """Return the newest calibrations of travel and flex, those that there are."""
    return [part for kind in OTHER_KINDS if (part := newest_part(db, kind)) is not None]


def past_checks(records: Sequence[CheckRecord]) -> tuple[PastCheck, ...]:
    """Return stored checks as they are judged."""
    _, *names = PastCheck.__struct_fields__
    return tuple(PastCheck(one.made_utc, *attrgetter(*names)(one.check)) for one in records)


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
    others = _other_parts(db)
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
