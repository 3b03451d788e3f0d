"""The guide for the travel: one gauge length after the other between the faces. Pure.

A quill that rests in the air stands as still as one on a gauge. Where the load is calibrated, the
touch tells them apart; where the scale states its step, the step does.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding, RawBlock, usable_of
from coilbench.capture.calibration.checks import Standards
from coilbench.capture.calibration.guide import HoldGuide, Line
from coilbench.capture.calibration.known_points import ASSUMED_GAUGE_U_MM, GaugePoint
from coilbench.capture.calibration.polynomial import PolynomialFit, value
from coilbench.capture.calibration.regression import STEP_SHARE, step_is_off
from coilbench.capture.calibration.steady import Hold

# Ours, no source.
STOP_COUNTS = 20.0  # closer to the upper stop than this is still there
SEAT_MM = 0.1  # what a gauge that stands askew or on a chip is out by
REPEATS_MM = 0.05  # a quill comes down on the same gauge to some hundredths; common practice
TOUCH_N = 0.5  # a resting hand presses with more; drift and noise of a good cell are below
TUBE_N = 20.0  # a gauge and what holds it weigh less
LEANING_N = 50.0  # a press gives by some 0.03 mm under it, more than a gauge is unsure by
CHANCE_SDS = 4.0  # what noise does not make
ABOVE_COUNTS = 100.0  # the quill is above the gauge: half a millimetre on a scale of 5 um
APPROACH_PIECES = 600


class Approach:
    """Keeps what the cell read while the quill was not yet down."""

    def __init__(self) -> None:
        self._pieces: deque[tuple[float, float, float]] = deque(maxlen=APPROACH_PIECES)

    def feed(self, samples: NDArray[np.void]) -> None:
        """Take the next samples, shape (n,); while the quill stands, only the newest is kept."""
        usable = usable_of(samples)
        if usable.shape[0] == 0:
            return
        travel, load = (usable[name].tolist() for name in ("travel_counts", "load_counts"))
        low, high = float(min(travel)), float(max(travel))  # a few: an array takes longer
        if self._pieces and abs(low - self._pieces[-1][0]) + abs(high - self._pieces[-1][1]) < (
            STOP_COUNTS
        ):
            self._pieces.pop()
        self._pieces.append((low, high, sum(load) / len(load)))

    def load_counts_before(self, at: float) -> float | None:
        """Return the last reading with the quill away from these travel counts; None for none."""
        for low, high, load in reversed(self._pieces):
            if at - high > ABOVE_COUNTS or low - at > ABOVE_COUNTS:
                return load
        return None


def touch_doubt(before_n: float, now_n: float, sway_n: float, length_mm: float) -> Finding | None:
    """Return that a gauge was not touched, or pressed too hard; None where it was touched lightly.

    Args:
        before_n: the load with the quill away from the gauge.
        sway_n: how much the load sways while the quill stands there.
        length_mm: the gauge's.
    """
    rise_n = now_n - before_n
    if rise_n < TOUCH_N:
        return Finding.of("no_touch", rise_n=rise_n, length_mm=length_mm)
    if rise_n + sway_n > LEANING_N:
        return Finding.of("leaning", load_n=rise_n, sway_n=sway_n)
    return None


class GaugeGuide(HoldGuide):
    """Reads the travel with one gauge length after the other between the faces.

    The quill's upper stop is read first, so that a rest there, to change the gauge, is no reading.

    Args:
        mm_per_count: as the scale states it or an earlier calibration found it; negative where down
            is positive; None where it is not known.
        load_fit: the load calibration, to see the quill touch; None where there is none.
    """

    def __init__(
        self,
        lengths_mm: Sequence[float],
        taken: Sequence[Hold] = (),
        *,
        mm_per_count: float | None = None,
        load_fit: PolynomialFit | None = None,
    ) -> None:
        tasks = [Finding.of("put_gauge", length_mm=length_mm) for length_mm in lengths_mm]
        super().__init__(tasks, lengths_mm, "travel", taken, mm_per_count)
        self._load_fit = load_fit
        self._approach = Approach()
        self._stop: Hold | None = None
        self._since_stop = 0  # how many points were read before it was

    @property
    def done(self) -> bool:
        """Whether everything is read: after a break the stop anew, by which heights compare."""
        return super().done and self._stop is not None

    @property
    def task(self) -> Finding:
        """What to do now."""
        if self._stop is None and not self.done:
            return Finding("quill_to_stop")
        return super().task

    @property
    def state(self) -> Finding:
        """What the rig sees just now, and why nothing is taken."""
        seen = super().state
        if self._stop is not None or self.done or seen.kind == "no_sample_yet":
            return seen
        return Finding.of("stop_awaited", seen=seen.to_document())

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; returns what it read from them."""
        self._approach.feed(block.samples)
        said = [self._no_stop(), self.task] if self._rises(block) else []
        return [*said, *super().feed(block)]

    def _rises(self, block: RawBlock) -> bool:
        """Tell whether the quill goes higher than what was taken for its stop, however briefly."""
        samples = usable_of(block.samples)
        if self._stop is None or self._per_count is None or samples.size == 0:
            return False
        up_counts = math.copysign(1.0, self._per_count) * (
            samples["travel_counts"] - self._stop.travel_counts
        )
        higher = samples[up_counts > ABOVE_COUNTS]
        if higher.size == 0 or self._load_fit is None:
            return bool(higher.size)
        load_n = value(self._load_fit, higher["load_counts"])
        stop_n = float(value(self._load_fit, self._stop.load_counts))
        sd_n = self._sway_n(self._stop) / 2.0 / math.sqrt(higher.size)
        return bool(stop_n - load_n.mean() > TOUCH_N + CHANCE_SDS * sd_n)

    def _no_stop(self) -> Finding:
        """Forget the stop, which was none, and what was read since: a gauge was taken for it."""
        lost = len(self.holds) - self._since_stop
        del self.holds[self._since_stop :]
        self._stop, self._doubted, self._why = None, None, None
        return Finding.of("stop_higher", lost=lost)

    @property
    def stop_counts(self) -> float | None:
        """Travel counts at the quill's upper stop; None before it was read."""
        return None if self._stop is None else self._stop.travel_counts

    @property
    def points(self) -> list[GaugePoint]:
        """What was read."""
        lengths_mm = self._values[: len(self.holds)]
        pairs = zip(lengths_mm, self.holds, strict=True)
        return [GaugePoint(length_mm, hold.travel_counts) for length_mm, hold in pairs]

    def _judge(self, hold: Hold) -> list[Finding]:
        if self._stop is not None and not self._is_above(self._stop, hold):
            return super()._judge(hold)
        said = [] if self._stop is None else [self._no_stop()]
        self._stop, self._doubted, self._since_stop = hold, None, len(self.holds)
        self._why = None if self.done else self._at_stop
        return [*said, self.task]

    def _is_above(self, stop: Hold, hold: Hold) -> bool:
        """Tell whether the quill rose from what was taken for its stop, so that it was none.

        The load that went with it tells, whichever way the scale counts; without one its step does.
        """
        if self._load_fit is not None:
            stop_n, now_n = value(self._load_fit, [stop.load_counts, hold.load_counts]).tolist()
            return bool(stop_n - now_n > TOUCH_N) and not _close(hold, stop)
        moved_counts = hold.travel_counts - stop.travel_counts
        upward = self._per_count is not None and moved_counts * self._per_count > 0.0
        return upward and not _close(hold, stop)

    def _passed_over(self, hold: Hold) -> Finding | None:
        if self._stop is not None and _close(hold, self._stop):
            return self._at_stop
        return super()._passed_over(hold)

    @property
    def _at_stop(self) -> Finding:
        return Finding.of("at_stop", length_mm=self._values[self.taken])

    @property
    def _same_again(self) -> Finding:
        return Finding("quill_not_moved")

    def _doubt(self, hold: Hold) -> Finding | None:
        return self._untouched(hold) or self._of_another_step(hold) or super()._doubt(hold)

    def _untouched(self, hold: Hold) -> Finding | None:
        """Return that nothing was touched, or pressed too hard; None where it cannot be told."""
        if self._load_fit is None or self._stop is None:
            return None
        before = self._approach.load_counts_before(hold.travel_counts)
        if before is None:
            before = self._stop.load_counts
        loads_counts = [hold.load_counts, before, self._stop.load_counts]
        now_n, before_n, stop_n = value(self._load_fit, loads_counts).tolist()
        if before_n - stop_n > TUBE_N:  # a spring pushes already where a gauge is not yet touched
            return Finding.of("no_gauge", load_n=before_n - stop_n, now_n=now_n - stop_n)
        return touch_doubt(before_n, now_n, self._sway_n(hold), self._values[self.taken])

    def _sway_n(self, hold: Hold) -> float:
        """Return two standard deviations of the load in a hold; 0 where it is not calibrated."""
        if self._load_fit is None:
            return 0.0
        sd_counts = hold.load_counts + np.array([-1.0, 1.0]) * hold.load_sd_counts
        return float(np.ptp(value(self._load_fit, sd_counts)))

    def _of_another_step(self, hold: Hold) -> Finding | None:
        """Return that the first two lengths give another step than the scale states."""
        line = self._line()
        if line is None or len(line.ends) > 1:
            return None
        (known_mm, counts), stated = line.ends[0], line.per_count
        moved_mm, moved_counts = self._values[self.taken] - known_mm, hold.travel_counts - counts
        if moved_mm == 0.0:
            return None
        step = moved_mm / moved_counts if moved_counts else np.inf
        if not step_is_off(step, stated):
            return None
        facts = {"seems_mm": line.at(hold.travel_counts), "wanted_mm": self._values[self.taken]}
        return Finding.of("step_off", mm_per_count=step, stated_mm_per_count=stated, **facts)

    def _may_be_taken(self, doubt: Finding) -> bool:
        return doubt.kind != "no_touch"

    def _u_of(self, known: float) -> float:
        return math.hypot(ASSUMED_GAUGE_U_MM, REPEATS_MM)

    def _limit(self, points: Standards) -> float:
        return float(points.u.max())

    def _slack(self, wanted: float, seems: float, line: Line) -> float:
        if len(line.ends) == 1:
            return max(STEP_SHARE * line.from_end(seems), SEAT_MM)
        u_ends = [self._u_of(known_mm) for known_mm, _ in line.ends]
        return math.hypot(self._u_of(wanted), line.u_at(seems, u_ends))

    def _same(self, hold: Hold) -> bool:
        return _close(hold, self.holds[-1])

    def _reading(self, hold: Hold, seems: float | None) -> Finding:
        return Finding.of("travel_read", counts=hold.travel_counts, seems_mm=seems)


def _close(hold: Hold, other: Hold) -> bool:
    return abs(hold.travel_counts - other.travel_counts) < STOP_COUNTS
