"""How far presses of one spring differ in height and load, whether one slipped, or heights moved.

Heights are compared at equal loads, the way down with the way down and the way up with the way up:
friction is then the same in both. What differs alike at all loads is a datum that moved; what grows
with the deflection is another load; what begins on the way is a slip. The filter's lag moves
heights with the quill's speed, which no two presses share: lags count by how well the presses agree
with each. Thresholds are ours, no source; what they miss and what they call out in vain is measured
by tests/bench/bench_repeats.py. Pure.
"""

from __future__ import annotations

from functools import cached_property, lru_cache
from typing import Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.lag import LAGS, Press
from coilbench.capture.calibration.statistics import median
from coilbench.capture.strokes.sweep import passing

Array = NDArray[np.float64]
SURELY = 4.0  # standard uncertainties
LEVELS = 40
FROM_SHARE, TO_SHARE = 0.06, 0.9  # of the load that both reach
ALONG = 5.0  # levels whose errors go together: a hand shakes over some millimetres
BESIDE = 4  # levels on either side of a step
FEWEST = 24  # samples
LEAST_SD_MM = 0.01  # of a height
_SHARES = np.linspace(FROM_SHARE, TO_SHARE, LEVELS)


class Measured(NamedTuple):
    """A value and its standard uncertainty, k = 1."""

    value: float
    u: float

    def surely_over(self, limit: float, other_u: float = 0.0) -> bool:
        """Whether it is farther from 0 than the limit, and than its uncertainty explains."""
        return abs(self.value) > max(limit, SURELY * float(np.hypot(self.u, other_u)))


class Slip(NamedTuple):
    """By how much heights, mm, differ from somewhere on the way on."""

    by_mm: Measured
    way: Literal["down", "up"]  # compared with another press alone; else a guess
    height_mm: float


class Alike(NamedTuple):
    """By how much a press differs from another.

    Attributes:
        moved_mm: how much higher it is at equal loads, as a datum makes it.
        load_share: by what share of the load it pushes harder.
        deepest_mm: how much higher it is at the largest load that is compared, by both.
        slip: the surest step along the way.
    """

    moved_mm: Measured
    load_share: Measured
    deepest_mm: Measured
    slip: Slip


class _Ways(NamedTuple):
    """The ways down by each lag, then those up, behind each other: all are read at once.

    Attributes:
        load_n: loads that never fall, each way's moved by `apart_n`; shape (n,).
        height_mm: shape (n,).
        apart_n, first_n, last_n: of each way, shape (2 lags, 1).
    """

    load_n: Array
    height_mm: Array
    apart_n: Array
    first_n: Array
    last_n: Array

    @classmethod
    def of(cls, load_n: Array, heights_mm: Array) -> _Ways:
        """Of a press's loads, shape (n,), and its heights by each lag, shape (lags, n)."""
        down, up = passing(heights_mm)
        there = np.concatenate([down, up[:, ::-1]])
        heights_mm = np.concatenate([heights_mm, heights_mm[:, ::-1]])
        apart_n = np.arange(float(len(there)))[:, None] * (float(np.ptp(load_n)) + 1.0)
        ways_n = np.repeat([load_n, load_n[::-1]], len(down), axis=0) + apart_n
        moved_n = np.maximum.accumulate(ways_n[there])
        end = there.sum(axis=1).cumsum()
        first_n, last_n = moved_n[np.append(0, end[:-1])], moved_n[end - 1]
        return cls(moved_n, heights_mm[there], apart_n, first_n[:, None], last_n[:, None])


class PressedPath(msgspec.Struct, frozen=True, dict=True, eq=False):
    """A press, ready to be compared. Equal to itself alone: comparisons are kept by it.

    Attributes:
        works: whether it worked the spring, which may have shortened it.
        height_u_mm: standard uncertainty of its datum, k = 1.
    """

    press: Press
    works: bool = False
    calibration_id: str | None = None
    height_u_mm: float = 0.0

    @cached_property
    def largest_n(self) -> float:
        """The largest load."""
        return float(self.press.load_n.max(initial=0.0))

    @property
    def usable(self) -> bool:
        """Whether it can be compared."""
        return self.press.t_s.size >= FEWEST and self.largest_n > 0.0

    @cached_property
    def _ways(self) -> _Ways:
        return _Ways.of(self.press.load_n, self.press.by_lags_mm)

    @property
    def deep_rate_n_per_mm(self) -> float:
        """The rate over the deeper half of its loads."""
        loads_n = _levels(self.largest_n)
        heights_mm, half = _mid(self.at(loads_n)), LEVELS // 2
        return float((loads_n[-1] - loads_n[half]) / (heights_mm[half] - heights_mm[-1]))

    def at(self, loads_n: Array) -> Array:
        """Return heights at ascending loads, by each lag: shape (lags, 2, levels)."""
        ways = self._ways
        those_n = np.minimum(np.maximum(loads_n + ways.apart_n, ways.first_n), ways.last_n)
        found = np.interp(those_n, ways.load_n, ways.height_mm)
        return found.reshape(2, len(LAGS), -1).swapaxes(0, 1)


