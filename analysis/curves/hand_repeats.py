"""How readings by hand repeat, pooled over a set's repeats (Type A, JCGM 100:2008, 4.2). Pure."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from coilbench.analysis.curves.points import PointReading, Points, readings_of
from coilbench.capture.strokes.sweep import PointRepeat, Sweep

FEWEST_FREEDOM = 5.0  # ours: with fewer, what is stated stands unless repeats clearly say more
CLEARLY = 0.05  # the chance of so large a scatter if what is stated is true


@dataclass
class _Pool:
    """Sums over repeats: of squares, and of what they should be, each times its freedom."""

    freedom: int = 0
    seen: float = 0.0
    by_steps: float = 0.0
    as_stated: float = 0.0

    def add(self, node: Sequence[PointReading], rate_n_per_mm: float) -> None:
        """Add the readings of one height, brought to one height by the rate."""
        if len(node) < 2:
            return
        loads_n = [one.load_n + rate_n_per_mm * one.height_mm for one in node]
        mean_n = fmean(loads_n)
        freedom, variances = len(node) - 1, [_variances(one, rate_n_per_mm) for one in node]
        self.freedom += freedom
        self.seen += math.fsum((load_n - mean_n) ** 2 for load_n in loads_n)
        self.by_steps += freedom * fmean([steps for steps, _ in variances])
        self.as_stated += freedom * fmean([stated for _, stated in variances])

    @property
    def repeat(self) -> PointRepeat | None:
        """What the repeats show; None where what is stated stands.

        The steps' part is a line of its own in the budget: what is left here is the scatter beyond
        it, whose degrees of freedom are such that the whole has those of the repeats.
        """
        from scipy.special import chdtri  # imported late: slow to load

        if self.freedom == 0:
            return None
        seen, by_steps = self.seen / self.freedom, self.by_steps / self.freedom
        limit = float(chdtri(self.freedom, CLEARLY)) / self.freedom
        if self.freedom < FEWEST_FREEDOM and seen <= limit * self.as_stated / self.freedom:
            return None
        beyond = seen - by_steps
        if beyond <= 0.0:
            return PointRepeat(0.0, math.inf)
        return PointRepeat(math.sqrt(beyond), self.freedom * (beyond / seen) ** 2)


def _variances(one: PointReading, rate_n_per_mm: float) -> tuple[float, float]:
    """What steps make one reading scatter, and with it what is stated, N^2."""
    sweep = one.sweep
    if sweep.hand is None:
        height_n = rate_n_per_mm * sweep.height_u_mm
        load_n = sweep.load_u_n if one.stated_u_n is None else one.stated_u_n
        return height_n**2 + load_n**2, height_n**2 + load_n**2
    setup = sweep.hand.setup
    steps = setup.step_u_n**2 + (rate_n_per_mm * setup.step_u_mm) ** 2
    return steps, steps + setup.repeat_u_n**2


def _like(sweep: Sweep) -> Hashable:
    return None if sweep.hand is None else sweep.hand.setup.like


def with_repeats(sweeps: Mapping[str, Sequence[Sweep]]) -> dict[str, list[Sweep]]:
    """Return a set's sweeps, those of chosen points with what their repeats show together.

    Readings taken alike (scale, steps, lever) are pooled; also told is what all readings of the
    set have in common.
    """
    pointed = [one for own in sweeps.values() for one in own if not one.dense]
    repeats = {like: _pooled(sweeps, like).repeat for like in dict.fromkeys(map(_like, pointed))}
    hands = [one.hand for one in pointed if one.hand is not None]
    one_run = len({hand.run for hand in hands}) == 1
    one_tare = len({(hand.day, hand.setup.tare_n) for hand in hands}) == 1

    def told(sweep: Sweep) -> Sweep:
        if sweep.dense:
            return sweep
        hand = sweep.hand
        known = None if hand is None else replace(hand, one_run=one_run, one_tare=one_tare)
        return replace(sweep, point_repeat=repeats[_like(sweep)], hand=known)

    return {label: [told(sweep) for sweep in own] for label, own in sweeps.items()}


def _pooled(sweeps: Mapping[str, Sequence[Sweep]], like: Hashable) -> _Pool:
    pool = _Pool()
    for own in sweeps.values():
        alike = [one for one in own if not one.dense and _like(one) == like]
        for way in (True, False):
            points = Points.pooled(readings_of(alike, loading=way))
            if points is not None:
                for node, rate in zip(points.readings, points.rates(), strict=True):
                    pool.add(node, float(rate))
    return pool
