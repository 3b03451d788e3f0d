"""A press beside the earlier ones of the same spring: at their heights, with their loads, whole.

Those that were refused and agree with each other are kept: the odd one may be another.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import groupby, pairwise

import numpy as np

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.running.judged import LeftOut, Rival, Waiting
from coilbench.capture.strokes.alike import (
    Alike,
    Measured,
    PressedPath,
    differ,
    slip_within,
)
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.judging import SHORT_SHARE
from coilbench.capture.strokes.likeness import Known, alike, mean_of_ways
from coilbench.capture.strokes.pressed_again import Moved, moved_since
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.sweep import Sweep

# Ours, no source; what they miss is measured by tests/bench/bench_repeats.py.
SAME_MM, SAME_SHARE = 0.1, 0.015  # one spring repeats better, in height and in load
SLIP_MM = 0.15
SET_MM = 0.1  # and by so much a press that works it may shorten it
WITHIN_MM = 0.2  # one press by itself: its friction is not known
FINE_SHARE, STEADY_TIMES = 0.003, 5.0  # beside two that agree, and so many times as far
HASTIER = 1.2  # times as fast
NEWEST = 3  # presses that are compared with: a set of three strokes and what worked the spring


class OwnPresses:
    """The presses of a set that count or wait, to compare with; each is read and prepared once.

    Used by the thread that owns the book. No press counts that slipped, or was made while the datum
    was in doubt: none of them is compared with.
    """

    def __init__(self, db: Database) -> None:
        self._db = db
        self._known: dict[str, Sweep] = {}  # by id; of one spring
        self._read: tuple[object, list[Sweep]] = None, []  # what was asked for when, and is so

    def of(self, label: str, record: SetRecord) -> list[Sweep]:
        """Return those of a spring, to work it or to read it, oldest first."""
        state = self._db.state
        asked = None if state is None else (state, label, record)
        if asked is None or asked != self._read[0]:
            known = self._known
            every = load_sweeps(
                self._db, record, only=label, worked=True, waiting=True, known=known
            )
            found = every[label]
            self._known = {one.sweep_id: one for one in found}
            self._read = asked, found
        return self._read[1]

    def keep(self, sweep: Sweep) -> None:
        """Take a press as it was read before it was stored, so that it is not read again."""
        self._known[sweep.sweep_id] = sweep

    def _paths(self, label: str, record: SetRecord) -> list[PressedPath]:
        paths = (_path(one) for one in self.of(label, record)[-NEWEST:])
        return [path for path in paths if path is not None]

    def unlike(self, sweep: Sweep, record: SetRecord) -> Finding | None:
        """Say why a press is none of its spring's, or slipped: by that one which it is nearest."""
        new = _path(sweep)
        if new is None:
            return None
        found: list[tuple[float, Finding | None]] = []
        before = [one for one in self._paths(sweep.label, record) if not _hastier(one, new)]
        for one in reversed(before):
            found.append(_departs(new, one, sweep.label))
            if found[-1][1] is None:  # as alike as can be: the others need not be looked at
                return _finer(new, before, sweep.label)
        return min(found, key=lambda one: one[0])[1] if found else None

    def moved_since(self, sweep: Sweep, record: SetRecord, first: Collection[str]) -> Moved | None:
        """Say how far a press lies from the first ones of its spring; None where it can't be told.

        Args:
            first: their ids.
        """
        new = _path(sweep)
        if new is None:
            return None
        every = load_sweeps(self._db, record, known=self._known)
        read = {one.sweep_id: path for own in every.values() for one in own
                if (path := _path(one)) is not None}  # fmt: skip
        of = self._runs(record)  # between two of them heights may have moved
        running = (two for own in every.values() for two in pairwise(own))
        ids = ((one.sweep_id, other.sweep_id) for one, other in running)
        pairs = ((read.get(one), read.get(other)) for one, other in ids if of[one] == of[other])
        repeats = [
            (one, other)
            for one, other in pairs
            if one is not None and other is not None and one.calibration_id == other.calibration_id
        ]
        own = [path for sweep_id, path in read.items() if sweep_id in first]
        return moved_since(new, own, repeats)

    def _runs(self, record: SetRecord) -> dict[str, int]:
        """Number the presses of a set by their ids: alike for one spring running in one capture."""
        sql = "SELECT sweeps.id, session_id, spring_id FROM sweeps JOIN springs"
        sql += " ON springs.id = spring_id WHERE set_id = ? ORDER BY sweeps.rowid"
        rows = self._db.execute(sql, [record.set_id]).fetchall()
        runs = groupby(rows, key=lambda row: row[1:])
        return {row[0]: number for number, (_, run) in enumerate(runs) for row in run}

    def newest_hastier(self, sweep: Sweep, record: SetRecord) -> bool:
        """Tell whether the spring's newest press was so hurried that it says nothing of this."""
        new, before = _path(sweep), self._paths(sweep.label, record)[-1:]
        return new is not None and any(_hastier(one, new) for one in before)

    def worked_short(self, stroke: Stroke, label: str, record: SetRecord) -> Finding | None:
        """Say that the presses which worked a spring went not nearly as deep as this one."""
        worked = [one.loading.height_mm for one in self.of(label, record) if one.works]
        lowest_mm = min((float(one.min(initial=np.inf)) for one in worked), default=-np.inf)
        short_mm = lowest_mm - stroke.lowest_mm
        if not worked or short_mm <= (1.0 - SHORT_SHARE) * stroke.depth_mm:
            return None
        return Finding.of("worked_short", short_mm=short_mm)

    def newest_hurried(self, label: str, record: SetRecord) -> bool:
        """Tell whether the spring's newest press was so hurried that slower ones look other."""
        return any(one.press.hurried for one in self._paths(label, record)[-1:])

    def has(self, label: str, record: SetRecord, calibration_id: str) -> bool:
        """Tell whether there is a press of this spring by this datum."""
        paths = self._paths(label, record)
        return any(one.calibration_id == calibration_id for one in paths)

    def stands_as_before(
        self,
        sweep: Sweep,
        record: SetRecord,
        within_mm: float | None,
    ) -> bool:
        """Tell whether it shows that the datum has not moved: by one press before.

        That they do not surely differ shows nothing: a comparison may be too coarse for it.

        Args:
            within_mm: the heights must surely be so near to that press's; None: of the same datum,
                as near as two presses of one spring are, at light loads and where it is deepest.
        """
        new = _path(sweep)
        if new is None or slipped_within(sweep) is not None:
            return False
        before = self._paths(sweep.label, record)
        if within_mm is not None:
            return any(_surely_within(new, one, within_mm) for one in before)
        same = [one for one in before if one.calibration_id == new.calibration_id]
        near = (one for one in same if _surely_within(new, one, SLIP_MM, deepest=True))
        return any(_departs(new, one, sweep.label)[1] is None for one in near)


