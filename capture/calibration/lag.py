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
from numpy.typing import ArrayLike, NDArray

from coilbench.capture.calibration.statistics import median

Array = NDArray[np.float64]

CONTACT_BLEND_MM = 1.0  # below contact: the range over which the two averages are blended
SETTLING_CONVERSIONS = 4.0  # in which a delta-sigma converter settles (HX711 datasheet)
LONGEST_TYPICAL_S = 0.2  # 10 conversions a second (HX711 datasheet: 400 ms to settle)
# Our choice, no source.
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

    def doubted(self, times: float) -> Lag:
        """Return the same, so many times as uncertain."""
        (a, b), (c, d) = (times**2 * np.array(self.covariance)).tolist()
        return replace(self, covariance=((a, b), (c, d)))


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
        """Return the height that belongs to each load, shape (n,); as Presses.heights_mm."""
        if self.t_s.size < 2:
            return self.travel_mm + self.flex_mm
        found: Array = Presses.of([self]).heights_mm((delay_s,), (spread_s2,))[0]
        return found

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
        return median(np.diff(self.t_s)) if self.t_s.size > 1 else 0.0


@dataclass(frozen=True)
class Presses:
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
        at = np.arange(self.t_s.size) if at is None else at
        filters = np.asarray(delays_s), np.asarray(spreads_s2)
        if not np.isfinite(self.contact_mm).any():
            return np.asarray(self._travel.averages(*filters, at) + self.flex_mm[at])
        found = self._below.averages(*filters, at)
        inside = (self.contact_mm[self.rows.stroke[at]] - found) / CONTACT_BLEND_MM
        near = np.flatnonzero((inside < 1.0).any(axis=0))
        inside = np.clip(inside[:, near], 0.0, 1.0)
        plain = self._travel.averages(*filters, at[near])
        found[:, near] = inside * found[:, near] + (1.0 - inside) * plain
        return np.asarray(found + self.flex_mm[at])

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
        return Course(self.t_s, self.travel_mm, self.rows)

    @cached_property
    def _below(self) -> Course:
        """The travel below contact."""
        contact_mm = self.contact_mm[self.rows.stroke]
        return Course(self.t_s, np.minimum(self.travel_mm, contact_mm), self.rows)

    def earlier(self, x: Array, delay_s: float, spread_s2: float) -> Array:
        """Return x, shape (n,), as it was where each load's window begins."""
        begin_s = self.t_s - delay_s - math.sqrt(3.0 * spread_s2)
        return self.rows.interpolated(begin_s, self.t_s, x)


@dataclass(frozen=True)
class Rows:
    """Where strokes lie that are put behind each other.

    Attributes:
        first, last: the first and last sample of each, shape (strokes,).
        stroke: which stroke each sample is of, shape (n,).
    """

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    stroke: NDArray[np.intp]

    @classmethod
    def of(cls, sizes: Sequence[int]) -> Rows:
        """Of strokes of so many samples, none of them empty."""
        end = np.cumsum(np.array(sizes, dtype=np.intp))
        stroke = np.repeat(np.arange(len(sizes)), sizes)
        return cls(end - sizes, end - 1, stroke)

    def apart(self, x: Array) -> Array:
        """Return what to add to each stroke's x so that the strokes follow each other, (strokes,).

        Args:
            x: ascending in each stroke.
        """
        begin, end = x[self.first], x[self.last]
        return np.concatenate([[0.0], np.cumsum(end - begin + 1.0)[:-1]]) - begin

    def interpolated(self, at: Array, x: Array, y: Array) -> Array:
        """Interpolate each stroke's y, shape (n,) each, between its own x, which ascend."""
        apart = self.apart(x)[self.stroke]
        inside = np.maximum(at, x[self.first][self.stroke])
        return np.interp(inside + apart, x + apart, y)

    @property
    def slices(self) -> list[slice]:
        """Each stroke's own samples."""
        ends = zip(self.first.tolist(), self.last.tolist(), strict=True)
        return [slice(first, last + 1) for first, last in ends]

    def lowest(self, x: Array) -> NDArray[np.intp]:
        """Return where each stroke's x is lowest first, shape (strokes,)."""
        return np.array([own.start + int(np.argmin(x[own])) for own in self.slices])


