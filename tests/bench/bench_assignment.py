"""How long a proven assignment takes: against the plain programme, brute force, and as it grows.

    python tests/bench/bench_assignment.py             all tables, some minutes
    python tests/bench/bench_assignment.py --limit 60  time limit of the plain programme in s

Simulated springs from fixed seeds: outers and inners whose rate scatters by 3 % and whose free
length by 0.3 mm (k = 1), valves whose heights scatter by 0.15 mm, three thicknesses of shims, up
to two under a valve (10 stacks). "plain" is the textbook programme, one binary for each valve,
outer, inner and stack, given whole to the same HiGHS through SciPy with the same gap; "ours" is
engine.three_index_search. Both have the same costs. A programme stopped by the limit shows the
gap that was left; its ratio is a lower limit then.

The last table: of the instances of Balas and Saltzman (Oper. Res. 39, 1991) how many a pairing in
two stages solves: outers to valves by their best inner, then inners, both by SciPy's exact
two-index assignment.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, linear_sum_assignment, milp
from scipy.sparse import coo_array

from coilbench.analysis.engine.three_index import Array, Solution, ThreeIndexProblem
from coilbench.analysis.engine.three_index_search import solve

THICKNESSES_MM = (0.25, 0.5, 1.0)
STACKS_MM = [
    stack
    for size in range(3)
    for stack in itertools.combinations_with_replacement(THICKNESSES_MM, size)
]
LIFT_MM, SEAT_TOLERANCE_N, OPEN_TOLERANCE_N = 10.2, 20.0, 30.0
OUTER_RATE, INNER_RATE = 22.0, 11.0  # N/mm
DATA = Path(__file__).parents[1] / "data" / "balas_saltzman_3d.csv"


class Case(NamedTuple):
    """One size; stock is shims of each thickness, spread how unlike the springs are, k = 1."""

    valves: int
    outers: int
    inners: int
    stock: int | None = None
    stacks: int = len(STACKS_MM)
    spread: float = 1.0

    @property
    def name(self) -> str:
        stock = "" if self.stock is None else f", {self.stock} of each shim"
        return f"{self.valves} x {self.outers} x {self.inners} x {self.stacks}{stock}"


def _squared_misses(
    seat: Array, full: Array, inner_seat: Array, inner_full: Array
) -> Callable[[int], Array]:
    """The costs of places: (outer + inner)^2 shut plus the same at full lift, in tolerances."""

    def costs(at: int) -> Array:
        shut = seat[at][:, None, :] + inner_seat[at][None, :, :]
        return np.square(shut) + np.square(full[at][:, None, :] + inner_full[at][None, :, :])

    return costs


def draw(case: Case, seed: int) -> ThreeIndexProblem:
    """Springs on a shelf, as a three-index problem."""
    rng = np.random.default_rng([seed, case.valves, case.outers, case.inners])
    stacks = STACKS_MM[: case.stacks]
    heights = 39.0 + 0.15 * rng.standard_normal(case.valves)
    at_mm = heights[:, None] - np.array([sum(stack) for stack in stacks])[None, :]
    loads = []
    for count, rate, free_mm, offset_mm in (
        (case.outers, OUTER_RATE, 53.0, 0.0),
        (case.inners, INNER_RATE, 49.0, 2.0),
    ):
        rates = rate * (1.0 + 0.03 * case.spread * rng.standard_normal(count))
        frees = free_mm + 0.3 * case.spread * rng.standard_normal(count)
        pressed = frees[None, :, None] - (at_mm - offset_mm)[:, None, :]
        loads.append((rates[None, :, None] * pressed, rates[None, :, None] * (pressed + LIFT_MM)))
    seat_n = OUTER_RATE * 14.6 + INNER_RATE * 12.6
    open_n = seat_n + (OUTER_RATE + INNER_RATE) * LIFT_MM
    (seat, full), (inner_seat, inner_full) = loads
    scarce = case.stock is not None
    uses = [[stack.count(thick) for thick in THICKNESSES_MM] for stack in stacks]
    return ThreeIndexProblem(
        costs=_squared_misses(
            (seat - seat_n) / SEAT_TOLERANCE_N,
            (full - open_n) / OPEN_TOLERANCE_N,
            inner_seat / SEAT_TOLERANCE_N,
            inner_full / OPEN_TOLERANCE_N,
        ),
        wanted=np.ones(case.valves, dtype=np.intp),
        inner_uses=np.ones(case.inners, dtype=np.intp),
        uses=np.array(uses, dtype=float) if scarce else np.zeros((len(stacks), 0)),
        stock=np.full(len(THICKNESSES_MM) if scarce else 0, float(case.stock or 0)),
        effort=np.zeros(len(stacks)),
    )


def plain(problem: ThreeIndexProblem, limit_s: float) -> OptimizeResult:
    """The textbook programme: every valve, outer, inner and stack a binary."""
    costs = np.stack([problem.costs(place) for place in range(len(problem.wanted))])
    places, outers = costs.shape[:2]
    place, outer, inner, stack = (axis.ravel() for axis in np.indices(costs.shape))
    at = np.arange(costs.size)
    ones = np.ones(costs.size)
    fill = coo_array((ones, (place, at)), shape=(places, costs.size)).tocsr()
    rows = np.concatenate([outer, outers + inner])
    once = coo_array((np.tile(ones, 2), (rows, np.tile(at, 2)))).tocsr()
    constraints = [LinearConstraint(fill, 1.0, 1.0), LinearConstraint(once, -np.inf, 1.0)]
    if len(problem.stock):
        shims = problem.uses[stack].T
        constraints.append(LinearConstraint(shims, -np.inf, problem.stock))
    return milp(
        costs.ravel(),
        constraints=constraints,
        integrality=np.ones(costs.size, dtype=np.int8),
        bounds=Bounds(0.0, 1.0),
        options={"mip_rel_gap": 0.0, "time_limit": limit_s},
    )


def brute_force(problem: ThreeIndexProblem) -> float:
    """Every outer and inner on every valve, each over its best stack (the stock must not bind)."""
    costs = np.stack([problem.costs(place) for place in range(len(problem.wanted))]).min(axis=3)
    places, outers, inners = costs.shape
    at = np.arange(places)
    others = np.array(list(itertools.permutations(range(inners), places)))
    return min(
        float(costs[at, list(some), others].sum(axis=1).min())
        for some in itertools.permutations(range(outers), places)
    )


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def ours(problem: ThreeIndexProblem) -> tuple[float, Solution]:
    return timed(lambda: solve(problem))


def against_plain(limit_s: float) -> None:
    print("valves x outers x inners x stacks          seed  ours s    gap    plain s   plain/ours")
    cases = [
        Case(4, 6, 6),
        Case(8, 12, 12),
        Case(16, 24, 24),
        Case(16, 24, 24, stock=4),
        Case(16, 24, 24, stacks=1),
        Case(16, 16, 16),
    ]
    for case, seed in itertools.product(cases, range(2)):
        problem = draw(case, seed)
        our_s, solution = ours(problem)
        assert solution.objective is not None
        assert solution.bound is not None
        gap = solution.objective - solution.bound
        plain_s, answer = timed(lambda problem=problem: plain(problem, limit_s))
        verdict = _plain_verdict(answer, solution.objective)
        over = "" if answer.status == 0 else "> "
        print(
            f"{case.name:42} {seed:4}  {our_s:6.2f}  {gap:.0e}  {plain_s:7.1f}   "
            f"{over}{plain_s / our_s:.0f}   {solution.status}, {verdict}",
            flush=True,
        )


def _plain_verdict(answer: OptimizeResult, objective: float) -> str:
    if answer.x is None:
        return "plain found nothing"
    if answer.status == 0:
        return f"plain's optimum less ours {answer.fun - objective:+.1e}"
    return f"plain's best less ours {answer.fun - objective:+.1e}, gap left {answer.mip_gap:.0%}"


def against_brute_force() -> None:
    print("\nvalves x outers x inners x stacks   ours s   brute force s   ratio   difference")
    for case in (Case(3, 4, 4), Case(4, 5, 5), Case(4, 6, 6), Case(5, 6, 6), Case(5, 7, 7)):
        problem = draw(case, 0)
        our_s, solution = ours(problem)
        brute_s, least = timed(lambda problem=problem: brute_force(problem))
        assert solution.objective is not None
        print(
            f"{case.name:34} {our_s:7.3f}  {brute_s:14.2f}  {brute_s / our_s:6.1f}   "
            f"{solution.objective - least:+.0e}",
            flush=True,
        )


def growth() -> None:
    print("\nvalves x outers x inners x stacks         binaries   ours s (three seeds)    status")
    for valves in (4, 8, 12, 16, 24, 32):
        springs = (3 * valves // 2, valves)  # half as many to spare, or none
        for count, stock in itertools.product(springs, (None, max(valves // 4, 1))):
            case = Case(valves, count, count, stock=stock)
            runs = [ours(draw(case, seed)) for seed in range(3)]
            binaries = valves * case.outers * case.inners * case.stacks
            times = " ".join(f"{seconds:7.2f}" for seconds, _ in runs)
            statuses = ", ".join(sorted({solution.status for _, solution in runs}))
            print(f"{case.name:40} {binaries:9}   {times}   {statuses}", flush=True)


def two_stages() -> None:
    print("\nBalas and Saltzman: size, instances, optima reached in two stages, mean excess, ours")
    found: dict[int, list[tuple[int, float, bool]]] = {}
    for line in DATA.read_text().splitlines():
        if line.startswith("#"):
            continue
        size, _, optimum, _, _, costs = line.split(",")
        count = int(size)
        block = np.array(costs.split(), dtype=float).reshape(count, count, count)
        staged = _in_two_stages(block)
        problem = ThreeIndexProblem(
            costs=block[..., None].__getitem__,
            wanted=np.ones(count, dtype=np.intp),
            inner_uses=np.ones(count, dtype=np.intp),
            uses=np.zeros((1, 0)),
            stock=np.zeros(0),
            effort=np.zeros(1),
        )
        exact = solve(problem).objective == int(optimum)
        excess = staged / int(optimum) - 1.0
        found.setdefault(count, []).append((staged == int(optimum), excess, exact))
    for size, rows in found.items():
        reached, excess, exact = (sum(column) for column in zip(*rows, strict=True))
        print(f"{size:4} {len(rows):10} {reached:10} {excess / len(rows):16.0%} {exact:12}")


def _in_two_stages(block: Array) -> float:
    """Second index to the first by the best third, then the third to the pairs."""
    first, second = linear_sum_assignment(block.min(axis=2))
    pairs = block[first, second, :]
    rows, third = linear_sum_assignment(pairs)
    return float(pairs[rows, third].sum())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--limit", type=float, default=120.0, help="seconds for a plain programme")
    limit_s = parser.parse_args().limit
    against_plain(limit_s)
    against_brute_force()
    growth()
    two_stages()


if __name__ == "__main__":
    main()
