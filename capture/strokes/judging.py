"""Whose turn it is in a set, and whether a stroke counts or is asked for again. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.capture.blocks import Finding, SampleFlag, usable_of
from coilbench.capture.calibration.statistics import median
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.sweep import SweepStatus


class Purpose(StrEnum):
    """What a stroke is for."""

    CONDITIONING = "conditioning"  # works the spring, is kept but not counted
    MEASURED = "measured"


class Done(msgspec.Struct, frozen=True):
    """What a spring has behind it already."""

    conditioning: int = 0
    measured: int = 0


_NOTHING = Done()


class Turn(msgspec.Struct, frozen=True):
    """The stroke that is wanted next: number, from 1, of the strokes wanted for that purpose."""

    label: str
    purpose: Purpose
    number: int
    wanted: int


class TurnOrder(msgspec.Struct, frozen=True, dict=True):
    """A set in the order it is pressed, and how far it has come."""

    labels: tuple[str, ...]
    conditioning: int  # presses that work a spring before it is read
    measured: int  # strokes that count, for each spring
    done: Mapping[str, Done]  # what each spring has behind it; a label that is missing has nothing

    def next_turn(self) -> Turn | None:
        """Return the stroke wanted next, or None when the whole set is measured."""
        return self._next

    @cached_property
    def _next(self) -> Turn | None:  # asked for many times a second
        for label in self.labels:
            done = self._done_of(label)
            if done.measured >= self.measured:
                continue
            if done.conditioning < self.conditioning:
                return Turn(label, Purpose.CONDITIONING, done.conditioning + 1, self.conditioning)
            return Turn(label, Purpose.MEASURED, done.measured + 1, self.measured)
        return None

    def after(self, turn: Turn) -> TurnOrder:
        """Return the order after this turn's stroke was accepted."""
        done = self._done_of(turn.label)
        new = replace(done, **{turn.purpose.value: getattr(done, turn.purpose) + 1})
        return replace(self, done={**self.done, turn.label: new})

    def later(self, label: str) -> TurnOrder:
        """Return the order in which a spring comes after all others."""
        return replace(self, labels=(*self._but(label), label))

    def again(self, label: str, measured: int = 0) -> TurnOrder:
        """Return the order with this spring next, `measured` of its strokes counted as taken."""
        done = replace(self._done_of(label), measured=measured)
        labels = (label, *self._but(label))
        return replace(self, labels=labels, done={**self.done, label: done})

    def last_of(self, label: str) -> Turn | None:
        """Return the stroke of a spring that was accepted last; None where it has none."""
        done = self._done_of(label)
        if done.measured:
            return Turn(label, Purpose.MEASURED, done.measured, self.measured)
        if done.conditioning:
            return Turn(label, Purpose.CONDITIONING, done.conditioning, self.conditioning)
        return None

    def without(self, turn: Turn) -> TurnOrder:
        """Return the order with this turn's spring next, and one of its strokes fewer."""
        done = self._done_of(turn.label)
        fewer = {turn.purpose.value: max(0, getattr(done, turn.purpose) - 1)}
        labels = (turn.label, *self._but(turn.label))
        return replace(self, labels=labels, done={**self.done, turn.label: replace(done, **fewer)})

    def renamed(self, label: str, new_label: str) -> TurnOrder:
        """Return the order with another label for a spring."""
        labels = tuple(new_label if one == label else one for one in self.labels)
        done = {new_label if one == label else one: what for one, what in self.done.items()}
        return replace(self, labels=labels, done=done)

    def measured_of(self, label: str) -> int:
        """Return how many strokes of a spring count."""
        return self._done_of(label).measured

    def counted_of(self, label: str) -> int:
        """Return how many presses of a spring count, to work it or to read it."""
        done = self._done_of(label)
        return done.conditioning + done.measured

    def finished(self) -> Sequence[str]:
        """Return the labels whose strokes are all there, in order."""
        return [label for label in self.labels if self.measured_of(label) >= self.measured]

    def _done_of(self, label: str) -> Done:
        return self.done.get(label, _NOTHING)

    def _but(self, label: str) -> list[str]:
        return [one for one in self.labels if one != label]


# All common practice at a bench, no source.
SHORT_SHARE = 0.8  # of the set's usual depth: less was not pressed through
MOST_LOST_SHARE = 0.05  # a curve with more holes than this is asked for again
LONGEST_GAP_S = 0.25  # so is one with a hole this long: at hand speed some millimetres
LEAST_SAMPLES = 10  # fewer cannot show a curve
REACH_SLACK_MM = 0.05
NEAR_SOLID_MM = 1.0  # nobody is told to press nearer than this to the expected solid height
# How far the load may end from its zero. Below: a cell creeps back by some tenths of a newton; more
# means that something lay on it before the touch, the quill on the spring perhaps. Above: the last
# millimetre of a slow release is still on the cell.
RETURN_BELOW_N = 2.0
RETURN_ABOVE_N = 4.5


