"""Which spring and which shims on which valve: the closest build to the card, proven. Pure.

The sum over the valves of ((seat - target)/tolerance)^2 + ((open - target)/tolerance)^2 is
made least. What an outer is worth depends on its inner, the shims and the valve's height: a
three-index assignment (see three_index_search.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Literal

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.analysis.choices import EFFORTS, Effort
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.loads import Load, parallel_load
from coilbench.analysis.engine.placed import inside_card
from coilbench.analysis.engine.reasons import (
    Assumption,
    Inside,
    LooksTaken,
    Need,
    Obstacle,
    ValvesAssumed,
)
from coilbench.analysis.engine.shims import Role, SeatChoice, SeatOptions
from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.three_index import (
    GAP,
    Array,
    Solution,
    Status,
    ThreeIndexProblem,
)
from coilbench.analysis.engine.valve_loads import (
    Candidate,
    EndLoads,
    LoadTable,
    Place,
    Readings,
    Standing,
    Valve,
    places_of,
)

Solve = Callable[[ThreeIndexProblem, Solving | None], Solution]


class AssignmentBench(msgspec.Struct, frozen=True):
    """Everything an assignment chooses from.

    Attributes:
        valves: as the build file lists them.
        outers, inners: the springs; no inners for single springs.
        readings: made before; new ones are added to it.
        solve: solves its problems.
        choices: every stack of shims that can be of use, then every cut.
        places: where valves stand, with the valves of each.
        outer, inner: their loads; no inner table for single springs.
    """

    build: BuildFile
    valves: tuple[Valve, ...]
    outers: tuple[Candidate, ...]
    inners: tuple[Candidate, ...]
    readings: Readings
    solve: Solve
    choices: tuple[SeatChoice, ...]
    places: dict[Place, list[int]]
    outer: LoadTable
    inner: LoadTable | None

    @classmethod
    def lay_out(
        cls,
        build: BuildFile,
        valves: tuple[Valve, ...],
        outers: tuple[Candidate, ...],
        inners: tuple[Candidate, ...],
        readings: Readings,
        solve: Solve,
    ) -> AssignmentBench:
        """Read every spring at every height it may have; there is at least one valve."""
        choices, places = SeatOptions.of(build, len(valves)).mixed(), places_of(valves)
        limit_mm = build.limits.coil_bind_margin_mm

        def read(springs: tuple[Candidate, ...], role: Role) -> LoadTable:
            standing = Standing.of(build, choices, role)
            return LoadTable.read(springs, places, standing, limit_mm, readings)

        outer, inner = read(outers, "outer"), read(inners, "inner") if inners else None
        return cls(build, valves, outers, inners, readings, solve, choices, places, outer, inner)

    def with_limits(self, build: BuildFile) -> AssignmentBench:
        """Return it with other limits."""
        return self.lay_out(build, self.valves, self.outers, self.inners, self.readings, self.solve)

    @property
    def tables(self) -> tuple[LoadTable, ...]:
        """The outers' table, and the inners' where there are any."""
        return (self.outer,) if self.inner is None else (self.outer, self.inner)

    def allowed(self, effort: Effort) -> tuple[int, ...]:
        """Return which of the choices a level of effort may use."""
        return tuple(index for index, choice in enumerate(self.choices) if choice.allowed(effort))

    def problem(self, allowed: Sequence[int], *, at_best: bool = False) -> ThreeIndexProblem:
        """Put it as a three-index problem over some of its choices.

        At best: each load that was not read as near to the card as it can be; otherwise a spring is
        not put where it was not read.
        """
        build, choices = self.build, [self.choices[i] for i in allowed]
        valves, inner_uses = len(self.valves), np.ones(len(self.inners), dtype=np.intp)
        scarce = SeatOptions.of(build, valves).scarce
        uses = [[choice.uses(shim) for shim in scarce] for choice in choices]
        a_cut = 1 + valves * build.limits.max_shims  # can't be undone: more than all shims
        effort = [c.count + (a_cut if c.seat_cut_mm > 0.0 else 0) for c in choices]
        return ThreeIndexProblem(
            costs=_costs(self, np.asarray(allowed, dtype=np.intp), at_best=at_best),
            wanted=np.array([len(valves) for valves in self.places.values()]),
            inner_uses=inner_uses if self.inners else np.array([valves]),
            uses=np.array(uses, dtype=float).reshape(len(choices), len(scarce)),
            stock=np.array([shim.count for shim in scarce], dtype=float),
            effort=np.array(effort, dtype=float),
        )

    def levels(self, solving: Solving, asked: Effort) -> tuple[Level, ...]:
        """Solve every level of effort, the one asked for first: it has the time.

        They are returned as EFFORTS has them: without shims, with shims, with shims and cuts.
        """
        solved: dict[tuple[int, ...], Level] = {}
        for effort in (asked, *EFFORTS):
            allowed = self.allowed(effort)
            if allowed not in solved:
                solved[allowed] = _level(self, effort, allowed, solving)
        return tuple(replace(solved[self.allowed(each)], effort=each) for each in EFFORTS)

    def fillable(self, effort: Effort, *, taken_as_read: bool = False) -> bool:
        """Tell whether every valve can get springs, however far from the card."""
        problem = self.problem(self.allowed(effort), at_best=taken_as_read)
        return self.solve(problem.without_costs(), None).picks != ()

    def unread(self, choices: Sequence[int]) -> Iterator[Need]:
        """Yield the readings that are missing over some choices."""
        for table in self.tables:
            for index in range(len(table.springs)):
                yield from table.needs(index, choices)

    def not_considered(self, allowed: Sequence[int]) -> int:
        """Count the choices of place, springs and what is under them that wait for a reading."""
        count = 0
        for at in range(len(self.places)):
            for choice in allowed:
                sides = [
                    (
                        int(np.sum(~table.barred[at, :, choice])),
                        int(np.sum(table.unread[at, :, choice])),
                    )
                    for table in self.tables
                ]
                every = [possible for possible, _ in sides]
                read = [possible - unread for possible, unread in sides]
                count += int(np.prod(every)) - int(np.prod(read))
        return count

    def assumptions(self) -> Iterator[Assumption]:
        """Yield what was assumed about the valves and the solid heights."""
        head = self.build.head
        if not head.valve_heights_mm:
            yield ValvesAssumed(len(self.valves), head.valve_count is None)
        for table in self.tables:
            yield from table.bind_unknown()
            yield from table.solid_contradicted()


def _costs(
    bench: AssignmentBench, allowed: NDArray[np.intp], *, at_best: bool
) -> Callable[[int], Array]:
    """Return a problem's costs: what both loads miss, in their tolerances, squared and summed."""
    places = list(bench.places)

    def pairs(at: int, name: str, end: str | None = None) -> Array:
        """Add one number of every outer and every inner (of flags: either's), (O, I, S)."""
        sides = [
            getattr(table if end is None else getattr(table, end), name)[at][:, allowed]
            for table in bench.tables
        ]
        first: Array = sides[0][:, None, :]
        return first if len(sides) == 1 else first + sides[1][None, :, :]

    def costs(at: int) -> Array:  # computed each time, to save memory
        cam, block = places[at].cam, np.zeros(())
        for end, card_n, tolerance_n in (
            ("seat", cam.seat_load_n, cam.seat_tolerance_n),
            ("open", cam.open_load_n, cam.open_tolerance_n),
        ):
            if at_best:
                below_n = pairs(at, "least_n", end) - card_n
                above_n = card_n - pairs(at, "most_n", end)
                miss_n = np.maximum(np.maximum(below_n, above_n), 0.0)
            else:
                miss_n = pairs(at, "load_n", end) - card_n
            block = block + np.square(miss_n / tolerance_n)
        out = pairs(at, "barred")
        return np.where(out if at_best else out + pairs(at, "unread"), np.inf, block)

    return costs


