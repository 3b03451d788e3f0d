"""Which spring and which shims on which valve: the closest build to the card, proven. Pure.

The sum over the valves of ((seat - target)/tolerance)^2 + ((open - target)/tolerance)^2 is
made least. Outer and inner act in parallel, so a valve's loads are sums, and what an outer is
worth depends on its inner, the shims and the valve's height: a three-index assignment with a
stock of shims (see three_index.py).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.engine.build_file import ROUNDING, BuildFile, Cam
from coilbench.analysis.engine.placed import Load, SetCurves, parallel_load
from coilbench.analysis.engine.reasons import (
    Assumption,
    Obstacle,
    SolidUnknown,
    SpringHeight,
    ValvesAssumed,
)
from coilbench.analysis.engine.shims import (
    EFFORTS,
    ROLES,
    Effort,
    Role,
    SeatChoice,
    SeatOptions,
    height_errors,
)
from coilbench.analysis.engine.three_index import Array, Index, Status, ThreeIndexProblem

Loads = dict[tuple[int, float], Load | None]  # by id of the curve and height


@dataclass(frozen=True)
class Valve:
    """A valve and the outer's installed height there."""

    name: str
    height_mm: float


@dataclass(frozen=True)
class Candidate:
    """A spring that may be used; its name says its set too where labels alone don't differ."""

    name: str
    springs: SetCurves
    curve: SpringCurve

    @property
    def solid_mm(self) -> float | None:
        """Its solid height, else the highest known of its set, else None."""
        return self.springs.solid_of_mm(self.curve)


@dataclass(frozen=True)
class _LoadTable:
    """Springs at their heights, arrays of shape (heights, springs, choices).

    Attributes:
        seat_n, open_n: loads with the valve shut and at full lift; NaN where not measured.
        margin_mm: open height less solid height; NaN where that isn't known.
    """

    seat_n: Array
    open_n: Array
    margin_mm: Array

    def misses(
        self, allowed: Sequence[int], limit_mm: float, cams: Sequence[Cam], share: float
    ) -> tuple[Array, Array]:
        """Return loads less a share of the card's over the tolerances, place by place.

        NaN where a spring is near coil bind.
        """
        at = np.asarray(allowed, dtype=np.intp)
        near = self.margin_mm[..., at] < limit_mm - ROUNDING  # an unknown margin is not
        seat, full = (
            np.array(each)[:, :, None, None]
            for each in (
                [(cam.seat_load_n, cam.seat_tolerance_n) for cam in cams],
                [(cam.open_load_n, cam.open_tolerance_n) for cam in cams],
            )
        )
        return (
            np.where(near, np.nan, self.seat_n[..., at] - share * seat[:, 0]) / seat[:, 1],
            np.where(near, np.nan, self.open_n[..., at] - share * full[:, 0]) / full[:, 1],
        )

    def taken_as_read(self) -> _LoadTable:
        """Return it with a load of 0 where none was measured."""
        seat_n, open_n = np.nan_to_num(self.seat_n), np.nan_to_num(self.open_n)
        return _LoadTable(seat_n, open_n, self.margin_mm)


