"""Which spring and which shims on which valve: the closest build to the card, proven. Pure.

The sum over the valves of ((seat - target)/tolerance)^2 + ((open - target)/tolerance)^2 is
made least. Outer and inner act in parallel, so a valve's loads are sums, and what an outer is
worth depends on its inner, the shims and the valve's height: a three-index assignment with a
stock of shims (see three_index.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args, overload

import numpy as np

from coilbench.analysis.engine.assignment_bench import (
    AssignmentBench,
    Candidate,
    LoadTable,
    Valve,
    read_load,
)
from coilbench.analysis.engine.build_file import ROUNDING
from coilbench.analysis.engine.loads import Load, load_of, parallel_load
from coilbench.analysis.engine.shims import SeatChoice, scarce_shims
from coilbench.analysis.engine.three_index import (
    Array,
    Pick,
    Solution,
    Status,
    ThreeIndexProblem,
)
from coilbench.analysis.engine.three_index_solve import TIME_LIMIT_S, solve

Effort = Literal["none", "shims", "cuts"]
EFFORTS: tuple[Effort, ...] = get_args(Effort)


@dataclass(frozen=True)
class ValvePlan:
    """One valve of an assignment.

    Attributes:
        outer, inner: the springs; inner is None for single springs.
        choice: the shims or the cut.
        seat_n, open_n: loads, outer and inner together.
        seat_u_n, open_u_n: their expanded uncertainties, k = 2.
        fits: both loads are inside the card's tolerances.
        coil_bind_margin_mm: the smaller of both springs'; None where a solid height isn't known.
    """

    valve: Valve
    outer: Candidate
    inner: Candidate | None
    choice: SeatChoice
    seat_n: float
    seat_u_n: float
    open_n: float
    open_u_n: float
    coil_bind_margin_mm: float | None
    fits: bool


@dataclass(frozen=True)
class Level:
    """The best that one level of effort gives.

    Attributes:
        status: of the solution; see `Solution`.
        objective, bound: the sum over the valves, and what no assignment can be below.
        valves: as listed; empty where nothing was found.
        spares: the springs that aren't used.
    """

    effort: Effort
    status: Status
    objective: float | None
    bound: float | None
    valves: tuple[ValvePlan, ...]
    spares: tuple[Candidate, ...]

    @property
    def gap(self) -> float | None:
        """What the objective is above the bound at most; None where one isn't known."""
        if self.objective is None or self.bound is None:
            return None
        return self.objective - self.bound

    @property
    def shims(self) -> int:
        """How many shims it takes."""
        return sum(len(plan.choice.shims_mm) for plan in self.valves)

    @property
    def cuts(self) -> int:
        """How many seats are cut."""
        return sum(plan.choice.seat_cut_mm > 0.0 for plan in self.valves)


def assign_levels(bench: AssignmentBench, time_limit_s: float = TIME_LIMIT_S) -> tuple[Level, ...]:
    """Solve every level of effort: without shims, with shims, with shims and cuts."""
    levels: list[Level] = []
    solved: dict[tuple[int, ...], Solution] = {}
    for effort in EFFORTS:
        allowed = tuple(allowed_choices(bench, effort))
        if allowed not in solved:
            solved[allowed] = solve(build_problem(bench, allowed), time_limit_s)
        levels.append(_level(bench, effort, allowed, solved[allowed]))
    return tuple(levels)


def allowed_choices(bench: AssignmentBench, effort: Effort) -> list[int]:
    """Return which of the bench's choices a level of effort may use."""
    return [
        index
        for index, choice in enumerate(bench.choices)
        if (effort != "none" or not choice.shims_mm)
        and (effort == "cuts" or choice.seat_cut_mm == 0.0)
    ]


def build_problem(bench: AssignmentBench, allowed: Sequence[int]) -> ThreeIndexProblem:
    """Put a bench as a three-index problem over some of its choices."""
    build, cam, choices = bench.build, bench.build.cam, [bench.choices[i] for i in allowed]
    valves = len(bench.valves)
    outer, inner = bench.outer_loads, bench.inner_loads
    seat, full = _misses(outer, allowed, build.limits.coil_bind_margin_mm)
    seat, full = (seat - cam.seat_load_n), (full - cam.open_load_n)
    if inner is None:
        inner_seat, inner_full = (np.zeros((len(seat), 1, len(choices))) for _ in range(2))
        inner_uses = np.array([valves])
    else:
        inner_seat, inner_full = _misses(inner, allowed, build.limits.coil_bind_margin_mm)
        inner_uses = np.ones(len(bench.inners), dtype=np.intp)
    blocks = SquaredMisses(
        seat / cam.seat_tolerance_n,
        full / cam.open_tolerance_n,
        inner_seat / cam.seat_tolerance_n,
        inner_full / cam.open_tolerance_n,
    )
    scarce = scarce_shims(build.shims, build.limits.max_shims, valves)
    uses = [[choice.shims_mm.count(shim.thickness_mm) for shim in scarce] for choice in choices]
    # A cut is more effort than all the shims there could be.
    a_cut = 1 + valves * build.limits.max_shims
    effort = [len(c.shims_mm) + (a_cut if c.seat_cut_mm > 0.0 else 0) for c in choices]
    return ThreeIndexProblem(
        blocks=blocks,
        wanted=bench.wanted,
        inner_uses=inner_uses,
        uses=np.array(uses, dtype=float).reshape(len(choices), len(scarce)),
        stock=np.array([shim.count for shim in scarce], dtype=float),
        effort=np.array(effort, dtype=float),
    )


