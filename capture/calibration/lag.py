"""How far the load lags behind the travel, and how to undo the lag. Pure.

An ADC's filter returns the mean of the load over some past time. The same mean of the travel
belongs to it: as long as a spring is linear over what the quill moves in that time, the two means
belong to the same moment.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CONTACT_BLEND_MM = 1.0  # below contact: the range over which the two averages are blended
SETTLING_CONVERSIONS = 4.0  # in which a delta-sigma converter settles (HX711 datasheet)
LONGEST_TYPICAL_S = 0.2  # 10 conversions a second (HX711 datasheet: 400 ms to settle)
# Our choice, no source.
LEAST_SHARE = 0.1  # of the largest load: below it end coils still close
LEAST_WINDOWS = 1.25  # of the filter and a sample's interval, that a way down or up must last


def typical_delay_s(step_s: float) -> float:
    """The delay that is typical of a converter that gives a sample each step_s."""
    return min(0.5 * SETTLING_CONVERSIONS * step_s, LONGEST_TYPICAL_S)


@dataclass(frozen=True)
class Lag:
    """The filter, described by its mean delay and its spread.

    Attributes:
        delay_s: mean of the filter's impulse response, s; negative where the travel lags.
        spread_s2: its variance, s^2, 0 or more; a moving average of length T has T^2/12.
        covariance: shape (2, 2), of delay_s and spread_s2, k = 1.
        degrees_of_freedom: of the covariance.
        known: whether it was estimated; else it is a typical value with a large uncertainty.
    """

    delay_s: float
    spread_s2: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    degrees_of_freedom: float = math.inf
    known: bool = True

    @property
    def delay_u_s(self) -> float:
        """Standard uncertainty of the delay, k = 1."""
        return math.sqrt(self.covariance[0][0])


def typical_lag(step_s: float) -> Lag:
    """The lag that is typical of a converter that gives a sample each step_s, hardly known."""
    delay_s = typical_delay_s(step_s)
    spread_s2 = delay_s**2 / 3.0
    covariance = ((delay_s**2, 0.0), (0.0, spread_s2**2))
    return Lag(delay_s, spread_s2, covariance, known=False)


@dataclass(frozen=True)
class Press:
    """One stroke in time order, the lag still in it; arrays of shape (n,).

    Attributes:
        t_s: strictly rising.
        load_n: above the zero.
        travel_mm: the height by the travel alone, as if the press were rigid.
        flex_mm: deflection of the press under load_n.
        contact_mm: the height from which the spring pushes; infinite where it is not known.
        touching_mm: the height below which coils touch; minus infinite where none do.
    """

    t_s: Array
    load_n: Array
    travel_mm: Array
    flex_mm: Array
    contact_mm: float = math.inf
    touching_mm: float = -math.inf

    def height_mm(self, delay_s: float, spread_s2: float) -> Array:
        """Return the height that belongs to each load, shape (n,).

        Above contact the load is zero at any height: a window that reaches above contact averages
        the contact height there, as long as most of the window lies below.
        """
        found: Array = self.heights_mm((delay_s,), (spread_s2,))[0]
        return found

    def heights_mm(self, delays_s: Sequence[float], spreads_s2: Sequence[float]) -> Array:
        """Return height_mm for several filters, shape (k, n)."""
        found = self._course.averages(np.array(delays_s), np.array(spreads_s2))
        if not math.isfinite(self.contact_mm):
            return np.asarray(found + self.flex_mm)
        plain, clipped = found
        inside = np.clip((self.contact_mm - clipped) / CONTACT_BLEND_MM, 0.0, 1.0)
        return np.asarray(inside * clipped + (1.0 - inside) * plain + self.flex_mm)

    def too_fast(self, delay_s: float, spread_s2: float) -> bool:
        """Whether a way took so little time that the filter saw hardly anything of it.

        A way up that was not recorded is not judged.
        """
        window_s = 2.0 * max(math.sqrt(3.0 * spread_s2), abs(delay_s)) + self._interval_s
        return self.way_s < LEAST_WINDOWS * window_s

    @property
    def way_s(self) -> float:
        """How long the shorter way under load took, s; 0 where nothing was pressed."""
        pressed = np.flatnonzero(self.load_n > LEAST_SHARE * self.load_n.max(initial=0.0))
        if pressed.size < 2:
            return 0.0
        begin_s, turn_s, end_s = self.t_s[[pressed[0], np.argmin(self.travel_mm), pressed[-1]]]
        down_s, up_s = turn_s - begin_s, end_s - turn_s
        return float(down_s if self.down_alone else min(down_s, up_s))

    @property
    def haste(self) -> float:
        """The typical filter's delay over the shorter way's time: what share of it nobody saw."""
        return typical_delay_s(self._interval_s) / max(self.way_s, self._interval_s)

    @property
    def down_alone(self) -> bool:
        """Whether the way up was not recorded."""
        return int(np.argmin(self.travel_mm)) == self.travel_mm.size - 1

    @property
    def surely_too_fast(self) -> bool:
        """The same by the filter that is typical of such a rate."""
        delay_s = typical_delay_s(self._interval_s)
        return self.too_fast(delay_s, delay_s**2 / 3.0)

    def with_contact(self, contact_mm: float) -> Press:
        """Return the same stroke, the spring pushing from another height on."""
        moved = replace(self, contact_mm=contact_mm)
        vars(moved)["_travel"] = self._travel  # the same, worked out once
        return moved

    @cached_property
    def _interval_s(self) -> float:
        return float(np.median(np.diff(self.t_s))) if self.t_s.size > 1 else 0.0

    @cached_property
    def _course(self) -> Course:
        """Its travel, and where contact is known its travel below contact too."""
        if not math.isfinite(self.contact_mm):
            return self._travel
        below = np.minimum(self.travel_mm, self.contact_mm)
        return _Courses(self._travel, Course(self.t_s, below))

    @cached_property
    def _travel(self) -> Course:
        return Course(self.t_s, self.travel_mm)

    def earlier(self, x: Array, delay_s: float, spread_s2: float) -> Array:
        """Return x, shape (n,), as it was where each load's window begins."""
        begin_s = self.t_s - delay_s - math.sqrt(3.0 * spread_s2)
        return np.interp(begin_s, self.t_s, x)


