"""Many strokes' quantities over time, averaged over many windows at once. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.intp]


class Rows(msgspec.Struct, frozen=True):
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
        return self.first + np.array([x[own].argmin() for own in self.slices], dtype=np.intp)


class Windows(NamedTuple):
    """Windows in the past of some m samples, by k filters.

    Attributes:
        piece, into: in which piece each window ends and begins, and how far into it, shape
            (2, k, m).
        half_s: half of its length, shape (k, 1) or (k, m).
        moments: which filters take one moment alone, shape (k,).
    """

    piece: Places
    into: Array
    half_s: Array
    moments: NDArray[np.bool_]

    def at(self, samples: Places) -> Windows:
        """Return those of some of the samples."""
        half_s = self.half_s if self.half_s.shape[1] == 1 else self.half_s[:, samples]
        return Windows(self.piece[..., samples], self.into[..., samples], half_s, self.moments)


class Clock:
    """When samples were taken, of one stroke or many: what all courses over them share.

    Args:
        t_s: shape (n,), strictly rising in each stroke.
        rows: where the strokes lie; None for one.
    """

    def __init__(self, t_s: Array, rows: Rows | None = None) -> None:
        self.t_s, self.rows = t_s, Rows.of([t_s.size]) if rows is None else rows
        self._newest: tuple[tuple[bytes, bytes], Windows] | None = None

    def windows(self, delays_s: Array, spreads_s2: Array, at: Places | None = None) -> Windows:
        """Return the windows of filters, shape (k,) or (k, m), at m samples; None for all.

        The newest of all samples are kept: several courses are averaged over the same ones.
        """
        named = delays_s.tobytes(), spreads_s2.tobytes()
        if at is not None:
            return self._laid(delays_s, spreads_s2, at)
        if self._newest is None or self._newest[0] != named:
            self._newest = named, self._laid(delays_s, spreads_s2, np.arange(self.t_s.size))
        return self._newest[1]

    def _laid(self, delays_s: Array, spreads_s2: Array, at: Places) -> Windows:
        count, stroke = len(delays_s), self.rows.stroke[at]
        middle = self.t_s[at] - delays_s.reshape(count, -1)
        half_s = np.sqrt(3.0 * spreads_s2).reshape(count, -1)
        moments = half_s.max(axis=1, initial=0.0) < 1e-6 * self._longest_s
        half_s = np.where(moments[:, None], 0.0, half_s)
        ends = np.stack([middle + half_s, middle - half_s])
        piece = self._piece(ends, stroke)
        return Windows(piece, ends - self._begins[piece], half_s, moments)

    def _piece(self, moment: Array, stroke: Places) -> Places:
        """Tell in which piece moments of strokes lie, shape (..., m)."""
        rows = self.rows
        if rows.first.size == 1:
            return self.t_s.searchsorted(moment, side="right")
        piece = self._apart_s.searchsorted(moment + self._shift_s[stroke], side="right")
        first, end = rows.first[stroke], rows.last[stroke] + 1
        return np.asarray(np.clip(piece, first, end) + stroke)

    @cached_property
    def _longest_s(self) -> float:
        return float((self.t_s[self.rows.last] - self.t_s[self.rows.first]).max())

    @cached_property
    def _shift_s(self) -> Array:
        """What to add to each stroke's times so that no two strokes overlap."""
        return self.rows.apart(self.t_s)

    @cached_property
    def _apart_s(self) -> Array:
        return self.t_s + self._shift_s[self.rows.stroke]

    @cached_property
    def pieces(self) -> Places:
        """The piece that begins at each sample; one more lies before each stroke's first."""
        return np.arange(self.t_s.size) + self.rows.stroke + 1

    @cached_property
    def _begins(self) -> Array:
        """From where each piece counts: before the first sample from there too."""
        return np.insert(self.t_s, self.rows.first, self.t_s[self.rows.first])

    @cached_property
    def followed(self) -> NDArray[np.bool_]:
        """Which samples have one of their stroke after them."""
        followed = np.ones(self.t_s.size, dtype=np.bool_)
        followed[self.rows.last] = False
        return followed

    @cached_property
    def step_s(self) -> Array:
        """The time to the next sample of the stroke, shape (n,); 1 s where there is none."""
        return np.where(self.followed, np.diff(self.t_s, append=0.0), 1.0)