class SquaredMisses(Sequence[Array]):
    """A problem's blocks, made anew when asked: (outer + inner)^2 shut plus the same open.

    Args:
        seat, full: the outer's load less the card's, over the tolerance, (K, O, S); NaN where
            it isn't allowed.
        inner_seat, inner_full: the inner's load over the tolerance, (K, I, S).
    """

    def __init__(self, seat: Array, full: Array, inner_seat: Array, inner_full: Array) -> None:
        self._outer = seat, full
        self._inner = inner_seat, inner_full

    def __len__(self) -> int:
        return len(self._outer[0])

    @overload
    def __getitem__(self, index: int) -> Array: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Array]: ...
    def __getitem__(self, index: int | slice) -> Array | Sequence[Array]:
        if isinstance(index, slice):
            return [self[each] for each in range(*index.indices(len(self)))]
        (seat, full), (inner_seat, inner_full) = self._outer, self._inner
        block: Array = np.square(seat[index][:, None, :] + inner_seat[index][None, :, :])
        block += np.square(full[index][:, None, :] + inner_full[index][None, :, :])
        block[np.isnan(block)] = np.inf
        return block


def _misses(loads: LoadTable, allowed: Sequence[int], limit_mm: float) -> tuple[Array, Array]:
    """Loads over some of the choices; NaN where a spring is too near to coil bind."""
    at = np.asarray(allowed, dtype=np.intp)
    near = loads.margin_mm[..., at] < limit_mm - ROUNDING  # an unknown margin is not
    return (
        np.where(near, np.nan, loads.seat_n[..., at]),
        np.where(near, np.nan, loads.open_n[..., at]),
    )


def _level(
    bench: AssignmentBench, effort: Effort, allowed: Sequence[int], solution: Solution
) -> Level:
    """Give each pick to a valve of its height, in the order of the valves and of the springs."""
    waiting: dict[int, list[Pick]] = {place: [] for place in range(len(bench.heights_mm))}
    for pick in solution.picks:
        waiting[pick.place].append(pick)
    plans: list[ValvePlan] = []
    for valve in bench.valves if solution.picks else ():
        place = int(np.argmin(np.abs(bench.heights_mm - valve.height_mm)))
        pick = waiting[place].pop(0)
        plans.append(_plan(bench, valve, pick, allowed[pick.stack]))
    outers, inners = {p.outer for p in solution.picks}, {p.inner for p in solution.picks}
    spares = [spring for index, spring in enumerate(bench.outers) if index not in outers]
    spares += [spring for index, spring in enumerate(bench.inners) if index not in inners]
    return Level(
        effort,
        solution.status,
        solution.objective,
        solution.bound,
        tuple(plans),
        tuple(spares) if plans else (),
    )


def _plan(bench: AssignmentBench, valve: Valve, pick: Pick, choice: int) -> ValvePlan:
    cam, under = bench.build.cam, bench.choices[choice]
    outer, inner = bench.outers[pick.outer], None
    placed = [(outer, valve.height_mm + under.height_change_mm)]
    if bench.inners:
        inner = bench.inners[pick.inner]
        placed.append((inner, placed[0][1] - bench.build.head.inner_offset_mm))
    seat = _together(bench, placed)
    full = _together(bench, [(spring, height - cam.valve_lift_mm) for spring, height in placed])
    margins_mm = [
        None if spring.solid_mm is None else height - cam.valve_lift_mm - spring.solid_mm
        for spring, height in placed
    ]
    known_mm = [margin for margin in margins_mm if margin is not None]
    return ValvePlan(
        valve=valve,
        outer=outer,
        inner=inner,
        choice=under,
        seat_n=seat.load_n,
        seat_u_n=seat.load_u_n,
        open_n=full.load_n,
        open_u_n=full.load_u_n,
        coil_bind_margin_mm=round(min(known_mm), 6) if len(known_mm) == len(placed) else None,
        fits=cam.fits(seat.load_n, full.load_n),
    )


def _together(bench: AssignmentBench, placed: Sequence[tuple[Candidate, float]]) -> Load:
    """Load of springs in parallel, where all were read."""
    readings = [read_load(spring.curve, height_mm, bench.loads) for spring, height_mm in placed]
    return parallel_load([load_of(reading) for reading in readings if reading is not None])
