"""What the load does as the height goes, while a spring is pressed: coils bind, a slip, no answer.

Pure. Each is judged against the stroke's own slope so far, so that nothing need be told of the
spring. All thresholds are our choice, no source.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.lag import LONGEST_FILTER, typical_delay_s

Array = NDArray[np.float64]

STEP_MM = 0.1  # the way down is kept in steps of this
SLOPE_MM = 1.0  # a slope is read over so much
EACH = 8  # points of the way down: so many tell a slope well enough
BIND_FROM_MM = 3.0  # so much is pressed before a slope is the spring's own
# So many times its own slope no spring becomes: the second rate of a two-rate spring is at most
# two to three times the first; coils that touch are tens of times stiffer.
BIND_TIMES, SECOND_RATE = 4.0, 3.0
BIND_OVER_MM = 1.5  # over no more than this, or between two samples
NEAR_MM = 0.5  # of the lowest height: the press's give is undone by a load that is late
BIND_N, BIND_SHARE = (
    40.0,
    0.1,
)  # and by so much, also of the load: friction that turns round is less
SLIP_N, SLIP_SHARE = 12.0, 0.04  # lost as the height falls: friction that turns round is less
STILL_MM = 3.0  # over so much of the way a load moves
STILL_SHARE = 0.1  # by more than this share of what the spring's slope says
LAG_TIMES = 2.0  # a load comes late by its filter's typical delay, and by this many at most
FEWEST = 8  # points of the way down: with fewer the filter saw hardly anything of it
RUNNING = 2  # samples in a row: one may be a spike
_GOING = ("slipped", "load_still")


class _Point(NamedTuple):
    """Where the quill came lower than ever in this stroke.

    Attributes:
        late: the samples whose heights its load may be of; empty where not all of them were seen.
    """

    height_mm: float
    load_n: float
    late: slice = slice(0)


class SlopeWatch:
    """Follows one press, from its touch to its end.

    Feed it all usable samples of the press in time order.
    """

    def __init__(self) -> None:
        self._down: list[_Point] = []
        self._depths_mm: list[float] = []  # theirs, ascending: heights below 0
        self._loads_n: list[float] = []  # theirs
        self._t_us: list[int] = []  # of the samples after the touch
        self._height_mm: list[float] = []
        self._late = self._latest = 0  # the first of them whose heights a load may be of
        self._late_seen = False  # where the quill was before the touch, nobody looked
        self._first_us = 0
        self._largest_n = 0.0  # of two points in a row
        self._running: dict[str, int] = {}

    def look(self, t_us: NDArray[np.int64], height_mm: Array, load_n: Array) -> list[Finding]:
        """Take samples, shape (n,); return what can't be a spring's."""
        if self._plainly_up(height_mm, load_n):
            self._t_us += t_us.tolist()
            self._height_mm += height_mm.tolist()
            return []
        columns = (t_us.tolist(), height_mm.tolist(), load_n.tolist())
        return [found for sample in zip(*columns, strict=True) for found in self._one(*sample)]

    def _plainly_up(self, height_mm: Array, load_n: Array) -> bool:
        """Tell whether the quill goes up, its load long falling: then nothing can be found."""
        if not self._down or self._running or not height_mm.size:
            return False
        touch, deepest = self._down[0], self._down[-1]
        fell_n = deepest.load_n - float(load_n.max())
        fallen = fell_n >= max(0.0, STILL_SHARE * (deepest.load_n - touch.load_n))
        return fallen and float(height_mm.min()) > deepest.height_mm + NEAR_MM

    def _one(self, t_us: int, height_mm: float, load_n: float) -> list[Finding]:
        """Take one sample. It runs for each that comes on the way down, so that it asks little."""
        if not self._down:
            self._first_us = t_us
            self._keep(_Point(height_mm, load_n))
            return []
        self._t_us.append(t_us)
        self._height_mm.append(height_mm)
        lowest_mm = self._down[-1].height_mm
        lower = height_mm <= lowest_mm - STEP_MM
        found: list[Finding] = []
        if height_mm <= lowest_mm + NEAR_MM and len(self._down) >= FEWEST:
            found += self._binds(height_mm, load_n)
        if lower:
            self._follow_lag()
            if self._largest_n - load_n > SLIP_N:
                found += self._slips(height_mm, load_n)
            found += self._still_down(load_n)
            self._add(height_mm, load_n)
        elif height_mm - lowest_mm >= STILL_MM:
            found += self._still_up(height_mm, load_n)
        if not found and not self._running:
            return found
        # where the quill stands, what shows only as it goes is neither so nor otherwise
        stands = not lower and height_mm <= lowest_mm + STEP_MM
        return self._repeated(found, stands=stands)

    def _follow_lag(self) -> None:
        """Let go, for good, what no load that is read now can be of."""
        now_us = self._t_us[-1]
        since_us = now_us - self._first_us
        step_s = since_us * 1e-6 / len(self._t_us)
        late_us = LAG_TIMES * 1e6 * typical_delay_s(step_s)
        latest_us = max(late_us, 1e6 * LONGEST_FILTER * step_s)
        self._late_seen = since_us >= late_us
        t_us, late, latest = self._t_us, self._late, self._latest
        # the last samples that were there then, none before those let go
        self._late = max(late, bisect_right(t_us, now_us - late_us, late) - 1)
        self._latest = max(latest, bisect_right(t_us, now_us - latest_us, latest) - 1)

    def _repeated(self, found: list[Finding], *, stands: bool) -> list[Finding]:
        """Return what was so often enough running."""
        kept = {kind: times for kind, times in self._running.items() if stands and kind in _GOING}
        kinds = {one.kind for one in found}
        self._running = kept | {kind: self._running.get(kind, 0) + 1 for kind in kinds}
        return [one for one in found if self._running[one.kind] >= RUNNING]

    def _binds(self, height_mm: float, load_n: float) -> list[Finding]:
        """Return that the load rises many times as steeply as before."""
        down, last = self._down, len(self._down) - 1
        since = min(self._above(height_mm + BIND_OVER_MM), last) - 1
        if load_n - min(self._loads_n[since:]) <= BIND_N:
            return []  # as it mostly is: the rest need not be worked out
        touch_mm = down[0].height_mm
        for at in range(last, 0, -1):
            point = down[at]
            fell_mm = point.height_mm - height_mm
            far = fell_mm > BIND_OVER_MM and last - at >= RUNNING
            if far or touch_mm - point.height_mm < BIND_FROM_MM:
                break
            if load_n - point.load_n <= BIND_N:
                continue
            fell_mm = max(0.0, fell_mm)
            (slope, behind_mm), base_n = self._slope(point), max(point.load_n, down[at - 1].load_n)
            # where a hand slows down the load catches up, with the second rate if there is one
            least_n = max(BIND_N, BIND_SHARE * base_n) + SECOND_RATE * slope * behind_mm
            if slope > 0.0 and load_n - base_n > least_n + BIND_TIMES * slope * fell_mm:
                return [Finding.of("coils_bind", load_n=load_n, height_mm=height_mm)]
        return []

    def _slips(self, height_mm: float, load_n: float) -> list[Finding]:
        """Return that the load fell as the height fell."""
        lost_n = self._largest_n - load_n
        if lost_n <= max(SLIP_N, SLIP_SHARE * self._largest_n):
            return []
        return [Finding("slipped", {"way": "down", "height_mm": height_mm, "step_n": -lost_n})]

    def _still_down(self, load_n: float) -> list[Finding]:
        """Return that the height fell and the load did not rise."""
        then_mm = max(self._height_mm[self._latest :])
        above = self._above(then_mm + STILL_MM)
        if above < RUNNING:
            return []
        since, before_n = self._down[above - 1], min(self._loads_n[above - RUNNING : above])
        return self._still(since, load_n - before_n, since.height_mm - then_mm, load_n)

    def _still_up(self, height_mm: float, load_n: float) -> list[Finding]:
        """Return that the height rose and the load did not fall."""
        deepest = self._down[-1]
        changed_n, rose_mm = deepest.load_n - load_n, height_mm - deepest.height_mm
        # as it mostly does: by when the quill was how high, which is less, need not be worked out
        if not self._still(deepest, changed_n, rose_mm, load_n):
            return []
        self._follow_lag()
        rose_mm = min(self._height_mm[self._latest :]) - deepest.height_mm
        return self._still(deepest, changed_n, rose_mm, load_n) if rose_mm >= STILL_MM else []

    def _still(
        self, since: _Point, changed_n: float, moved_mm: float, load_n: float
    ) -> list[Finding]:
        touch = self._down[0]
        pressed_mm = touch.height_mm - since.height_mm
        if pressed_mm < SLOPE_MM:
            return []
        slope = (since.load_n - touch.load_n) / pressed_mm
        if slope <= 0.0 or changed_n >= STILL_SHARE * slope * min(moved_mm, pressed_mm):
            return []
        return [Finding.of("load_still", load_n=load_n, moved_mm=moved_mm)]

    def _above(self, height_mm: float) -> int:
        """Return how many points lie at a height or above it."""
        return bisect_right(self._depths_mm, -height_mm)

    def _keep(self, point: _Point) -> None:
        self._down.append(point)
        self._depths_mm.append(-point.height_mm)
        self._loads_n.append(point.load_n)

    def _add(self, height_mm: float, load_n: float) -> None:
        self._largest_n = max(self._largest_n, min(self._down[-1].load_n, load_n))
        late = slice(self._late, len(self._t_us)) if self._late_seen else slice(0)
        self._keep(_Point(height_mm, load_n, late))

    def _slope(self, point: _Point) -> tuple[float, float]:
        """Return the spring's own slope down to a point, at most, however late the load comes.

        And how far above it the quill was when the load that is read there acted, at most.
        """
        if not (then := self._height_mm[point.late]):
            return 0.0, 0.0
        then_mm = max(then)
        above = self._above(then_mm + SLOPE_MM)
        each = self._down[: above : max(1, above // EACH)]
        slopes = [(point.load_n - one.load_n) / (one.height_mm - then_mm) for one in each]
        return min(slopes, default=0.0), then_mm - point.height_mm