@lru_cache(maxsize=16)  # a press is held to the same few ones for some questions
def differ(new: PressedPath, before: PressedPath) -> Alike | None:
    """Say how a press differs from one before; None where one can't be compared."""
    if not (new.usable and before.usable):
        return None
    loads_n = _levels(min(new.largest_n, before.largest_n))
    then = before.at(loads_n)
    apart, heights = new.at(loads_n) - then, _mid(then)
    give = _give(heights)
    along = np.concatenate([apart[:, 0], apart[:, 1, ::-1]], axis=1)
    both = np.column_stack([np.ones(2 * LEVELS), np.concatenate([give, give[::-1]])])
    wanted = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, give[-1]]])
    moved, (given, given_u), deepest = _fitted(both, along, wanted)
    share = Measured(given / (1.0 - given), given_u / (1.0 - given) ** 2)  # of the load itself
    slip = _slipped(give[:, None], apart, heights)
    return Alike(moved, share, deepest, slip)


def slip_within(path: PressedPath) -> Slip | None:
    """Say by how much light loads come at other heights on the way up than on the way down.

    Beyond friction, which grows with the load or is always the same, and makes them lower.
    """
    if not path.usable:
        return None
    loads_n = _levels(path.largest_n)
    ways = path.at(loads_n)
    heights = _mid(ways)
    give = _give(heights)[:, None]
    step = _slipped(np.column_stack([give, np.ones(LEVELS)]), ways, heights, LEVELS - BESIDE)
    higher, _ = _surest_step(give, ways[:, 1] - ways[:, 0], np.ones((1, LEVELS), dtype=np.bool_))
    if higher.value > 0.0 and higher.value / higher.u > abs(step.by_mm.value) / step.by_mm.u:
        return Slip(higher, "down", float(heights[-1]))
    return step


def _slipped(base: Array, ways: Array, heights: Array, last: int = LEVELS) -> Slip:
    """Find the surest step between the way down and the way up, lighter than one of some levels.

    Args:
        ways: heights, or how they differ from another press's, shape (lags, 2, levels).
        last: the last level it may be at.
    """
    ends = np.arange(BESIDE, last + 1)
    lighter = np.arange(LEVELS) < ends[:, None]
    by_mm, at = _surest_step(base, ways[:, 1] - ways[:, 0], lighter)
    end = min(int(ends[at]), LEVELS - 1)
    deeper_mm = median(ways[LAGS.index(1.0), :, end:].ravel())
    way: Literal["down", "up"] = "down" if abs(deeper_mm) > 0.5 * abs(by_mm.value) else "up"
    return Slip(by_mm, way, float(heights[end]))


def _levels(largest_n: float) -> Array:
    return _SHARES * largest_n


def _mid(ways: Array) -> Array:
    """Return the heights in the middle of both ways, by a usual lag."""
    down_mm, up_mm = ways[LAGS.index(1.0)]
    return np.asarray(0.5 * (down_mm + up_mm))


def _give(heights: Array) -> Array:
    """Return how much height a load's own size is worth: the load over the rate."""
    fell_mm = np.empty(LEVELS)  # from level to level; as np.gradient has them
    fell_mm[0], fell_mm[-1] = heights[0] - heights[1], heights[-2] - heights[-1]
    fell_mm[1:-1] = 0.5 * (heights[:-2] - heights[2:])
    return np.asarray(_SHARES / (_SHARES[1] - _SHARES[0]) * fell_mm)


def _fitted(base: Array, along: Array, wanted: Array) -> list[Measured]:
    """Fit by least squares with each lag, shape (lags, n); weigh the lags by what is left.

    Args:
        wanted: sums of the fit's values, shape (values, m).
    """
    inverse = np.linalg.inv(base.T @ base)
    values = along @ (base @ inverse)
    left = along - values @ base.T
    sd = np.sqrt((left**2).sum(axis=1) / (along.shape[1] - base.shape[1]))
    spread = np.sqrt(ALONG * (wanted * (inverse @ wanted)).sum(axis=0))
    u = np.outer(np.maximum(sd, LEAST_SD_MM), spread)
    mixed = _mixed(values @ wanted, u, _weights(sd, along.shape[1])[:, None])
    return [Measured(*both) for both in zip(*mixed.tolist(), strict=True)]


def _surest_step(base: Array, along: Array, steps: NDArray[np.bool_]) -> tuple[Measured, int]:
    """Return the step that is the surest of some, shape (steps, n), beside a fit, and which."""
    fits = base @ np.linalg.inv(base.T @ base)

    def beside(rows: Array) -> Array:
        out: Array = rows - rows @ fits @ base.T
        return out

    left, shapes = beside(along), beside(steps.astype(np.float64))
    size = (shapes**2).sum(axis=1)
    values = left @ shapes.T / size  # (lags, steps)
    rest = np.maximum((left**2).sum(axis=1)[:, None] - values**2 * size, 0.0)
    sd = np.sqrt(rest / (along.shape[1] - base.shape[1] - 1))
    u = np.maximum(sd, LEAST_SD_MM) * np.sqrt(ALONG / size)
    means, mean_u = mixed = _mixed(values, u, _weights(sd, along.shape[1]))
    best = int(np.argmax(np.abs(means) / mean_u))
    return Measured(*mixed[:, best].tolist()), best


def _weights(sd: Array, levels: int) -> Array:
    """How likely each lag is, by what it leaves: of residuals of which some go together."""
    sd = np.maximum(sd, 0.3 * LEAST_SD_MM)
    weights = (sd.min(axis=0) / sd) ** (levels / ALONG)
    return np.asarray(weights / weights.sum(axis=0))


def _mixed(values: Array, u: Array, weights: Array) -> Array:
    """Return means over the lags, shape (lags, n), and their uncertainties: shape (2, n)."""
    means = (weights * values).sum(axis=0)
    variance = (weights * (u**2 + (values - means) ** 2)).sum(axis=0)
    return np.array([means, np.sqrt(variance)])
