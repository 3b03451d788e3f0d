"""One stroke's shape: its touch, its zero, its depth, how often it was pressed. Pure."""

from __future__ import annotations

from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import UNUSABLE, RawBlock
from coilbench.capture.calibration.statistics import median
from coilbench.capture.strokes.sweep import DEAD_WEIGHT_N

FEWEST_FOR_ZERO = 5
ZERO_S = 1.0  # the zero is read over this long
LOW_SHARE = 0.2  # where the quill was never clear: this share of the loads lies below the zero
PRESS_AGAIN = 0.3  # of the depth: up and down again by as much is another press
_MOST_POINTS = 400  # enough to count presses by


class Stroke(msgspec.Struct, frozen=True):
    """One press down and back up."""

    raw: RawBlock  # with the idle time before the touch that its zero was read in
    zero_counts: float | None  # before the touch; None where the stream began in mid-press
    zero_return_n: float | None  # at the end less the zero; None: not released, or no zero
    peak_n: float  # the largest load above the zero
    depth_mm: float  # how far the quill went down after the touch
    lowest_mm: float  # the smallest height it reached
    presses: int  # 1, or more when let up and pressed again before the release
    released: bool  # False: cut short (restart, loss of the link, too long)
    too_long: bool = False


class Zero(NamedTuple):
    """A zero read from idle samples; first is the index of the first of them."""

    counts: float
    load_n: float
    first: int