def _hastier(one: PressedPath, than: PressedPath) -> bool:
    """Tell whether a press was so hurried that a slower one is not judged by it."""
    slower = than.press.way_s > HASTIER * one.press.way_s
    return one.press.hurried and (slower or not than.press.hurried)


def _finer(new: PressedPath, before: Sequence[PressedPath], label: str) -> Finding | None:
    """Say that a press departs from ones that agree, by less than it may from one alone.

    They show how well this spring's loads repeat on this bench: another spring may be that near.
    Heights are compared as closely anyway, and a press may shorten the spring.
    """
    same = [one for one in before if one.calibration_id == new.calibration_id]
    apart: list[Alike] = []
    for one in reversed(same):
        two = differ(new, one)
        if two is None or not _surely_finer(two, FINE_SHARE):
            return None  # the others need not be looked at
        apart.append(two)
    pairs = pairwise(reversed(same))  # the later one beside the earlier one, as when it came
    repeats = [two for pair in pairs if (two := differ(*pair)) is not None]
    if not repeats:
        return None
    repeat_share = max(abs(two.load_share.value) for two in repeats)
    if not all(_surely_finer(two, STEADY_TIMES * repeat_share) for two in apart):
        return None
    nearest = min(apart, key=lambda two: abs(two.deepest_mm.value))
    share, moved_mm = nearest.load_share, nearest.moved_mm.value
    facts = {"label": label, "own": True, "reason": "apart", "off_share": share.value}
    facts |= {"u_share": 2.0 * share.u, "moved_mm": moved_mm, "repeat_share": repeat_share}
    return Finding("another_spring", facts)


def _surely_finer(apart: Alike, least_share: float) -> bool:
    """Tell whether a press surely departs by more, in load and where it is pressed deepest."""
    return apart.load_share.surely_over(least_share) and apart.deepest_mm.surely_over(SAME_MM)


def _agree(new: Sweep, before: Sweep) -> bool:
    """Tell whether two presses of one spring do not differ in what one spring repeats."""
    both = _path(new), _path(before)
    if both[0] is None or both[1] is None or differ(both[0], both[1]) is None:
        return False
    return _departs(both[0], both[1], new.label)[1] is None


def _surely_within(
    new: PressedPath, before: PressedPath, within_mm: float, *, deepest: bool = False
) -> bool:
    """Tell whether neither the heights nor a part of the way differ by so much.

    Args:
        deepest: nor the heights at the largest load: those of another spring may differ there.
    """
    alike = differ(new, before)
    if alike is None:
        return False
    anew = new.calibration_id != before.calibration_id
    datum_u_mm = 2.0**0.5 * new.height_u_mm if anew else 0.0
    slip = alike.slip.by_mm
    lie = (alike.moved_mm, alike.deepest_mm) if deepest else (alike.moved_mm,)
    near = all(_off_mm(one, before) + 2.0 * np.hypot(one.u, datum_u_mm) < within_mm for one in lie)
    return near and abs(slip.value) + 2.0 * slip.u < within_mm


def _off_mm(moved_mm: Measured, before: PressedPath) -> float:
    """Return how far heights moved by more than what a press that works a spring shortens it by."""
    if before.works and moved_mm.value < 0.0:
        return max(0.0, -moved_mm.value - SET_MM)
    return abs(moved_mm.value)


