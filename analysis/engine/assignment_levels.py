"""Why no assignment is possible: which limit, relaxed alone, would make one possible. Pure.

From a build file and measured sets to an assignment, its levels of effort, its reasons. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from msgspec import structs

from coilbench.analysis.engine.assignment import (
    EFFORTS,
    AssignmentBench,
    Candidate,
    Effort,
    Level,
    LoadTable,
    ValvePlan,
    allowed_choices,
    assign_levels,
    build_problem,
    candidates,
    lay_out,
    valves_of,
)
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.pairing_words import clearance_reasons
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.three_index import without_costs
from coilbench.analysis.engine.three_index_solve import TIME_LIMIT_S, solve
from coilbench.analysis.report.units import Units

MORE_SHIMS = 2  # under one valve, to see whether max_shims is in the way
NAMED = 3


@dataclass(frozen=True)
class _Case:
    """A bench and what may be done, as far as limits are relaxed."""

    build: BuildFile
    effort: Effort
    unread_counts: bool = False


@dataclass(frozen=True)
class _Limit:
    """A limit that may be in the way: what it is called, and the case without it."""

    name: str
    relaxed: Callable[[_Case], _Case]


def blame(bench: AssignmentBench, effort: Effort, units: Units) -> tuple[str, ...]:
    """Say why a bench has no assignment.

    Args:
        bench: one that has none.
        effort: what was to be done.
        units: for the words.
    """
    short = _too_few("outer", bench.outers, bench) + _too_few("inner", bench.inners, bench)
    short += clearance_reasons(bench.build, units)
    if short:
        return tuple(short)
    case = _Case(bench.build, effort)
    limits = _limits(case)

    def fillable(relaxed: Sequence[_Limit]) -> bool:
        changed = case
        for limit in relaxed:
            changed = limit.relaxed(changed)
        return _fillable(bench, changed)

    alone = [limit for limit in limits if fillable([limit])]
    if alone:
        return tuple(_words(bench, case, limit, units) for limit in alone)
    if not fillable(limits):
        return ("the springs cannot fill the valves, whatever limit is relaxed",)
    needed = list(limits)
    for limit in limits:
        fewer = [each for each in needed if each is not limit]
        if fillable(fewer):
            needed = fewer
    named = " and ".join(limit.name for limit in needed)
    return (f"no one limit alone stands in the way, but together: {named}",)


def _limits(case: _Case) -> list[_Limit]:
    """List the limits that the case has and that can be relaxed."""
    build = case.build
    found = [
        _Limit("coil_bind_margin", lambda c: _with_margin(c, -math.inf)),
        _Limit("heights not read", lambda c: replace(c, unread_counts=True)),
    ]
    if build.shims and case.effort != "none":
        found.append(_Limit("the stock of shims", _without_stock))
        found.append(_Limit("max_shims", _with_more_shims))
    if case.effort == "none" and build.shims:
        found.append(_Limit("--effort none", lambda c: replace(c, effort="shims")))
    elif case.effort == "shims" and build.head.max_seat_cut_mm > 0.0:
        found.append(_Limit("--effort shims", lambda c: replace(c, effort="cuts")))
    return found


def _with_margin(case: _Case, margin_mm: float) -> _Case:
    limits = structs.replace(case.build.limits, coil_bind_margin_mm=margin_mm)
    return replace(case, build=replace(case.build, limits=limits))


def _without_stock(case: _Case) -> _Case:
    shims = tuple(structs.replace(shim, count=None) for shim in case.build.shims)
    return replace(case, build=replace(case.build, shims=shims))


def _with_more_shims(case: _Case) -> _Case:
    limits = structs.replace(case.build.limits, max_shims=case.build.limits.max_shims + MORE_SHIMS)
    return replace(case, build=replace(case.build, limits=limits))


def _fillable(bench: AssignmentBench, case: _Case) -> bool:
    """Tell whether every valve can get springs in this case, however far from the card."""
    laid = lay_out(case.build, bench.valves, bench.outers, bench.inners, bench.loads)
    if case.unread_counts:
        inner = None if laid.inner_loads is None else _read_everywhere(laid.inner_loads)
        laid = replace(laid, outer_loads=_read_everywhere(laid.outer_loads), inner_loads=inner)
    problem = build_problem(laid, allowed_choices(laid, case.effort))
    return solve(without_costs(problem)).picks != ()


def _read_everywhere(loads: LoadTable) -> LoadTable:
    return replace(loads, seat_n=np.nan_to_num(loads.seat_n), open_n=np.nan_to_num(loads.open_n))


def _words(bench: AssignmentBench, case: _Case, limit: _Limit, units: Units) -> str:
    limits = bench.build.limits
    if limit.name == "coil_bind_margin":
        best_mm = _best_margin_mm(bench, case)
        reached = (
            "some springs would bind"
            if best_mm <= 0.0
            else f"the most that all springs can keep is {units.length_text(best_mm)}"
        )
        return (
            f"coil bind stands in the way: the limit is "
            f"{units.length_text(limits.coil_bind_margin_mm)}, {reached}"
        )
    if limit.name == "heights not read":
        return f"springs were not read where they would stand: {_unread(bench, units)}"
    if limit.name == "the stock of shims":
        return "the stock of shims stands in the way: with more of them every valve can be filled"
    if limit.name == "max_shims":
        return (
            f"max_shims stands in the way: with up to {limits.max_shims + MORE_SHIMS} under a "
            f"valve, not {limits.max_shims}, every valve can be filled"
        )
    more = "shims" if case.effort == "none" else "cuts"
    return f"every valve can be filled with --effort {more}"


def _best_margin_mm(bench: AssignmentBench, case: _Case) -> float:
    """Return the largest margin that some assignment keeps, by halving the margins there are."""
    tables = [t for t in (bench.outer_loads, bench.inner_loads) if t is not None]
    margins = np.unique(np.concatenate([np.ravel(table.margin_mm) for table in tables]))
    margins = margins[np.isfinite(margins)]
    low, high = 0, len(margins)  # the lowest margin can be kept, beyond the highest none can
    while high - low > 1:
        middle = (low + high) // 2
        kept = _fillable(bench, _with_margin(case, float(margins[middle])))
        low, high = (middle, high) if kept else (low, middle)
    return float(margins[low])


def _unread(bench: AssignmentBench, units: Units) -> str:
    """Name springs and the heights they must still be pressed to, no shims and no cuts."""
    lift_mm = bench.build.cam.valve_lift_mm
    found: list[str] = []
    groups = [(bench.outers, bench.outer_loads, 0.0)]
    if bench.inner_loads is not None:
        groups.append((bench.inners, bench.inner_loads, bench.build.head.inner_offset_mm))
    for springs, table, offset_mm in groups:
        for index, spring in enumerate(springs):
            for loads_n, at_mm in ((table.seat_n, 0.0), (table.open_n, lift_mm)):
                missing = bench.heights_mm[np.isnan(loads_n[:, index, 0])]
                if missing.size:
                    height_mm = float(missing.min()) - offset_mm - at_mm
                    found.append(f"{spring.name} at {units.length_text(height_mm)}")
    named = ", ".join(found[:NAMED])
    return named if len(found) <= NAMED else f"{named} and {len(found) - NAMED} more"


def _too_few(role: str, springs: Sequence[Candidate], bench: AssignmentBench) -> list[str]:
    if len(springs) >= len(bench.valves) or (role == "inner" and not springs):
        return []
    return [
        f"{len(bench.valves)} valves need as many {role} springs, {len(springs)} are to hand: "
        "measure more, name another set, or count flagged ones in with --use-flagged"
    ]


@dataclass(frozen=True)
class Assignment:
    """What was found for a build file.

    Attributes:
        effort: the level asked for.
        levels: every level, least effort first.
        reasons: why there is no assignment, in words; empty where there is one.
        notes: what was assumed, in words.
    """

    build: BuildFile
    effort: Effort
    levels: tuple[Level, ...]
    reasons: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def chosen(self) -> Level:
        """The level asked for."""
        return self.levels[EFFORTS.index(self.effort)]


def assign(
    build: BuildFile,
    sets: Mapping[str, SetCurves],
    set_sizes: Mapping[str, int],
    effort: Effort = "shims",
    units: Units | None = None,
    time_limit_s: float = TIME_LIMIT_S,
) -> Assignment:
    """Give every valve an outer, an inner and what lies under them, as near the card as can be.

    A valve's springs may come from any of the candidate sets.

    Args:
        build: card, head, shims, limits and the candidate sets' names.
        sets: the measured sets by name, without the springs that must not be used.
        set_sizes: how many springs each candidate set is registered with (see `valves_of`).
        effort: the level asked for; all are solved.
        units: for the reasons' words; kg and mm where None.
        time_limit_s: for one integer programme; a safety.

    Raises:
        CoilbenchError: a candidate set is unknown, has no measured spring, or the wrong role.
    """
    shown = Units() if units is None else units
    outers, inners = candidates(build, sets, "outer"), candidates(build, sets, "inner")
    bench = lay_out(build, valves_of(build, set_sizes), outers, inners, {})
    if clearance_reasons(build, shown):
        levels = tuple(Level(each, "infeasible", None, None, (), ()) for each in EFFORTS)
    else:
        levels = assign_levels(bench, time_limit_s)
    nothing = levels[EFFORTS.index(effort)].status == "infeasible"
    reasons = blame(bench, effort, shown) if nothing else ()
    return Assignment(build, effort, levels, reasons, _notes(bench))


def to_document(assignment: Assignment) -> dict[str, object]:
    """Return the JSON document of `assign`, in N and mm."""
    chosen = assignment.chosen
    return {
        "status": chosen.status,
        "effort": assignment.effort,
        "objective": chosen.objective,
        "bound": chosen.bound,
        "gap": chosen.gap,
        "valves": [_valve_document(plan) for plan in chosen.valves],
        "spares": [spring.name for spring in chosen.spares],
        "levels": [
            {
                "effort": level.effort,
                "objective": level.objective,
                "bound": level.bound,
                "status": level.status,
                "shims": level.shims,
                "cuts": level.cuts,
                "valves_that_fit": sum(plan.fits for plan in level.valves),
            }
            for level in assignment.levels
        ],
        "reasons": list(assignment.reasons),
        "notes": [*assignment.build.notes, *assignment.notes],
    }


def _valve_document(plan: ValvePlan) -> dict[str, object]:
    return {
        "valve": plan.valve.name,
        "height_mm": plan.valve.height_mm,
        "outer": plan.outer.name,
        "inner": None if plan.inner is None else plan.inner.name,
        "shims_mm": list(plan.choice.shims_mm),
        "seat_cut_mm": plan.choice.seat_cut_mm,
        "seat_n": plan.seat_n,
        "seat_u_n": plan.seat_u_n,
        "open_n": plan.open_n,
        "open_u_n": plan.open_u_n,
        "coil_bind_margin_mm": plan.coil_bind_margin_mm,
        "fits": plan.fits,
    }


def _notes(bench: AssignmentBench) -> tuple[str, ...]:
    """Say what was assumed about the valves and the solid heights."""
    notes, head = [], bench.build.head
    if not head.valve_heights_mm:
        why = "" if head.valve_count is not None else ", one for each spring of the largest set"
        notes.append(
            f"{len(bench.valves)} valves{why}, all at installed_height: give each its own under "
            "[head.valves]"
        )
    unknown = {s.springs.name for s in (*bench.outers, *bench.inners) if s.solid_mm is None}
    if unknown:
        notes.append(
            f"solid height unknown, coil bind not checked, measure it: {', '.join(sorted(unknown))}"
        )
    return tuple(notes)
