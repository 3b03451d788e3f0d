"""Which outer and inner at which place over which stack: the least sum of costs, proven. Pure.

The axial three-index assignment problem (Balas and Saltzman, Operations Research 39, 1991), with
places that want one triple each or several alike, and shims that come from a stock. It is
NP-hard, so no formula gives the optimum, but a bound and a search inside it do:

1. Prices on outers, inners and shims (the linear programme's duals) give a lower bound on every
   solution, and a reduced cost for every column: what the bound rises by if it is used.
2. An integer programme over the columns of least reduced cost gives a solution.
3. No column whose reduced cost is more than solution less bound can be part of a better one. So
   once all the others were in the programme, its optimum is the optimum.

The linear and the integer programme over some of the columns, through HiGHS. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, cast, overload

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array, eye_array, hstack, vstack

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Status = Literal["optimal", "feasible", "infeasible", "unknown"]

TIES = 2e-7  # all the effort there can be costs this much: it breaks ties, it decides nothing else
GAP = 1e-6  # of the objective, or of 1 where that is less: within it a solution is proven


@dataclass(frozen=True)
class ThreeIndexProblem:
    """K places, O outers, I inners, S stacks, T kinds of shim of which there may be too few.

    Attributes:
        blocks: for each place the cost of outer, inner and stack there, shape (O, I, S), inf
            where it isn't allowed. It may make each anew when asked, to save memory.
        wanted: shape (K,), how many triples each place wants.
        inner_uses: shape (I,), how often each inner may be used (1; more for a stand-in).
        uses: shape (S, T), how many shims of each kind a stack needs.
        stock: shape (T,), how many there are.
        effort: shape (S,), 0 or more; of equal costs the least effort is taken.
    """

    blocks: Sequence[Array]
    wanted: Index
    inner_uses: Index
    uses: Array
    stock: Array
    effort: Array

    @property
    def shape(self) -> tuple[int, int, int]:
        """Numbers of outers, inners and stacks."""
        outers, inners, stacks = self.blocks[0].shape
        return outers, inners, stacks

    @property
    def tie(self) -> float:
        """What one unit of effort costs."""
        most = float(self.effort.max()) * float(self.wanted.sum())
        return TIES / most if most > 0.0 else 0.0

    def block(self, place: int) -> Array:
        """Return one place's costs with its effort."""
        return self.blocks[place] + self.tie * self.effort


@dataclass(frozen=True)
class Columns:
    """Some of the possible choices, arrays of shape (n,); cost includes effort."""

    place: Index
    outer: Index
    inner: Index
    stack: Index
    cost: Array

    def __len__(self) -> int:
        return int(self.cost.shape[0])

    def where(self, chosen: NDArray[np.bool_] | Index) -> Columns:
        """Return some of them."""
        return Columns(
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


def without_costs(problem: ThreeIndexProblem) -> ThreeIndexProblem:
    """Return the problem in which all that is allowed costs nothing: can it be filled at all?"""
    free = FreeBlocks(problem.blocks)
    return replace(problem, blocks=free, effort=np.zeros_like(problem.effort))


class FreeBlocks(Sequence[Array]):
    """Blocks in which all that is allowed costs nothing."""

    def __init__(self, blocks: Sequence[Array]) -> None:
        self._blocks = blocks

    def __len__(self) -> int:
        return len(self._blocks)

    @overload
    def __getitem__(self, index: int) -> Array: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Array]: ...
    def __getitem__(self, index: int | slice) -> Array | Sequence[Array]:
        if isinstance(index, slice):
            return [self[each] for each in range(*index.indices(len(self)))]
        return np.where(np.isfinite(self._blocks[index]), 0.0, np.inf)


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