class StrokeRules(msgspec.Struct, frozen=True):
    """What makes a stroke; all common practice at a bench, no source."""

    touch_n: float = 8.0  # load above the zero that begins a stroke
    release_n: float = 4.0  # load above the zero under which the spring counts as let go
    clear_mm: float = 3.0  # this far above the touch the quill is surely clear of the spring
    least_depth_mm: float = 2.0  # a touch that presses less than this is a nudge, no stroke
    turn_mm: float = 1.0  # the quill must come back this far before the stroke counts as releasing
    rest_s: float = 0.25  # how long the load must stay let go to end the stroke
    still_s: float = 3.0  # a light touch still for this long is a dead weight: the zero moves there
    dead_weight_n: float = DEAD_WEIGHT_N  # farther from the calibration's zero no load is dead
    still_mm: float = 0.2  # less movement than this is still
    alike_n: float = 1.0  # over clear_mm a spring's load changes by far more
    zero_rise_n_per_s: float = 0.5  # of the idle zero: faster than drift, slower than any press
    lead_s: float = 3.0  # how much of the idle time before the touch is kept
    hole_s: float = 1.0  # a hole in the samples longer than this ends a stroke
    longest_s: float = 180.0  # a stroke that takes longer is given up

    def shape(
        self,
        raw: RawBlock,
        load_n: NDArray[np.float64],
        height_mm: NDArray[np.float64],
        touch_at: int,
        zero_n: float,
        *,
        released: bool,
        too_long: bool = False,
    ) -> Stroke | None:
        """Measure a stroke; None where the spring was hardly pressed.

        Args:
            raw: n samples, the idle lead first.
            load_n, height_mm: shape (n,), by the calibration's own zero.
            touch_at: about where the finder saw the load rise.
            zero_n: the finder's zero, by the calibration's own.
        """
        usable = (raw.samples["flags"] & UNUSABLE) == 0
        pressed = np.flatnonzero(usable[touch_at:]) + touch_at
        if pressed.shape[0] == 0:
            return None
        deepest = pressed[np.argmin(height_mm[pressed])]
        light = np.flatnonzero(usable[:deepest] & (load_n[:deepest] - zero_n <= self.touch_n))
        # the last touch before the deepest: a bump that came earlier was none
        touch = int(light[-1]) + 1 if light.shape[0] else touch_at
        lowest_mm = float(height_mm[deepest])
        touch_mm = float(height_mm[min(touch, deepest)])
        if touch_mm - lowest_mm < self.least_depth_mm:
            return None
        zero = self.read_zero(
            raw.samples[:touch], load_n[:touch], height_mm[:touch], touch_mm, zero_n
        )
        base_n = zero_n if zero is None else zero.load_n
        return Stroke(
            raw=raw if zero is None else RawBlock(raw.samples[zero.first :], raw.boot_id),
            zero_counts=None if zero is None else zero.counts,
            zero_return_n=None
            if zero is None or not released
            else self._end_load_n(raw, load_n, usable) - base_n,
            peak_n=float(load_n[pressed].max()) - base_n,
            depth_mm=touch_mm - lowest_mm,
            lowest_mm=lowest_mm,
            presses=count_presses(np.minimum(height_mm[pressed], touch_mm)),
            released=released,
            too_long=too_long,
        )

    def read_zero(
        self,
        lead: NDArray[np.void],
        load_n: NDArray[np.float64],
        height_mm: NDArray[np.float64],
        touch_mm: float,
        about_n: float,
    ) -> Zero | None:
        """Read the zero before a touch.

        It is the median of the last second in which the quill was clear of the spring and nothing
        pressed on the cell: a slow hand's first newtons are no zero. Where it was never clear, it
        is a low load of the lead. None where there are too few samples.

        Args:
            lead: samples before the touch, shape (n,).
            load_n, height_mm: theirs, by the calibration's own zero.
            touch_mm: the height of the touch.
            about_n: about where the zero is; a load that would be a touch above it is none.
        """
        usable = (lead["flags"] & UNUSABLE) == 0
        usable = np.flatnonzero(usable & (load_n - about_n <= self.touch_n))
        clear = usable[height_mm[usable] > touch_mm + self.clear_mm]
        if clear.shape[0] >= FEWEST_FOR_ZERO:
            t_us = lead["t_us"][clear]
            clear = clear[np.searchsorted(t_us, t_us[-1] - ZERO_S * 1e6) :]
            counts, load = lead["load_counts"][clear], load_n[clear]
            return Zero(median(counts.astype(np.float64)), median(load), int(clear[0]))
        if usable.shape[0] < FEWEST_FOR_ZERO:
            return None
        by_load = usable[np.argsort(load_n[usable], kind="stable")]
        low = int(by_load[int(LOW_SHARE * by_load.shape[0])])
        return Zero(float(lead["load_counts"][low]), float(load_n[low]), int(usable[0]))

    def _end_load_n(
        self, raw: RawBlock, load_n: NDArray[np.float64], usable: NDArray[np.bool_]
    ) -> float:
        t_us = raw.samples["t_us"]
        last = usable & (t_us >= t_us[-1] - self.rest_s * 1e6)
        return median(load_n[last]) if last.any() else float(load_n[usable][-1])


def count_presses(height_mm: NDArray[np.float64], again: float = PRESS_AGAIN) -> int:
    """Count how often a spring was pressed in one stroke.

    Another press is counted when the quill came up by more than a share of the whole depth and went
    down again by as much; a wobbly hand stays below that.

    Args:
        height_mm: shape (n,), from touch to release.
    """
    if height_mm.shape[0] < 3:
        return 1
    coarse = height_mm[:: 1 + height_mm.shape[0] // _MOST_POINTS]
    swing_mm = again * float(coarse.max() - coarse.min())
    if _once_down_and_up(coarse, swing_mm):
        return 1
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


def _once_down_and_up(height_mm: NDArray[np.float64], swing_mm: float) -> bool:
    """Tell at a look what mostly is so: no swing back, neither on the way down nor up."""
    deepest = int(height_mm.argmin())
    down, up = height_mm[: deepest + 1], height_mm[deepest:]
    back_mm = max(
        (down - np.minimum.accumulate(down)).max(), (np.maximum.accumulate(up) - up).max()
    )
    return bool(back_mm <= swing_mm)
