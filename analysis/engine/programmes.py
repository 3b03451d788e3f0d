"""The linear and the integer programme over some columns, solved by HiGHS. Pure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal, cast

import msgspec
import numpy as np

from coilbench.analysis.engine.three_index import (
    Array,
    Columns,
    Index,
    Prices,
    ThreeIndexProblem,
)

if TYPE_CHECKING:
    from scipy.sparse import csr_array

LARGEST_COST, LARGEST_SCALE = 1e6, 1e5  # HiGHS works to 1e-6 absolute: costs are scaled up to it
SLACK = 1e-3  # of the scaled costs, so that rounding does not bar the solution that is known
OPTIMAL, OUT_OF_TIME, INFEASIBLE = 0, 1, 2  # scipy.optimize.milp's status


class Chosen(msgspec.Struct, frozen=True):
    """An integer programme's answer.

    Attributes:
        status: as `Solution`'s, over these columns alone.
        columns: the chosen ones; None where there is no solution.
        bound: no choice of these columns costs less; -inf where it isn't known.
    """

    status: Literal["optimal", "feasible", "infeasible", "unknown"]
    columns: Columns | None
    bound: float


def relax(
    problem: ThreeIndexProblem, columns: Columns, filler_cost: float | None = None
) -> tuple[float, Prices]:
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
    return float(cast(float, answer.fun)), Prices(outer, inner, shim)


def choose(
    problem: ThreeIndexProblem, columns: Columns, time_limit_s: float, most: float = np.inf
) -> Chosen:
    """Solve the integer programme over the columns.

    Each place's least cost is taken off first (a constant, for each place is filled) and the
    rest scaled up, so that HiGHS's absolute tolerance is far below what matters.

    Args:
        problem, columns: what to choose from.
        time_limit_s: for HiGHS.
        most: what a solution that is known costs. None that costs more is looked for, which leaves
            less to search.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp  # imported late: slow to load

    places, supplies, limits = _rows(problem, columns)
    least = np.full(len(problem.wanted), np.inf)
    np.minimum.at(least, columns.place, columns.cost)
    cost = columns.cost - least[columns.place]
    scale = min(LARGEST_SCALE, LARGEST_COST / max(float(cost.max()), 1e-9))
    offset = float(problem.wanted @ least)
    constraints = [
        LinearConstraint(places, problem.wanted, problem.wanted),
        LinearConstraint(supplies, _used_up(problem, limits), limits),
    ]
    if math.isfinite(most):
        constraints.append(LinearConstraint(cost * scale, -np.inf, (most - offset) * scale + SLACK))
    answer = milp(
        cost * scale,
        constraints=constraints,
        integrality=np.ones(len(columns), dtype=np.int8),
        bounds=Bounds(0.0, 1.0),
        options={"mip_rel_gap": 0.0, "time_limit": time_limit_s},
    )
    if answer.status == INFEASIBLE:
        return Chosen("infeasible", None, most)
    dual = answer.mip_dual_bound
    bound = -np.inf if dual is None or not np.isfinite(dual) else dual / scale + offset
    if answer.x is None:
        return Chosen("unknown", None, bound)
    proven = answer.status == OPTIMAL
    return Chosen("optimal" if proven else "feasible", columns.where(answer.x > 0.5), bound)


def _used_up(problem: ThreeIndexProblem, limits: Array) -> Array:
    """Return how much of each supply every solution uses: all springs, where there is no spare."""
    outers, inners, _ = problem.shape
    least = np.full(len(limits), -np.inf)
    for springs in (slice(0, outers), slice(outers, outers + inners)):
        if limits[springs].sum() == problem.wanted.sum():
            least[springs] = limits[springs]
    return least


def _rows(problem: ThreeIndexProblem, columns: Columns) -> tuple[csr_array, csr_array, Array]:
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
