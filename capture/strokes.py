"""Find strokes in a stream of samples: idle, touch, press, release. Pure.

The finder works on load above a zero that it keeps itself: the middle of the load while nothing
happens, so that a cup or the spring's own weight on the cell is no stroke.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE, RawBlock


class Phase(StrEnum):
    """Where in a stroke the stream is."""

    IDLE = "idle"
    TOUCH = "touch"
    PRESS = "press"
    RELEASE = "release"


@dataclass(frozen=True)
class StrokeRules:
    """What makes a stroke; all common practice at a bench, no source.

    Attributes:
        touch_n: load above the zero that begins a stroke.
        release_n: load above the zero under which the spring counts as let go.
        least_depth_mm: a touch that presses less than this is a nudge, no stroke.
        turn_mm: the quill must come back this far before the stroke counts as releasing.
        rest_s: how long the load must stay let go to end the stroke.
        still_s: a touch that stays still this long is a new dead weight: the zero moves there.
        still_mm: less movement than this is still.
        lead_s: how much of the idle time before the touch is kept with the stroke.
        longest_s: a stroke that takes longer is given up.
    """

    touch_n: float = 8.0
    release_n: float = 4.0
    least_depth_mm: float = 2.0
    turn_mm: float = 1.0
    rest_s: float = 0.25
    still_s: float = 3.0
    still_mm: float = 0.2
    lead_s: float = 0.8
    longest_s: float = 180.0


@dataclass(frozen=True)
class Stroke:
    """One press down and back up.

    Attributes:
        raw: the samples, with some idle time before the touch and after the release.
        zero_counts: load counts with nothing pressed, just before the touch; None if the stream
            began in mid-press.
        depth_mm: how far the quill went down after the touch.
        lowest_mm: the smallest height it reached.
        presses: 1, or more when the spring was let up and pressed again before it was released.
        released: False when the stroke was cut short (restart, loss of the link, too long).
        too_long: it took longer than the rules allow.
    """

    raw: RawBlock
    zero_counts: float | None
    depth_mm: float
    lowest_mm: float
    presses: int
    released: bool
    too_long: bool = False


ToPhysical = Callable[[NDArray[np.void]], tuple[NDArray[np.float64], NDArray[np.float64]]]


class StrokeFinder:
    """Feed it blocks, take strokes.

    Args:
        to_physical: gives (load_n, height_mm) of raw samples, each of shape (n,), by the
            calibration in force and its own zero.
        rules: what makes a stroke.
    """

    def __init__(self, to_physical: ToPhysical, rules: StrokeRules | None = None) -> None:
        self._to_physical = to_physical
        self._rules = StrokeRules() if rules is None else rules
        self._reset()

    def _reset(self) -> None:
        self._phase = Phase.IDLE
        self._zero_n: float | None = None
        self._boot_id: int | None = None
        self._held: NDArray[np.void] = np.empty(0, RAW_DTYPE)  # idle lead, then the stroke
        self._touch_at = 0  # index in _held where the touch is
        self._deepest_mm = np.inf
        self._touch_mm = 0.0

    @property
    def phase(self) -> Phase:
        """The phase at the last sample."""
        return self._phase

    @property
    def zero_n(self) -> float:
        """The load of the dead weight on the cell, by the calibration's own zero."""
        return 0.0 if self._zero_n is None else self._zero_n

    @property
    def zero_counts(self) -> float | None:
        """Load counts just before the touch of the running stroke; None where unknown."""
        return _quiet_counts(self._held["load_counts"][: self._touch_at])

    def running(self) -> NDArray[np.void]:
        """Return the samples of the stroke that is under way; shape (n,), RAW_DTYPE."""
        return self._held if self._phase is not Phase.IDLE else self._held[:0]

    def feed(self, block: RawBlock) -> list[Stroke]:
        """Take the next samples; return the strokes that ended in them."""
        strokes: list[Stroke] = []
        self._boot_id = block.boot_id
        rest = block.samples
        while rest.shape[0]:
            rest = self._idle(rest) if self._phase is Phase.IDLE else self._pressed(rest, strokes)
        return strokes

    def cut(self) -> Stroke | None:
        """End the stream here; return the stroke that was under way, unreleased."""
        stroke = None
        if self._phase in (Phase.PRESS, Phase.RELEASE):
            stroke = self._stroke(self._held, released=False)
        self._reset()
        return stroke

    def _idle(self, samples: NDArray[np.void]) -> NDArray[np.void]:
        """Take idle samples up to a touch; return what comes after."""
        load_n, height_mm = self._to_physical(samples)
        if self._zero_n is None:
            self._zero_n = _first_zero(load_n, self._rules.touch_n)
        touched = np.flatnonzero(load_n - self._zero_n > self._rules.touch_n)
        first = int(touched[0]) if touched.size else samples.shape[0]
        self._held = np.concatenate([self._held, samples[:first]])
        self._held = self._held[_lead_from(self._held["t_us"], self._rules.lead_s) :]
        if first == samples.shape[0]:
            self._follow_zero()
            return samples[first:]
        self._touch_at = self._held.shape[0]
        self._touch_mm = float(height_mm[first])
        self._deepest_mm = self._touch_mm
        self._phase = Phase.TOUCH
        return samples[first:]

    def _follow_zero(self) -> None:
        """Let the zero follow the idle load: drift and creep are slower than the lead."""
        if self._held.shape[0] >= 5:
            self._zero_n = float(np.median(self._to_physical(self._held)[0]))

    def _pressed(self, samples: NDArray[np.void], strokes: list[Stroke]) -> NDArray[np.void]:
        """Take samples up to the release; return what comes after."""
        load_n, height_mm = self._to_physical(samples)
        end = self._release_end(samples, load_n)
        upto = samples.shape[0] if end is None else end
        self._held = np.concatenate([self._held, samples[:upto]])
        self._advance(height_mm[:upto])
        span_s = float(self._held["t_us"][-1] - self._held["t_us"][self._touch_at]) * 1e-6
        if end is not None:
            self._finish(strokes, released=True)
        elif self._standing_still() and span_s > self._rules.still_s:
            self._take_as_dead_weight()
        elif span_s > self._rules.longest_s:
            self._finish(strokes, released=False, too_long=True)
        return samples[upto:]

    def _release_end(self, samples: NDArray[np.void], load_n: NDArray[np.float64]) -> int | None:
        """Return the index just past the first full rest below the release load, if any."""
        known = self._held[self._touch_at :]
        tail = known[_lead_from(known["t_us"], 2 * self._rules.rest_s) :]
        t_us = np.concatenate([tail["t_us"], samples["t_us"]])
        load = np.concatenate([self._to_physical(tail)[0], load_n])
        low = load - self.zero_n < self._rules.release_n
        if not low.any():
            return None
        # the time of the last pressed sample at or before each sample; a rest is the time since
        last_pressed_us = np.maximum.accumulate(np.where(low, t_us[0] - 1, t_us))
        rested = low & (t_us - last_pressed_us >= self._rules.rest_s * 1e6)
        rested[: tail.shape[0]] = False
        ends = np.flatnonzero(rested)
        return None if ends.size == 0 else int(ends[0]) - tail.shape[0] + 1

    def _advance(self, height_mm: NDArray[np.float64]) -> None:
        if height_mm.size == 0:
            return
        self._deepest_mm = min(self._deepest_mm, float(height_mm.min()))
        depth_mm = self._touch_mm - self._deepest_mm
        if self._phase is Phase.TOUCH and depth_mm >= self._rules.least_depth_mm:
            self._phase = Phase.PRESS
        if self._phase in (Phase.PRESS, Phase.RELEASE):
            back_mm = float(height_mm[-1]) - self._deepest_mm
            self._phase = Phase.RELEASE if back_mm > self._rules.turn_mm else Phase.PRESS

    def _standing_still(self) -> bool:
        moved_mm = self._touch_mm - self._deepest_mm
        return self._phase is Phase.TOUCH and moved_mm < self._rules.still_mm

    def _take_as_dead_weight(self) -> None:
        self._held = self._held[_lead_from(self._held["t_us"], self._rules.lead_s) :]
        self._phase = Phase.IDLE
        self._follow_zero()

    def _finish(self, strokes: list[Stroke], *, released: bool, too_long: bool = False) -> None:
        held = self._held
        if self._phase is not Phase.TOUCH:
            strokes.append(self._stroke(held, released=released, too_long=too_long))
        self._phase = Phase.IDLE
        # the rest after the release is the idle lead of the next stroke
        last_us = held["t_us"][-1] - self._rules.rest_s * 1e6
        self._held = held[held["t_us"] > last_us]
        if too_long:
            self._zero_n = None

    def _stroke(self, held: NDArray[np.void], *, released: bool, too_long: bool = False) -> Stroke:
        _, height_mm = self._to_physical(held[self._touch_at :])
        return Stroke(
            raw=RawBlock(held.copy(), self._boot_id),
            zero_counts=_quiet_counts(held["load_counts"][: self._touch_at]),
            depth_mm=self._touch_mm - float(height_mm.min()),
            lowest_mm=float(height_mm.min()),
            presses=count_presses(height_mm),
            released=released,
            too_long=too_long,
        )


