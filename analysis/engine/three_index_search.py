"""The least sum of costs of a three-index problem, proven. Pure.

It is NP-hard, so no formula gives the optimum, but a bound and a search inside it do:

1. Prices on outers, inners and shims (the linear programme's duals) give a lower bound on every
   solution, and a reduced cost for every column: what the bound rises by if it is used. For any
   prices of 0 or less this Lagrangian bound holds, however they were found (Fisher, Management
   Science 27, 1981, from memory): a solver's rounding can make it weaker, never wrong.
2. Exchanges of springs give a solution near the best: of valves, outers and inners two are left
   together and the third is given anew, exactly, each in turn, until nothing gets better (the
   dimensionwise variation of Karapetyan and Gutin, Discrete Applied Mathematics 159, 2011, from
   memory). From there a few outers are exchanged at random, and what is no farther from the card
   is kept.
3. No column whose reduced cost is more than solution less bound can be part of a better one. So
   once all the others were in an integer programme, its optimum is the optimum.

Where all valves are alike it is not hard: with one place and shims enough each pair has its cost,
that over its best stack. What is left is the least cost of a flow through outers and inners, found
pair by pair along the shortest path of exchanges (Edmonds and Karp, Journal of the ACM 19, 1972,
from memory). The distances of the last one are prices that prove it. No programme is needed, nor
SciPy, which takes long to load.
"""

from __future__ import annotations

import math
from functools import partial

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.analysis.engine.programmes import Chosen, choose, relax
from coilbench.analysis.engine.solving import SAFETY_S, Solving
from coilbench.analysis.engine.three_index import (
    EFFORT_COST,
    GAP,
    Array,
    Columns,
    Index,
    Pick,
    Prices,
    Solution,
    ThreeIndexProblem,
)
from coilbench.capture.calibration.statistics import distinct

_NONE = -1
_ROUNDING = 1e-14  # of the dearest pair: what is nearer by less is not, else paths end in circles
KICKS = 80  # for each valve; ours
LARGEST_KICK = 8  # outers exchanged at a time
LARGEST_TABLE = 8_000_000  # places x outers x inners: above it no first solution is looked for
SEED = 0  # the same question has the same answer


def is_of_one_place(problem: ThreeIndexProblem) -> bool:
    """Tell whether its valves are all alike and shims are enough."""
    return len(problem.wanted) == 1 and not len(problem.stock)


def solution_of_one_place(problem: ThreeIndexProblem) -> tuple[Columns, Prices] | None:
    """Return the least sum of costs, with prices that prove it; None where it can't be filled."""
    block, valves = problem.block(0), int(problem.wanted[0])
    outers, inners, _ = block.shape
    costs = np.pad(block.min(axis=2), (0, 1), constant_values=np.inf)
    allowed = np.isfinite(costs)
    # a stand-in on either side, so dear that it is taken only where nothing else is left
    dearest = np.abs(costs[allowed]).max(initial=0.0)
    costs[-1, :-1] = costs[:-1, -1] = 1.0 + 2.0 * valves * dearest
    nobody = np.full(outers + 1, _NONE)
    flow = _Flow(costs, np.append(problem.inner_uses, 1), nobody, _ROUNDING * (1.0 + dearest))
    for _ in range(valves):
        if not flow.add():
            return None
    outer = np.flatnonzero(flow.inner_of[:-1] != _NONE)
    inner = flow.inner_of[outer]
    if len(outer) < valves or (inner == inners).any():
        return None
    stack = block[outer, inner].argmin(axis=1)
    place = np.zeros(valves, dtype=np.intp)
    best = Columns(place, outer, inner, stack, block[outer, inner, stack])
    return best, flow.prices(outers, inners)