class Course:
    """Quantities over time, ready to be averaged by many filters at once.

    Between samples they are interpolated by Akima's method (J. ACM 17, 1970, from memory), which
    does not overshoot at steps; before the first and after the last sample they are constant. Our
    own, since scipy.interpolate takes longer to load than a set to be judged; held to SciPy's by
    the tests.

    Args:
        t_s: shape (n,), strictly rising.
        x: shape (n,) or, of several quantities, (c, n).
    """

    def __init__(self, t_s: Array, x: Array) -> None:
        self._t_s, self._x = t_s, x

    def averaged(self, delay_s: float, spread_s2: float) -> Array:
        """Average over a window in the past, as a filter with this delay and spread does.

        Args:
            delay_s: how far back the middle of the window is.
            spread_s2: variance of the window; 0 takes x at that moment alone.

        Returns:
            shape of x.
        """
        found: Array = self.averages(np.array([delay_s]), np.array([spread_s2]))[..., 0, :]
        return found

    def averages(self, delays_s: Array, spreads_s2: Array) -> Array:
        """Average over several windows, shape (k,) each; returns shape (k, n) or (c, k, n)."""
        t_s = self._t_s
        if t_s.size < 2:
            return np.repeat(self._x[..., None, :], delays_s.size, axis=-2)
        middle, half_s = t_s - delays_s[:, None], np.sqrt(3.0 * spreads_s2)[:, None]
        if not (half_s >= 1e-6 * (t_s[-1] - t_s[0])).all():
            each = zip(delays_s[:, None], spreads_s2[:, None], strict=True)
            return np.concatenate([self._window(*one) for one in each], axis=-2)
        ends = self._at(self._area, np.stack([middle + half_s, middle - half_s]))
        return np.asarray((ends[..., 0, :, :] - ends[..., 1, :, :]) / (2.0 * half_s))

    def _window(self, delay_s: Array, spread_s2: Array) -> Array:
        """One window, shape (1,) each, that may be no longer than a moment."""
        if 3.0 * spread_s2.item() >= (1e-6 * (self._t_s[-1] - self._t_s[0])) ** 2:
            return self.averages(delay_s, spread_s2)
        return self._at(self._curve, self._t_s - delay_s[:, None])

    def _at(self, powers: Array, moment: Array) -> Array:
        """Read a piecewise polynomial, highest power first; returns shape ([c,] *moment.shape)."""
        piece = np.searchsorted(self._t_s, moment, side="right")
        into = moment - self._begins[piece]
        found, *rest = np.take(powers, piece, axis=-1)
        for each in rest:
            found *= into
            found += each
        return np.asarray(found)

    @cached_property
    def _begins(self) -> Array:
        """From where each piece counts: before the first sample from there too, shape (n + 1,)."""
        return np.concatenate([self._t_s[:1], self._t_s])

    @cached_property
    def _curve(self) -> Array:
        """The pieces' powers, shape (4, [c,] n + 1), the constant ones at both ends included."""
        step_s = np.diff(self._t_s)
        slope = np.diff(self._x) / step_s
        rest = np.zeros_like(slope[..., :1])
        around = np.concatenate([-slope[..., :1], rest, slope, rest, -slope[..., -1:]], axis=-1)
        change = np.abs(np.diff(around))
        before, after = change[..., :-2], change[..., 2:]
        both = before + after
        plain = both <= 1e-9 * both.max(axis=-1, keepdims=True)
        to_right = np.where(plain, 0.5, before / np.where(plain, 1.0, both))
        inner = around[..., 1:-2], around[..., 2:-1]
        outer = around[..., :-3], around[..., 3:]
        left, right = (np.where(plain, *pair) for pair in zip(outer, inner, strict=True))
        rate = left + to_right * (right - left)
        bend = rate[..., :-1] + rate[..., 1:] - 2.0 * slope
        cubic, square = bend / step_s**2, (slope - rate[..., :-1] - bend) / step_s
        powers = np.zeros((4, *self._x.shape[:-1], self._t_s.size + 1))
        powers[:3, ..., 1:-1] = cubic, square, rate[..., :-1]
        powers[3, ..., 0], powers[3, ..., 1:] = self._x[..., 0], self._x
        return powers

    @cached_property
    def _area(self) -> Array:
        """The pieces' powers of the integral since the first sample, shape (5, [c,] n + 1)."""
        curve, step_s = self._curve, np.diff(self._t_s)
        powers = np.zeros((5, *curve.shape[1:]))
        for at, divisor in enumerate((4.0, 3.0, 2.0, 1.0)):
            powers[at] = curve[at] / divisor
        whole = np.zeros_like(curve[0, ..., 1:-1])
        for each in powers[:4, ..., 1:-1]:
            whole = (whole + each) * step_s
        powers[4, ..., 2:] = np.cumsum(whole, axis=-1)
        return powers


class _Courses(Course):
    """Courses over the same time, each worked out already, averaged together."""

    def __init__(self, *each: Course) -> None:
        self._each = each
        super().__init__(each[0]._t_s, np.stack([one._x for one in each]))

    @cached_property
    def _curve(self) -> Array:
        return np.stack([one._curve for one in self._each], axis=1)

    @cached_property
    def _area(self) -> Array:
        return np.stack([one._area for one in self._each], axis=1)
