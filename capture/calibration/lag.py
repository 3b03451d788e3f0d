"""How far the load lags behind the travel, and how to undo the lag. Pure.

An ADC's filter returns the mean of the load over some past time. The same mean of the travel
belongs to it: as long as a spring is linear over what the quill moves in that time, the two means
belong to the same moment.
"""

from __future__ import annotations

import math
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


def load_interpolation() -> None:
    """Load what `Course` needs, so that the first stroke does not wait: it takes half a second."""
    import scipy.interpolate  # noqa: F401


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
        plain = self._travel.averaged(delay_s, spread_s2)
        if math.isfinite(self.contact_mm):
            clipped = self._touching.averaged(delay_s, spread_s2)
            inside = np.clip((self.contact_mm - clipped) / CONTACT_BLEND_MM, 0.0, 1.0)
            plain = inside * clipped + (1.0 - inside) * plain
        return plain + self.flex_mm

    def too_fast(self, delay_s: float, spread_s2: float) -> bool:
        """Whether a way took so little time that the filter saw hardly anything of it.

        A way up that was not recorded is not judged.
        """
        pressed = np.flatnonzero(self.load_n > LEAST_SHARE * self.load_n.max(initial=0.0))
        if pressed.size < 2:
            return True
        begin_s, turn_s, end_s = self.t_s[[pressed[0], np.argmin(self.travel_mm), pressed[-1]]]
        window_s = 2.0 * max(math.sqrt(3.0 * spread_s2), abs(delay_s)) + self._interval_s
        down_s, up_s = turn_s - begin_s, end_s - turn_s
        shortest_s = down_s if self.down_alone else min(down_s, up_s)
        return bool(shortest_s < LEAST_WINDOWS * window_s)

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
        other = replace(self, contact_mm=contact_mm)
        # its times and its travel are the same: what is worked out of them alone is kept
        other.__dict__.update(_interval_s=self._interval_s, _travel=self._travel)
        return other

    @cached_property
    def _interval_s(self) -> float:
        return float(np.median(np.diff(self.t_s))) if self.t_s.size > 1 else 0.0

    @cached_property
    def _travel(self) -> Course:
        return Course(self.t_s, self.travel_mm)

    @cached_property
    def _touching(self) -> Course:
        return Course(self.t_s, np.minimum(self.travel_mm, self.contact_mm))

    def earlier(self, x: Array, delay_s: float, spread_s2: float) -> Array:
        """Return x, shape (n,), as it was where each load's window begins."""
        begin_s = self.t_s - delay_s - math.sqrt(3.0 * spread_s2)
        return np.interp(begin_s, self.t_s, x)


class Course:
    """A quantity over time, ready to be averaged by many filters.

    Between samples it is interpolated by Akima's method (J. ACM 17, 1970, from memory), which does
    not overshoot at steps; before the first and after the last sample it is constant.

    Args:
        t_s: shape (n,), strictly rising.
        x: shape (n,).
    """

    def __init__(self, t_s: Array, x: Array) -> None:
        self._t_s, self._x = t_s, x
        self._reach_s = -1.0  # no curve yet

    def averaged(self, delay_s: float, spread_s2: float) -> Array:
        """Average over a window in the past, as a filter with this delay and spread does.

        Args:
            delay_s: how far back the middle of the window is.
            spread_s2: variance of the window; 0 takes x at that moment alone.

        Returns:
            shape (n,).
        """
        t_s = self._t_s
        if t_s.size < 2:
            return self._x.copy()
        half_s, whole_s = math.sqrt(3.0 * spread_s2), float(t_s[-1] - t_s[0])
        if abs(delay_s) + half_s > self._reach_s:
            self._extend(2.0 * (abs(delay_s) + half_s) + whole_s)
        middle = t_s - delay_s
        if half_s < 1e-6 * whole_s:
            return np.asarray(self._curve(middle), dtype=np.float64)
        late, early = self._area(np.stack([middle + half_s, middle - half_s]))
        return np.asarray((late - early) / (2.0 * half_s), dtype=np.float64)

    def _extend(self, reach_s: float) -> None:
        """Build the curve, with this much before the first and after the last sample."""
        from scipy.interpolate import Akima1DInterpolator  # imported late: slow to load

        t_s, x = self._t_s, self._x
        time = np.concatenate([[t_s[0] - reach_s], t_s, [t_s[-1] + reach_s]])
        self._curve = Akima1DInterpolator(time, np.concatenate([x[:1], x, x[-1:]]))
        self._area = self._curve.antiderivative()
        self._reach_s = reach_s
