"""From a build file and measured sets to an assignment, its levels of effort, its reasons. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from coilbench.analysis.engine.assignment import EFFORTS, Effort, Level, ValvePlan, assign_levels
from coilbench.analysis.engine.assignment_bench import (
    AssignmentBench,
    candidates,
    lay_out,
    valves_of,
)
from coilbench.analysis.engine.assignment_blame import blame
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.pairing_words import clearance_reasons
from coilbench.analysis.engine.placed_sets import SetCurves
from coilbench.analysis.engine.three_index_solve import TIME_LIMIT_S
from coilbench.capture.units import Units


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