@dataclass(frozen=True)
class AssignmentBench:
    """Everything an assignment chooses from.

    Attributes:
        valves: as the build file lists them.
        outers, inners: the springs; no inners for single springs.
        loads: readings made before; new ones are added to it.
        choices: every stack of shims that can be of use, then every cut.
        heights_mm: shape (K,), the places: an installed height and a card, ascending in height.
        cams: of each place.
        wanted: shape (K,), how many valves stand at each.
        outer_loads, inner_loads: (K, O, S) and (K, I, S).
    """

    build: BuildFile
    valves: tuple[Valve, ...]
    outers: tuple[Candidate, ...]
    inners: tuple[Candidate, ...]
    loads: Loads
    choices: tuple[SeatChoice, ...]
    heights_mm: Array
    cams: tuple[Cam, ...]
    wanted: Index
    outer_loads: _LoadTable
    inner_loads: _LoadTable | None

    @classmethod
    def lay_out(
        cls,
        build: BuildFile,
        valves: tuple[Valve, ...],
        outers: tuple[Candidate, ...],
        inners: tuple[Candidate, ...],
        loads: Loads,
    ) -> AssignmentBench:
        """Read every spring at every height it may have; there is at least one valve."""
        choices = SeatOptions.of(build, len(valves)).mixed()
        counts = Counter((round(v.height_mm, 6), build.cam_of(v.name)) for v in valves)
        places = sorted(counts, key=lambda place: (place[0], place[1].side or ""))
        heights, cams = np.array([height for height, _ in places]), tuple(cam for _, cam in places)
        wanted = np.array([counts[place] for place in places])

        def table(springs: Sequence[Candidate], role: Role, offset_mm: float) -> _LoadTable:
            changes = np.array([choice.change_mm(role) - offset_mm for choice in choices])
            return _load_table(springs, heights[:, None] + changes[None, :], cams, loads)

        inner_loads = table(inners, "inner", build.head.inner_offset_mm) if inners else None
        shared = (build, valves, outers, inners, loads, choices, heights, cams, wanted)
        return cls(*shared, table(outers, "outer", 0.0), inner_loads)

    def with_limits(self, build: BuildFile, *, taken_as_read: bool) -> AssignmentBench:
        """Return it with other limits, and with a load of 0 where none was measured."""
        laid = self.lay_out(build, self.valves, self.outers, self.inners, self.loads)
        if not taken_as_read:
            return laid
        inner = None if laid.inner_loads is None else laid.inner_loads.taken_as_read()
        return replace(laid, outer_loads=laid.outer_loads.taken_as_read(), inner_loads=inner)

    def allowed(self, effort: Effort) -> tuple[int, ...]:
        """Return which of the choices a level of effort may use."""
        return tuple(index for index, choice in enumerate(self.choices) if choice.allowed(effort))

    def problem(self, allowed: Sequence[int]) -> ThreeIndexProblem:
        """Put it as a three-index problem over some of its choices."""
        build, choices = self.build, [self.choices[i] for i in allowed]
        valves, limit_mm = len(self.valves), self.build.limits.coil_bind_margin_mm
        outer = self.outer_loads.misses(allowed, limit_mm, self.cams, 1.0)
        if self.inner_loads is None:
            inner = (np.zeros((len(self.heights_mm), 1, len(choices))),) * 2
            inner_uses = np.array([valves])
        else:
            inner = self.inner_loads.misses(allowed, limit_mm, self.cams, 0.0)
            inner_uses = np.ones(len(self.inners), dtype=np.intp)
        scarce = SeatOptions.of(build, valves).scarce
        uses = [[choice.uses(shim) for shim in scarce] for choice in choices]
        # A cut can't be undone: it is more effort than all the shims there could be.
        a_cut = 1 + valves * build.limits.max_shims
        effort = [c.count + (a_cut if c.seat_cut_mm > 0.0 else 0) for c in choices]
        return ThreeIndexProblem(
            costs=_squared_misses(*outer, *inner),
            wanted=self.wanted,
            inner_uses=inner_uses,
            uses=np.array(uses, dtype=float).reshape(len(choices), len(scarce)),
            stock=np.array([shim.count for shim in scarce], dtype=float),
            effort=np.array(effort, dtype=float),
        )

    def levels(self, time_limit_s: float) -> tuple[Level, ...]:
        """Solve every level of effort: without shims, with shims, with shims and cuts."""
        levels: list[Level] = []
        solved: dict[tuple[int, ...], Level] = {}
        for effort in EFFORTS:
            allowed = self.allowed(effort)
            if allowed not in solved:
                solved[allowed] = _level(self, effort, allowed, time_limit_s)
            levels.append(replace(solved[allowed], effort=effort))
        return tuple(levels)

    def fillable(self, effort: Effort) -> bool:
        """Tell whether every valve can get springs, however far from the card."""
        problem = self.problem(self.allowed(effort))
        return problem.without_costs().solve().picks != ()

    def unread(self) -> Iterator[SpringHeight]:
        """Yield the springs that were not read without shim or cut, and where."""
        lifts_mm = np.array([cam.valve_lift_mm for cam in self.cams])
        groups = [(self.outers, self.outer_loads, 0.0)]
        if self.inner_loads is not None:
            groups.append((self.inners, self.inner_loads, self.build.head.inner_offset_mm))
        for springs, table, offset_mm in groups:
            for index, spring in enumerate(springs):
                for loads_n, drop_mm in ((table.seat_n, 0.0 * lifts_mm), (table.open_n, lifts_mm)):
                    missing = (self.heights_mm - drop_mm)[np.isnan(loads_n[:, index, 0])]
                    if missing.size:
                        height_mm = round(float(missing.min()) - offset_mm, 6)
                        yield SpringHeight(spring.name, height_mm)

    def assumptions(self) -> Iterator[Assumption]:
        """Yield what was assumed about the valves and the solid heights."""
        head = self.build.head
        if not head.valve_heights_mm:
            yield ValvesAssumed(len(self.valves), head.valve_count is None)
        unknown = {s.springs.name for s in (*self.outers, *self.inners) if s.solid_mm is None}
        if unknown:
            yield SolidUnknown(tuple(sorted(unknown)))


def _squared_misses(
    seat: Array, full: Array, inner_seat: Array, inner_full: Array
) -> Callable[[int], Array]:
    """Return a problem's costs: (outer + inner)^2 shut plus the same at full lift.

    Args:
        seat, full: the outer's load less the card's, over the tolerance, (K, O, S); NaN where
            it isn't allowed.
        inner_seat, inner_full: the inner's load over the tolerance, (K, I, S).
    """

    def costs(place: int) -> Array:  # computed each time, to save memory
        block: Array = np.square(seat[place][:, None, :] + inner_seat[place][None, :, :])
        block += np.square(full[place][:, None, :] + inner_full[place][None, :, :])
        block[np.isnan(block)] = np.inf
        return block

    return costs