class Verdict(msgspec.Struct, frozen=True):
    """What a stroke is worth.

    Attributes:
        findings: why it does not, or what is worth knowing of it.
    """

    status: SweepStatus
    counted: bool
    samples_lost: int
    findings: tuple[Finding, ...] = ()

    def noted(self, more: Finding | None) -> Verdict:
        """Return the same with one thing more that is worth knowing, where there is one."""
        known = {one.kind for one in self.findings}
        if more is None or more.kind in known:
            return self
        return replace(self, findings=(*self.findings, more))


class _Holes(NamedTuple):
    """What is missing of a stroke."""

    lost: int  # samples that never came
    unusable: int  # that came and can't be used
    longest_s: float  # between two usable samples

    @property
    def finding(self) -> Finding:
        return Finding("samples_missing", self._asdict())


def judge(
    stroke: Stroke,
    purpose: Purpose = Purpose.MEASURED,
    *,
    reach_height_mm: float | None = None,
    earlier_depths_mm: Sequence[float] = (),
) -> Verdict:
    """Judge a stroke.

    A conditioning press works the spring whatever the instruments saw of it: it must be whole and
    deep enough, and no more.

    Args:
        reach_height_mm: the height it must be pressed down to, where the user said so.
        earlier_depths_mm: depths of the strokes of this set that counted, to know a short one.
    """
    holes = _holes(stroke)
    status, why = _why_not_whole(stroke)
    if why is None:
        status, why = SweepStatus.ABORTED, _why_short(stroke, reach_height_mm, earlier_depths_mm)
    if why is None and purpose is Purpose.MEASURED:
        status, why = SweepStatus.ABORTED, _why_doubtful(stroke)
        if why is None:
            status, why = SweepStatus.GAPPED, _why_holed(stroke, holes)
    if why is not None:
        return Verdict(status, counted=False, samples_lost=holes.lost, findings=(why,))
    return Verdict(
        SweepStatus.GAPPED if holes.lost else SweepStatus.COMPLETE,
        counted=True,
        samples_lost=holes.lost,
        findings=tuple(_worth_knowing(stroke, holes)),
    )


def _why_not_whole(stroke: Stroke) -> tuple[SweepStatus, Finding | None]:
    if stroke.too_long:
        return SweepStatus.ABORTED, Finding("released_late")
    if not stroke.released:
        return SweepStatus.INTERRUPTED, Finding("cut_short")
    if stroke.zero_counts is None:
        return SweepStatus.INTERRUPTED, Finding("touched_at_start")
    return SweepStatus.COMPLETE, None


def _why_short(
    stroke: Stroke, reach_height_mm: float | None, earlier_depths_mm: Sequence[float]
) -> Finding | None:
    if reach_height_mm is not None and stroke.lowest_mm > reach_height_mm + REACH_SLACK_MM:
        return Finding.of(
            "stopped_early", lowest_mm=stroke.lowest_mm, reach_height_mm=reach_height_mm
        )
    if earlier_depths_mm:
        usual_mm = median(np.array(earlier_depths_mm))
        if stroke.depth_mm < SHORT_SHARE * usual_mm:
            return Finding.of("pressed_short", depth_mm=stroke.depth_mm, usual_depth_mm=usual_mm)
    return None


def _why_doubtful(stroke: Stroke) -> Finding | None:
    flags = int(np.bitwise_or.reduce(stroke.raw.samples["flags"]))
    if flags & SampleFlag.TRAVEL_SUSPECT:
        return Finding("travel_steps_missed")
    back_n = stroke.zero_return_n
    if back_n is not None and not -RETURN_BELOW_N <= back_n <= RETURN_ABOVE_N:
        return Finding.of("zero_not_regained", zero_return_n=back_n)
    return None


def _holes(stroke: Stroke) -> _Holes:
    samples = stroke.raw.samples
    usable = usable_of(samples)
    lost = int((np.diff(samples["seq"]) - 1).sum())
    steps_us = np.diff(usable["t_us"])
    longest_s = float(steps_us.max()) * 1e-6 if steps_us.shape[0] else 0.0
    return _Holes(lost, samples.shape[0] - usable.shape[0], longest_s)


def _why_holed(stroke: Stroke, holes: _Holes) -> Finding | None:
    missing = holes.lost + holes.unusable
    whole = holes.lost + len(stroke.raw)
    if whole - missing < LEAST_SAMPLES:
        return Finding.of("few_samples", samples=whole - missing)
    if missing > MOST_LOST_SHARE * whole or holes.longest_s > LONGEST_GAP_S:
        return holes.finding
    return None


def _worth_knowing(stroke: Stroke, holes: _Holes) -> Iterator[Finding]:
    if stroke.presses > 1:
        yield Finding.of("pressed_again", presses=stroke.presses)
    if holes.lost + holes.unusable:
        yield holes.finding
