"""Which springs the sheet builds with: an assignment's, else any of the best pair's sets. Pure.

The curves that a build sheet draws: each spring's, and outer and inner together. Pure.

How near the sheet's springs come to coil bind. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.engine.assignment import Candidate, Valve, ValvePlan
from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.combination import Combination
from coilbench.analysis.engine.placed import (
    Load,
    SetCurves,
    SetLoads,
    exceeds,
    load_at,
    parallel_load,
)
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.report.sheet import Line, LineRole, MarginRow, Place, ValveRow

LoadAndU = tuple[float, float]  # N, and its expanded uncertainty, k = 2


@dataclass(frozen=True)
class UsedPair:
    """An outer and an inner set as they are used together.

    Attributes:
        outer, inner: with the springs that are used; no inner for single springs.
        choice: of those under them the one that presses them most.
    """

    outer: SetCurves
    inner: SetCurves | None
    choice: SeatChoice

    @property
    def sets(self) -> tuple[SetCurves, ...]:
        """The sets, outer first."""
        return (self.outer,) if self.inner is None else (self.outer, self.inner)


@dataclass(frozen=True)
class Chosen:
    """What the sheet builds with.

    Attributes:
        named: whether each valve's springs are named.
        rows: one a valve, in the build file's order.
        pairs: each outer set with each inner set that it works with, once.
    """

    named: bool
    rows: tuple[ValveRow, ...]
    pairs: tuple[UsedPair, ...]

    @property
    def sets(self) -> tuple[SetCurves, ...]:
        """Every set that is used, once, with all its springs that are; outers first."""
        found: dict[str, SetCurves] = {}
        every = [each for pair in self.pairs for each in pair.sets]
        for springs in sorted(every, key=lambda one: one.role == "inner"):
            known = found.get(springs.name)
            curves = springs.curves if known is None else (*known.curves, *springs.curves)
            found[springs.name] = replace(springs, curves=curves)
        return tuple(found.values())


def chosen_by_assignment(build: BuildFile, plans: Sequence[ValvePlan]) -> Chosen:
    """Build with what an assignment gives each valve."""
    pairs: dict[tuple[str, str | None], list[ValvePlan]] = {}
    for plan in plans:
        inner = None if plan.inner is None else plan.inner.springs.name
        pairs.setdefault((plan.outer.springs.name, inner), []).append(plan)
    return Chosen(
        True,
        tuple(_assigned_row(build, plan) for plan in plans),
        tuple(_used_pair(of_pair) for of_pair in pairs.values()),
    )


def chosen_by_pair(
    build: BuildFile, valves: Sequence[Valve], sets: Mapping[str, SetCurves], best: Combination
) -> Chosen:
    """Build with any springs of the best pair's sets, the same shims under every valve.

    Each valve's loads are those of the sets' means at the valve's own height.
    """
    inner = None if best.inner is None else sets[best.inner]
    pair = UsedPair(sets[best.outer], inner, best.choice)
    loads: SetLoads = {}
    return Chosen(False, tuple(_pair_row(build, valve, pair, loads) for valve in valves), (pair,))


def _used_pair(plans: Sequence[ValvePlan]) -> UsedPair:
    lowest = min(plans, key=lambda plan: plan.choice.height_change_mm)
    inners = [plan.inner for plan in plans if plan.inner is not None]
    return UsedPair(
        _used_set([plan.outer for plan in plans]),
        _used_set(inners) if inners else None,
        lowest.choice,
    )


def _used_set(springs: Sequence[Candidate]) -> SetCurves:
    whole = springs[0].springs
    # A solid height known of any spring of the set stands for all of them.
    return replace(
        whole,
        curves=tuple(spring.curve for spring in springs),
        solid_height_mm=whole.known_solid_mm,
    )


def _assigned_row(build: BuildFile, plan: ValvePlan) -> ValveRow:
    lift_mm, height_mm = build.cam.valve_lift_mm, plan.valve.height_mm
    shut_mm = round(height_mm + plan.choice.height_change_mm, 6)

    def place(spring: Candidate, at_mm: float) -> Place:
        solid_mm = spring.solid_mm
        margin_mm = None if solid_mm is None else round(at_mm - lift_mm - solid_mm, 6)
        return Place(spring.springs.name, spring.name, at_mm, margin_mm)

    inner = None
    if plan.inner is not None:
        inner = place(plan.inner, round(shut_mm - build.head.inner_offset_mm, 6))
    loads = (plan.seat_n, plan.seat_u_n), (plan.open_n, plan.open_u_n)
    return _row(build.cam, plan.valve, plan.choice, place(plan.outer, shut_mm), inner, loads)


def _pair_row(build: BuildFile, valve: Valve, pair: UsedPair, loads: SetLoads) -> ValveRow:
    cam = build.cam
    shut_mm = round(valve.height_mm + pair.choice.height_change_mm, 6)
    heights_mm = (shut_mm, round(shut_mm - build.head.inner_offset_mm, 6))
    places, seats, opens = [], [], []
    for springs, at_mm in zip(pair.sets, heights_mm, strict=False):
        solid_mm = springs.highest_solid_mm
        margin_mm = None if solid_mm is None else round(at_mm - cam.valve_lift_mm - solid_mm, 6)
        places.append(Place(springs.name, None, at_mm, margin_mm))
        seats.append(load_at(springs, at_mm, loads).mean)
        opens.append(load_at(springs, at_mm - cam.valve_lift_mm, loads).mean)
    inner = places[1] if len(places) > 1 else None
    both = _together(seats), _together(opens)
    return _row(cam, valve, pair.choice, places[0], inner, both)


def _together(loads: Sequence[Load | None]) -> LoadAndU | None:
    known = [load for load in loads if load is not None]
    if len(known) < len(loads):
        return None
    both = parallel_load(known)
    return both.load_n, both.load_u_n


def _row(
    cam: Cam,
    valve: Valve,
    choice: SeatChoice,
    outer: Place,
    inner: Place | None,
    loads: tuple[LoadAndU | None, LoadAndU | None],
) -> ValveRow:
    """Hold a valve's loads, shut and at full lift, against the card."""
    seat, full = loads
    fits = sure = None
    if seat is not None and full is not None:
        fits = cam.fits(seat[0], full[0])
        sure = not (
            _reaches_over(seat, cam.seat_load_n, cam.seat_tolerance_n)
            or _reaches_over(full, cam.open_load_n, cam.open_tolerance_n)
        )
    (seat_n, seat_u_n), (open_n, open_u_n) = (
        (None, None) if load is None else load for load in loads
    )
    return ValveRow(
        valve=valve.name,
        bare_height_mm=valve.height_mm,
        choice=choice,
        outer=outer,
        inner=inner,
        seat_n=seat_n,
        seat_u_n=seat_u_n,
        open_n=open_n,
        open_u_n=open_u_n,
        fits=fits,
        sure=sure,
    )


