"""Which outer goes with which inner over which shim: loads against the cam card, ranked. Pure.

Outer and inner act in parallel, each at its own height, so their loads add. A shim lowers both
heights, a seat cut raises both.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.chosen_sets import chosen_set
from coilbench.analysis.engine.combination import (
    Combination,
    card_distance,
    combination_document,
    judge,
)
from coilbench.analysis.engine.pair_answers import PairAnswer, answer_document, answer_pair
from coilbench.analysis.engine.placed_sets import SetCurves, SetLoads, place
from coilbench.analysis.engine.shims import seat_choices
from coilbench.analysis.engine.trade_off import Trade, trade_document, trade_off
from coilbench.capture.units import Units

__all__ = [
    "Combination",
    "Pairing",
    "SetCurves",
    "best_of_each",
    "card_distance",
    "combination_document",
    "pair_sets",
    "to_document",
    "valve_count",
]


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
