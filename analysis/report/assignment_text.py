"""Assignments in sentences and JSON: what they give, what was assumed, why there is none."""

from __future__ import annotations

from collections.abc import Sequence

from coilbench.analysis.choices import Effort
from coilbench.analysis.engine.assignment import Assignment, Level, LevelStatus, ValvePlan
from coilbench.analysis.engine.reasons import (
    EffortObstacle,
    Inside,
    LimitsTogether,
    MarginObstacle,
    RelaxedLimit,
    SolidUnknown,
    UnreadObstacle,
    ValvesAssumed,
)
from coilbench.analysis.report.document import describe, filled, first_few, json_keys, sentences
from coilbench.analysis.report.pairing_text import needs_lines
from coilbench.analysis.report.units import Units
from coilbench.capture.units import counted

ALLOWED: dict[Effort, str] = {"none": "no shims", "shims": "shims", "cuts": "shims and seat cuts"}
LIMITS: dict[RelaxedLimit, str] = {
    "coil_bind_margin": "coil_bind_margin",
    "unread_heights": "heights not read",
    "shim_stock": "the stock of shims",
    "max_shims": "max_shims",
    "effort_none": "--effort none",
    "effort_shims": "--effort shims",
}
LIMITS_NOT_LOOKED_AT = (
    "what wire and valve train bear was not looked at (stress, surge, the speed at which the valve "
    "leaves its cam): --limits does"
)
STATUS: dict[LevelStatus, str] = {
    "optimal": "not proven",
    "feasible": "not proven",
    "infeasible": "impossible",
    "unknown": "unknown",
    "not_read": "not judged",
}
json_keys(
    ValvePlan,
    "valve=valve.name height_mm=valve.height_mm outer_set=outer.springs.name outer=outer.name "
    "inner_set=inner.springs.name inner=inner.name "
    "shims_mm=choice.shims_mm outer_shims_mm=choice.outer_shims_mm "
    "inner_shims_mm=choice.inner_shims_mm seat_cut_mm=choice.seat_cut_mm seat_n=seat.load_n "
    "seat_u_n=seat.load_u_n open_n=open.load_n open_u_n=open.load_u_n coil_bind_margin_mm fits "
    "verdict",
)
json_keys(
    Level,
    "effort objective bound status proven not_considered read_exactly "
    "looked_at "
    "looks_usual_n=looks.usual_n looks_within_n=looks.margin_n looks_seen_n=looks.seen_n "
    "looks_seen_on=looks.springs shims cuts valves_that_fit",
)
json_keys(
    Assignment,
    "status=chosen.status proven=chosen.proven effort objective=chosen.objective "
    "bound=chosen.bound gap=chosen.gap not_considered=chosen.not_considered needs=chosen.needs "
    "spread_n=chosen.spread_n "
    "valves=chosen.valves spares=chosen.spares.name levels reasons",
)
sentences(
    EffortObstacle,
    {
        "shim_stock": "the stock of shims prevents it: with more of them every valve can be filled",
        "max_shims": "max_shims prevents it: with up to {enough_shims} under a valve, not "
        "{max_shims}, every valve can be filled",
        "effort_none": "every valve can be filled with --effort shims",
        "effort_shims": "every valve can be filled with --effort cuts",
    },
)


@describe.register
def _(reason: MarginObstacle, units: Units) -> str:
    reached = "the most that all springs can keep is {reachable_mm}"
    if reason.reachable_mm <= 0.0:
        reached = "some springs would bind"
    return filled(f"coil bind prevents it: the limit is {{limit_mm}}, {reached}", reason, units)


@describe.register
def _(reason: UnreadObstacle, units: Units) -> str:
    if not reason.needs:
        return "springs were not read where they would stand, too near to solid to be pressed"
    needs = first_few(list(needs_lines(reason.needs, units)))
    return f"springs were not read at the heights they would have: {needs}"


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
def _(assumed: SolidUnknown, units: Units) -> str:
    if assumed.closing_mm is None:
        return (
            f"coil bind not checked, solid height of {assumed.set_name} unknown: measure it "
            "(coilbench set measure)"
        )
    return filled(
        "coil bind not checked: coils of {set_name} begin to close near {closing_mm}, press no "
        "further and ask its maker for the solid height",
        assumed,
        units,
    )


def assignment_notes(assignment: Assignment, units: Units) -> tuple[str, ...]:
    """Say what the build file doesn't give and was assumed."""
    notes = (*assignment.build.notes, *assignment.assumptions)
    return tuple(describe(each, units) for each in notes)


def assignment_verdict(level: Level) -> str:
    """Say what an assignment gives, and whether it is proven the best; or that there is none."""
    match level.status:
        case "infeasible":
            return "There is no way to give every valve springs of its own"
        case "not_read":
            return "Not judged: no valves can be filled from the heights that were read"
        case "unknown":
            return (
                "The search ended before any way to give every valve springs of its own was found"
            )
    if level.proven:
        proven = (
            "Proven: by the loads as read no other choice from these springs comes nearer to the "
            "card"
        )
        if level.looked_at:
            proven += (
                f": {level.read_exactly} were read exactly, and {level.looked_at}, only looked at, "
                "cannot"
            )
        elif level.read_exactly:
            proven += f": all {level.read_exactly} were read exactly"
    elif level.status == "optimal":
        why = "loads between the heights that were read may be otherwise"
        if level.looked_at:
            why = (
                f"{level.read_exactly} springs were read exactly, {level.looked_at} springs were "
                "only looked at, not judged (asked again it goes on from there)"
            )
        elif level.not_considered:
            why = f"{level.not_considered} were left out for want of a reading"
        proven = f"Not proven: of the choices that were read none comes nearer, but {why}"
    else:
        proven = (
            "Not proven: the search ended before it was sure that no other choice comes nearer "
            "(--seconds gives it longer)"
        )
    return f"{inside_text(level)}. {proven}"


def looks_text(level: Level, units: Units) -> str | None:
    """Say what a bound over springs that were only looked at rests on; None where there is none."""
    if level.looks is None or level.looks.sure:
        return None
    taken = level.looks
    usual, most, seen = map(units.load_text, (taken.usual_n, taken.margin_n, taken.seen_n))
    springs = counted(taken.springs, "judged spring")
    return (
        f"That takes first looks to be off by up to {usual} as a rule, {most} at most; on "
        f"{springs} it was up to {seen}"
    )


def inside_text(level: Level) -> str:
    """Count the valves inside the card's tolerances, inside but not surely, and outside."""
    every = len(level.valves)
    others: dict[str, Inside] = {"inside but unsure": "inside_unsure", "outside": "outside"}
    parts = [f"{count} {said}" for said, one in others.items() if (count := level.count(one))]
    told = f"{level.count('inside')} of {every} valves are inside the card's tolerances"
    return ", ".join([told, *parts])


LEVEL_TITLES = ("with", "sum", "inside", "unsure", "shims", "cuts", "status")


def level_rows(levels: Sequence[Level]) -> list[tuple[str, ...]]:
    """Return what each level of effort gives, as cells under LEVEL_TITLES."""
    return [
        (
            ALLOWED[level.effort],
            number_text(level.objective),
            f"{level.count('inside')} of {len(level.valves)}" if level.valves else "no way",
            str(level.count("inside_unsure")) if level.valves else "-",
            str(level.shims) if level.valves else "-",
            str(level.cuts) if level.valves else "-",
            STATUS[level.status] if not level.proven else "proven",
        )
        for level in levels
    ]


def number_text(value: float | None) -> str:
    """Write a sum to four digits."""
    return "unknown" if value is None else f"{max(value, 0.0):.4g}"