def _read_load(curve: SpringCurve, height_mm: float, loads: Loads) -> Load | None:
    """Read a load, once for each height; None where it wasn't measured."""
    key = id(curve), round(height_mm, 6)
    if key not in loads:
        try:
            loads[key] = Load.of(curve.load_at(key[1]))
        except HeightNotMeasured:
            loads[key] = None
    return loads[key]


def _load_table(
    springs: Sequence[Candidate], heights_mm: Array, cams: Sequence[Cam], loads: Loads
) -> _LoadTable:
    places, choices = heights_mm.shape
    seat, full, margin = (np.full((places, len(springs), choices), np.nan) for _ in range(3))
    for index, spring in enumerate(springs):
        for at, height_mm in np.ndenumerate(heights_mm):
            place, choice = at
            open_mm = height_mm - cams[place].valve_lift_mm
            for table, read_at_mm in ((seat, height_mm), (full, open_mm)):
                load = _read_load(spring.curve, float(read_at_mm), loads)
                table[place, index, choice] = math.nan if load is None else load.load_n
        if spring.solid_mm is not None:
            lifts_mm = np.array([cam.valve_lift_mm for cam in cams])
            margin[:, index, :] = heights_mm - lifts_mm[:, None] - spring.solid_mm
    return _LoadTable(seat, full, margin)


@dataclass(frozen=True)
class ValvePlan:
    """One valve of an assignment.

    Attributes:
        outer, inner: the springs; inner is None for single springs.
        seat, open: loads, outer and inner together, valve shut and at full lift.
        coil_bind_margin_mm: the smaller of both springs'; None where a solid height isn't known.
    """

    valve: Valve
    outer: Candidate
    inner: Candidate | None
    choice: SeatChoice
    seat: Load
    open: Load
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
        return sum(plan.choice.count for plan in self.valves)

    @property
    def cuts(self) -> int:
        """How many seats are cut."""
        return sum(plan.choice.seat_cut_mm > 0.0 for plan in self.valves)

    @property
    def valves_that_fit(self) -> int:
        """How many valves are inside the card's tolerances."""
        return sum(plan.fits for plan in self.valves)


@dataclass(frozen=True)
class Assignment:
    """What was found for a build file.

    Attributes:
        effort: the level asked for.
        valves: as the build file lists them.
        levels: every level, least effort first.
        reasons: why there is no assignment; empty where there is one.
        assumptions: about valves and solid heights.
    """

    build: BuildFile
    effort: Effort
    valves: tuple[Valve, ...]
    levels: tuple[Level, ...]
    reasons: tuple[Obstacle, ...]
    assumptions: tuple[Assumption, ...]

    @property
    def chosen(self) -> Level:
        """The level asked for."""
        return self.levels[EFFORTS.index(self.effort)]


def _level(
    bench: AssignmentBench, effort: Effort, allowed: Sequence[int], time_limit_s: float
) -> Level:
    """Give each pick to a valve of its height, in the order of the valves and of the springs."""
    solution = bench.problem(allowed).solve(time_limit_s)
    waiting = [
        [pick for pick in solution.picks if pick.place == place]
        for place in range(len(bench.heights_mm))
    ]
    places = list(zip(bench.heights_mm.tolist(), bench.cams, strict=True))
    plans: list[ValvePlan] = []
    for valve in bench.valves if solution.picks else ():
        place = places.index((round(valve.height_mm, 6), bench.build.cam_of(valve.name)))
        pick = waiting[place].pop(0)
        plans.append(_plan(bench, valve, (pick.outer, pick.inner), allowed[pick.stack]))
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


def _plan(bench: AssignmentBench, valve: Valve, springs: tuple[int, int], choice: int) -> ValvePlan:
    build, cam, under = bench.build, bench.build.cam_of(valve.name), bench.choices[choice]
    outer, inner = bench.outers[springs[0]], None
    placed = [(outer, valve.height_mm + under.change_mm("outer"))]
    if bench.inners:
        inner, offset_mm = bench.inners[springs[1]], build.head.inner_offset_mm
        placed.append((inner, valve.height_mm + under.change_mm("inner") - offset_mm))
    errors = [height_errors(build, under, role) for role in ROLES]
    seat, full = (
        parallel_load(
            Load.of(each.curve.load_at(round(mm - lift_mm, 6)), unsure)
            for (each, mm), unsure in zip(placed, errors, strict=False)
        )
        for lift_mm in (0.0, cam.valve_lift_mm)
    )
    if seat is None or full is None:
        raise ValueError("a spring was chosen that was not read")
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
        seat=seat,
        open=full,
        coil_bind_margin_mm=round(min(known_mm), 6) if len(known_mm) == len(placed) else None,
        fits=cam.fits(seat.load_n, full.load_n),
    )