def _reaches_over(load: LoadAndU, card_n: float, tolerance_n: float) -> bool:
    """Tell whether a load's uncertainty reaches over the tolerance, from inside or outside."""
    load_n, u_n = load
    return exceeds(u_n, abs(tolerance_n - abs(load_n - card_n)))


Array = NDArray[np.float64]
POINTS = 60
LEAST_POINTS = 2


def lines_of(build: BuildFile, chosen: Chosen) -> tuple[Line, ...]:
    """Sample the springs that are used over the outer's height.

    Together are the springs of each valve where they are named, else the means of the sets.
    """
    offset_mm = build.head.inner_offset_mm
    curves = {
        (springs.name, curve.label): (curve, offset_mm if springs.role == "inner" else 0.0)
        for springs in chosen.sets
        for curve in springs.curves
    }
    grid_mm = _grid(curves.values(), chosen.rows, build.cam.valve_lift_mm)
    loads = {key: _sampled(curve, grid_mm - offset) for key, (curve, offset) in curves.items()}
    roles = {springs.name: springs.role for springs in chosen.sets}
    lines = [
        _line("inner" if roles[name] == "inner" else "outer", label, grid_mm, load_n)
        for (name, label), load_n in loads.items()
    ]
    if chosen.rows and chosen.rows[0].inner is not None:
        lines += _lines_together(chosen, grid_mm, loads)
    return tuple(line for line in lines if len(line.heights_mm) >= LEAST_POINTS)


