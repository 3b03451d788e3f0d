"""Which outer and inner at which place over which stack: the least sum of costs, proven. Pure.

The axial three-index assignment problem (Balas and Saltzman, Operations Research 39, 1991), with
places that want one triple each or several alike, and shims that come from a stock. It is
NP-hard, so no formula gives the optimum, but a bound and a search inside it do:

1. Prices on outers, inners and shims (the linear programme's duals) give a lower bound on every
   solution, and a reduced cost for every column: what the bound rises by if it is used. For any
   prices of 0 or less this Lagrangian bound holds, however they were found (Fisher, Management
   Science 27, 1981, from memory): a solver's rounding can make it weaker, never wrong.
2. An integer programme over the columns of least reduced cost gives a solution.
3. No column whose reduced cost is more than solution less bound can be part of a better one. So
   once all the others were in the programme, its optimum is the optimum.

Both programmes are solved by HiGHS.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.sparse import csr_array

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Status = Literal["optimal", "feasible", "infeasible", "unknown"]

EFFORT_COST = 2e-7  # of all the effort there can be: it breaks ties and decides nothing else
TIME_LIMIT_S = 300.0  # for one integer programme: a safety, not a plan
GAP = 1e-6  # of the objective, or of 1 where that is less: within it a solution is proven


@dataclass(frozen=True)
class ThreeIndexProblem:
    """K places, O outers, I inners, S stacks, T kinds of shim of which there may be too few.

    Attributes:
        costs: returns for a place the cost of outer, inner and stack there, shape (O, I, S), inf
            where it isn't allowed.
        wanted: shape (K,), how many triples each place wants.
        inner_uses: shape (I,), how often each inner may be used (1; more for a stand-in).
        uses: shape (S, T), how many shims of each kind a stack needs.
        stock: shape (T,), how many there are.
        effort: shape (S,), 0 or more; of equal costs the least effort is taken.
    """

    costs: Callable[[int], Array]
    wanted: Index
    inner_uses: Index
    uses: Array
    stock: Array
    effort: Array

    @cached_property
    def shape(self) -> tuple[int, int, int]:
        """Numbers of outers, inners and stacks."""
        outers, inners, stacks = self.costs(0).shape
        return outers, inners, stacks

    @property
    def tie(self) -> float:
        """What one unit of effort costs."""
        most = float(self.effort.max()) * float(self.wanted.sum())
        return EFFORT_COST / most if most > 0.0 else 0.0

    @property
    def digest(self) -> bytes:
        """A digest of all that the solution depends on."""
        found = hashlib.blake2b(repr(self.shape).encode(), digest_size=32)
        for column in (self.wanted, self.inner_uses, self.uses, self.stock, self.effort):
            found.update(np.asarray(column, dtype=np.float64).tobytes())
        for place in range(self.wanted.size):
            found.update(np.asarray(self.costs(place), dtype=np.float64).tobytes())
        return found.digest()

    def without_costs(self) -> ThreeIndexProblem:
        """Return it with all that is allowed costing nothing: can it be filled at all?"""

        def free(place: int) -> Array:
            return np.where(np.isfinite(self.costs(place)), 0.0, np.inf)

        return replace(self, costs=free, effort=np.zeros_like(self.effort))

    def solve(self, time_limit_s: float = TIME_LIMIT_S) -> Solution:
        """Find the least sum of costs, and prove it; else the status says what is known."""
        start = _first_columns(self)
        if start is None:
            return NO_SOLUTION
        return _search(self, _best_prices(self, start), time_limit_s)

    def block(self, place: int) -> Array:
        """Return one place's costs with its effort."""
        return self.costs(place) + self.tie * self.effort


@dataclass(frozen=True)
class _Columns:
    """Some of the possible choices, arrays of shape (n,); cost includes effort."""

    place: Index
    outer: Index
    inner: Index
    stack: Index
    cost: Array

    def __len__(self) -> int:
        return int(self.cost.shape[0])

    def where(self, chosen: NDArray[np.bool_] | Index) -> _Columns:
        """Return some of them."""
        return _Columns(
            self.place[chosen],
            self.outer[chosen],
            self.inner[chosen],
            self.stack[chosen],
            self.cost[chosen],
        )


@dataclass(frozen=True)
class Pick:
    """One triple of a solution, and the stack under it; all are indices."""

    place: int
    outer: int
    inner: int
    stack: int


@dataclass(frozen=True)
class Solution:
    """What was found.

    Attributes:
        status: optimal (proven within GAP), feasible (not proven), infeasible (proven), or
            unknown (the time ran out before any was found).
        picks: the triples, by place; empty where there are none.
        objective: the sum of their costs; None where there are none.
        bound: no solution has a lower sum; None where it is infeasible.
    """

    status: Status
    picks: tuple[Pick, ...]
    objective: float | None
    bound: float | None