class Course:
    """A quantity over time, ready to be averaged by many filters at once; of one stroke or many.

    Between samples it is interpolated by Akima's method (J. ACM 17, 1970, from memory), which
    does not overshoot at steps; before the first and after the last sample it is constant. Our
    own, since scipy.interpolate takes longer to load than a set to be judged; held to SciPy's by
    the tests.

    Args:
        clock: when it was sampled, or the times alone of one stroke.
        x: shape (n,).
    """

    def __init__(self, clock: Clock | Array, x: Array) -> None:
        self.clock = clock if isinstance(clock, Clock) else Clock(clock)
        self._x = x

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

    def averages(self, delays_s: Array, spreads_s2: Array) -> Array:
        """Average over the windows of k filters, shape (k,); returns shape (k, n)."""
        if self._x.size < 2:
            return np.repeat(self._x[None], len(delays_s), axis=0)
        return self.over(self.clock.windows(delays_s, spreads_s2))

    def over(self, windows: Windows) -> Array:
        """Average over windows, shape (k, m)."""
        moments, piece, into = windows.moments, windows.piece, windows.into
        if moments.all():
            return _read(self._curve, piece[0], into[0])
        after, before = _read(self._area, piece, into)
        after -= before
        after /= np.where(moments[:, None], 1.0, 2.0 * windows.half_s)
        if moments.any():
            after[moments] = _read(self._curve, piece[0][moments], into[0][moments])
        return np.asarray(after)

    @cached_property
    def _curve(self) -> Array:
        """The pieces' powers, shape (4, pieces), the constant ones at both ends included."""
        clock, rows = self.clock, self.clock.rows
        inside, step_s = clock.followed[:-1], clock.step_s[:-1]
        slope = np.where(inside, (self._x[1:] - self._x[:-1]) / step_s, 0.0)
        node = np.arange(self._x.size) + 3 * rows.stroke  # of each sample among `around`
        around = np.zeros(node[-1] + 4)
        around[node[:-1][inside] + 2] = slope[inside]
        around[node[rows.first]] = -around[node[rows.first] + 2]
        around[node[rows.last] + 3] = -around[node[rows.last] + 1]
        change = np.abs(around[1:] - around[:-1])
        before, after = change[node], change[node + 2]
        both = before + after
        plain = both <= 1e-9 * np.maximum.reduceat(both, rows.first)[rows.stroke]
        to_right = np.where(plain, 0.5, before / np.where(plain, 1.0, both))
        left, right = around[node + 1 - plain], around[node + 2 + plain]
        rate = left + to_right * (right - left)
        bend = rate[:-1] + rate[1:] - 2.0 * slope
        cubic, square = bend / step_s**2, (slope - rate[:-1] - bend) / step_s
        powers = np.zeros((4, self._x.size + rows.first.size))
        piece = clock.pieces[:-1][inside]
        powers[0, piece], powers[1, piece] = cubic[inside], square[inside]
        powers[2, piece] = rate[:-1][inside]
        powers[3, clock.pieces] = self._x
        powers[3, rows.first + np.arange(rows.first.size)] = self._x[rows.first]
        return powers

    @cached_property
    def _area(self) -> Array:
        """The pieces' powers of the integral since the stroke's first sample, (5, pieces)."""
        curve = self._curve
        powers = np.zeros((5, curve.shape[1]))
        for at, divisor in enumerate((4.0, 3.0, 2.0, 1.0)):
            powers[at] = curve[at] / divisor
        clock = self.clock
        whole = np.zeros(self._x.size)
        for each in powers[:4, clock.pieces]:
            whole += each
            whole *= clock.step_s
        since = np.empty_like(whole)
        for own in clock.rows.slices:
            np.add.accumulate(whole[own], out=since[own])
        powers[4, clock.pieces[clock.followed] + 1] = since[clock.followed]
        return powers


def _read(powers: Array, piece: Places, into: Array) -> Array:
    """Read a piecewise polynomial, highest power first, so far into pieces of it."""
    found, *rest = powers.take(piece, axis=-1)
    for each in rest:
        found *= into
        found += each
    return np.asarray(found)
