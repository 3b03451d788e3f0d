"""What a change of height, by shims or a cut, makes of the loads of sets, by their means. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.placed import MeanLoads, SetCurves

REACH_MM = 5.0  # greatest change of height considered: more is neither a shim nor a cut
STEP_MM = 0.5  # of the grid on which a solution is bracketed
TOLERANCE_MM = 1e-6

Standing = tuple[tuple[SetCurves, float], ...]


class Window(NamedTuple):
    """Changes of height, least and greatest; whether either is only the end of what was read."""

    low_mm: float
    high_mm: float
    low_unread: bool
    high_unread: bool

    def overlap(self, other: Window) -> Window | None:
        """Return what lies in both; None where nothing does."""
        low_mm, low_unread = max((self.low_mm, self.low_unread), (other.low_mm, other.low_unread))
        high_mm, high_unread = min(
            (self.high_mm, self.high_unread), (other.high_mm, other.high_unread)
        )
        return Window(low_mm, high_mm, low_unread, high_unread) if low_mm <= high_mm else None


@dataclass(frozen=True)
class LoadByChange:
    """Mean loads of sets in parallel, by how much their heights are changed.

    Attributes:
        standing: the sets, each with its height while nothing is done under it.
        means_n: mean loads read before; new ones are added to it.
        known: change and load where every spring was read, ascending in change: a grid over
            what was measured, at most REACH_MM either way.
    """

    standing: Standing
    means_n: MeanLoads
    known: tuple[tuple[float, float], ...]

    def load_n(self, change_mm: float) -> float | None:
        """Load after a change of height, a cut positive; None where it wasn't measured."""
        total_n = 0.0
        for springs, height_mm in self.standing:
            mean_n = springs.mean_n(height_mm + change_mm, self.means_n)
            if mean_n is None:
                return None
            total_n += mean_n
        return total_n

    def change_mm(self, load_n: float) -> float | None:
        """Solve for the change that gives a load; None where it lies outside what is known."""
        from scipy.optimize import brentq  # imported late: slow to load

        def over_n(change_mm: float) -> float:
            load = self.load_n(change_mm)
            if load is None:
                raise _Gap
            return load - load_n

        for (low_mm, low_n), (high_mm, high_n) in pairwise(self.known):
            if (low_n - load_n) * (high_n - load_n) <= 0.0:
                try:
                    return float(brentq(over_n, low_mm, high_mm, xtol=TOLERANCE_MM))
                except _Gap:
                    continue
        return None

    def window(self, load_n: float, tolerance_n: float) -> Window | None:
        """Solve for the least and the greatest change that bring the load inside a tolerance.

        As far as was read; None where no change that was read brings it there.
        """
        if not self.known:
            return None
        most_n, least_n = self.known[0][1], self.known[-1][1]
        if most_n < load_n - tolerance_n or least_n > load_n + tolerance_n:
            return None
        low_mm = self.change_mm(load_n + tolerance_n)
        high_mm = self.change_mm(load_n - tolerance_n)
        return Window(
            self.known[0][0] if low_mm is None else low_mm,
            self.known[-1][0] if high_mm is None else high_mm,
            low_mm is None,
            high_mm is None,
        )


class _Gap(Exception):
    """A load inside what was measured that isn't known."""


def _load_by_change(standing: Standing, means_n: MeanLoads) -> LoadByChange:
    """Read sets over the changes of height that were measured."""
    curves = [(height_mm, curve) for springs, height_mm in standing for curve in springs.curves]
    lowest_mm = max((curve.lowest_mm - at_mm for at_mm, curve in curves), default=math.inf)
    highest_mm = min((curve.highest_mm - at_mm for at_mm, curve in curves), default=-math.inf)
    steps = round(REACH_MM / STEP_MM)
    grid = {step * STEP_MM for step in range(-steps, steps + 1)}
    grid |= {lowest_mm + TOLERANCE_MM, highest_mm - TOLERANCE_MM}
    reach_mm = max(lowest_mm, -REACH_MM), min(highest_mm, REACH_MM)
    changes_mm = [mm for mm in sorted(grid) if reach_mm[0] <= mm <= reach_mm[1]]
    for springs, at_mm in standing:
        springs.read_means([at_mm + change_mm for change_mm in changes_mm], means_n)
    plan = LoadByChange(standing, means_n, ())
    known = []
    for change_mm in changes_mm:
        load_n = plan.load_n(change_mm)
        if load_n is not None:
            known.append((change_mm, load_n))
    return replace(plan, known=tuple(known))


def loads_by_change(
    build: BuildFile, outer: SetCurves, inner: SetCurves | None, means_n: MeanLoads
) -> tuple[LoadByChange, LoadByChange]:
    """Read two sets over changes of height, with the valve shut and at full lift."""
    seat_mm, lift_mm = build.head.installed_height_mm, build.cam.valve_lift_mm
    shut: Standing = ((outer, seat_mm),)
    if inner is not None:
        shut += ((inner, seat_mm - build.head.inner_offset_mm),)
    opened = tuple((springs, height_mm - lift_mm) for springs, height_mm in shut)
    return _load_by_change(shut, means_n), _load_by_change(opened, means_n)
