"""Which outer goes with which inner over which shim, ranked, and what would meet the card. Pure.

For each pair of sets what change of height would meet the card exactly, and for all of them how
close to the card each effort gets.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import msgspec
from msgspec.structs import replace

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import Cam, exceeds
from coilbench.analysis.engine.combination import PlacedPair
from coilbench.analysis.engine.outcomes import Combination, Obstacle, PairAnswer, Pairing, Trade
from coilbench.analysis.engine.placed import MeanLoads, SetCurves, chosen_set, clearance_low
from coilbench.analysis.engine.reasons import RateMiss
from coilbench.analysis.engine.shims import ROLES, Window
from coilbench.analysis.engine.worked_out import WorkedOut
from coilbench.capture.root import root_between

REACH_MM = 5.0  # greatest change of height considered: more is neither a shim nor a cut
STEP_MM = 0.5  # of the grid on which a solution is bracketed
TOLERANCE_MM = 1e-6
Standing = tuple[tuple[SetCurves, float], ...]

LEAST_GAIN = 1e-9  # in distance from the card: less is no nearer


def _trade_off(combinations: Sequence[Combination], cam: Cam) -> tuple[Trade, ...]:
    """List what can be chosen, least effort first, each nearer to the card than all before it.

    Only what was judged and keeps the limits, with shims enough for every valve.
    """
    trades: list[Trade] = []
    for each in sorted(combinations, key=lambda one: (one.effort, one.distance or 0.0)):
        distance = each.distance
        if distance is None or each.verdict == "not_judged":
            continue
        if each.limit_failures or not each.limits_kept:
            continue
        if not trades or distance < trades[-1].distance - LEAST_GAIN:
            trades.append(Trade(each, distance, cam.seat_load_n, cam.open_load_n))
    return tuple(trades)


def _answer(
    build: BuildFile,
    sets: Sequence[SetCurves],
    combinations: Sequence[Combination],
    means_n: MeanLoads,
) -> PairAnswer:
    """Work out what an outer and an inner set would take; combinations are theirs, best first."""
    cam = build.cam
    best = _best(combinations)
    seat, full = _loads_by_change(build, sets[0], sets[1] if len(sets) > 1 else None, means_n)
    exact_mm = seat.change_mm(cam.seat_load_n)
    seat_window = seat.window(cam.seat_load_n, cam.seat_tolerance_n)
    full_window = full.window(cam.open_load_n, cam.open_tolerance_n)
    window = (
        None if seat_window is None or full_window is None else seat_window.overlap(full_window)
    )
    nearest = exact_open_n = rate = None
    if exact_mm is not None:
        alike = (one for one in combinations if one.choice.alike)
        nearest = min(alike, key=lambda c: abs(c.choice.height_change_mm - exact_mm))
        exact_open_n = full.load_n(exact_mm)
    if window is None and exact_mm is not None and best.seat and best.full:
        rise_n = best.full.load_n - best.seat.load_n
        rate = RateMiss.of(cam, rise_n if exact_open_n is None else exact_open_n - cam.seat_load_n)
    obstacle = None
    if not best.fits and best.verdict != "not_judged":
        obstacle = _obstacle(build, best, combinations, window, rate)
    kept = None if window is None else _above_bind(build, best, window)
    return PairAnswer(best, exact_mm, exact_open_n, nearest, kept, obstacle, rate)


def _above_bind(build: BuildFile, best: Combination, window: Window) -> Window:
    """Return the changes that also keep the coil bind margin, where that is known and any does."""
    if best.coil_bind_margin_mm is None:
        return window
    least_mm = build.limits.coil_bind_margin_mm - _bare_mm(best)
    if not window.low_mm < least_mm <= window.high_mm:
        return window
    return window._replace(low_mm=least_mm, low_unread=False)


def _bare_mm(best: Combination) -> float:
    """Return the least known margin with nothing under the springs."""
    return min(
        (each.bind_margin_mm or 0.0) - best.choice.change_mm(role)
        for role, each in zip(ROLES, best.placed, strict=False)
    )


def _obstacle(
    build: BuildFile,
    best: Combination,
    combinations: Sequence[Combination],
    window: Window | None,
    rate: RateMiss | None,
) -> Obstacle:
    """Tell what is in the way of the best of a pair's combinations."""
    if clearance_low(build):
        return "clearance"
    if window is None:
        return "reach" if rate is None else "rate"
    least_mm = build.limits.coil_bind_margin_mm - _bare_mm(best)
    if best.coil_bind_margin_mm is not None and exceeds(least_mm, window.high_mm):
        return "coil_bind"
    given = any(
        window.low_mm <= each.choice.height_change_mm <= window.high_mm for each in combinations
    )
    return "spread" if given else "stock"


