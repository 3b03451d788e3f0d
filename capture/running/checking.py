"""Whether a finished stroke counts, while its spring is still in the press."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection

import numpy as np
from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import PressedCurves, rulings_of
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.calibration.lag import Press, hurried_s
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.calibration.statistics import median
from coilbench.capture.running.judged import (
    HEIGHTS_IN_DOUBT,
    Judged,
    LeftOut,
    Waiting,
    cure,
    refused_for,
)
from coilbench.capture.running.likely_stroke import NEW, LikelyStroke
from coilbench.capture.running.own_presses import OwnPresses, Rivals, known, slipped_within
from coilbench.capture.strokes.judging import Purpose, Turn, Verdict, judge
from coilbench.capture.strokes.likeness import Known, beside_the_set, mean_of_ways
from coilbench.capture.strokes.pressed_again import Moved
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.stroke_choice import judge_strokes
from coilbench.capture.strokes.stroke_findings import spoiling
from coilbench.capture.strokes.sweep import Sweep, SweepStatus, apply
from coilbench.capture.strokes.watching import Bounds, with_stop, wrong_in_stroke

LOW_SLACK_MM = 0.5  # so much higher a hand stops for the same height; common practice, no source
HASTE, HASTE_TIMES = 0.1, 2.5  # of the way unseen, and so many times the usual; ours, no source
PROMPT_DEPTHS = 30  # strokes that tell how deep this set is usually pressed
HALF = 0.5  # of what the stop seems to have moved by: nearer to none
ASK_AT = 3  # refused so often running for the same reason, a stroke may be as the spring is
# The whole stroke says better what is wrong with it than the alarm in its midst.
_NAMED_BETTER = ("slipped",)
# That heights are right in spite of these, no press of one spring shows.
_NO_PRESS_SHOWS = ("datum_differs", "stop_moved", "closing_differs")
# What a spring may do in each press: refused again and again, it is asked about.
_MAY_BE_SO = ("slipped", "cocked", "apart")


class StrokeChecks:
    """Judges the strokes of one set by all that is known of it.

    Used by the thread that owns the book.

    Attributes:
        curves: of the presses that count.
    """

    def __init__(self, db: Database, reach_height_mm: float | None) -> None:
        self._db = db
        self.curves = PressedCurves(db)
        self._own = OwnPresses(db)
        self._reach_height_mm = reach_height_mm
        self._pressed: deque[tuple[Stroke, float | None]] = deque(maxlen=PROMPT_DEPTHS)
        self._refused: tuple[str, str, int] = ("", "", 0)  # label, kind, times running
        self._rivals = Rivals(self._own)
        self._newest: LikelyStroke | None = None
        self._earlier: dict[str, LikelyStroke] = {}  # strokes of the spring, by their id

    def took(self, stroke: Stroke, haste: float | None = None) -> None:
        """A stroke counted, in such haste where it was measured."""
        self._pressed.append((stroke, haste))
        self._rivals.forget()

    def stored(self, sweep_id: str) -> None:
        """The newest press is in the book, by this id: it is worked out already."""
        if self._newest is not None:
            new = self._newest.stored_as(sweep_id)
            mine = (one for one in self._earlier.items() if one[1].read.label == new.read.label)
            self._earlier = dict(mine) | {sweep_id: new}
            self._own.keep(new.read)

    def refused(self, press: Waiting) -> None:
        """The newest press was refused; it may be another one that is odd."""
        self._rivals.refused(press)

    def gauged(self) -> None:
        """A gauge agrees with the datum: heights were right in what was refused."""
        self._rivals.gauged()

    def took_back(self, presses: int = 1) -> None:
        """The last ones that counted do not."""
        for _ in range(min(presses, len(self._pressed))):
            self._pressed.pop()

    def turn_of(self, stroke: Stroke, turn: Turn, record: SetRecord, works: int) -> Turn:
        """Return the turn that a press is of: one that goes far deeper than what worked its spring
        works it.

        Args:
            works: how many presses are to work it.
        """
        first = turn.purpose is Purpose.MEASURED and turn.number == 1 and works > 0
        if not first or self._own.worked_short(stroke, turn.label, record) is None:
            return turn
        return Turn(turn.label, Purpose.CONDITIONING, works, works)

    def judge(
        self,
        stroke: Stroke,
        turn: Turn,
        record: SetRecord,
        calibration: CalibrationRecord,
        bounds: Bounds,
        *,
        unknown: Finding | None = None,
        stop: Finding | None = None,
        suspected: Finding | None = None,
        unseen: Finding | None = None,
        risen: Finding | None = None,
        stop_holds: bool = False,
        said: bool = False,
    ) -> Judged:
        """Judge a stroke that has just ended; while an alarm says stop, none counts.

        Args:
            unknown: why heights are not known: `datum_lost`, or `datum_doubted`.
            suspected: why it could not be that spring, as it was seen on the way down.
            unseen: why it must wait till the quill is seen at its stop; None where it need not.
            risen: that the quill's stop seems to have moved since the spring's press before.
            stop_holds: whether the quill was last seen at its stop.
            said: whether a person said that the heights are right.
        """
        self._newest = None
        self._rivals.next_press()
        datum_lost = unknown is not None and unknown.kind == "datum_lost"
        verdict = judge(
            stroke,
            turn.purpose,
            reach_height_mm=None if datum_lost else self._reach_height_mm,
            earlier_depths_mm=tuple(one.depth_mm for one, _ in self._pressed),
        )
        if datum_lost and unknown is not None:
            also = () if verdict.counted else verdict.findings
            judged = Judged(refused_for(verdict, (unknown, *also)))
        else:
            hard = None if stop is None or stop.kind in _NAMED_BETTER else stop
            wrong = with_stop(self._wrong(stroke, calibration, bounds), hard)
            low = verdict.counted and {one.kind for one in wrong} == {"touched_low"}
            judged = (
                Judged(refused_for(verdict, wrong), question=wrong[0] if low else None)
                if wrong
                else self._as_pressed(stroke, turn, record, calibration, verdict, said=said)
            )
            if judged.verdict.counted and stop is not None:
                judged = Judged(refused_for(verdict, [stop]))
        if judged.verdict.counted and turn.purpose is Purpose.CONDITIONING:
            short = self._own.worked_short(stroke, turn.label, record)
            judged = replace(judged, verdict=judged.verdict.noted(short))
        judged = self._counted_up(turn.label, judged)
        if unknown is not None and not datum_lost:
            sweep = self._alone(stroke, turn, calibration).read
            judged = self._in_doubt(judged, unknown, sweep, record, holds=stop_holds)
        elif judged.verdict.counted and (unseen or risen) is not None:
            sweep = self._alone(stroke, turn, calibration).read
            judged = self._unproven(judged, unseen, risen, sweep, record)
        unasked = not judged.verdict.counted and judged.question is None
        # what a wrong instrument reads says nothing of the spring
        if unasked and cure(judged.verdict.findings) not in ("mend_rig", "set_datum"):
            return replace(judged, question=suspected)
        return judged

    def moved_since(self, record: SetRecord, first: Collection[str]) -> Moved | None:
        """Say how far the newest press lies from the first ones of its spring, as OwnPresses."""
        new = self._newest
        return None if new is None else self._own.moved_since(new.read, record, first)

    def _alone(self, stroke: Stroke, turn: Turn, calibration: CalibrationRecord) -> LikelyStroke:
        """Return the newest press as it reads, worked out once."""
        if self._newest is None:
            self._newest = LikelyStroke.of(stroke, turn, calibration)
        return self._newest

    def _in_doubt(
        self,
        judged: Judged,
        doubt: Finding,
        sweep: Sweep,
        record: SetRecord,
        *,
        holds: bool,
    ) -> Judged:
        """Let a press count while the datum is in doubt only where all shows that it has not moved.

        That is so where the spring is pressed at the heights it had before, and the quill's stop is
        where it was. No press shows it while a gauge contradicts, nor while the quill rests above
        where it rested again and again: a spring that is shorter by as much as the scale slipped
        would be pressed at the same heights.
        """
        asked, why = judged.question, doubt.facts["why"]
        if judged.settles and why["kind"] == "slipped":
            return judged
        by_itself = asked is not None and asked.kind == "same_again" and why["kind"] == "slipped"
        if not judged.verdict.counted and (asked is None or by_itself):
            return judged
        shown = judged.verdict.counted and holds
        shown = shown and why["kind"] not in _NO_PRESS_SHOWS
        if shown and self._own.stands_as_before(sweep, record, None):
            return replace(judged, settles=True)
        return Judged(refused_for(judged.verdict, [doubt]), waits=judged.verdict.counted)

    def _unproven(
        self,
        judged: Judged,
        unseen: Finding | None,
        risen: Finding | None,
        sweep: Sweep,
        record: SetRecord,
    ) -> Judged:
        """Let a press wait till the quill is up, or show that the scale did not slip before it."""
        if risen is not None:
            within_mm = HALF * abs(risen["moved_mm"])
            if self._own.stands_as_before(sweep, record, within_mm):
                before = Finding("stop_was_lower", risen.facts)
                return replace(judged, settles=True, verdict=judged.verdict.noted(before))
        why = [one for one in (unseen, risen) if one is not None]
        return Judged(refused_for(judged.verdict, why), waits=True)

    def can_show(self, label: str, record: SetRecord, calibration_id: str) -> bool:
        """Tell whether a spring was pressed by this datum before, so that a press may show it."""
        return self._own.has(label, record, calibration_id)

    def _counted_up(self, label: str, judged: Judged) -> Judged:
        """Count how often running the same was refused; that may be how the spring is."""
        if judged.verdict.counted:
            self._refused = ("", "", 0)
            return judged
        findings = judged.verdict.findings
        kind, times = findings[0].kind, 1
        if self._refused[:2] == (label, kind):
            times += self._refused[2]
        self._refused = (label, kind, times)
        question = judged.question
        if question is None and times >= ASK_AT and kind in _MAY_BE_SO:
            documents = [one.to_document() for one in findings]
            own = any(_beside_own(one) for one in findings)
            facts = {"label": label, "times": times, "findings": documents, "own": own}
            question = Finding("same_again", facts)
        return replace(judged, question=question, times=times)

    def _as_pressed(
        self,
        stroke: Stroke,
        turn: Turn,
        record: SetRecord,
        calibration: CalibrationRecord,
        verdict: Verdict,
        *,
        said: bool,
    ) -> Judged:
        """Judge a stroke in which nothing was impossible."""
        alone = self._alone(stroke, turn, calibration)
        sweep = alone.read
        measured = turn.purpose is Purpose.MEASURED
        if measured and sweep.too_fast and verdict.status is not SweepStatus.INTERRUPTED:
            return Judged(refused_for(verdict, [Finding.of("too_fast", samples=len(stroke.raw))]))
        whole = verdict.status is not SweepStatus.INTERRUPTED and not sweep.too_fast
        curves = self.curves.of(record) if whole else {}
        if whole and self._own.newest_hastier(sweep, record):
            curves.pop(turn.label, None)
        mean = mean_of_ways(sweep.loading, sweep.unloading)
        found = known(turn.label, record, curves).unlike(mean) if whole else None
        spoilt = measured and found is not None and found.facts["own"] and bool(alone.spoiling)
        other = None if spoilt else found  # a slip is called one
        if (other is not None or turn.label in curves) and self._as_low(stroke):
            # a shorter spring, pressed as low as the others, is no short press
            verdict = judge(stroke, turn.purpose, reach_height_mm=self._reach_height_mm)
        if not verdict.counted:
            return Judged(verdict)
        if other is not None:
            return self._departing(sweep, other, record, verdict)
        beside = self._beside_before(alone, record, verdict, said=said) if whole else None
        if beside is not None and not beside.verdict.counted:
            return beside
        if whole:
            others = [curve for label, curve in curves.items() if label != turn.label]
            weak = beside_the_set(mean, others)  # or stiff, more than the set's check allows
            told = () if weak is None else (weak,)
            verdict = replace(verdict, findings=(*verdict.findings, *told))
        judged = self._measured(alone, turn, record, verdict)
        if beside is None or not judged.verdict.counted:
            return judged
        return replace(judged, settles=True, agrees_with=beside.agrees_with)

    def _departing(self, sweep: Sweep, why: Finding, record: SetRecord, verdict: Verdict) -> Judged:
        """Ask about a press that may be another spring's, or at other heights.

        One that was so fast for its converter that the lag may look like anything is to be pressed
        more slowly: neither spring nor scale is to be doubted for it.
        """
        hasty = _hurried(sweep)
        if hasty is not None:
            return Judged(refused_for(verdict, [hasty]))
        rivals = self._rivals.agreeing(sweep)
        odd = self._rivals.outvoted(sweep, why, rivals, record)
        if odd:
            why = Finding(why.kind, {**why.facts, "agree": 1 + len(rivals), "instead": len(odd)})
        if why.kind == "datum_moved" and any(one.gauged for one in rivals):
            why = Finding("sits_otherwise", why.facts)
        if why.facts.get("other") is not None:
            why = Finding(why.kind, {**why.facts, "alike": self._rivals.of_others(sweep)})
        asked = Judged(refused_for(verdict, [why]), question=why, agrees_with=rivals)
        return replace(asked, left_out=odd)

    def _beside_before(
        self,
        alone: LikelyStroke,
        record: SetRecord,
        verdict: Verdict,
        *,
        said: bool,
    ) -> Judged | None:
        """Judge it beside the spring's presses before, and way beside way; None: they are alike."""
        sweep = alone.read
        slips = [one for one in alone.spoiling if one.kind in HEIGHTS_IN_DOUBT]
        departs = None if slips else self._own.unlike(sweep, record)
        if departs is not None and departs.kind != "slipped":
            return self._departing(sweep, departs, record, verdict)
        within = slipped_within(sweep)
        if not slips and within is None and departs is None:
            return None
        hasty = _hurried(sweep)
        if hasty is not None:
            return Judged(refused_for(verdict, [hasty]))
        if within is None and departs is not None:
            majority = self._rivals.majority(sweep, departs, said=said)
            if majority:
                return Judged(verdict, agrees_with=majority)
        slip = within or departs
        return Judged(refused_for(verdict, slips if slip is None else [slip]))

    def _measured(
        self, alone: LikelyStroke, turn: Turn, record: SetRecord, verdict: Verdict
    ) -> Judged:
        """Judge by its haste and its own strokes what is no press of another spring."""
        press = alone.read.press
        if turn.purpose is not Purpose.MEASURED or press is None:
            return Judged(verdict)
        haste, hasty = press.haste, self._hasty(press)
        # no hurried press is what later ones are held to
        if hasty is not None and (self._hastes or press.hurried):
            return Judged(refused_for(verdict, [hasty]))
        if hasty is not None:
            verdict = replace(verdict, findings=(*verdict.findings, hasty))
        return replace(self._beside_its_own(alone, turn, record, verdict), haste=haste)

    def _hasty(self, press: Press) -> Finding | None:
        """Say that a stroke was much hastier than the others, or than is good where there are none.

        The load comes late by a filter that nobody knows well: where that takes a large part of
        the way, so do the loads depend on it.
        """
        usual = median(np.array(self._hastes)) if self._hastes else 0.0
        most = max(HASTE, HASTE_TIMES * usual)
        if press.haste <= most:
            return None
        usual_s = press.way_s * press.haste / usual if usual else None
        facts = {"way_s": press.way_s, "usual_s": usual_s, "others": len(self._hastes)}
        return Finding("hasty", facts | {"least_s": press.way_s * press.haste / most})

    @property
    def _hastes(self) -> list[float]:
        """Of the measured strokes that count."""
        return [haste for _, haste in self._pressed if haste is not None]

    def _as_low(self, stroke: Stroke) -> bool:
        """Tell whether it was pressed as low as a stroke of this set that counted."""
        lowest_mm = max((one.lowest_mm for one, _ in self._pressed), default=-math.inf)
        return stroke.lowest_mm <= lowest_mm + LOW_SLACK_MM

    def _wrong(
        self, stroke: Stroke, calibration: CalibrationRecord, bounds: Bounds
    ) -> list[Finding]:
        block = apply(calibration.calibration, stroke.raw).samples
        zero = stroke.zero_counts
        zero_n = 0.0 if zero is None else float(value(calibration.load.fit, zero))
        return wrong_in_stroke(stroke, block["load_n"], block["height_mm"], zero_n, bounds)

    def known_of(self, label: str, record: SetRecord) -> Known:
        """Return what a spring of this label should press like, however slowly it is pressed."""
        curves = self.curves.of(record)
        if self._own.newest_hurried(label, record):
            curves.pop(label, None)
        return known(label, record, curves)

    def _beside_its_own(
        self, alone: LikelyStroke, turn: Turn, record: SetRecord, verdict: Verdict
    ) -> Judged:
        """Judge it as the set's check will: by itself, and all of them once it is the last."""
        if alone.spoiling:
            return Judged(refused_for(verdict, alone.spoiling))
        if turn.number < turn.wanted or turn.number == 1:
            return Judged(verdict)
        counted = [one for one in self._own.of(turn.label, record) if not one.works]
        own = counted[len(counted) - (turn.number - 1) :]  # others are about to be replaced
        rulings = rulings_of(self._db, record.spring(turn.label).spring_id) | {NEW: None}
        strokes = [*(self._likely(one) for one in own), alone]
        numbers = {one.read.sweep_id: at for at, one in enumerate(strokes, start=1)}
        sweeps, alone_found = zip(*((one.sweep, one.findings) for one in strokes), strict=True)
        *before, new = judge_strokes(sweeps, numbers, rulings, alone=alone_found)
        if not new.kept:
            return Judged(refused_for(verdict, spoiling(new.findings)))
        left_out = tuple(
            LeftOut(one.sweep_id, one.number, tuple(spoiling(one.findings)))
            for one in before
            if not one.kept and one.why == "spoilt"
        )
        return Judged(verdict, left_out=left_out)

    def _likely(self, sweep: Sweep) -> LikelyStroke:
        """Return a stroke with what was worked out of it before, if it still reads as it did."""
        known = self._earlier.get(sweep.sweep_id)
        return known if known is not None and known.read is sweep else LikelyStroke(sweep)


def _beside_own(found: Finding) -> bool:
    """Tell whether it is beside the spring's other presses that a press seems wrong."""
    return found.kind == "apart" or "of_one_spring" in found.facts


def _hurried(sweep: Sweep) -> Finding | None:
    """Say that it was so fast for its converter that the lag may look like anything."""
    if sweep.press is None or not sweep.press.hurried:
        return None
    facts = {"way_s": sweep.press.way_s, "least_s": hurried_s(sweep.press.interval_s)}
    return Finding("hasty", facts | {"usual_s": None, "others": 0})