class ValvePlan(msgspec.Struct, frozen=True):
    """One valve of an assignment.

    Attributes:
        outer, inner: the springs; inner is None for single springs.
        seat, open: loads, outer and inner together, valve shut and at full lift.
        coil_bind_margin_mm: the smaller of both springs'; None where a solid height isn't known.
        margin_sure: whether the margin is kept by more than the height is unsure, or unknown; not
            where coils begin to close there.
        worst: what the loads' misses, squared and summed, may be, as springs may be shaped between
            the heights that were read.
    """

    valve: Valve
    outer: Candidate
    inner: Candidate | None
    choice: SeatChoice
    seat: Load
    open: Load
    coil_bind_margin_mm: float | None
    margin_sure: bool
    worst: float

    @property
    def verdict(self) -> Inside:
        """Whether both loads are inside the card's tolerances, and by more than they are unsure."""
        found = inside_card(self.valve.cam, self.seat, self.open)
        return "inside_unsure" if found == "inside" and not self.margin_sure else found

    @property
    def fits(self) -> bool:
        """Whether both loads are inside the card's tolerances, by value."""
        return self.verdict != "outside"


LevelStatus = Status | Literal["not_read"]


class Level(msgspec.Struct, frozen=True):
    """The best that one level of effort gives.

    Attributes:
        status: of the solution, see `Solution`; `not_read` where there is none before more is read.
        objective: the sum over the valves.
        bound: what no choice can be below, those not read at their best.
        valves, spares: as listed, empty where nothing was found; the springs that aren't used.
        not_considered: how many choices of place, springs and what is under them were left out
            because a load was not read.
        needs: the readings that could change the answer, the most promising first.
        read_exactly, looked_at: where sets were chosen out of the whole book, springs of judged
            ones, and others, only looked at; the bound is over them at their best, too.
        looks: how near that is taken to be; None where none counts.
    """

    effort: Effort
    status: LevelStatus
    objective: float | None = None
    bound: float | None = None
    valves: tuple[ValvePlan, ...] = ()
    spares: tuple[Candidate, ...] = ()
    not_considered: int = 0
    needs: tuple[Need, ...] = ()
    read_exactly: int = 0
    looked_at: int = 0
    looks: LooksTaken | None = None

    @property
    def proven(self) -> bool:
        """Whether nothing that was left out could come nearer to the card, even at its best."""
        if self.status != "optimal" or self.bound is None or self.objective is None:
            return False
        worst = math.fsum(plan.worst for plan in self.valves)
        surely = self.looks is None or self.looks.sure
        return surely and worst - self.bound <= 2.0 * GAP * max(self.objective, 1.0)

    @property
    def gap(self) -> float | None:
        """What the objective is above the bound at most; None where one isn't known."""
        if self.objective is None or self.bound is None:
            return None
        return max(self.objective - self.bound, 0.0)

    @property
    def shims(self) -> int:
        """How many shims it takes."""
        return sum(plan.choice.count for plan in self.valves)

    @property
    def cuts(self) -> int:
        """How many seats are cut."""
        return sum(plan.choice.seat_cut_mm > 0.0 for plan in self.valves)

    def count(self, verdict: Inside) -> int:
        """Count the valves of a verdict."""
        return sum(plan.verdict == verdict for plan in self.valves)

    @property
    def valves_that_fit(self) -> int:
        """How many valves are inside the card's tolerances, by value."""
        return sum(plan.fits for plan in self.valves)

    @property
    def spread_n(self) -> tuple[float, float] | None:
        """The largest load less the smallest over the valves of a cam, shut and at full lift."""
        if not self.valves:
            return None
        spreads = []
        for cam in {plan.valve.cam for plan in self.valves}:
            own = [plan for plan in self.valves if plan.valve.cam == cam]
            seat_n, open_n = [p.seat.load_n for p in own], [p.open.load_n for p in own]
            spreads.append((max(seat_n) - min(seat_n), max(open_n) - min(open_n)))
        return max(s for s, _ in spreads), max(o for _, o in spreads)