def _grid(
    curves: Iterable[tuple[SpringCurve, float]], rows: Sequence[ValveRow], lift_mm: float
) -> Array:
    """Heights of the outer to sample at: evenly over what was measured, and where valves stand."""
    low, high = [], []
    for curve, offset_mm in curves:
        low.append(curve.lowest_mm + offset_mm)
        high.append(curve.highest_mm + offset_mm)
    stand = [row.outer.height_mm for row in rows]
    at_mm = [*np.linspace(min(low), max(high), POINTS), *stand, *(mm - lift_mm for mm in stand)]
    return np.unique(np.round(at_mm, 6))


def _sampled(curve: SpringCurve, heights_mm: Array) -> Array:
    """Loads at some heights; NaN where they weren't measured."""
    loads_n = np.full(len(heights_mm), np.nan)
    for at, height_mm in enumerate(heights_mm):
        try:
            loads_n[at] = curve.load_at(float(height_mm)).load_n
        except HeightNotMeasured:
            continue
    return loads_n


def _lines_together(
    chosen: Chosen, grid_mm: Array, loads: Mapping[tuple[str, str], Array]
) -> Iterable[Line]:
    if not chosen.named:
        sums = [
            np.mean([n for (name, _), n in loads.items() if name == springs.name], axis=0)
            for springs in chosen.sets
        ]
        yield _line("together", "mean", grid_mm, np.sum(sums, axis=0))
        return
    by_name = _by_name(chosen, loads)
    for row in chosen.rows:
        total_n = np.sum([by_name[each.spring] for each in row.places], axis=0)
        yield _line("together", row.valve, grid_mm, total_n)


def _by_name(chosen: Chosen, loads: Mapping[tuple[str, str], Array]) -> dict[str | None, Array]:
    """Loads by the name that the sheet calls a spring: its label, or set/label."""
    names = {place.spring for row in chosen.rows for place in row.places}
    found: dict[str | None, Array] = {}
    for (name, label), load_n in loads.items():
        long_name = f"{name}/{label}"
        found[long_name if long_name in names else label] = load_n
    return found


def _line(role: LineRole, name: str, heights_mm: Array, loads_n: Array) -> Line:
    known = np.isfinite(loads_n)
    return Line(role, name, tuple(heights_mm[known].tolist()), tuple(loads_n[known].tolist()))


def margins_of(build: BuildFile, chosen: Chosen) -> tuple[MarginRow, ...]:
    """Return each used set's least margin over the valves, outers first."""
    limit_mm = build.limits.coil_bind_margin_mm
    return tuple(_margin(springs, chosen.rows, limit_mm) for springs in chosen.sets)


def _margin(springs: SetCurves, rows: Sequence[ValveRow], limit_mm: float) -> MarginRow:
    known = [
        (place.margin_mm, row.valve)
        for row in rows
        for place in row.places
        if place.set_name == springs.name and place.margin_mm is not None
    ]
    least_mm, valve = min(known, key=lambda one: one[0], default=(None, None))
    return MarginRow(
        springs.name,
        springs.role,
        least_mm,
        valve,
        springs.highest_solid_mm,
        springs.known_solid_mm is None and springs.highest_solid_mm is not None,
        limit_mm,
        None if springs.coil is None else springs.coil.smallest_gap_mm,
        None if least_mm is None else not exceeds(limit_mm, least_mm),
    )
