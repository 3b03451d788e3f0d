"""Whether a finished stroke counts, while its spring is still in the press."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from sqlite_utils import Database

from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.book.counting import PressedCurves, rulings_of
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.calibration.lag import typical_lag
from coilbench.capture.calibration.model import apply
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.strokes.judging import Purpose, Turn, Verdict, judge
from coilbench.capture.strokes.likeness import mean_of_ways, unlike
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.stroke_choice import judge_strokes
from coilbench.capture.strokes.stroke_findings import StrokeFinding, stroke_findings
from coilbench.capture.strokes.sweep import Branch, Origin, Sweep, SweepStatus, read_stroke
from coilbench.capture.strokes.watching import Bounds, with_stop, wrong_in_stroke

DATUM_LOST = Finding("datum_lost")
LOW_SLACK_MM = 0.5  # so much higher a hand stops for the same height; common practice, no source
PROMPT_DEPTHS = 30  # strokes that tell how deep this set is usually pressed
ASK_AT = 3  # refused so often running for the same reason, a stroke may be as the spring is
_NEW = "new"  # the id of the stroke that is judged

_CURES = {
    "datum_lost": "set_datum",
    "too_fast": "press_slower",
    "overload": "press_less",
    "coils_bind": "press_shorter",
} | dict.fromkeys(
    (
        "amplifier_at_limit",
        "below_faces",
        "below_solid",
        "above_free",
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
    """

    verdict: Verdict
    question: Finding | None = None
    left_out: tuple[LeftOut, ...] = ()


class StrokeChecks:
    """Judges the strokes of one set by all that is known of it.

    Used by the thread that owns the book.
    """

    def __init__(self, db: Database, reach_height_mm: float | None) -> None:
        self._db = db
        self._curves = PressedCurves(db)
        self._reach_height_mm = reach_height_mm
        self._pressed: deque[Stroke] = deque(maxlen=PROMPT_DEPTHS)
        self._refused: tuple[str, str, int] | None = None  # label, kind, times running

    def took(self, stroke: Stroke) -> None:
        """A stroke counted."""
        self._pressed.append(stroke)

    def took_back(self) -> None:
        """The last one that counted does not."""
        if self._pressed:
            self._pressed.pop()

    def judge(
        self,
        stroke: Stroke,
        turn: Turn,
        record: SetRecord,
        calibration: CalibrationRecord,
        bounds: Bounds,
        *,
        datum_lost: bool,
        stop: Finding | None = None,
    ) -> Judged:
        """Judge a stroke that has just ended; while an alarm says stop, none counts."""
        verdict = judge(
            stroke,
            turn.purpose,
            reach_height_mm=None if datum_lost else self._reach_height_mm,
            earlier_depths_mm=tuple(one.depth_mm for one in self._pressed),
        )
        if datum_lost:
            also = () if verdict.counted else verdict.findings
            return Judged(_refused(verdict, (DATUM_LOST, *also)))
        wrong = with_stop(self._wrong(stroke, calibration, bounds), stop)
        if wrong:
            return Judged(_refused(verdict, wrong))
        sweep = _as_sweep(stroke, turn.label, calibration)
        measured = turn.purpose is Purpose.MEASURED
        if measured and sweep.too_fast and verdict.status is not SweepStatus.INTERRUPTED:
            return Judged(_refused(verdict, [Finding.of("too_fast", samples=len(stroke.raw))]))
        whole = verdict.status is not SweepStatus.INTERRUPTED and not sweep.too_fast
        other = self._unlike(sweep, turn.label, record) if whole else None
        if other is not None and self._as_low(stroke):
            # a shorter spring, pressed as low as the others, is no short press
            verdict = judge(stroke, turn.purpose, reach_height_mm=self._reach_height_mm)
        if not verdict.counted:
            return Judged(verdict)
        if other is not None:
            return Judged(_refused(verdict, [other]), question=other)
        return self._beside_its_own(sweep, turn, record, verdict) if measured else Judged(verdict)

    def _as_low(self, stroke: Stroke) -> bool:
        """Tell whether it was pressed as low as a stroke of this set that counted."""
        lowest_mm = max((one.lowest_mm for one in self._pressed), default=-math.inf)
        return stroke.lowest_mm <= lowest_mm + LOW_SLACK_MM

    def _wrong(
        self, stroke: Stroke, calibration: CalibrationRecord, bounds: Bounds
    ) -> list[Finding]:
        block = apply(calibration.calibration, stroke.raw).samples
        zero = stroke.zero_counts
        zero_n = 0.0 if zero is None else float(value(calibration.load.fit, zero))
        return wrong_in_stroke(stroke, block["load_n"], block["height_mm"], zero_n, bounds)

    def _unlike(self, sweep: Sweep, label: str, record: SetRecord) -> Finding | None:
        """Compare with the spring's own strokes, where it has any, else with the others'."""
        known = self._curves.of(record)
        own = label in known
        known = {label: known[label]} if own else known
        nominal = () if record.nominal is None else record.nominal.loads
        found = unlike(
            mean_of_ways(sweep.loading, sweep.unloading),
            list(known.values()),
            [(load.height_mm, load.load_n) for load in nominal],
        )
        facts = {"label": label, "own": own}
        return None if found is None else replace(found, facts=facts | dict(found.facts))

    def _beside_its_own(
        self, sweep: Sweep, turn: Turn, record: SetRecord, verdict: Verdict
    ) -> Judged:
        """Judge it as the set's check will: by itself, and all of them once it is the last."""
        sweep = likely(sweep)
        alone = _spoiling(stroke_findings(sweep))
        if alone:
            return self._refuse(turn.label, alone, verdict)
        if turn.number < turn.wanted:
            self._refused = None
            return Judged(verdict)
        counted = load_sweeps(self._db, record, only=turn.label)[turn.label]
        own = counted[len(counted) - (turn.number - 1) :]  # others are about to be replaced
        rulings = rulings_of(self._db, record.spring(turn.label).spring_id) | {_NEW: None}
        strokes = [*(likely(one) for one in own), sweep]
        numbers = {one.sweep_id: at for at, one in enumerate(strokes, start=1)}
        *before, new = judge_strokes(strokes, numbers, rulings)
        if not new.kept:
            return self._refuse(turn.label, _spoiling(new.findings), verdict)
        self._refused = None
        left_out = tuple(
            LeftOut(one.sweep_id, one.number, tuple(_spoiling(one.findings)))
            for one in before
            if not one.kept and one.why == "spoilt"
        )
        return Judged(verdict, left_out=left_out)

    def _refuse(self, label: str, findings: Sequence[Finding], verdict: Verdict) -> Judged:
        """Refuse a spoilt stroke; one that comes again and again may be how the spring is."""
        kind, times = findings[0].kind, 1
        if self._refused is not None and self._refused[:2] == (label, kind):
            times += self._refused[2]
        self._refused = (label, kind, times)
        question = None
        if times >= ASK_AT and kind != "too_fast":
            documents = [one.to_document() for one in findings]
            question = Finding.of("same_again", label=label, times=times, findings=documents)
        return Judged(_refused(verdict, findings), question=question)