class Course:
    """A quantity over time, ready to be averaged by many filters at once; of one stroke or many.

    Between samples it is interpolated by Akima's method (J. ACM 17, 1970, from memory), which
    does not overshoot at steps; before the first and after the last sample it is constant. Our
    own, since scipy.interpolate takes longer to load than a set to be judged; held to SciPy's by
    the tests.

    Args:
        t_s: shape (n,), strictly rising in each stroke.
        x: shape (n,).
        rows: where the strokes lie; None for one.
    """

    def __init__(self, t_s: Array, x: Array, rows: Rows | None = None) -> None:
        self._t_s, self._x = t_s, x
        self._rows = Rows.of([t_s.size]) if rows is None else rows

    def averaged(self, delay_s: float, spread_s2: float) -> Array:
        """Average over a window in the past, as a filter with this delay and spread does.

        Args:
            delay_s: how far back the middle of the window is.
            spread_s2: variance of the window; 0 takes x at that moment alone.

        Returns:
            shape of x.
        """
        found: Array = self.averages(np.array([delay_s]), np.array([spread_s2]))[0]
        return found

    def averages(
        self, delays_s: Array, spreads_s2: Array, at: NDArray[np.intp] | None = None
    ) -> Array:
        """Average over windows, shape (k,) or (k, m), at some m samples; returns shape (k, m)."""
        at = np.arange(self._t_s.size) if at is None else at
        if self._t_s.size < 2:
            return np.repeat(self._x[None, at], len(delays_s), axis=0)
        count, stroke = len(delays_s), self._rows.stroke[at]
        middle = self._t_s[at] - delays_s.reshape(count, -1)
        half_s = np.sqrt(3.0 * spreads_s2).reshape(count, -1)
        moments = half_s.max(axis=1, initial=0.0) < 1e-6 * self._longest_s
        if moments.any():
            found = self._at(self._curve, middle, stroke)
            if not moments.all():
                long = ~moments
                found[long] = self.averages(delays_s[long], spreads_s2[long], at)
            return found
        after, before = self._at(self._area, np.stack([middle + half_s, middle - half_s]), stroke)
        return np.asarray((after - before) / (2.0 * half_s))

    @cached_property
    def _longest_s(self) -> float:
        return float((self._t_s[self._rows.last] - self._t_s[self._rows.first]).max())

    def _at(self, powers: Array, moment: Array, stroke: NDArray[np.intp]) -> Array:
        """Read a piecewise polynomial, highest power first, at moments of strokes, (..., m)."""
        rows = self._rows
        if rows.first.size == 1:
            piece = np.searchsorted(self._t_s, moment, side="right")
        else:
            piece = np.searchsorted(self._apart_s, moment + self._shift_s[stroke], side="right")
            piece = np.clip(piece, rows.first[stroke], rows.last[stroke] + 1) + stroke
        into = moment - self._begins[piece]
        found, *rest = np.take(powers, piece, axis=-1)
        for each in rest:
            found *= into
            found += each
        return np.asarray(found)

    @cached_property
    def _shift_s(self) -> Array:
        """What to add to each stroke's times so that no two strokes overlap."""
        return self._rows.apart(self._t_s)

    @cached_property
    def _apart_s(self) -> Array:
        return self._t_s + self._shift_s[self._rows.stroke]

    @cached_property
    def _pieces(self) -> NDArray[np.intp]:
        """The piece that begins at each sample; one more lies before each stroke's first."""
        return np.arange(self._t_s.size) + self._rows.stroke + 1

    @cached_property
    def _begins(self) -> Array:
        """From where each piece counts: before the first sample from there too."""
        return np.insert(self._t_s, self._rows.first, self._t_s[self._rows.first])

    @cached_property
    def _inside(self) -> NDArray[np.bool_]:
        """Which samples have one of their stroke after them."""
        inside = np.ones(self._t_s.size, dtype=np.bool_)
        inside[self._rows.last] = False
        return inside

    @cached_property
    def _curve(self) -> Array:
        """The pieces' powers, shape (4, pieces), the constant ones at both ends included."""
        rows, inside = self._rows, self._inside[:-1]
        step_s = np.where(inside, np.diff(self._t_s), 1.0)
        slope = np.where(inside, np.diff(self._x) / step_s, 0.0)
        node = np.arange(self._t_s.size) + 3 * rows.stroke  # of each sample among `around`
        around = np.zeros(node[-1] + 4)
        around[node[:-1][inside] + 2] = slope[inside]
        around[node[rows.first]] = -around[node[rows.first] + 2]
        around[node[rows.last] + 3] = -around[node[rows.last] + 1]
        change = np.abs(np.diff(around))
        before, after = change[node], change[node + 2]
        both = before + after
        plain = both <= 1e-9 * np.maximum.reduceat(both, rows.first)[rows.stroke]
        to_right = np.where(plain, 0.5, before / np.where(plain, 1.0, both))
        left, right = around[node + 1 - plain], around[node + 2 + plain]
        rate = left + to_right * (right - left)
        bend = rate[:-1] + rate[1:] - 2.0 * slope
        cubic, square = bend / step_s**2, (slope - rate[:-1] - bend) / step_s
        powers = np.zeros((4, self._begins.size))
        piece = self._pieces[:-1][inside]
        powers[0, piece], powers[1, piece] = cubic[inside], square[inside]
        powers[2, piece] = rate[:-1][inside]
        powers[3, self._pieces] = self._x
        powers[3, rows.first + np.arange(rows.first.size)] = self._x[rows.first]
        return powers

    @cached_property
    def _area(self) -> Array:
        """The pieces' powers of the integral since the stroke's first sample, (5, pieces)."""
        curve = self._curve
        powers = np.zeros((5, curve.shape[1]))
        for at, divisor in enumerate((4.0, 3.0, 2.0, 1.0)):
            powers[at] = curve[at] / divisor
        step_s = np.where(self._inside, np.diff(self._t_s, append=0.0), 0.0)
        whole = np.zeros(self._t_s.size)
        for each in powers[:4, self._pieces]:
            whole = (whole + each) * step_s
        since = np.concatenate([np.cumsum(whole[own]) for own in self._rows.slices])
        powers[4, self._pieces[self._inside] + 1] = since[self._inside]
        return powers
