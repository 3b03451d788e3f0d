"""Assignments in sentences and JSON: what they give, what was assumed, why there is none."""

from __future__ import annotations

from collections.abc import Sequence

from coilbench.analysis.engine.assignment import Assignment, Level, ValvePlan
from coilbench.analysis.engine.reasons import (
    EffortObstacle,
    LimitsTogether,
    MarginObstacle,
    RelaxedLimit,
    SolidUnknown,
    TooFewSprings,
    UnreadObstacle,
    ValvesAssumed,
)
from coilbench.analysis.engine.shims import Effort
from coilbench.analysis.report.document import describe, first_few, json_keys
from coilbench.analysis.report.units import Units

ALLOWED: dict[Effort, str] = {"none": "no shims", "shims": "shims", "cuts": "shims and seat cuts"}
LIMITS: dict[RelaxedLimit, str] = {
    "coil_bind_margin": "coil_bind_margin",
    "unread_heights": "heights not read",
    "shim_stock": "the stock of shims",
    "max_shims": "max_shims",
    "effort_none": "--effort none",
    "effort_shims": "--effort shims",
}

json_keys(
    ValvePlan,
    "valve=valve.name height_mm=valve.height_mm outer=outer.name inner=inner.name "
    "shims_mm=choice.shims_mm outer_shims_mm=choice.outer_shims_mm "
    "inner_shims_mm=choice.inner_shims_mm seat_cut_mm=choice.seat_cut_mm seat_n=seat.load_n "
    "seat_u_n=seat.load_u_n open_n=open.load_n open_u_n=open.load_u_n coil_bind_margin_mm fits",
)
json_keys(Level, "effort objective bound status shims cuts valves_that_fit")
json_keys(
    Assignment,
    "status=chosen.status effort objective=chosen.objective bound=chosen.bound gap=chosen.gap "
    "valves=chosen.valves spares=chosen.spares.name levels reasons",
)


@describe.register
def _(reason: TooFewSprings, _units: Units) -> str:
    return (
        f"{reason.valves} valves need as many {reason.role} springs, {reason.springs} are "
        "available: measure more, name another set, or count flagged ones in with --use-flagged"
    )


@describe.register
def _(reason: MarginObstacle, units: Units) -> str:
    reached = (
        "some springs would bind"
        if reason.reachable_mm <= 0.0
        else f"the most that all springs can keep is {units.length_text(reason.reachable_mm)}"
    )
    return f"coil bind prevents it: the limit is {units.length_text(reason.limit_mm)}, {reached}"


@describe.register
def _(reason: UnreadObstacle, units: Units) -> str:
    heights = [f"{each.spring} at {units.length_text(each.height_mm)}" for each in reason.heights]
    return f"springs were not read at the heights they would have: {first_few(heights)}"


@describe.register
def _(reason: EffortObstacle, _units: Units) -> str:
    if reason.kind == "shim_stock":
        return "the stock of shims prevents it: with more of them every valve can be filled"
    if reason.kind == "max_shims":
        return (
            f"max_shims prevents it: with up to {reason.enough_shims} under a valve, not "
            f"{reason.max_shims}, every valve can be filled"
        )
    more = "shims" if reason.kind == "effort_none" else "cuts"
    return f"every valve can be filled with --effort {more}"


@describe.register
def _(reason: LimitsTogether, _units: Units) -> str:
    if not reason.limits:
        return "the springs cannot fill the valves, whatever limit is relaxed"
    named = " and ".join(LIMITS[name] for name in reason.limits)
    return f"no limit alone prevents it, but these together: {named}"


@describe.register
def _(assumed: ValvesAssumed, _units: Units) -> str:
    why = ", one for each spring of the largest set" if assumed.by_set else ""
    return (
        f"{assumed.valves} valves{why}, all at installed_height: give each its own under "
        "[head.valves]"
    )


@describe.register
def _(assumed: SolidUnknown, _units: Units) -> str:
    return f"solid height unknown, coil bind not checked, measure it: {', '.join(assumed.sets)}"


def assignment_notes(assignment: Assignment, units: Units) -> tuple[str, ...]:
    """Say what the build file doesn't give and was assumed."""
    notes = (*assignment.build.notes, *assignment.assumptions)
    return tuple(describe(each, units) for each in notes)


def assignment_verdict(level: Level) -> str:
    """Say what an assignment gives, and whether it is proven the best; or that there is none."""
    if not level.valves:
        if level.status == "infeasible":
            return "There is no way to give every valve springs of its own"
        return "The time ran out before any way to give every valve springs of its own was found"
    proven = (
        "Proven: no other choice from these springs comes nearer to it"
        if level.status == "optimal"
        else "The time ran out before this was proven the nearest"
    )
    return (
        f"{level.valves_that_fit} of {len(level.valves)} valves are inside the card's tolerances. "
        f"{proven}"
    )


LEVEL_TITLES = ("with", "sum", "inside", "shims", "cuts", "status")


def level_rows(levels: Sequence[Level]) -> list[tuple[str, ...]]:
    """Return what each level of effort gives, as cells under LEVEL_TITLES."""
    return [
        (
            ALLOWED[level.effort],
            number_text(level.objective),
            f"{level.valves_that_fit} of {len(level.valves)}" if level.valves else "no way",
            str(level.shims) if level.valves else "-",
            str(level.cuts) if level.valves else "-",
            level.status,
        )
        for level in levels
    ]


def number_text(value: float | None) -> str:
    """Write a sum to four digits."""
    return "unknown" if value is None else f"{value:.4g}"
