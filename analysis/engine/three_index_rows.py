"""The linear and the integer programme over some of the columns, through HiGHS. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, cast

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array, eye_array, hstack, vstack

from coilbench.analysis.engine.three_index import Array, Columns, Index, ThreeIndexProblem

LARGEST_COST, LARGEST_SCALE = 1e6, 1e5  # HiGHS works to 1e-6 absolute: costs are scaled up to it
OPTIMAL, OUT_OF_TIME, INFEASIBLE = 0, 1, 2  # scipy.optimize.milp's status


@dataclass(frozen=True)
class Prices:
    """Duals of the supplies, 0 or less: shapes (O,), (I,) and (T,)."""

    outer: Array
    inner: Array
    shim: Array


@dataclass(frozen=True)
class Chosen:
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
    """Solve the linear programme over the columns.

    Args:
        problem: what is wanted and what there is.
        columns: which must hold a solution where there is no filler.
        filler_cost: cost of leaving a place empty; None where that is not allowed.

    Returns:
        Its value and its duals.
    """
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


def choose(problem: ThreeIndexProblem, columns: Columns, time_limit_s: float) -> Chosen:
    """Solve the integer programme over the columns.

    Each place's least cost is taken off first (a constant, for each place is filled) and the
    rest scaled up, so that HiGHS's absolute tolerance is far below what matters.
    """
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
        return Chosen("infeasible", None, np.inf)
    dual = answer.mip_dual_bound
    offset = float(problem.wanted @ least)
    bound = -np.inf if dual is None or not np.isfinite(dual) else dual / scale + offset
    if answer.x is None:
        return Chosen("unknown", None, bound)
    proven = answer.status == OPTIMAL
    return Chosen("optimal" if proven else "feasible", columns.where(answer.x > 0.5), bound)


def _rows(problem: ThreeIndexProblem, columns: Columns) -> tuple[csr_array, csr_array, Array]:
    """Rows that fill the places, rows that keep to the supplies, and the supplies."""
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
    width = len(rows)
    return csr_array((np.ones(width), (rows, np.arange(width))), shape=(count, width))
