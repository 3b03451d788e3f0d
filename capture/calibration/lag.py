"""How far the load lags behind the travel, and how to undo the lag. Pure.

An ADC's filter returns the mean of the load over some past time. The same mean of the travel
belongs to it: as long as a spring is linear over what the quill moves in that time, the two means
belong to the same moment.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import ArrayLike, NDArray

from coilbench.capture.calibration.course import Clock, Course, Rows
from coilbench.capture.calibration.statistics import median

Array = NDArray[np.float64]
CONTACT_BLEND_MM = 1.0  # below contact: the range over which the two averages are blended
SETTLING_CONVERSIONS = 4.0  # in which a delta-sigma converter settles (HX711 datasheet)
LONGEST_TYPICAL_S = 0.2  # 10 conversions a second (HX711 datasheet: 400 ms to settle)
# Our choice, no source.
# Of the typical delay: what a lag that nobody knows may be.
LAGS = (0.0, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.5, 5.0)
LEAST_SHARE = 0.1  # of the largest load: below it end coils still close
LONGEST_FILTER = 16  # conversions that a slow converter may average over
HURRIED = 2.5  # times as long as that a way lasts, or the lag may look like anything
LEAST_WINDOWS = 1.25  # of the filter and a sample's interval, that a way down or up must last


def typical_delay_s(step_s: float) -> float:
    """The delay that is typical of a converter that gives a sample each step_s."""
    return min(0.5 * SETTLING_CONVERSIONS * step_s, LONGEST_TYPICAL_S)


def hurried_s(step_s: float) -> float:
    """In a shorter way than this, s, the lag of a converter of that step may look like anything."""
    return HURRIED * LONGEST_FILTER * step_s


class Lag(msgspec.Struct, frozen=True):
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

    def doubted(self, times: float) -> Lag:
        """Return the same, so many times as uncertain."""
        (a, b), (c, d) = (times**2 * np.array(self.covariance)).tolist()
        return replace(self, covariance=((a, b), (c, d)))


class Press(msgspec.Struct, frozen=True, dict=True):
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
        """Return the height that belongs to each load, shape (n,); as Presses.heights_mm."""
        if self.t_s.size < 2:
            return self.travel_mm + self.flex_mm
        found: Array = self.alone.heights_mm((delay_s,), (spread_s2,))[0]
        return found

    @cached_property
    def by_lags_mm(self) -> Array:
        """The heights by each of LAGS, shape (lags, n); of two samples or more."""
        delays_s = np.array(LAGS) * typical_delay_s(self.interval_s)
        return self.alone.heights_mm(delays_s, delays_s**2 / 3.0)

    @cached_property
    def alone(self) -> Presses:
        """It as some of which there is one, prepared once for all lags; of two samples or more."""
        return Presses.of([self])

    def too_fast(self, delay_s: float, spread_s2: float) -> bool:
        """Whether a way took so little time that the filter saw hardly anything of it.

        A way up that was not recorded is not judged.
        """
        window_s = 2.0 * max(math.sqrt(3.0 * spread_s2), abs(delay_s)) + self.interval_s
        return self.way_s < LEAST_WINDOWS * window_s

    @cached_property
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
        return typical_delay_s(self.interval_s) / max(self.way_s, self.interval_s)

    @property
    def hurried(self) -> bool:
        """Whether a way was so short that a lag which may yet be may look like anything."""
        return self.way_s < hurried_s(self.interval_s)

    @property
    def down_alone(self) -> bool:
        """Whether the way up was not recorded."""
        return int(np.argmin(self.travel_mm)) == self.travel_mm.size - 1

    @property
    def surely_too_fast(self) -> bool:
        """The same by the filter that is typical of such a rate."""
        delay_s = typical_delay_s(self.interval_s)
        return self.too_fast(delay_s, delay_s**2 / 3.0)

    @cached_property
    def interval_s(self) -> float:
        """The time from sample to sample, the median; 0 of a lone sample."""
        return median(self.t_s[1:] - self.t_s[:-1]) if self.t_s.size > 1 else 0.0


class Presses(msgspec.Struct, frozen=True, dict=True):
    """Some strokes behind each other, so that all of them are worked on at once.

    Attributes:
        t_s, load_n, travel_mm, flex_mm: as in Press, shape (n,), of all strokes.
        rows: where each stroke lies among them.
        contact_mm: of each stroke, shape (strokes,).
    """

    t_s: Array
    load_n: Array
    travel_mm: Array
    flex_mm: Array
    rows: Rows
    contact_mm: Array

    @classmethod
    def of(cls, presses: Sequence[Press]) -> Presses:
        """Put strokes, one or more, of two samples or more each, behind each other."""
        return cls(
            np.concatenate([press.t_s for press in presses]),
            np.concatenate([press.load_n for press in presses]),
            np.concatenate([press.travel_mm for press in presses]),
            np.concatenate([press.flex_mm for press in presses]),
            Rows.of([press.t_s.size for press in presses]),
            np.array([press.contact_mm for press in presses]),
        )

    def with_contact(self, contact_mm: Array) -> Presses:
        """Return the same strokes, the springs pushing from other heights on."""
        moved = replace(self, contact_mm=contact_mm)
        vars(moved)["_travel"] = self._travel  # the same, worked out once
        return moved

    def heights_mm(
        self,
        delays_s: ArrayLike,
        spreads_s2: ArrayLike,
        at: NDArray[np.intp] | None = None,
    ) -> Array:
        """Return the heights that belong to some loads, all where `at` is None, by several filters.

        Above contact the load is zero at any height: a window that reaches above contact averages
        the contact height there, as long as most of the window lies below.

        Args:
            delays_s, spreads_s2: k of each, or of each sample its own, shape (k, m).
            at: m of the samples.

        Returns:
            shape (k, m).
        """
        windows = self._travel.clock.windows(np.asarray(delays_s), np.asarray(spreads_s2), at)
        those = slice(None) if at is None else at
        if not np.isfinite(self.contact_mm).any():
            return np.asarray(self._travel.over(windows) + self.flex_mm[those])
        found = self._below.over(windows)
        inside = (self.contact_mm[self.rows.stroke[those]] - found) / CONTACT_BLEND_MM
        near = np.flatnonzero((inside < 1.0).any(axis=0))
        inside = np.clip(inside[:, near], 0.0, 1.0)
        plain = self._travel.over(windows.at(near))
        found[:, near] = inside * found[:, near] + (1.0 - inside) * plain
        return np.asarray(found + self.flex_mm[those])

    def by_lag(
        self, delay_s: float, spread_s2: float, here: Array, at: NDArray[np.intp] | None = None
    ) -> Array:
        """Return how some samples' heights, `here`, move with delay and spread, shape (m, 2)."""
        step_s = 1e-4
        step_s2 = max(0.1 * spread_s2, 1e-6)
        ahead, behind, wider = self.heights_mm(
            (delay_s + step_s, delay_s - step_s, delay_s),
            (spread_s2, spread_s2, spread_s2 + step_s2),
            at,
        )
        return np.column_stack([(ahead - behind) / (2.0 * step_s), (wider - here) / step_s2])

    @cached_property
    def _travel(self) -> Course:
        return Course(Clock(self.t_s, self.rows), self.travel_mm)

    @cached_property
    def _below(self) -> Course:
        """The travel below contact."""
        contact_mm = self.contact_mm[self.rows.stroke]
        return Course(self._travel.clock, np.minimum(self.travel_mm, contact_mm))

    def earlier(self, x: Array, delay_s: float, spread_s2: float) -> Array:
        """Return x, shape (n,), as it was where each load's window begins."""
        begin_s = self.t_s - delay_s - math.sqrt(3.0 * spread_s2)
        return self.rows.interpolated(begin_s, self.t_s, x)