class _Flow(msgspec.Struct, frozen=True):
    """Pairs chosen so far.

    Attributes:
        costs: shape (O, I); inf where a pair isn't allowed.
        uses: shape (I,), how often each inner may be used.
        inner_of: shape (O,), the inner of each outer, -1 for none.
        rounding: what costs less than this less costs the same.
    """

    costs: Array
    uses: Index
    inner_of: Index
    rounding: float

    def add(self) -> bool:
        """Add a pair along the shortest path, exchanging others; False where there is none."""
        _, to_inner, via = self._distances()
        inner = int(np.where(self._spare, to_inner, np.inf).argmin())
        if not np.isfinite(to_inner[inner]) or not self._spare[inner]:
            return False
        while inner != _NONE:
            outer = int(via[inner])
            self.inner_of[outer], inner = inner, int(self.inner_of[outer])
        return True

    def prices(self, outers: int, inners: int) -> Prices:
        """Return prices of so many outers and inners at which no other pairs cost less in all."""
        to_outer, to_inner, _ = self._distances(back=True)
        to_any = to_inner[self._spare].min()
        inner = np.minimum(to_inner - to_any, 0.0)
        return Prices(-np.maximum(to_outer[:outers], 0.0), inner[:inners], np.zeros(0))

    @property
    def _spare(self) -> NDArray[np.bool_]:
        """Whether an inner may be used once more, shape (I,)."""
        used = self.inner_of[self.inner_of != _NONE]
        return np.bincount(used, minlength=len(self.uses)) < self.uses

    def _distances(self, *, back: bool = False) -> tuple[Array, Array, Index]:
        """Return the least cost of reaching each outer and inner from a free outer by exchanges.

        Args:
            back: also by giving back a use of an inner for one of another.

        Returns:
            To the outers, to the inners, and the outer before each inner.
        """
        taken = np.flatnonzero(self.inner_of != _NONE)
        inner_of, spare = self.inner_of[taken], self._spare
        returned = self.costs[taken, inner_of]
        to_outer = np.where(self.inner_of == _NONE, 0.0, np.inf)
        to_inner = np.full(len(self.uses), np.inf)
        via = np.zeros(len(self.uses), dtype=np.intp)
        for _ in range(len(to_outer) + len(to_inner)):  # no path is longer
            through = to_outer[:, None] + self.costs
            before, least = through.argmin(axis=0), through.min(axis=0)
            if back:
                used = distinct(inner_of)
                least[used] = np.minimum(least[used], least[spare].min(initial=np.inf))
            nearer = least < to_inner - self.rounding
            if not nearer.any():
                break
            to_inner[nearer], via[nearer] = least[nearer], before[nearer]
            to_outer[taken] = np.minimum(to_outer[taken], to_inner[inner_of] - returned)
        return to_outer, to_inner, via


NO_SOLUTION = Solution("infeasible", (), None, None)
GIVEN_UP = Chosen("unknown", None, -np.inf)
FIRST_COLUMNS = 60  # for each place, to begin with
MORE_COLUMNS = 20  # for each place and round
FIRST_POOL = 16  # columns of each place in the first integer programme
WIDEST_POOL = 256  # as many as the first may have where a solution is known
GROWTH = 2
TOLERANCE = 1e-9
LEAST_S = 0.05  # for an integer programme whose time is out before it begins


def solve(problem: ThreeIndexProblem, solving: Solving | None = None) -> Solution:
    """Find the least sum of costs, and prove it; else the status says what is known."""
    solving = Solving() if solving is None else solving
    begun = _begun(problem, solving)
    if begun is None:
        outside = bool(np.isfinite(problem.least_outside).any())
        return Solution("unknown", (), None, 0.0) if outside else NO_SOLUTION
    return _search(problem, *begun, solving)


def _begun(problem: ThreeIndexProblem, solving: Solving) -> tuple[Columns | None, Prices] | None:
    """Return a solution if one was found, and prices; None where there is no solution, proven."""
    if is_of_one_place(problem):
        return solution_of_one_place(problem)
    start = _first_columns(problem)
    if start is None:
        return None
    prices = _best_prices(problem, start)
    return first_solution(problem, prices, solving), prices


class _Priced(msgspec.Struct, frozen=True):
    """Columns by what they would add to the bound.

    Attributes:
        bound: no solution costs less.
        columns: of each place those of least reduced cost.
        reduced: shape (n,), what the bound rises by if the column is used, 0 or more.
        complete_to: every column of the problem left out has a reduced cost of this or more; inf
            where none that is allowed was.
        outside: what is outside the problem has a reduced cost of this or more.
    """

    bound: float
    columns: Columns
    reduced: Array
    complete_to: float
    outside: float


def _price(
    problem: ThreeIndexProblem, prices: Prices, most: int, filler_cost: float = np.inf
) -> _Priced:
    """Price every column.

    Args:
        problem, prices: the prices any, 0 or less.
        most: how many columns of each place to return.
        filler_cost: cost of leaving a place empty; inf where that is not allowed.
    """
    supply = prices.outer.sum() + prices.inner @ problem.inner_uses + prices.shim @ problem.stock
    bound, complete_to, beyond = float(supply), np.inf, np.inf
    found, reduced = [], []
    for place, wanted in enumerate(problem.wanted):
        cost = problem.block(place)
        rest = (
            cost
            - prices.outer[:, None, None]
            - prices.inner[None, :, None]
            - (problem.uses @ prices.shim)[None, None, :]
        )
        outside = float(problem.least_outside[place])  # no price is above 0: it costs no less
        least = min(float(rest.min()), filler_cost, outside)
        beyond = min(beyond, outside - least) if math.isfinite(outside) else beyond
        bound += float(wanted) * least
        flat = rest.ravel() - least if np.isfinite(least) else rest.ravel()
        if most < flat.size:
            parted = np.argpartition(flat, most)
            complete_to = min(complete_to, float(flat[parted[most]]))
            parted = parted[:most]
        else:
            parted = np.arange(flat.size)
        parted = parted[np.isfinite(flat[parted])]
        outer, inner, stack = np.unravel_index(parted, cost.shape)
        at = np.full(len(parted), place)
        found.append(Columns(at, outer, inner, stack, cost.ravel()[parted]))
        reduced.append(flat[parted])
    return _Priced(bound, Columns.together(found), np.concatenate(reduced), complete_to, beyond)


