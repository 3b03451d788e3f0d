"""The exact optimum of a three-index assignment: bound, search inside it, proof. Pure."""

from __future__ import annotations

import math

import numpy as np

from coilbench.analysis.engine.three_index import (
    GAP,
    TIES,
    Columns,
    Pick,
    Solution,
    ThreeIndexProblem,
)
from coilbench.analysis.engine.three_index_bound import best_prices, first_columns, price
from coilbench.analysis.engine.three_index_rows import Prices, choose

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
