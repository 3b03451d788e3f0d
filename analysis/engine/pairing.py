"""Closeness to the card against effort: each step up in effort must come nearer. Pure.

What two sets would take to meet the card: the exact shim or cut, what is in the way. Pure.

Which outer goes with which inner over which shim: loads against the cam card, ranked. Pure.

Outer and inner act in parallel, each at its own height, so their loads add. A shim lowers both
heights, a seat cut raises both.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.combination import (
    Combination,
    card_distance,
    combination_document,
    judge,
)
from coilbench.analysis.engine.pairing_words import clearance_reasons
from coilbench.analysis.engine.placed import (
    LoadByChange,
    SetCurves,
    SetLoads,
    Standing,
    chosen_set,
    exceeds,
    load_by_change,
    place,
)
from coilbench.analysis.engine.shims import seat_choices
from coilbench.analysis.report.pair_words import (
    change_words,
    choice_words,
    closeness_words,
    no_words,
    window_words,
)
from coilbench.analysis.report.units import Units

NEARER = 1e-9
BAR_CELLS = 16


@dataclass(frozen=True)
class Trade:
    """A combination that nothing of less or equal effort comes nearer than.

    Attributes:
        distance: from the card, see `card_distance`.
        words: "no shims: 3.0 % high at full lift, …".
    """

    combination: Combination
    distance: float
    words: str


def trade_off(combinations: Sequence[Combination], cam: Cam, units: Units) -> tuple[Trade, ...]:
    """List what can be chosen knowingly, least effort first, each nearer than all before it.

    Only what keeps the limits, and of which there are shims enough for every valve.
    """
    able = [
        (each.effort, distance, at, each)
        for at, each in enumerate(combinations)
        if each.limits_kept and each.stocked and (distance := card_distance(each, cam)) is not None
    ]
    trades: list[Trade] = []
    for _, distance, _, each in sorted(able, key=lambda one: one[:3]):
        if not trades or distance < trades[-1].distance - NEARER:
            words = f"{choice_words(each.choice, units)}: {closeness_words(cam, each)}"
            trades.append(Trade(each, distance, words))
    return tuple(trades)


def bars(trades: Sequence[Trade]) -> list[str]:
    """Draw how far each is from the card, the farthest as a full bar, all equally wide.

    The number is the root of the distance: 1 where one load is off by its tolerance.
    """
    misses = [math.sqrt(trade.distance) for trade in trades]
    most = max(misses, default=0.0)
    cells = [math.ceil(BAR_CELLS * miss / most) if most > NEARER else 0 for miss in misses]
    return [
        f"{'#' * count:<{BAR_CELLS}} {miss:5.2f}" for count, miss in zip(cells, misses, strict=True)
    ]


def trade_document(trade: Trade) -> dict[str, object]:
    """Return one step of the JSON document of `pair`."""
    each = trade.combination
    return {
        "outer": each.outer,
        "inner": each.inner,
        "shim_mm": each.choice.shim_mm,
        "seat_cut_mm": each.choice.seat_cut_mm,
        "shims": len(each.choice.shims_mm),
        "distance": trade.distance,
        "fits": each.fits,
        "words": trade.words,
    }


# It fits; a shim or cut that isn't to be had would do; a limit is in the way; nothing mends it;
# it can't be said before more is measured.
Verdict = Literal["fits", "nearly", "limits", "no", "unknown"]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)


@dataclass(frozen=True)
class PairAnswer:
    """One outer set with one inner set, whatever lies under them.

    Attributes:
        best: the best combination that stock and cuts allow.
        exact_mm: change of height at which the seat load is the card's: shims negative, a cut
            positive; None where that was not measured.
        exact_open_n: the open load there; None if unknown.
        nearest: the combination whose change is nearest to it; None with it.
        window_mm: least and greatest change at which both loads are inside the tolerances;
            None where there is none.
        words: the answer.
    """

    outer: str
    inner: str | None
    verdict: Verdict
    best: Combination
    exact_mm: float | None
    exact_open_n: float | None
    nearest: Combination | None
    window_mm: tuple[float, float] | None
    words: str

    @property
    def order(self) -> int:
        """Rank of the verdict, best first."""
        return VERDICTS.index(self.verdict)


def answer_pair(
    build: BuildFile,
    pair: tuple[SetCurves, SetCurves | None],
    combinations: Sequence[Combination],
    loads: SetLoads,
    units: Units,
) -> PairAnswer:
    """Say what an outer and an inner set would take.

    Args:
        build: card, head and limits.
        pair: the sets; no inner for single springs.
        combinations: all of these sets, best first.
        loads: readings made before, by set and height; new ones are added to it.
        units: for the words.
    """
    cam, best = build.cam, combinations[0]
    seat, full = _by_change(build, pair, loads)
    exact_mm = seat.change_mm(cam.seat_load_n)
    window_mm = _both(
        seat.window_mm(cam.seat_load_n, cam.seat_tolerance_n),
        full.window_mm(cam.open_load_n, cam.open_tolerance_n),
    )
    nearest = exact_open_n = None
    if exact_mm is not None:
        nearest = min(combinations, key=lambda c: abs(c.choice.height_change_mm - exact_mm))
        exact_open_n = full.load_n(exact_mm)
    verdict, words = _verdict(build, best, window_mm, (exact_mm, exact_open_n), units)
    if nearest is not None and exact_mm is not None and verdict != "unknown":
        words += (
            f"; the card's seat load needs {change_words(exact_mm, units)} exactly, nearest is "
            f"{choice_words(nearest.choice, units)}"
        )
    return PairAnswer(
        best.outer,
        best.inner,
        verdict,
        best,
        exact_mm,
        exact_open_n,
        nearest,
        window_mm,
        words,
    )


def answer_document(answer: PairAnswer) -> dict[str, object]:
    """Return one pair of the JSON document of `pair`; exact shim and cut are never both."""
    exact_mm, nearest, window_mm = answer.exact_mm, answer.nearest, answer.window_mm
    return {
        "outer": answer.outer,
        "inner": answer.inner,
        "verdict": answer.verdict,
        "words": answer.words,
        "exact_shim_mm": None if exact_mm is None else max(-exact_mm, 0.0),
        "exact_seat_cut_mm": None if exact_mm is None else max(exact_mm, 0.0),
        "exact_open_n": answer.exact_open_n,
        "nearest_shim_mm": None if nearest is None else nearest.choice.shim_mm,
        "nearest_seat_cut_mm": None if nearest is None else nearest.choice.seat_cut_mm,
        "window_mm": None if window_mm is None else list(window_mm),
    }


def _by_change(
    build: BuildFile, pair: tuple[SetCurves, SetCurves | None], loads: SetLoads
) -> tuple[LoadByChange, LoadByChange]:
    """Read the sets over changes of height, with the valve shut and at full lift."""
    outer, inner = pair
    seat_mm = build.head.installed_height_mm
    standing = [Standing(outer, seat_mm)]
    if inner is not None:
        standing.append(Standing(inner, seat_mm - build.head.inner_offset_mm))
    lift_mm = build.cam.valve_lift_mm
    opened = [Standing(each.springs, each.height_mm - lift_mm) for each in standing]
    return load_by_change(standing, loads), load_by_change(opened, loads)


def _both(
    seat: tuple[float, float] | None, full: tuple[float, float] | None
) -> tuple[float, float] | None:
    """Changes that are in both windows."""
    if seat is None or full is None:
        return None
    low_mm, high_mm = max(seat[0], full[0]), min(seat[1], full[1])
    return (low_mm, high_mm) if low_mm <= high_mm else None


def _verdict(
    build: BuildFile,
    best: Combination,
    window_mm: tuple[float, float] | None,
    exact: tuple[float | None, float | None],
    units: Units,
) -> tuple[Verdict, str]:
    if best.fits:
        words = f"fits with {choice_words(best.choice, units)}"
        return "fits", words if window_mm is None else f"{words} ({window_words(window_mm, units)})"
    if best.seat is None or best.full is None:
        return "unknown", best.reasons[0]
    if window_mm is None:
        if build.cam.fits(best.seat.load_n, best.full.load_n):
            return "limits", "; ".join(best.reasons)
        return "no", no_words(build.cam, best, exact, units)
    needed = window_words(window_mm, units)
    if clearance_reasons(build, units):
        return "limits", f"{needed}, but the retainer comes too near to the guide"
    margin_mm = best.coil_bind_margin_mm
    if margin_mm is not None:
        bare_mm = margin_mm - best.choice.height_change_mm
        if exceeds(build.limits.coil_bind_margin_mm - bare_mm, window_mm[1]):
            return "limits", f"{needed}, but that comes too near to coil bind"
    return "nearly", f"{needed}, which stock and cuts do not give"


@dataclass(frozen=True)
class Pairing:
    """A build file's combinations.

    Attributes:
        name: the build file's name.
        cam: the card they were held against.
        clearance_mm: retainer to guide at full lift; None where it isn't given.
        combinations: best first, at least one.
        answers: for each outer and inner what it would take; what fits first, then what nearly
            does.
        trades: closeness against effort, least effort first: each is nearer to the card than
            all before it.
    """

    name: str
    cam: Cam
    clearance_mm: float | None
    combinations: tuple[Combination, ...]
    answers: tuple[PairAnswer, ...]
    trades: tuple[Trade, ...]


def pair_sets(
    build: BuildFile, sets: Mapping[str, SetCurves], units: Units | None = None
) -> Pairing:
    """Hold every outer x inner x shim (or cut) against the card, and rank them.

    What fits comes first, then what is nearest to the card (`card_distance`), then fewest
    shims, least cut, and names; what can't be known comes last.

    Args:
        build: card, head, shims, limits and the candidate sets' names.
        sets: the measured sets by name; more than the candidates do no harm.
        units: for the reasons' words; kg and mm where None.

    Raises:
        CoilbenchError: a candidate set is unknown, has no measured spring, or the wrong role.
    """
    shown = Units() if units is None else units
    outers = [chosen_set(build, sets, "outer", name) for name in build.springs.outer]
    inners = [chosen_set(build, sets, "inner", name) for name in build.springs.inner]
    loads: SetLoads = {}
    combinations: list[Combination] = []
    answers: list[PairAnswer] = []
    for outer in outers:
        valves = valve_count(build, outer)
        for inner in inners if inners else [None]:
            of_pair = [
                judge(build, place(build, outer, inner, choice, loads), choice, valves, shown)
                for choice in seat_choices(build, valves)
            ]
            of_pair.sort(key=lambda each: _rank(each, build.cam))
            answers.append(answer_pair(build, (outer, inner), of_pair, loads, shown))
            combinations += of_pair
    combinations.sort(key=lambda each: _rank(each, build.cam))
    answers.sort(key=lambda each: (each.order, _rank(each.best, build.cam)))
    trades = trade_off(combinations, build.cam, shown)
    return Pairing(
        build.name, build.cam, build.clearance_mm, tuple(combinations), tuple(answers), trades
    )


def best_of_each(pairings: Iterable[Pairing]) -> tuple[tuple[Pairing, Combination], ...]:
    """Pick every card's best combination; the card that is met best comes first."""
    best = [(pairing, pairing.combinations[0]) for pairing in pairings]
    return tuple(sorted(best, key=lambda pair: (_rank(pair[1], pair[0].cam), pair[0].name)))