def _first_columns(problem: ThreeIndexProblem) -> Columns | None:
    """Return columns whose linear programme has a solution; None if no columns have, proven.

    Leaving a place empty costs 1 and filling it nothing: a bound above 0 proves that a place
    stays empty.
    """
    outers, inners, _ = problem.shape
    free = Prices(np.zeros(outers), np.zeros(inners), np.zeros(len(problem.stock)))
    columns = _price(problem, free, FIRST_COLUMNS).columns
    allowed = problem.without_costs()
    while True:
        value, prices = relax(allowed, replace(columns, cost=np.zeros(len(columns))), 1.0)
        if value <= TOLERANCE:
            return columns
        priced = _price(allowed, prices, MORE_COLUMNS, 1.0)
        if priced.bound > TOLERANCE:
            return None
        more = _with_new(problem, columns, priced.columns)
        if len(more) == len(columns):
            return None
        columns = more


def _best_prices(problem: ThreeIndexProblem, columns: Columns) -> Prices:
    """Return prices of the best bound, by adding columns to a linear programme with a solution."""
    best, best_bound = None, -np.inf
    while True:
        value, prices = relax(problem, columns)
        priced = _price(problem, prices, MORE_COLUMNS)
        if best is None or priced.bound > best_bound:
            best, best_bound = prices, priced.bound
        more = _with_new(problem, columns, priced.columns)
        done = value - best_bound <= TOLERANCE * max(1.0, abs(value))
        if done or len(more) == len(columns):
            return best
        columns = more


def _with_new(problem: ThreeIndexProblem, columns: Columns, others: Columns) -> Columns:
    """Join columns, each once, with the problem's costs."""
    both = columns + others
    outers, inners, stacks = problem.shape
    keys = ((both.place * outers + both.outer) * inners + both.inner) * stacks + both.stack
    _, once = np.unique(keys, return_index=True)
    joined = both.where(once)
    cost = np.empty(len(joined))
    for place in distinct(joined.place):
        here = joined.place == place
        block = problem.block(int(place))
        cost[here] = block[joined.outer[here], joined.inner[here], joined.stack[here]]
    return replace(joined, cost=cost)


def _search(
    problem: ThreeIndexProblem, best: Columns | None, prices: Prices, solving: Solving
) -> Solution:
    """Solve integer programmes over more and more columns until one proves the optimum."""
    best_cost = np.inf if best is None else float(best.cost.sum())
    most = FIRST_POOL
    while True:
        most, priced = _pool(problem, prices, most, best_cost)
        solving.tell(best_cost, priced.bound)
        done = best_cost - priced.bound <= TOLERANCE * max(1.0, abs(best_cost))
        if best is not None and (done or solving.left_s() <= 0.0):
            return _solution(problem, best, priced.bound)
        window = min(priced.complete_to, best_cost - priced.bound)
        inside = priced.columns.where(priced.reduced <= window)
        limit_s = min(max(solving.left_s(), LEAST_S), SAFETY_S)
        chosen = solving.run(partial(choose, problem, inside, limit_s, best_cost)) or GIVEN_UP
        if chosen.columns is not None and chosen.columns.cost.sum() < best_cost:
            best, best_cost = chosen.columns, float(chosen.columns.cost.sum())
        # What was left out costs at least bound + window, what was in at least chosen.bound.
        others = priced.bound + min(window, priced.outside)
        bound = max(priced.bound, min(chosen.bound, others))
        if chosen.status in ("feasible", "unknown"):
            return _solution(problem, best, bound)
        if best is not None and bound >= best_cost - GAP * max(1.0, abs(best_cost)) / 2.0:
            return _solution(problem, best, bound)
        if math.isinf(priced.complete_to):
            nothing = best is None and math.isinf(priced.outside)
            return NO_SOLUTION if nothing else _solution(problem, best, bound)
        if window >= best_cost - priced.bound:  # what is outside leaves it open
            return _solution(problem, best, bound)
        most *= GROWTH


def _pool(
    problem: ThreeIndexProblem, prices: Prices, most: int, best_cost: float
) -> tuple[int, _Priced]:
    """Price so many columns of each place as can be part of anything better, if not too many."""
    while True:
        priced = _price(problem, prices, most)
        enough = priced.complete_to >= best_cost - priced.bound
        if enough or math.isinf(best_cost) or most >= WIDEST_POOL:
            return most, priced
        most *= GROWTH


