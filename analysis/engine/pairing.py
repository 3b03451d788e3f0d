"""Which outer goes with which inner over which shim: loads against the cam card, ranked. Pure.

Outer and inner act in parallel, each at its own height, so their loads add. A shim lowers both
heights, a seat cut raises both.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from coilbench.analysis.engine import pairing_words
from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.placed_sets import PlacedSet, SetCurves, SetLoad, exceeds, place
from coilbench.analysis.engine.shims import SeatChoice, seat_choices, shortages
from coilbench.capture.errors import CoilbenchError
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
class Combination:
    """One outer set, perhaps an inner set, and what is done under them.

    Attributes:
        outer, inner: names of the sets; inner is None for single springs.
        choice: the shims or the cut.
        seat_n, open_n: loads, outer and inner together, means over the sets; None if unknown.
        seat_u_n, open_u_n: expanded uncertainties (k = 2): the root sum of squares of the two
            set means'. The sets are taken as read independently of one another; where one
            calibration's error is most of both, the true figure is nearer to their plain sum.
        rate_n_per_mm: (open - seat) / lift; None if unknown.
        coil_bind_margin_mm: the smaller of both springs' at the lowest valve; None where a
            solid height isn't known.
        fits: both loads are inside the card's tolerances and no known margin is under the limit.
        reasons: what doesn't fit, or should be known, in words and numbers.
    """

    outer: str
    inner: str | None
    choice: SeatChoice
    seat_n: float | None
    seat_u_n: float | None
    open_n: float | None
    open_u_n: float | None
    rate_n_per_mm: float | None
    coil_bind_margin_mm: float | None
    fits: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Pairing:
    """A build file's combinations.

    Attributes:
        name: the build file's name.
        cam: the card they were held against.
        combinations: best first, at least one.
    """

    name: str
    cam: Cam
    combinations: tuple[Combination, ...]


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
    roles = ("outer",) if build.springs.inner else ("outer", "single")
    outers = [_candidate(build, sets, "outer", name, roles) for name in build.springs.outer]
    inners = [_candidate(build, sets, "inner", name, ("inner",)) for name in build.springs.inner]
    loads: dict[tuple[str, float], SetLoad] = {}
    combinations: list[Combination] = []
    for outer in outers:
        valves = valve_count(build, outer)
        for inner in inners if inners else [None]:
            for choice in seat_choices(build, valves):
                placed = place(build, outer, inner, choice, loads)
                combinations.append(_judge(build, placed, choice, valves, shown))
    ranked = sorted(combinations, key=lambda combination: _rank(combination, build.cam))
    return Pairing(build.name, build.cam, tuple(ranked))


def best_of_each(pairings: Iterable[Pairing]) -> tuple[tuple[Pairing, Combination], ...]:
    """Pick every card's best combination; the card that is met best comes first."""
    best = [(pairing, pairing.combinations[0]) for pairing in pairings]
    return tuple(sorted(best, key=lambda pair: (_rank(pair[1], pair[0].cam), pair[0].name)))


def card_distance(combination: Combination, cam: Cam) -> float | None:
    """Return how far both loads are from the card, each in its tolerance, squared and summed.

    ((seat - target) / tolerance)^2 + ((open - target) / tolerance)^2; None if a load is unknown.
    """
    if combination.seat_n is None or combination.open_n is None:
        return None
    seat = (combination.seat_n - cam.seat_load_n) / cam.seat_tolerance_n
    full = (combination.open_n - cam.open_load_n) / cam.open_tolerance_n
    return seat * seat + full * full


def valve_count(build: BuildFile, outer: SetCurves) -> int:
    """Count the valves: as listed, else one for each spring of the outer set."""
    listed = len(build.head.valve_heights_mm)
    return listed if listed else len(outer.curves)


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
        "combinations": [combination_document(each) for each in pairing.combinations],
    }