NO_SOLUTION = Solution("infeasible", (), None, None)
FIRST_COLUMNS = 60  # for each place, to begin with
MORE_COLUMNS = 20  # for each place and round
FIRST_POOL = 16  # columns of each place in the first integer programme
GROWTH = 2
TOLERANCE = 1e-9
LARGEST_COST, LARGEST_SCALE = 1e6, 1e5  # HiGHS works to 1e-6 absolute: costs are scaled up to it
OPTIMAL, OUT_OF_TIME, INFEASIBLE = 0, 1, 2  # scipy.optimize.milp's status


@dataclass(frozen=True)
class _Prices:
    """Duals of the supplies, 0 or less: shapes (O,), (I,) and (T,)."""

    outer: Array
    inner: Array
    shim: Array


@dataclass(frozen=True)
class _Chosen:
    """An integer programme's answer.

    Attributes:
        status: as `Solution`'s, over these columns alone.
        columns: the chosen ones; None where there is no solution.
        bound: no choice of these columns costs less; -inf where it isn't known.
    """

    status: Literal["optimal", "feasible", "infeasible", "unknown"]
    columns: _Columns | None
    bound: float


def _relax(
    problem: ThreeIndexProblem, columns: _Columns, filler_cost: float | None = None
) -> tuple[float, _Prices]:
    """Solve the linear programme over the columns; return its value and its duals.

    Args:
        problem, columns: the columns hold a solution where there is no filler.
        filler_cost: cost of leaving a place empty; None where that is not allowed.
    """
    from scipy.optimize import linprog  # imported late: slow to load
    from scipy.sparse import csr_array, eye_array, hstack

    places, supplies, limits = _rows(problem, columns)
    cost = columns.cost
    if filler_cost is not None:
        count = len(problem.wanted)
        places = hstack([places, eye_array(count)], format="csr")
        empty = csr_array((supplies.shape[0], count))
        supplies = hstack([supplies, empty], format="csr")
        cost = np.concatenate([cost, np.full(count, filler_cost)])
    answer = linprog(
        cost,
        A_ub=cast(Any, supplies),  # sparse is allowed; the stubs don't know
        b_ub=limits,
        A_eq=cast(Any, places),
        b_eq=problem.wanted,
        method="highs",
    )
    if answer.status != OPTIMAL:
        raise RuntimeError(f"the linear programme was not solved: {answer.message}")
    duals = np.minimum(answer.ineqlin.marginals, 0.0)
    outers, inners, _ = problem.shape
    outer, inner, shim = np.split(duals, [outers, outers + inners])
    return float(cast(float, answer.fun)), _Prices(outer, inner, shim)


