"""The wall of touching coils in one branch: where the load leaves the spring's own trend. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.sweep_fit import Array, Bins, fine_bins, noise_n
from coilbench.capture.calibration.lag import SETTLING_CONVERSIONS, Press
from coilbench.capture.strokes.sweep import Branch

# All of these are our choice, no source.
PRESSED_SHARE = 0.005  # of the largest load: from here the spring is touched
TREND = (0.15, 0.55)  # share of the pressed range, from the bottom, that shows the trend
FEWEST_BINS = 30
BIND_TIMES = 3.0  # the wall's stiffness over the trend's there: coils touch
EXCESS_NOISES = 8.0  # the load at the bottom is above the trend by this multiple of its noise
BOUND_SHARE = 0.1  # and by this share of itself, for coil bind to be called reached
TOUCHED_SHARE = 0.01  # or by this share, for coils perhaps to touch
WALL = (0.2, 0.5, 0.8)  # shares of the largest excess that the wall is laid through
STEEPENING = 1.6  # a wall so much steeper in its lower half has not been reached yet
ONSET_SHARE = 0.02  # of the largest excess: here the load begins to leave the trend
ONSET_NOISES = 4.0  # and this multiple of the noise
LONGEST_TYPICAL_S = 0.2  # 10 conversions a second (HX711 datasheet: 400 ms to settle)
CLEAR_MM = 0.5  # so much above the onset no coil touches, the lag's smear counted in


class _Excess(NamedTuple):
    """How far the load of a way down lies above the spring's own trend, towards the bottom.

    From where the trend ends to where the excess is largest, shape (m,); it never falls.
    """

    height_mm: Array
    excess_n: Array
    trend: Array  # the parabola's coefficients, highest power first
    noise_n: float  # of a sample

    def reaches(self, share: float) -> bool:
        """Whether the largest excess is beyond noise, and beyond so much of the load."""
        own_n = float(np.polyval(self.trend, self.height_mm[-1]))
        return float(self.excess_n[-1]) >= max(EXCESS_NOISES * self.noise_n, share * own_n)

    def height_at(self, share: float) -> float:
        """Height at which a share of the largest excess is reached."""
        return float(np.interp(share * self.excess_n[-1], self.excess_n, self.height_mm))

    @property
    def onset_mm(self) -> float:
        """Height at which the load begins to leave the trend, beyond noise."""
        least_n = max(ONSET_SHARE * float(self.excess_n[-1]), ONSET_NOISES * self.noise_n)
        return float(np.interp(least_n, self.excess_n, self.height_mm))


class _Wall(NamedTuple):
    """Touching coils."""

    crossing_mm: float  # where the wall meets the trend
    onset_mm: float  # where the load begins to leave the trend
    n_per_mm: float  # how much steeper than the trend the wall is
    noise_n: float  # of a sample


def _excess_load(bins: Bins) -> _Excess | None:
    """Compare the lowest part of a way down with the trend of the part above it.

    The trend is a parabola, so that a progressive spring keeps to it. None where too little was
    pressed, or the load does not rise towards the bottom.
    """
    height, load = bins.height_mm, bins.load_n
    pressed = np.flatnonzero(load > PRESSED_SHARE * load.max(initial=0.0))
    if pressed.size < FEWEST_BINS:
        return None
    bottom, top = float(height[0]), float(height[pressed[-1]])
    low, high = (bottom + share * (top - bottom) for share in TREND)
    chosen, below = (height >= low) & (height <= high), height <= low
    if np.count_nonzero(chosen) < FEWEST_BINS // 3 or np.count_nonzero(below) < 2:
        return None
    trend = np.polyfit(height[chosen], load[chosen], 2)
    if np.polyval(np.polyder(trend), bottom) >= 0.0:
        return None
    excess = load[below] - np.polyval(trend, height[below])
    peak = int(np.argmax(excess))
    down = slice(peak, None)
    rising = np.maximum.accumulate(excess[down][::-1])
    return _Excess(height[below][down][::-1], rising, trend, noise_n(bins))


def find_wall(bins: Bins) -> _Wall | None:
    """Find the wall where the press reached it; None where it did not.

    The last of the wall, where the press turns and the filter still follows, is left aside.
    """
    found = _excess_load(bins)
    if found is None or not found.reaches(BOUND_SHARE):
        return None
    upper, middle, lower = (found.height_at(share) for share in WALL)
    if not lower < middle < upper or upper - middle > STEEPENING * (middle - lower):
        return None
    most_n = float(found.excess_n[-1])
    steep = (WALL[2] - WALL[0]) * most_n / (upper - lower)
    own = float(-np.polyval(np.polyder(found.trend), upper))
    if own + steep < BIND_TIMES * own:
        return None
    crossing = upper + WALL[0] * most_n / steep
    return _Wall(crossing, found.onset_mm, steep, found.noise_n)


def touching_mm(press: Press) -> float:
    """Height below which coils may touch in a stroke whose lag is still in it; -inf where none do.

    There the load rises too steeply for the filter: it gives no information on the lag. The
    typical lag is removed first: where a fast stroke slows down, the lag by itself makes the load
    rise faster than the spring does.
    """
    if press.t_s.size < FEWEST_BINS:
        return -math.inf
    delay_s = typical_delay_s(float(np.median(np.diff(press.t_s))))
    height = press.height_mm(delay_s, delay_s**2 / 3.0)
    down = slice(int(np.argmin(height)) + 1)
    found = _excess_load(fine_bins(Branch(height[down], press.load_n[down])))
    if found is None or not found.reaches(TOUCHED_SHARE):
        return -math.inf
    return found.onset_mm + CLEAR_MM


def typical_delay_s(step_s: float) -> float:
    """The delay that is typical of a converter that gives a sample each step_s."""
    return min(0.5 * SETTLING_CONVERSIONS * step_s, LONGEST_TYPICAL_S)
