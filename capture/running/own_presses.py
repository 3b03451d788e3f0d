"""A press beside the earlier ones of its spring: at their heights, with their loads, whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

from sqlite_utils import Database

from coilbench.capture.blocks import Finding
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.calibration.lag import typical_lag
from coilbench.capture.calibration.model import instrument_uncertainty
from coilbench.capture.strokes.alike import (
    PressedPath,
    differ,
    slip_within,
)
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.likeness import mean_of_ways
from coilbench.capture.strokes.stroke_findings import StrokeFinding, stroke_findings
from coilbench.capture.strokes.sweep import Sweep

# Ours, no source; what they miss is measured by tests/bench/bench_repeats.py.
SAME_MM, SAME_SHARE = 0.1, 0.015  # one spring repeats better, in height and in load
SLIP_MM = 0.15
SET_MM = 0.1  # and by so much a press that works it may shorten it
WITHIN_MM = 0.2  # one press by itself: its friction is not known
NEWEST = 3  # presses that are compared with: a set of three strokes and what worked the spring


class OnePress:
    """A press of one spring as it was read, and what is worked out of it, once."""

    def __init__(self, read: Sweep) -> None:
        self.read = read

    @cached_property
    def path(self) -> PressedPath | None:
        """It, ready to be compared; None where nobody knows how it was read."""
        press, rig = self.read.press, self.read.rig
        if press is None or rig is None:
            return None
        height_u_mm = instrument_uncertainty(rig.calibration).height_u_mm
        return PressedPath(press, self.read.works, rig.calibration_id, height_u_mm)

    @cached_property
    def mean(self) -> Branch:
        """The mean of both ways over height."""
        return mean_of_ways(self.read.loading, self.read.unloading)

    @cached_property
    def likely(self) -> Sweep:
        """It with the typical lag undone."""
        return likely(self.read)

    @cached_property
    def findings(self) -> list[StrokeFinding]:
        """All that it shows by itself."""
        return stroke_findings(self.likely)

    @property
    def spoiling(self) -> list[Finding]:
        """What of it spoils the stroke."""
        return spoiling(self.findings)

    @cached_property
    def slip(self) -> Finding | None:
        """That it comes back at other heights than it went down at."""
        slip = None if self.path is None else slip_within(self.path)
        if slip is None or not slip.by_mm.surely_over(WITHIN_MM):
            return None
        facts = {"way": None, "height_mm": slip.height_mm, "moved_mm": slip.by_mm.value}
        return Finding("slipped", facts)


def likely(sweep: Sweep) -> Sweep:
    """Return a stroke with the lag undone that is typical: the set's check knows it better."""
    press = sweep.press
    if press is None or press.t_s.size < 2:
        return sweep
    lag = typical_lag(press.interval_s)
    height_mm = press.height_mm(lag.delay_s, lag.spread_s2)
    loading, unloading = Branch(height_mm, press.load_n).split()
    return replace(sweep, loading=loading, unloading=unloading, lag=lag)


def spoiling(findings: Sequence[StrokeFinding]) -> list[Finding]:
    """Return what of the findings spoils a stroke."""
    return [Finding(one.kind, one.facts) for one in findings if one.spoils]


class OwnPresses:
    """The presses of a set that count, to be compared with; each is read and prepared once.

    Used by the thread that owns the book. No press counts that slipped, or was made while the datum
    was in doubt: none of them is compared with.
    """

    def __init__(self, db: Database) -> None:
        self._db = db
        self._known: dict[str, OnePress] = {}  # by the sweep's id; of one spring

    def before(self, press: OnePress, record: SetRecord) -> list[OnePress]:
        """Return the earlier presses of its spring, to work it or to read it, oldest first."""
        label, known = press.read.label, self._known
        read = {sweep_id: one.read for sweep_id, one in known.items()}
        sweeps = load_sweeps(self._db, record, only=label, worked=True, known=read)[label]
        found = {one.sweep_id: known.get(one.sweep_id) or OnePress(one) for one in sweeps}
        self._known = found | {press.read.sweep_id: press}
        return list(found.values())

    def unlike(self, press: OnePress, record: SetRecord) -> Finding | None:
        """Say why a press is none of its spring's, or slipped: by that one which it is nearest."""
        new, label = press.path, press.read.label
        if new is None:
            return None
        found = [_departs(new, path, label) for path in self._paths(press, record)]
        return min(found, key=lambda one: one[0])[1] if found else None

    def stands_as_before(self, press: OnePress, record: SetRecord) -> bool:
        """Tell whether it shows that the datum has not moved: by one press of the same datum."""
        new, label = press.path, press.read.label
        if new is None or press.slip is not None:
            return False
        same = [
            path
            for path in self._paths(press, record)
            if path.calibration_id == new.calibration_id and differ(new, path) is not None
        ]
        return any(_departs(new, path, label)[1] is None for path in same)

    def _paths(self, press: OnePress, record: SetRecord) -> list[PressedPath]:
        paths = (one.path for one in self.before(press, record)[-NEWEST:])
        return [path for path in paths if path is not None]


def _departs(new: PressedPath, before: PressedPath, label: str) -> tuple[float, Finding | None]:
    """Return how far a press departs from another, in what one spring may do, and in what way."""
    alike = differ(new, before)
    if alike is None:
        return 0.0, None
    anew = new.calibration_id != before.calibration_id
    datum_u_mm = 2.0**0.5 * new.height_u_mm if anew else 0.0
    moved_mm, share, slip = alike.moved_mm, alike.load_share, alike.slip.by_mm
    set_mm = SET_MM if before.works and moved_mm.value < 0.0 else 0.0
    far = max(
        abs(moved_mm.value) / (SAME_MM + set_mm),
        abs(share.value) / SAME_SHARE,
        abs(slip.value) / SLIP_MM,
    )
    set_slips_mm = SET_MM if before.works else 0.0
    if slip.surely_over(SLIP_MM + set_slips_mm):
        at = {"way": alike.slip.way, "height_mm": alike.slip.height_mm, "moved_mm": slip.value}
        return far, Finding("slipped", at)
    if share.surely_over(SAME_SHARE):
        facts = {"label": label, "own": True, "reason": "apart", "off_share": share.value}
        facts |= {"u_share": 2.0 * share.u, "moved_mm": moved_mm.value}
        return far, Finding("another_spring", facts)
    if moved_mm.surely_over(SAME_MM + set_mm, datum_u_mm):
        facts = {"label": label, "moved_mm": moved_mm.value, "calibrated_anew": anew}
        return far, Finding("datum_moved", facts)
    return 0.0, None
