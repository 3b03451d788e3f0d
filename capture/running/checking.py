"""Whether a finished stroke counts, while its spring is still in the press."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np
from sqlite_utils import Database

from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.book.counting import PressedCurves, rulings_of
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.calibration.lag import Press
from coilbench.capture.calibration.model import apply
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.running.own_presses import OnePress, OwnPresses, spoiling
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.judging import Purpose, Turn, Verdict, judge
from coilbench.capture.strokes.likeness import (
    Known,
    beside_the_set,
)
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.stroke_choice import judge_strokes
from coilbench.capture.strokes.sweep import Origin, Sweep, SweepStatus, read_stroke
from coilbench.capture.strokes.watching import Bounds, with_stop, wrong_in_stroke

LOW_SLACK_MM = 0.5  # so much higher a hand stops for the same height; common practice, no source
HASTE, HASTE_TIMES = 0.1, 2.5  # of the way unseen, and so many times the usual; ours, no source
PROMPT_DEPTHS = 30  # strokes that tell how deep this set is usually pressed
ASK_AT = 3  # refused so often running for the same reason, a stroke may be as the spring is

# The whole stroke says better what is wrong with it than the alarm in its midst.
_NAMED_BETTER = ("slipped",)
# With these heights may have moved in the press.
HEIGHTS_IN_DOUBT = frozenset({"slipped", "travel_jumped"})
# What a spring may do in each press: refused again and again, it is asked about.
_MAY_BE_SO = ("slipped", "cocked", "apart")

_CURES = {
    "touched_low": "look_at_it",
    "datum_lost": "set_datum",
    "datum_doubted": "set_datum",
    "travel_jumped": "set_datum",
    "too_fast": "press_slower",
    "hasty": "press_slower",
    "overload": "press_less",
    "coils_bind": "press_shorter",
    "below_solid": "look_at_it",
    "above_free": "look_at_it",
} | dict.fromkeys(
    (
        "amplifier_at_limit",
        "below_faces",
        "load_dead",
        "load_reversed",
        "load_still",
        "travel_dead",
        "travel_reversed",
        "travel_steps_missed",
    ),
    "mend_rig",
)


def cure(findings: Sequence[Finding]) -> str:
    """Return what helps against why a stroke was refused: a word for a screen."""
    return next((_CURES[one.kind] for one in findings if one.kind in _CURES), "press_again")


class LeftOut(NamedTuple):
    """An earlier stroke of the spring that turned out to be the odd one."""

    sweep_id: str
    number: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Judged:
    """What a stroke is worth.

    Attributes:
        question: what a person must say before it counts; None: nothing.
        left_out: earlier strokes that no longer count because of it.
        haste: see Press; None where it does not matter.
        settles: it shows that a datum that was in doubt has not moved.
        times: how often running a stroke of this spring was refused for the same reason.
    """

    verdict: Verdict
    question: Finding | None = None
    left_out: tuple[LeftOut, ...] = ()
    times: int = 0
    haste: float | None = None
    settles: bool = False


class StrokeChecks:
    """Judges the strokes of one set by all that is known of it.

    Used by the thread that owns the book.
    """

    def __init__(self, db: Database, reach_height_mm: float | None) -> None:
        self._db = db
        self._curves = PressedCurves(db)
        self._own = OwnPresses(db)
        self._reach_height_mm = reach_height_mm
        self._pressed: deque[tuple[Stroke, float | None]] = deque(maxlen=PROMPT_DEPTHS)
        self._refused: tuple[str, str, int] = ("", "", 0)  # label, kind, times running

    def took(self, stroke: Stroke, haste: float | None = None) -> None:
        """A stroke counted, in such haste where it was measured."""
        self._pressed.append((stroke, haste))

    def took_back(self, presses: int = 1) -> None:
        """The last ones that counted do not."""
        for _ in range(min(presses, len(self._pressed))):
            self._pressed.pop()

    def judge(
        self,
        sweep_id: str,
        stroke: Stroke,
        turn: Turn,
        record: SetRecord,
        calibration: CalibrationRecord,
        bounds: Bounds,
        *,
        unknown: Finding | None = None,
        stop: Finding | None = None,
        suspected: Finding | None = None,
        stop_holds: bool | None = None,
    ) -> Judged:
        """Judge a stroke that has just ended; while an alarm says stop, none counts.

        Args:
            sweep_id: what the book will know it by.
            unknown: why heights are not known: `datum_lost`, or `datum_doubted`.
            suspected: why it could not be that spring, as it was seen on the way down.
            stop_holds: whether the quill's stop is where it was; None where nobody knows.
        """

        @cache
        def read() -> OnePress:
            return OnePress(_as_sweep(sweep_id, stroke, turn, calibration))

        datum_lost = unknown is not None and unknown.kind == "datum_lost"
        verdict = judge(
            stroke,
            turn.purpose,
            reach_height_mm=None if datum_lost else self._reach_height_mm,
            earlier_depths_mm=tuple(one.depth_mm for one, _ in self._pressed),
        )
        if datum_lost and unknown is not None:
            also = () if verdict.counted else verdict.findings
            judged = Judged(_refused(verdict, (unknown, *also)))
        else:
            hard = None if stop is None or stop.kind in _NAMED_BETTER else stop
            wrong = with_stop(self._wrong(stroke, calibration, bounds), hard)
            low = verdict.counted and {one.kind for one in wrong} == {"touched_low"}
            judged = (
                Judged(_refused(verdict, wrong), question=wrong[0] if low else None)
                if wrong
                else self._as_pressed(stroke, turn, record, read(), verdict)
            )
            if judged.verdict.counted and stop is not None:
                judged = Judged(_refused(verdict, [stop]))
        judged = self._counted_up(turn.label, judged)
        if unknown is not None and not datum_lost:
            judged = self._in_doubt(judged, unknown, read(), record, holds=stop_holds is True)
        unasked = not judged.verdict.counted and judged.question is None
        # what a wrong instrument reads says nothing of the spring
        if unasked and cure(judged.verdict.findings) not in ("mend_rig", "set_datum"):
            return replace(judged, question=suspected)
        return judged

    def _in_doubt(
        self, judged: Judged, doubt: Finding, press: OnePress, record: SetRecord, *, holds: bool
    ) -> Judged:
        """Let a press count while the datum is in doubt only where all shows that it has not moved.

        That is so where the quill's stop is where it was and the spring is pressed at the heights
        it had before; nothing shows it while a gauge contradicts.
        """
        asked = judged.question
        if not judged.verdict.counted and (asked is None or asked.kind == "same_again"):
            return judged
        gauge = doubt.facts["why"]["kind"] == "datum_differs"
        shown = judged.verdict.counted and holds and not gauge
        if shown and self._own.stands_as_before(press, record):
            return replace(judged, settles=True)
        return Judged(_refused(judged.verdict, [doubt]))

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
            question = Finding.of("same_again", label=label, times=times, findings=documents)
        return replace(judged, question=question, times=times)

    def _as_pressed(
        self,
        stroke: Stroke,
        turn: Turn,
        record: SetRecord,
        alone: OnePress,
        verdict: Verdict,
    ) -> Judged:
        """Judge a stroke in which nothing was impossible."""
        sweep = alone.read
        measured = turn.purpose is Purpose.MEASURED
        if measured and sweep.too_fast and verdict.status is not SweepStatus.INTERRUPTED:
            return Judged(_refused(verdict, [Finding.of("too_fast", samples=len(stroke.raw))]))
        whole = verdict.status is not SweepStatus.INTERRUPTED and not sweep.too_fast
        found = self.known_of(turn.label, record).unlike(alone.mean) if whole else None
        spoilt = measured and found is not None and found.facts["own"] and bool(alone.spoiling)
        other = None if spoilt else found  # a slip is called one
        if other is not None and self._as_low(stroke):
            # a shorter spring, pressed as low as the others, is no short press
            verdict = judge(stroke, turn.purpose, reach_height_mm=self._reach_height_mm)
        if not verdict.counted:
            return Judged(verdict)
        if other is not None:
            return Judged(_refused(verdict, [other]), question=other)
        if whole:
            slips = [one for one in alone.spoiling if one.kind in HEIGHTS_IN_DOUBT]
            departs = None if slips else self._own.unlike(alone, record)
            if departs is not None and departs.kind != "slipped":
                return Judged(_refused(verdict, [departs]), question=departs)
            slip = departs or alone.slip
            if slips or slip is not None:
                return Judged(_refused(verdict, slips if slip is None else [slip]))
            verdict = self._beside_the_set(alone, turn.label, record, verdict)
        return self._measured(alone, turn, record, verdict)

    def _measured(self, alone: OnePress, turn: Turn, record: SetRecord, verdict: Verdict) -> Judged:
        """Judge by its haste and its own strokes what is no press of another spring."""
        press = alone.read.press
        if turn.purpose is not Purpose.MEASURED or press is None:
            return Judged(verdict)
        haste, hasty = press.haste, self._hasty(press)
        if hasty is not None and self._hastes:
            return Judged(_refused(verdict, [hasty]))
        if hasty is not None:
            verdict = replace(verdict, findings=(*verdict.findings, hasty))
        return replace(self._beside_its_own(alone, turn, record, verdict), haste=haste)

    def _hasty(self, press: Press) -> Finding | None:
        """Say that a stroke was much hastier than the others, or than is good where there are none.

        The load comes late by a filter that nobody knows well: where that takes a large part of
        the way, so do the loads depend on it.
        """
        usual = float(np.median(self._hastes)) if self._hastes else 0.0
        if press.haste <= max(HASTE, HASTE_TIMES * usual):
            return None
        usual_s = press.way_s * press.haste / usual if usual else None
        facts = {"way_s": press.way_s, "usual_s": usual_s, "others": len(self._hastes)}
        return Finding("hasty", facts)

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
        """Return what a spring of this label should press like."""
        known = self._curves.of(record)
        nominal = () if record.nominal is None else record.nominal.loads
        return Known(
            label,
            own=label in known,
            others=tuple([known[label]] if label in known else known.values()),
            nominal=tuple((load.height_mm, load.load_n) for load in nominal),
        )

    def _beside_the_set(
        self, alone: OnePress, label: str, record: SetRecord, verdict: Verdict
    ) -> Verdict:
        """Say where a spring that passes is weaker or stiffer than the set's check allows."""
        others = [curve for one, curve in self._curves.of(record).items() if one != label]
        found = beside_the_set(alone.mean, others)
        return verdict if found is None else replace(verdict, findings=(*verdict.findings, found))

    def _beside_its_own(
        self, alone: OnePress, turn: Turn, record: SetRecord, verdict: Verdict
    ) -> Judged:
        """Judge it as the set's check will: by itself, and all of them once it is the last."""
        if alone.spoiling:
            return Judged(_refused(verdict, alone.spoiling))
        if turn.number == 1:
            return Judged(verdict)
        counted = [one for one in self._own.before(alone, record) if not one.read.works]
        own = counted[len(counted) - (turn.number - 1) :]  # others are about to be replaced
        strokes = [*own, alone]
        new_id = alone.read.sweep_id
        rulings = rulings_of(self._db, record.spring(turn.label).spring_id) | {new_id: None}
        numbers = {one.read.sweep_id: at for at, one in enumerate(strokes, start=1)}
        *before, new = judge_strokes(
            [one.likely for one in strokes],
            numbers,
            rulings,
            alone=[one.findings for one in strokes],
        )
        if turn.number < turn.wanted:
            return Judged(verdict)
        if not new.kept:
            return Judged(_refused(verdict, spoiling(new.findings)))
        left_out = tuple(
            LeftOut(one.sweep_id, one.number, tuple(spoiling(one.findings)))
            for one in before
            if not one.kept and one.why == "spoilt"
        )
        return Judged(verdict, left_out=left_out)


def _refused(verdict: Verdict, findings: Sequence[Finding]) -> Verdict:
    whole = verdict.status in (SweepStatus.COMPLETE, SweepStatus.GAPPED)
    status = SweepStatus.ABORTED if whole else verdict.status
    return replace(verdict, status=status, counted=False, findings=tuple(findings))


def _as_sweep(sweep_id: str, stroke: Stroke, turn: Turn, calibration: CalibrationRecord) -> Sweep:
    read_with = (calibration.calibration, calibration.calibration_id)
    press, rig = read_stroke(stroke.raw, *read_with, stroke.zero_counts)
    loading, unloading = Branch(press.travel_mm + press.flex_mm, press.load_n).split()
    return Sweep(
        sweep_id=sweep_id,
        label=turn.label,
        origin=Origin.RIG,
        loading=loading,
        unloading=unloading,
        load_u_n=0.0,
        load_u_relative=0.0,
        height_u_mm=0.0,
        press=press,
        rig=rig,
        too_fast=press.surely_too_fast,
        works=turn.purpose is Purpose.CONDITIONING,
    )
