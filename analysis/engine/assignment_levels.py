"""Assignments at each level of effort, from a build file and measured sets. Pure.

Where none is possible: each limit that, relaxed alone, would make one possible.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.choices import EFFORTS, Effort
from coilbench.analysis.engine.assignment import (
    Assignment,
    AssignmentBench,
    Level,
)
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.placed import SetCurves, chosen_set, clearance_low
from coilbench.analysis.engine.reasons import (
    EffortObstacle,
    LimitsTogether,
    MarginObstacle,
    Obstacle,
    RelaxedLimit,
    TooFewSprings,
    UnreadObstacle,
)
from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.valve_loads import candidates_of, valves_of
from coilbench.analysis.engine.worked_out import WorkedOut
from coilbench.capture.calibration.statistics import distinct

EXTRA_SHIMS = 2  # under one valve, to see whether max_shims prevents an assignment


def assign(
    build: BuildFile,
    sets: Mapping[str, SetCurves],
    set_sizes: Mapping[str, int],
    effort: Effort = "shims",
    solving: Solving | None = None,
    before: WorkedOut | None = None,
) -> Assignment:
    """Give every valve an outer, an inner and what is under them, as near the card as can be.

    A valve's springs may come from any of the candidate sets.

    Args:
        build: names the candidate sets.
        sets: the measured sets by name, without the springs that must not be used.
        set_sizes: how many springs each candidate set is registered with.
        effort: the level asked for; all are solved.
        solving: how long the search may go on; None: until it ends.
        before: what was worked out of the same sets under the same build; added to.

    Raises:
        CoilbenchError: a candidate set is unknown or has the wrong role.
    """
    named = (("outer", build.springs.outer), ("inner", build.springs.inner))
    outers, inners = (
        candidates_of([chosen_set(build, sets, role, name) for name in names])
        for role, names in named
    )
    # Springs that were bought together are one for each valve, flagged ones too.
    valves = valves_of(build, max(set_sizes[name] for name in build.springs.outer))
    before = WorkedOut() if before is None else before
    bench = AssignmentBench.lay_out(build, valves, outers, inners, before.readings, before.solution)
    if clearance_low(build):
        levels = tuple(Level(each, "infeasible") for each in EFFORTS)
    else:
        levels = bench.levels(solving or Solving(), effort)
    nothing = levels[EFFORTS.index(effort)].status in ("infeasible", "not_read")
    reasons: tuple[Obstacle, ...] = ()
    if nothing:
        loose = (one for table in bench.tables for one in table.loose_springs(0))
        reasons = (*loose, *_explain_infeasible(bench, effort))
    return Assignment(build, effort, valves, levels, reasons, tuple(bench.assumptions()))


class _Case(msgspec.Struct, frozen=True):
    """A bench and what may be done, as far as limits are relaxed."""

    build: BuildFile
    effort: Effort
    taken_as_read: bool = False


_Relax = Callable[[_Case], _Case]


def _explain_infeasible(bench: AssignmentBench, effort: Effort) -> Iterator[Obstacle]:
    """Yield why a bench has no assignment."""
    valves = len(bench.valves)
    too_few = [
        TooFewSprings(role, len(springs), valves)
        for role, springs in (("outer", bench.outers), ("inner", bench.inners))
        if len(springs) < valves and (springs or role == "outer")
    ]
    near = clearance_low(bench.build)
    if too_few or near:
        yield from too_few
        yield from near
        return
    case = _Case(bench.build, effort)
    limits = _limits(case)

    def fillable(names: Sequence[RelaxedLimit]) -> bool:
        changed = case
        for name in names:
            changed = limits[name](changed)
        return _fillable(bench, changed)

    alone = [name for name in limits if fillable([name])]
    if alone:
        yield from (_obstacle(bench, case, name) for name in alone)
    elif not fillable(list(limits)):
        yield LimitsTogether(())
    else:
        needed = list(limits)
        for name in limits:
            fewer = [each for each in needed if each != name]
            needed = fewer if fillable(fewer) else needed
        yield LimitsTogether(tuple(needed))


def _limits(case: _Case) -> dict[RelaxedLimit, _Relax]:
    """List the limits that the case has and that can be relaxed, with the case without each."""
    build = case.build
    found: dict[RelaxedLimit, _Relax] = {
        "coil_bind_margin": lambda c: _with_margin(c, -math.inf),
        "unread_heights": lambda c: replace(c, taken_as_read=True),
    }
    if build.shims and case.effort != "none":
        found["shim_stock"] = _without_stock
        found["max_shims"] = _with_more_shims
    if case.effort == "none" and build.shims:
        found["effort_none"] = lambda c: replace(c, effort="shims")
    elif case.effort == "shims" and build.head.max_seat_cut_mm > 0.0:
        found["effort_shims"] = lambda c: replace(c, effort="cuts")
    return found


def _with_margin(case: _Case, margin_mm: float) -> _Case:
    limits = replace(case.build.limits, coil_bind_margin_mm=margin_mm)
    return replace(case, build=replace(case.build, limits=limits))


def _without_stock(case: _Case) -> _Case:
    shims = tuple(replace(shim, count=None) for shim in case.build.shims)
    return replace(case, build=replace(case.build, shims=shims))


def _with_more_shims(case: _Case) -> _Case:
    limits = replace(case.build.limits, max_shims=case.build.limits.max_shims + EXTRA_SHIMS)
    return replace(case, build=replace(case.build, limits=limits))


def _fillable(bench: AssignmentBench, case: _Case) -> bool:
    """Tell whether every valve can get springs in this case, however far from the card."""
    relaxed = bench.with_limits(case.build)
    return relaxed.fillable(case.effort, taken_as_read=case.taken_as_read)


def _obstacle(bench: AssignmentBench, case: _Case, name: RelaxedLimit) -> Obstacle:
    limits = bench.build.limits
    match name:
        case "coil_bind_margin":
            return MarginObstacle(limits.coil_bind_margin_mm, _best_margin_mm(bench, case))
        case "unread_heights":
            return UnreadObstacle(tuple(bench.unread([0])))
        case "max_shims":
            return EffortObstacle(name, limits.max_shims, limits.max_shims + EXTRA_SHIMS)
        case _:
            return EffortObstacle(name)


def _best_margin_mm(bench: AssignmentBench, case: _Case) -> float:
    """Return the largest margin that some assignment keeps, by halving the margins there are."""
    margins = distinct(np.concatenate([np.ravel(table.margin_mm) for table in bench.tables]))
    margins = margins[np.isfinite(margins)]
    low, high = 0, len(margins)  # the lowest margin can be kept, beyond the highest none can
    while high - low > 1:
        middle = (low + high) // 2
        kept = _fillable(bench, _with_margin(case, float(margins[middle])))
        low, high = (middle, high) if kept else (low, middle)
    return float(margins[low])
