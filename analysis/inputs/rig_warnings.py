"""The warnings on a rig's figures, from what the book has of its calibration and its scales."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from operator import attrgetter

from coilbench.analysis.rig.check import PastCheck, warnings
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import CheckRecord, PartRecord, mass_checks, newest_part
from coilbench.capture.book.connection import Database
from coilbench.capture.book.heights_kept import SetTrust
from coilbench.capture.book.provenance import never_weighed
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.state import good_for_days, scale_weighed
from coilbench.capture.calibration.keyed_setup import SCALE_U_RELATIVE
from coilbench.capture.calibration.model import PartKind

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
    found = (Finding.of(kind, sets=list(names)) for kind, names in kinds.items() if names)
    return (*_scale_warnings(db, set_names), *found)


def plan_warnings(db: Database, set_names: Collection[str]) -> tuple[Finding, ...]:
    """Return that the scale should be weighed first: it never was, or nothing is known yet."""
    known = scale_weighed(db) or newest_part(db, "load") is not None
    if known and not never_weighed(db, set_names):
        return ()
    return (Finding.of("weigh_scale_first", u_relative=2.0 * SCALE_U_RELATIVE),)


def rig_warnings(db: Database, now_utc: str | None = None) -> tuple[Finding, ...]:
    """Return the warnings on the rig's figures; now is ISO 8601, None asks the clock."""
    load = newest_part(db, "load")
    if load is None:
        return ()
    checks = past_checks(mass_checks(db, load.part_id))
    return warnings(load.made_utc, checks, now_utc or utc_now(), good_for_days(db))


def other_parts(db: Database) -> list[PartRecord]:
    """Return the newest calibrations of travel and flex, those that there are."""
    return [part for kind in OTHER_KINDS if (part := newest_part(db, kind)) is not None]


def past_checks(records: Sequence[CheckRecord]) -> tuple[PastCheck, ...]:
    """Return stored checks as they are judged."""
    _, *names = PastCheck.__struct_fields__
    return tuple(PastCheck(one.made_utc, *attrgetter(*names)(one.check)) for one in records)