def _solution(problem: ThreeIndexProblem, best: Columns | None, bound: float) -> Solution:
    """Count the costs without effort, and say what is proven.

    Effort costs at most EFFORT_COST in all, so a bound with effort less EFFORT_COST is one without.
    """
    slack = EFFORT_COST if problem.tie > 0.0 else 0.0
    if best is None:
        return Solution("unknown", (), None, bound - slack)
    picks = sorted(zip(best.place, best.outer, best.inner, best.stack, strict=True))
    costs = [problem.costs(place)[outer, inner, stack] for place, outer, inner, stack in picks]
    objective = math.fsum(costs)
    bound = min(bound - slack, objective)
    proven = objective - bound <= GAP * max(1.0, abs(objective))
    return Solution(
        "optimal" if proven else "feasible",
        tuple(Pick(int(k), int(o), int(i), int(s)) for k, o, i, s in picks),
        objective,
        bound,
    )


class _Given(msgspec.Struct, frozen=True):
    """Springs given to each triple that is wanted, shape (V,); cost is inf where one may not."""

    cost: float
    outer: Index
    inner: Index


def first_solution(problem: ThreeIndexProblem, prices: Prices, solving: Solving) -> Columns | None:
    """Return a solution, its columns by place; None where none was found, which proves nothing."""
    outers, inners, _ = problem.shape
    valves, places = int(problem.wanted.sum()), len(problem.wanted)
    copies = np.repeat(np.arange(inners), np.minimum(problem.inner_uses, valves))
    if min(outers, len(copies)) < valves or places * outers * inners > LARGEST_TABLE:
        return None
    shims = -problem.uses @ prices.shim
    costs = np.array([(problem.block(at) + shims).min(axis=2) for at in range(places)])
    place = np.repeat(np.arange(places), problem.wanted)
    barred = ~np.isfinite(costs)
    dear = 1.0 + 2.0 * valves * float(np.where(barred, 0.0, costs).max(initial=0.0))
    best = _exchanged(np.where(barred, dear, costs), place, copies, solving)
    if barred[place, best.outer, copies[best.inner]].any():
        return None
    return _with_stacks(problem, place, best.outer, copies[best.inner], solving)


def _exchanged(costs: Array, place: Index, copies: Index, solving: Solving) -> _Given:
    random = np.random.default_rng(SEED)
    valves, outers = len(place), costs.shape[1]
    best = _settled(costs, place, copies, random.permutation(outers)[:valves])
    for kick in range(KICKS * valves if valves > 1 else 0):
        if kick % LARGEST_KICK == 0 and solving.left_s() <= 0.0:
            break
        outer = best.outer.copy()
        count = min(valves, int(random.integers(2, LARGEST_KICK)))
        some = random.choice(valves, count, replace=False)
        if outers > valves and random.random() < 0.5:
            outer[some[0]] = random.choice(np.setdiff1d(np.arange(outers), outer))
        outer[some] = outer[random.permutation(some)]
        found = _settled(costs, place, copies, outer)
        best = found if found.cost <= best.cost else best
    return best


def _settled(costs: Array, place: Index, copies: Index, outer: Index) -> _Given:
    """Give inners, outers and valves anew, in turn, until that gains nothing."""
    from scipy.optimize import linear_sum_assignment  # imported late: slow to load

    best = _Given(np.inf, outer, outer)
    while True:
        inner = linear_sum_assignment(costs[place, outer][:, copies])[1]
        outer = linear_sum_assignment(costs[place, :, copies[inner]])[1]
        moved = linear_sum_assignment(costs[place[:, None], outer, copies[inner]])[1]
        outer, inner = outer[moved], inner[moved]
        cost = float(costs[place, outer, copies[inner]].sum())
        if cost >= best.cost:
            return best
        best = _Given(cost, outer, inner)


def _with_stacks(
    problem: ThreeIndexProblem, place: Index, outer: Index, inner: Index, solving: Solving
) -> Columns | None:
    """Put shims under each triple, the nearest to the card that the stock gives together."""
    blocks = np.array(
        [problem.block(at)[o, i] for at, o, i in zip(place, outer, inner, strict=True)]
    )
    every = np.indices(blocks.shape).reshape(2, -1)
    if not len(problem.stock):
        every = np.array([np.arange(len(place)), blocks.argmin(axis=1)])
    valve, stack = every[:, np.isfinite(blocks[tuple(every)])]
    columns = Columns(place[valve], outer[valve], inner[valve], stack, blocks[valve, stack])
    if not len(problem.stock):
        return columns
    chosen = solving.run(lambda: choose(problem, columns, max(solving.left_s(), 1.0)))
    return None if chosen is None else chosen.columns
