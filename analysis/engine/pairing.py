"""Which outer goes with which inner over which shim, ranked, and what would meet the card. Pure.

For each pair of sets what change of height would meet the card exactly, and for all of them how
close to the card each effort gets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import Cam, exceeds
from coilbench.analysis.engine.combination import PlacedPair
from coilbench.analysis.engine.load_change import loads_by_change
from coilbench.analysis.engine.outcomes import Combination, Obstacle, PairAnswer, Pairing, Trade
from coilbench.analysis.engine.placed import MeanLoads, SetCurves, chosen_set, clearance_low
from coilbench.analysis.engine.reasons import RateMiss
from coilbench.analysis.engine.shims import ROLES, Window
from coilbench.analysis.engine.valve_loads import Readings

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
    seat, full = loads_by_change(build, sets[0], sets[1] if len(sets) > 1 else None, means_n)
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


def pair_sets(build: BuildFile, sets: Mapping[str, SetCurves]) -> Pairing:
    """Compare every outer x inner x shim (or cut) with the card, and rank them.

    What fits comes first, then what may, then what is nearest to the card, then no cut, fewest
    shims, least cut, and names; what can't be judged before more is measured comes last.

    Raises:
        CoilbenchError: a candidate set is unknown or has the wrong role.
    """
    outers = [chosen_set(build, sets, "outer", name) for name in build.springs.outer]
    inners = [chosen_set(build, sets, "inner", name) for name in build.springs.inner]
    means_n: MeanLoads = {}
    readings: Readings = {}
    combinations: list[Combination] = []
    answers: list[PairAnswer] = []
    for outer in outers:
        pairs: list[tuple[SetCurves, ...]] = [(outer, inner) for inner in inners]
        for chosen in pairs or [(outer,)]:
            pair = PlacedPair.of(build, chosen, readings)
            judged = (pair.judge(at) for at in range(len(pair.choices)))
            of_pair = sorted(judged, key=lambda each: each.rank)
            answers.append(_answer(build, chosen, of_pair, means_n))
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
