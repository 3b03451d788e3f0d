"""What the load does as the height goes, while a spring is pressed: coils bind, a slip, no answer.

Pure. Each is judged against the stroke's own slope so far, so that nothing need be told of the
spring. All thresholds are our choice, no source.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.lag import LONGEST_FILTER, typical_delay_s

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
        slope_n_per_mm: the spring's own so far, at most: however late the load comes.
        behind_mm: how far above it the quill was when the load that is read here acted, at most.
    """

    height_mm: float
    load_n: float
    slope_n_per_mm: float = 0.0
    behind_mm: float = 0.0


class _Window:
    """Which of the last samples lie within some time, and one before.

    Attributes:
        first: where the window begins among all samples.
    """

    def __init__(self) -> None:
        self.first = 0

    def follow(self, t_us: list[int], since_us: float) -> None:
        """Let go, for good, what lies before a moment, when another sample has come."""
        at, newest = self.first, len(t_us) - 1
        while at < newest and t_us[at + 1] <= since_us:
            at += 1
        self.first = at


class SlopeWatch:
    """Follows one press, from its touch to its end.

    Feed it all usable samples of the press in time order.
    """

    def __init__(self) -> None:
        self._down: list[_Point] = []
        self._depths_mm: list[float] = []  # theirs, ascending: heights below 0
        self._t_us: list[int] = []  # of the samples after the touch
        self._height_mm: list[float] = []
        self._late, self._latest = _Window(), _Window()  # whose heights a load may be of
        self._late_seen = False  # where the quill was before the touch, nobody looked
        self._first_us = 0
        self._largest_n = 0.0  # of two points in a row
        self._running: dict[str, int] = {}

    def look(self, t_us: int, height_mm: float, load_n: float) -> list[Finding]:
        """Take one sample; return what can't be a spring's.

        It runs for each sample that comes, so that it asks little.
        """
        if not self._down:
            self._first_us = t_us
            self._keep(_Point(height_mm, load_n))
            return []
        self._t_us.append(t_us)
        self._height_mm.append(height_mm)
        self._follow_lag(t_us)
        lowest_mm = self._down[-1].height_mm
        lower = height_mm <= lowest_mm - STEP_MM
        found: list[Finding] = []
        if height_mm <= lowest_mm + NEAR_MM and len(self._down) >= FEWEST:
            found += self._binds(height_mm, load_n)
        if lower:
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

    def _follow_lag(self, t_us: int) -> None:
        """Let go what no load that is read now can be of."""
        since_us = t_us - self._first_us
        step_s = since_us * 1e-6 / len(self._t_us)
        late_us = LAG_TIMES * 1e6 * typical_delay_s(step_s)
        self._late_seen = since_us >= late_us
        self._late.follow(self._t_us, t_us - late_us)
        self._latest.follow(self._t_us, t_us - max(late_us, 1e6 * LONGEST_FILTER * step_s))

    def _repeated(self, found: list[Finding], *, stands: bool) -> list[Finding]:
        """Return what was so often enough running."""
        kept = {kind: times for kind, times in self._running.items() if stands and kind in _GOING}
        kinds = {one.kind for one in found}
        self._running = kept | {kind: self._running.get(kind, 0) + 1 for kind in kinds}
        return [one for one in found if self._running[one.kind] >= RUNNING]

    def _binds(self, height_mm: float, load_n: float) -> list[Finding]:
        """Return that the load rises many times as steeply as before."""
        down, last = self._down, len(self._down) - 1
        touch_mm = down[0].height_mm
        for at in range(last, 0, -1):
            point = down[at]
            fell_mm = point.height_mm - height_mm
            far = fell_mm > BIND_OVER_MM and last - at >= RUNNING
            if far or touch_mm - point.height_mm < BIND_FROM_MM:
                break
            if load_n - point.load_n <= BIND_N:
                continue  # as it mostly is: the rest need not be worked out
            fell_mm = max(0.0, fell_mm)
            slope, base_n = point.slope_n_per_mm, max(point.load_n, down[at - 1].load_n)
            # where a hand slows down the load catches up, with the second rate if there is one
            least_n = max(BIND_N, BIND_SHARE * base_n) + SECOND_RATE * slope * point.behind_mm
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
        then_mm = max(self._height_mm[self._latest.first :])
        above = self._above(then_mm + STILL_MM)
        if above < RUNNING:
            return []
        *_, since = lasts = self._down[above - RUNNING : above]
        before_n = min([one.load_n for one in lasts])
        return self._still(since, load_n - before_n, since.height_mm - then_mm, load_n)

    def _still_up(self, height_mm: float, load_n: float) -> list[Finding]:
        """Return that the height rose and the load did not fall."""
        deepest = self._down[-1]
        changed_n, rose_mm = deepest.load_n - load_n, height_mm - deepest.height_mm
        # as it mostly does: by when the quill was how high, which is less, need not be worked out
        if not self._still(deepest, changed_n, rose_mm, load_n):
            return []
        rose_mm = min(self._height_mm[self._latest.first :]) - deepest.height_mm
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

    def _add(self, height_mm: float, load_n: float) -> None:
        then_mm = max(self._height_mm[self._late.first :])
        above = self._above(then_mm + SLOPE_MM)
        each = self._down[: above : max(1, above // EACH)]
        bounds = [(load_n - one.load_n) / (one.height_mm - then_mm) for one in each]
        self._largest_n = max(self._largest_n, min(self._down[-1].load_n, load_n))
        slope = min(bounds, default=0.0) if self._late_seen else 0.0
        self._keep(_Point(height_mm, load_n, slope, then_mm - height_mm))