def valve_count(build: BuildFile, outer: SetCurves) -> int:
    """Count the valves: as the build file says, else one for each spring of the outer set."""
    count = build.head.valve_count
    return len(outer.curves) if count is None else count


def to_document(pairing: Pairing) -> dict[str, object]:
    """Return the JSON document of `pair`, in N and mm."""
    cam = pairing.cam
    return {
        "card": {
            "seat_n": cam.seat_load_n,
            "open_n": cam.open_load_n,
            "lift_mm": cam.valve_lift_mm,
            "implied_rate_n_per_mm": cam.implied_rate_n_per_mm,
        },
        "retainer_clearance_mm": pairing.clearance_mm,
        "combinations": [combination_document(each) for each in pairing.combinations],
        "pairs": [answer_document(each) for each in pairing.answers],
        "trade_off": [trade_document(each) for each in pairing.trades],
    }


def _rank(combination: Combination, cam: Cam) -> tuple[bool, bool, float, int, float, str, str]:
    """Sort key, best first. The distance is rounded so that ties are ties."""
    distance = card_distance(combination, cam)
    return (
        distance is None,
        not combination.fits,
        0.0 if distance is None else round(distance, 9),
        len(combination.choice.shims_mm),
        combination.choice.seat_cut_mm,
        combination.outer,
        "" if combination.inner is None else combination.inner,
    )