def _refused(verdict: Verdict, findings: Sequence[Finding]) -> Verdict:
    whole = verdict.status in (SweepStatus.COMPLETE, SweepStatus.GAPPED)
    status = SweepStatus.ABORTED if whole else verdict.status
    return replace(verdict, status=status, counted=False, findings=tuple(findings))


def _spoiling(findings: Sequence[StrokeFinding]) -> list[Finding]:
    return [Finding(one.kind, one.facts) for one in findings if one.spoils]


def likely(sweep: Sweep) -> Sweep:
    """Return a stroke with the lag undone that is typical: the set's check knows it better."""
    press = sweep.press
    if press is None or press.t_s.size < 2:
        return sweep
    lag = typical_lag(float(np.median(np.diff(press.t_s))))
    height_mm = press.height_mm(lag.delay_s, lag.spread_s2)
    loading, unloading = Branch(height_mm, press.load_n).split()
    return replace(sweep, loading=loading, unloading=unloading, lag=lag)


def _as_sweep(stroke: Stroke, label: str, calibration: CalibrationRecord) -> Sweep:
    read_with = (calibration.calibration, calibration.calibration_id)
    press, rig = read_stroke(stroke.raw, *read_with, stroke.zero_counts)
    loading, unloading = Branch(press.travel_mm + press.flex_mm, press.load_n).split()
    return Sweep(
        sweep_id=_NEW,
        label=label,
        origin=Origin.RIG,
        loading=loading,
        unloading=unloading,
        load_u_n=0.0,
        load_u_relative=0.0,
        height_u_mm=0.0,
        press=press,
        rig=rig,
        too_fast=press.surely_too_fast,
    )
