"""A lower bound on every solution, and what each column would add to it. Pure.

For any prices of 0 or less the Lagrangian bound holds, however they were found (Fisher,
Management Science 27, 1981, from memory): a solver's rounding can make it weaker, never wrong.

The exact optimum of a three-index assignment: bound, search inside it, proof. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from coilbench.analysis.engine.three_index import (
    GAP,
    TIES,
    Array,
    Columns,
    Pick,
    Prices,
    Solution,
    ThreeIndexProblem,
    choose,
    relax,
    without_costs,
)

FIRST_COLUMNS = 60  # for each place, to begin with
MORE_COLUMNS = 20  # for each place and round
TOLERANCE = 1e-9


@dataclass(frozen=True)
class Priced:
    """Columns by what they would add to the bound.

    Attributes:
        bound: no solution costs less.
        columns: of each place those of least reduced cost.
        reduced: shape (n,), what the bound rises by if the column is used, 0 or more.
        complete_to: every column left out has a reduced cost of this or more; inf where none
            that is allowed was left out.
    """

    bound: float
    columns: Columns
    reduced: Array
    complete_to: float


def price(
    problem: ThreeIndexProblem, prices: Prices, most: int, filler_cost: float = np.inf
) -> Priced:
    """Price every column.

    Args:
        problem: the costs.
        prices: any, 0 or less.
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
        found.append(Columns(at, outer, inner, stack, cost.ravel()[parted]))
        reduced.append(flat[parted])
    return Priced(bound, _together(found), np.concatenate(reduced), complete_to)


def first_columns(problem: ThreeIndexProblem) -> Columns | None:
    """Return columns whose linear programme has a solution; None if no columns have, proven.

    Leaving a place empty costs 1 and filling it nothing: a bound above 0 proves that a place
    stays empty.
    """
    outers, inners, _ = problem.shape
    free = Prices(np.zeros(outers), np.zeros(inners), np.zeros(len(problem.stock)))
    columns = price(problem, free, FIRST_COLUMNS).columns
    allowed = without_costs(problem)
    while True:
        value, prices = relax(allowed, replace(columns, cost=np.zeros(len(columns))), 1.0)
        if value <= TOLERANCE:
            return columns
        priced = price(allowed, prices, MORE_COLUMNS, 1.0)
        if priced.bound > TOLERANCE:
            return None
        more = with_new(problem, columns, priced.columns)
        if len(more) == len(columns):
            return None
        columns = more


def best_prices(problem: ThreeIndexProblem, columns: Columns) -> Prices:
    """Return prices of the best bound, by adding columns to the linear programme.

    Args:
        problem: the costs.
        columns: some whose linear programme has a solution.
    """
    best, best_bound = None, -np.inf
    while True:
        value, prices = relax(problem, columns)
        priced = price(problem, prices, MORE_COLUMNS)
        if best is None or priced.bound > best_bound:
            best, best_bound = prices, priced.bound
        more = with_new(problem, columns, priced.columns)
        if value - best_bound <= TOLERANCE * max(1.0, abs(value)) or len(more) == len(columns):
            return best
        columns = more


def with_new(problem: ThreeIndexProblem, columns: Columns, others: Columns) -> Columns:
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


def _together(parts: Sequence[Columns]) -> Columns:
    return Columns(
        np.concatenate([part.place for part in parts]),
        np.concatenate([part.outer for part in parts]),
        np.concatenate([part.inner for part in parts]),
        np.concatenate([part.stack for part in parts]),
        np.concatenate([part.cost for part in parts]),
    )


FIRST_POOL = 16  # columns of each place in the first integer programme
GROWTH = 2
TIME_LIMIT_S = 300.0  # for one integer programme: a safety, not a plan
INFEASIBLE = Solution("infeasible", (), None, None)


def solve(problem: ThreeIndexProblem, time_limit_s: float = TIME_LIMIT_S) -> Solution:
    """Find the least sum of costs, and prove it.

    Args:
        problem: what is wanted and what there is.
        time_limit_s: for one integer programme; beyond it the status says what is known.
    """
    start = first_columns(problem)
    if start is None:
        return INFEASIBLE
    return _search(problem, best_prices(problem, start), time_limit_s)


def _search(problem: ThreeIndexProblem, prices: Prices, time_limit_s: float) -> Solution:
    """Solve integer programmes over more and more columns until one proves the optimum."""
    most, best, best_cost = FIRST_POOL, None, np.inf
    while True:
        priced = price(problem, prices, most)
        window = min(priced.complete_to, best_cost - priced.bound)
        inside = priced.columns.where(priced.reduced <= window)
        chosen = choose(problem, inside, time_limit_s)
        if chosen.columns is not None and chosen.columns.cost.sum() < best_cost:
            best, best_cost = chosen.columns, float(chosen.columns.cost.sum())
        # What was left out costs at least bound + window, what was in at least chosen.bound.
        bound = max(priced.bound, min(chosen.bound, priced.bound + window))
        if chosen.status in ("feasible", "unknown"):
            return _solution(problem, best, bound)
        if best is not None and bound >= best_cost - GAP * max(1.0, abs(best_cost)) / 2.0:
            return _solution(problem, best, bound)
        if math.isinf(priced.complete_to):
            return INFEASIBLE if best is None else _solution(problem, best, bound)
        most *= GROWTH


def _solution(problem: ThreeIndexProblem, best: Columns | None, bound: float) -> Solution:
    """Count the costs without effort, and say what is proven.

    Effort costs at most TIES in all, so a bound with effort less TIES is one without.
    """
    slack = TIES if problem.tie > 0.0 else 0.0
    if best is None:
        return Solution("unknown", (), None, bound - slack)
    picks = sorted(zip(best.place, best.outer, best.inner, best.stack, strict=True))
    costs = [problem.blocks[place][outer, inner, stack] for place, outer, inner, stack in picks]
    objective = math.fsum(costs)
    bound = min(bound - slack, objective)
    proven = objective - bound <= GAP * max(1.0, abs(objective))
    return Solution(
        "optimal" if proven else "feasible",
        tuple(Pick(int(k), int(o), int(i), int(s)) for k, o, i, s in picks),
        objective,
        bound,
    )