def combination_document(combination: Combination) -> dict[str, object]:
    """Return one combination of the JSON document of `pair`."""
    return {
        "outer": combination.outer,
        "inner": combination.inner,
        "shim_mm": combination.choice.shim_mm,
        "seat_cut_mm": combination.choice.seat_cut_mm,
        "seat_n": combination.seat_n,
        "seat_u_n": combination.seat_u_n,
        "open_n": combination.open_n,
        "open_u_n": combination.open_u_n,
        "rate_n_per_mm": combination.rate_n_per_mm,
        "coil_bind_margin_mm": combination.coil_bind_margin_mm,
        "fits": combination.fits,
        "reasons": list(combination.reasons),
    }


def _candidate(
    build: BuildFile, sets: Mapping[str, SetCurves], key: str, name: str, roles: tuple[str, ...]
) -> SetCurves:
    """Return a named set, or say what is wrong with it."""
    where = f"{build.name}, springs.{key}"
    springs = sets.get(name)
    if springs is None:
        raise CoilbenchError(
            f"there is no set {name!r}", where=where, mend="See: coilbench set list"
        )
    if springs.role not in roles:
        raise CoilbenchError(
            f"the set {name!r} is registered as {springs.role}, not as {' or '.join(roles)}",
            where=where,
            mend="Name it under its own role, or name another set",
        )
    if not springs.curves:
        raise CoilbenchError(
            f"no spring of the set {name!r} has been measured",
            where=where,
            mend="Measure it first: coilbench live, coilbench note or coilbench import",
        )
    return springs


def _together(loads: Sequence[SetLoad]) -> tuple[float | None, float | None]:
    """Add loads that act in parallel; uncertainties by root sum of squares."""
    load_n, load_u_n = 0.0, 0.0
    for load in loads:
        if load.load_n is None or load.load_u_n is None:
            return None, None
        load_n += load.load_n
        load_u_n = math.hypot(load_u_n, load.load_u_n)
    return load_n, load_u_n


def _judge(
    build: BuildFile,
    placed: tuple[PlacedSet, ...],
    choice: SeatChoice,
    valves: int,
    units: Units,
) -> Combination:
    """Hold placed sets against the card and the limits."""
    cam, limit_mm = build.cam, build.limits.coil_bind_margin_mm
    seat_n, seat_u_n = _together([each.seat for each in placed])
    open_n, open_u_n = _together([each.open for each in placed])
    margins_mm = [each.bind_margin_mm for each in placed]
    known_mm = [margin for margin in margins_mm if margin is not None]
    reasons: list[str] = []
    loads_fit = False
    rate_n_per_mm = None
    if seat_n is not None and open_n is not None:
        rate_n_per_mm = (open_n - seat_n) / cam.valve_lift_mm
        loads_fit = not (
            exceeds(abs(seat_n - cam.seat_load_n), cam.seat_tolerance_n)
            or exceeds(abs(open_n - cam.open_load_n), cam.open_tolerance_n)
        )
        if not loads_fit:
            reasons += pairing_words.load_reasons(cam, seat_n, open_n, choice, units)
    for each in placed:
        reasons += pairing_words.unread_reasons(each, units)
        reasons += pairing_words.bind_reasons(each, limit_mm, units)
    reasons += pairing_words.stock_reasons(shortages(choice.shims_mm, build.shims, valves), units)
    return Combination(
        outer=placed[0].springs.name,
        inner=placed[1].springs.name if len(placed) > 1 else None,
        choice=choice,
        seat_n=seat_n,
        seat_u_n=seat_u_n,
        open_n=open_n,
        open_u_n=open_u_n,
        rate_n_per_mm=rate_n_per_mm,
        coil_bind_margin_mm=min(known_mm) if len(known_mm) == len(placed) else None,
        fits=loads_fit and not any(exceeds(limit_mm, margin) for margin in known_mm),
        reasons=tuple(reasons),
    )


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