def with_limits(pairing: Pairing, failures: Callable[[Combination], tuple[Any, ...]]) -> Pairing:
    """Return a pairing with the combinations that fail by their limits as misses, ranked again.

    Args:
        failures: returns the limits by which a combination fails; it is asked of those that
            fit or may fit.
    """
    judged = {}
    for each in pairing.combinations:
        found = failures(each) if each.fits or each.verdict == "near" else ()
        judged[id(each)] = (
            replace(each, verdict="misses", limit_failures=found, needs=()) if found else each
        )
    combinations = sorted(judged.values(), key=lambda each: each.rank)
    answers = [
        replace(one, best=_best(each for each in combinations if each.pair == one.best.pair))
        for one in pairing.answers
    ]
    return replace(
        pairing,
        combinations=tuple(combinations),
        answers=tuple(sorted(answers, key=_answer_rank)),
        trades=_trade_off(combinations, pairing.cam),
    )


def _best(combinations: Iterable[Combination]) -> Combination:
    """Return the best, one that can't be judged yet before those that miss."""
    return min(combinations, key=lambda each: (each.verdict == "misses", each.rank))


def _answer_rank(answer: PairAnswer) -> tuple[object, ...]:
    return answer.verdict == "misses", answer.best.rank


def pair_sets(
    build: BuildFile, sets: Mapping[str, SetCurves], before: WorkedOut | None = None
) -> Pairing:
    """Compare every outer x inner x shim (or cut) with the card, and rank them.

    What fits comes first, then what may, then what is nearest to the card, then no cut, fewest
    shims, least cut, and names; what can't be judged before more is measured comes last.

    Args:
        before: what was worked out of the same sets under the same build; added to.

    Raises:
        CoilbenchError: a candidate set is unknown or has the wrong role.
    """
    before = WorkedOut() if before is None else before
    outers = [chosen_set(build, sets, "outer", name) for name in build.springs.outer]
    inners = [chosen_set(build, sets, "inner", name) for name in build.springs.inner]
    combinations: list[Combination] = []
    answers: list[PairAnswer] = []
    for outer in outers:
        pairs: list[tuple[SetCurves, ...]] = [(outer, inner) for inner in inners]
        for chosen in pairs or [(outer,)]:
            pair = PlacedPair.of(build, chosen, before.readings)
            judged = (pair.judge(at) for at in range(len(pair.choices)))
            of_pair = sorted(judged, key=lambda each: each.rank)
            answers.append(_answer(build, chosen, of_pair, before.means_n))
            combinations += of_pair
    combinations.sort(key=lambda each: each.rank)
    answers.sort(key=_answer_rank)
    return Pairing(
        build.name,
        build.cam,
        build.clearance_mm,
        tuple(combinations),
        tuple(answers),
        _trade_off(combinations, build.cam),
    )


class LoadByChange(msgspec.Struct, frozen=True):
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

        def over_n(change_mm: float) -> float:
            load = self.load_n(change_mm)
            if load is None:
                raise _Gap
            return load - load_n

        for (low_mm, low_n), (high_mm, high_n) in pairwise(self.known):
            if (low_n - load_n) * (high_n - load_n) <= 0.0:
                try:
                    return root_between(over_n, low_mm, high_mm, TOLERANCE_MM)
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


def _loads_by_change(
    build: BuildFile, outer: SetCurves, inner: SetCurves | None, means_n: MeanLoads
) -> tuple[LoadByChange, LoadByChange]:
    """Read two sets over changes of height, with the valve shut and at full lift."""
    seat_mm, lift_mm = build.head.installed_height_mm, build.cam.valve_lift_mm
    shut: Standing = ((outer, seat_mm),)
    if inner is not None:
        shut += ((inner, seat_mm - build.head.inner_offset_mm),)
    opened = tuple((springs, height_mm - lift_mm) for springs, height_mm in shut)
    return _load_by_change(shut, means_n), _load_by_change(opened, means_n)