class Assignment(msgspec.Struct, frozen=True):
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
    bench: AssignmentBench, effort: Effort, allowed: Sequence[int], solving: Solving
) -> Level:
    """Solve a level, and again with what was not read at its best: that bounds what it may hide."""
    solution = bench.solve(bench.problem(allowed), solving)
    plans = tuple(_plans(bench, solution, allowed))
    level = Level(effort, solution.status, solution.objective, solution.bound, plans)
    if plans:
        outers, inners = {p.outer for p in solution.picks}, {p.inner for p in solution.picks}
        spares = [spring for index, spring in enumerate(bench.outers) if index not in outers]
        spares += [spring for index, spring in enumerate(bench.inners) if index not in inners]
        level = replace(level, spares=tuple(s for s in spares if s.curve is not None))
    left_out = bench.not_considered(allowed)
    if not left_out and all(table.exact for table in bench.tables):
        return level
    at_best = bench.solve(bench.problem(allowed, at_best=True), solving)
    level = replace(level, bound=at_best.bound, not_considered=left_out)
    if solution.status == "infeasible" and at_best.status != "infeasible":
        level = replace(level, status="not_read")
    if level.proven or level.status == "infeasible":
        return level
    return replace(level, needs=tuple(_needs(bench, (at_best, solution), allowed)))