def slipped_within(sweep: Sweep) -> Finding | None:
    """Say that a press by itself comes back at other heights than it went down at."""
    path = _path(sweep)
    slip = None if path is None else slip_within(path)
    if slip is None or not slip.by_mm.surely_over(WITHIN_MM):
        return None
    facts = {"way": None, "height_mm": slip.height_mm, "moved_mm": slip.by_mm.value}
    return Finding("slipped", facts)


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
        of_one = not share.surely_over(SAME_SHARE)
        return far, Finding("slipped", at | {"of_one_spring": of_one})
    if share.surely_over(SAME_SHARE):
        facts = {"label": label, "own": True, "reason": "apart", "off_share": share.value}
        facts |= {"u_share": 2.0 * share.u, "moved_mm": moved_mm.value}
        return far, Finding("another_spring", facts)
    if moved_mm.surely_over(SAME_MM + set_mm, datum_u_mm):
        facts = {"label": label, "moved_mm": moved_mm.value, "calibrated_anew": anew}
        # whether it was another spring's, only a person knows
        return far, Finding("datum_moved", {**facts, "another": True, "own": True, "before": label})
    return 0.0, None


def _path(sweep: Sweep) -> PressedPath | None:
    """Return a press ready to be compared, prepared once; None where its reading is not known."""
    if sweep.press is None or sweep.rig is None:
        return None
    kept = vars(sweep)  # frozen, and not to be hashed
    if "_path" not in kept:
        height_u_mm = sweep.rig.calibration.uncertainty.height_u_mm
        read_with = (sweep.rig.calibration_id, height_u_mm)
        kept["_path"] = PressedPath(sweep.press, sweep.works, *read_with)
    path: PressedPath = kept["_path"]
    return path


def known(label: str, record: SetRecord, curves: Mapping[str, Branch]) -> Known:
    """Return what a spring should press like: as its own strokes, where it has any, or others'."""
    nominal = () if record.nominal is None else record.nominal.loads
    others = [one for one in curves if one != label]
    return Known(
        label,
        only=others[0] if label not in curves and len(others) == 1 else None,
        own=label in curves,
        others=tuple([curves[label]] if label in curves else curves.values()),
        nominal=tuple((load.height_mm, load.load_n) for load in nominal),
    )


class Rivals:
    """Keeps the presses that departed from those which count, since one counted last.

    Used by the thread that owns the book.
    """

    def __init__(self, own: OwnPresses) -> None:
        self._own = own
        self._rivals: list[Rival] = []
        self._rival: Sweep | None = None  # the newest press, if it may be one

    def forget(self) -> None:
        """A stroke counted."""
        self._rivals = []

    def next_press(self) -> None:
        """Another press is to be judged."""
        self._rival = None

    def refused(self, press: Waiting) -> None:
        """The newest press was refused; it may be another one that is odd."""
        if self._rival is not None:
            self._rivals.append(Rival(press, self._rival))

    def gauged(self) -> None:
        """A gauge agrees with the datum: heights were right in what was refused."""
        self._rivals = [one._replace(gauged=True) for one in self._rivals]

    def majority(self, sweep: Sweep, slip: Finding, *, said: bool) -> tuple[Rival, ...]:
        """Return presses that agree with one that slipped beside those that count.

        Two that agree show that the odd one slipped, if the heights are right: that a person says.
        The quill's stop cannot, for a seat that sank moves heights, too. Other loads or heights
        throughout may be those of another spring, put in twice: that is asked, and no majority
        settles it.
        """
        agreeing = self.agreeing(sweep) if slip["of_one_spring"] else ()
        return agreeing if said else ()

    def outvoted(
        self, sweep: Sweep, departs: Finding, rivals: Sequence[Rival], record: SetRecord
    ) -> tuple[LeftOut, ...]:
        """Return what was pressed to read a spring that more presses than those contradict.

        Only heights are others; if a person says that the spring sits otherwise, it was so before.
        """
        if departs.kind != "datum_moved" or departs.facts["calibrated_anew"]:
            return ()
        before = self._own.of(sweep.label, record)
        if not rivals or len(rivals) < len(before):
            return ()
        measured = [one.sweep_id for one in before if not one.works]
        return tuple(LeftOut(one, at, (departs,)) for at, one in enumerate(measured, start=1))

    def of_others(self, sweep: Sweep) -> list[str]:
        """Name other springs of which refused presses are like this one."""
        mean = mean_of_ways(sweep.loading, sweep.unloading)
        others = [one.sweep for one in self._rivals if one.sweep.label != sweep.label]
        like = (one for one in others if alike(mean, mean_of_ways(one.loading, one.unloading)))
        return list(dict.fromkeys(one.label for one in like))

    def agreeing(self, sweep: Sweep) -> tuple[Rival, ...]:
        """Return refused presses of the spring that agree with one that departs as they did."""
        self._rival = sweep
        mine = (one for one in self._rivals if one.sweep.label == sweep.label)
        return tuple(one for one in mine if _agree(sweep, one.sweep))