def _choose(problem: ThreeIndexProblem, columns: _Columns, time_limit_s: float) -> _Chosen:
    """Solve the integer programme over the columns.

    Each place's least cost is taken off first (a constant, for each place is filled) and the
    rest scaled up, so that HiGHS's absolute tolerance is far below what matters.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp  # imported late: slow to load

    places, supplies, limits = _rows(problem, columns)
    least = np.full(len(problem.wanted), np.inf)
    np.minimum.at(least, columns.place, columns.cost)
    cost = columns.cost - least[columns.place]
    scale = min(LARGEST_SCALE, LARGEST_COST / max(float(cost.max()), 1e-9))
    answer = milp(
        cost * scale,
        constraints=[
            LinearConstraint(places, problem.wanted, problem.wanted),
            LinearConstraint(supplies, -np.inf, limits),
        ],
        integrality=np.ones(len(columns), dtype=np.int8),
        bounds=Bounds(0.0, 1.0),
        options={"mip_rel_gap": 0.0, "time_limit": time_limit_s},
    )
    if answer.status == INFEASIBLE:
        return _Chosen("infeasible", None, np.inf)
    dual = answer.mip_dual_bound
    offset = float(problem.wanted @ least)
    bound = -np.inf if dual is None or not np.isfinite(dual) else dual / scale + offset
    if answer.x is None:
        return _Chosen("unknown", None, bound)
    proven = answer.status == OPTIMAL
    return _Chosen("optimal" if proven else "feasible", columns.where(answer.x > 0.5), bound)


def _rows(problem: ThreeIndexProblem, columns: _Columns) -> tuple[csr_array, csr_array, Array]:
    """Rows that fill the places, rows that keep to the supplies, and the supplies."""
    from scipy.sparse import csr_array, vstack  # imported late: slow to load

    outers, inners, _ = problem.shape
    supplies = vstack(
        [
            _ones(columns.outer, outers),
            _ones(columns.inner, inners),
            csr_array(problem.uses[columns.stack].T),
        ],
        format="csr",
    )
    limits = np.concatenate([np.ones(outers), problem.inner_uses, problem.stock])
    return _ones(columns.place, len(problem.wanted)), supplies, limits


def _ones(rows: Index, count: int) -> csr_array:
    """A matrix with one 1 in each column, in the given row."""
    from scipy.sparse import csr_array  # imported late: slow to load

    width = len(rows)
    return csr_array((np.ones(width), (rows, np.arange(width))), shape=(count, width))


@dataclass(frozen=True)
class _Priced:
    """Columns by what they would add to the bound.

    Attributes:
        bound: no solution costs less.
        columns: of each place those of least reduced cost.
        reduced: shape (n,), what the bound rises by if the column is used, 0 or more.
        complete_to: every column left out has a reduced cost of this or more; inf where none
            that is allowed was left out.
    """

    bound: float
    columns: _Columns
    reduced: Array
    complete_to: float


def _price(
    problem: ThreeIndexProblem, prices: _Prices, most: int, filler_cost: float = np.inf
) -> _Priced:
    """Price every column.

    Args:
        problem, prices: the prices any, 0 or less.
        most: how many columns of each place to return.
        filler_cost: cost of leaving a place empty; inf where that is not allowed.
    """
    supply = prices.outer.sum() + prices.inner @ problem.inner_uses + prices.shim @ problem.stock
    bound, complete_to = float(supply), np.inf
    found, reduced = [], []
    for place, wanted in enumerate(problem.wanted):
        cost = problem.block(place)
        rest = (
            cost
            - prices.outer[:, None, None]
            - prices.inner[None, :, None]
            - (problem.uses @ prices.shim)[None, None, :]
        )
        least = min(float(rest.min()), filler_cost)
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
        found.append(_Columns(at, outer, inner, stack, cost.ravel()[parted]))
        reduced.append(flat[parted])
    return _Priced(bound, _together(found), np.concatenate(reduced), complete_to)


def _first_columns(problem: ThreeIndexProblem) -> _Columns | None:
    """Return columns whose linear programme has a solution; None if no columns have, proven.

    Leaving a place empty costs 1 and filling it nothing: a bound above 0 proves that a place
    stays empty.
    """
    outers, inners, _ = problem.shape
    free = _Prices(np.zeros(outers), np.zeros(inners), np.zeros(len(problem.stock)))
    columns = _price(problem, free, FIRST_COLUMNS).columns
    allowed = problem.without_costs()
    while True:
        value, prices = _relax(allowed, replace(columns, cost=np.zeros(len(columns))), 1.0)
        if value <= TOLERANCE:
            return columns
        priced = _price(allowed, prices, MORE_COLUMNS, 1.0)
        if priced.bound > TOLERANCE:
            return None
        more = _with_new(problem, columns, priced.columns)
        if len(more) == len(columns):
            return None
        columns = more


def _best_prices(problem: ThreeIndexProblem, columns: _Columns) -> _Prices:
    """Return prices of the best bound, by adding columns to a linear programme with a solution."""
    best, best_bound = None, -np.inf
    while True:
        value, prices = _relax(problem, columns)
        priced = _price(problem, prices, MORE_COLUMNS)
        if best is None or priced.bound > best_bound:
            best, best_bound = prices, priced.bound
        more = _with_new(problem, columns, priced.columns)
        if value - best_bound <= TOLERANCE * max(1.0, abs(value)) or len(more) == len(columns):
            return best
        columns = more


def _with_new(problem: ThreeIndexProblem, columns: _Columns, others: _Columns) -> _Columns:
    """Join columns, each once, with the problem's costs."""
    both = _together([columns, others])
    outers, inners, stacks = problem.shape
    keys = ((both.place * outers + both.outer) * inners + both.inner) * stacks + both.stack
    _, once = np.unique(keys, return_index=True)
    joined = both.where(once)
    cost = np.empty(len(joined))
    for place in np.unique(joined.place):
        here = joined.place == place
        block = problem.block(int(place))
        cost[here] = block[joined.outer[here], joined.inner[here], joined.stack[here]]
    return replace(joined, cost=cost)


def _together(parts: Sequence[_Columns]) -> _Columns:
    return _Columns(
        np.concatenate([part.place for part in parts]),
        np.concatenate([part.outer for part in parts]),
        np.concatenate([part.inner for part in parts]),
        np.concatenate([part.stack for part in parts]),
        np.concatenate([part.cost for part in parts]),
    )


def _search(problem: ThreeIndexProblem, prices: _Prices, time_limit_s: float) -> Solution:
    """Solve integer programmes over more and more columns until one proves the optimum."""
    most, best, best_cost = FIRST_POOL, None, np.inf
    while True:
        priced = _price(problem, prices, most)
        window = min(priced.complete_to, best_cost - priced.bound)
        inside = priced.columns.where(priced.reduced <= window)
        chosen = _choose(problem, inside, time_limit_s)
        if chosen.columns is not None and chosen.columns.cost.sum() < best_cost:
            best, best_cost = chosen.columns, float(chosen.columns.cost.sum())
        # What was left out costs at least bound + window, what was in at least chosen.bound.
        bound = max(priced.bound, min(chosen.bound, priced.bound + window))
        if chosen.status in ("feasible", "unknown"):
            return _solution(problem, best, bound)
        if best is not None and bound >= best_cost - GAP * max(1.0, abs(best_cost)) / 2.0:
            return _solution(problem, best, bound)
        if math.isinf(priced.complete_to):
            return NO_SOLUTION if best is None else _solution(problem, best, bound)
        most *= GROWTH


def _solution(problem: ThreeIndexProblem, best: _Columns | None, bound: float) -> Solution:
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