def _needs(
    bench: AssignmentBench, solutions: Sequence[Solution], allowed: Sequence[int]
) -> Iterator[Need]:
    """Yield what solutions take for granted, each reading once: what was not read at all first."""
    unread: dict[Need, None] = {}
    between: dict[Need, None] = {}
    for pick in (pick for solution in solutions for pick in solution.picks):
        choice = allowed[pick.stack]
        for table, index in zip(bench.tables, (pick.outer, pick.inner), strict=False):
            unread.update(dict.fromkeys(table.needs(index, [choice], pick.place)))
            between.update(dict.fromkeys(table.shape_needs(index, choice, pick.place)))
    yield from {**unread, **between} or dict.fromkeys(bench.unread(allowed))


def _plans(
    bench: AssignmentBench, solution: Solution, allowed: Sequence[int]
) -> Iterator[ValvePlan]:
    """Give each pick to a valve of its place, in the order of the valves and of the springs."""
    waiting = [
        [pick for pick in solution.picks if pick.place == at] for at in range(len(bench.places))
    ]
    place_of = {valve: at for at, those in enumerate(bench.places.values()) for valve in those}
    for number, valve in enumerate(bench.valves if solution.picks else ()):
        at = place_of[number]
        pick = waiting[at].pop(0)
        choice = allowed[pick.stack]
        springs = list(zip(bench.tables, (pick.outer, pick.inner), strict=False))
        seat, full = (
            parallel_load(_load(getattr(table, end), at, index, choice) for table, index in springs)
            for end in ("seat", "open")
        )
        if seat is None or full is None:
            raise ValueError("a spring was chosen that was not read")
        margins_mm = [float(table.margin_mm[at, index, choice]) for table, index in springs]
        yield ValvePlan(
            valve=valve,
            outer=bench.outers[pick.outer],
            inner=bench.inners[pick.inner] if bench.inners else None,
            choice=bench.choices[choice],
            seat=seat,
            open=full,
            coil_bind_margin_mm=None if np.isnan(margins_mm).any() else round(min(margins_mm), 6),
            margin_sure=all(
                bool(t.margin_kept[at, i, choice]) and not t.closing(at, i, choice)
                for t, i in springs
            ),
            worst=math.fsum(
                _worst_miss(springs, end, at, choice, card_n) / tolerance_n**2
                for end, card_n, tolerance_n in (
                    ("seat", valve.cam.seat_load_n, valve.cam.seat_tolerance_n),
                    ("open", valve.cam.open_load_n, valve.cam.open_tolerance_n),
                )
            ),
        )


def _worst_miss(
    springs: Sequence[tuple[LoadTable, int]], end: str, at: int, choice: int, card_n: float
) -> float:
    """Return how far a valve's load may be from the card's, squared."""
    least_n, most_n = (
        math.fsum(getattr(getattr(table, end), name)[at, index, choice] for table, index in springs)
        for name in ("least_n", "most_n")
    )
    return max(abs(least_n - card_n), abs(most_n - card_n)) ** 2


def _load(loads: EndLoads, *where: int) -> Load:
    return Load(*(float(x[where]) for x in (loads.load_n, loads.own_u_n, loads.common_u_n)))
