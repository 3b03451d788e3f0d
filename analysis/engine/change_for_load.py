"""How much shim or cut, exactly, brings two sets to a load: solved on the measured curves. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from scipy.optimize import brentq

from coilbench.analysis.engine.placed_sets import SetCurves, SetLoads, load_at

REACH_MM = 5.0  # beyond that no shim or cut is a plan
STEP_MM = 0.5  # between heights that are looked at before solving
TOLERANCE_MM = 1e-6


@dataclass(frozen=True)
class Standing:
    """A set at the height where it stands with nothing done under it."""

    springs: SetCurves
    height_mm: float


@dataclass(frozen=True)
class LoadByChange:
    """Mean loads of sets in parallel, by how much their heights are changed.

    Attributes:
        standing: the sets.
        loads: readings made before, by set and height; new ones are added to it.
        known: change and load where every spring was read, ascending in change: a grid over
            what was measured, at most REACH_MM either way.
    """

    standing: tuple[Standing, ...]
    loads: SetLoads
    known: tuple[tuple[float, float], ...]

    def load_n(self, change_mm: float) -> float | None:
        """Load after a change of height, a cut positive; None where it wasn't measured."""
        total_n = 0.0
        for each in self.standing:
            mean = load_at(each.springs, each.height_mm + change_mm, self.loads).mean
            if mean is None:
                return None
            total_n += mean.load_n
        return total_n

    def change_mm(self, load_n: float) -> float | None:
        """Solve for the change that gives a load; None where it lies outside what is known."""

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

    def window_mm(self, load_n: float, tolerance_n: float) -> tuple[float, float] | None:
        """Solve for the changes that bring the load inside a tolerance, as far as is known.

        Returns:
            The least and the greatest change; None where none is known to.
        """
        if not self.known:
            return None
        most_n, least_n = self.known[0][1], self.known[-1][1]
        if most_n < load_n - tolerance_n or least_n > load_n + tolerance_n:
            return None
        low_mm = self.change_mm(load_n + tolerance_n)
        high_mm = self.change_mm(load_n - tolerance_n)
        return (
            self.known[0][0] if low_mm is None else low_mm,
            self.known[-1][0] if high_mm is None else high_mm,
        )


class _Gap(Exception):
    """A load inside what was measured that isn't known."""


def load_by_change(standing: Sequence[Standing], loads: SetLoads) -> LoadByChange:
    """Read sets over the changes of height that were measured."""
    curves = [(each.height_mm, curve) for each in standing for curve in each.springs.curves]
    lowest_mm = max(curve.lowest_mm - height_mm for height_mm, curve in curves)
    highest_mm = min(curve.highest_mm - height_mm for height_mm, curve in curves)
    steps = round(REACH_MM / STEP_MM)
    grid = {step * STEP_MM for step in range(-steps, steps + 1)}
    grid |= {lowest_mm + TOLERANCE_MM, highest_mm - TOLERANCE_MM}
    plan = LoadByChange(tuple(standing), loads, ())
    known = []
    for change_mm in sorted(grid):
        if abs(change_mm) <= REACH_MM and lowest_mm <= change_mm <= highest_mm:
            load_n = plan.load_n(change_mm)
            if load_n is not None:
                known.append((change_mm, load_n))
    return LoadByChange(tuple(standing), loads, tuple(known))