def _first_zero(load_n: NDArray[np.float64], touch_n: float) -> float:
    """Return a zero to begin with: a light load is dead weight, a heavy one a press under way."""
    first_n = float(np.median(load_n[: min(5, load_n.shape[0])]))
    return first_n if abs(first_n) <= touch_n else 0.0


def _quiet_counts(lead: NDArray[np.int32]) -> float | None:
    """Return the middle of the idle counts before a touch, or None where there are too few."""
    if lead.shape[0] < 5:
        return None
    # the last quarter of the lead may hold the first contact, still below the touch load
    return float(np.median(lead[: 3 * lead.shape[0] // 4]))


def _lead_from(t_us: NDArray[np.int64], lead_s: float) -> int:
    """Return the index of the first sample not older than lead_s before the last one."""
    if t_us.shape[0] == 0:
        return 0
    return int(np.searchsorted(t_us, t_us[-1] - lead_s * 1e6))


def count_presses(height_mm: NDArray[np.float64], again: float = 0.3) -> int:
    """Count how often a spring was pressed in one stroke.

    A press counts anew when the quill came up by more than a share of the whole depth and went
    down again by as much; a wobbly hand stays below that.

    Args:
        height_mm: shape (n,), from touch to release.
        again: the share of the depth.
    """
    if height_mm.shape[0] < 3:
        return 1
    coarse = height_mm[:: max(1, height_mm.shape[0] // 400)]
    swing_mm = again * float(coarse.max() - coarse.min())
    presses, going_down, extreme_mm = 0, False, float(coarse[0])
    for here_mm in coarse.tolist():
        if going_down:
            extreme_mm = min(extreme_mm, here_mm)
            if here_mm > extreme_mm + swing_mm:
                going_down, extreme_mm = False, here_mm
        else:
            extreme_mm = max(extreme_mm, here_mm)
            if here_mm < extreme_mm - swing_mm:
                going_down, extreme_mm = True, here_mm
                presses += 1
    return max(1, presses)
