"""Which outer and inner at which place over which stack: the least sum of costs, proven. Pure.

The axial three-index assignment problem (Balas and Saltzman, Operations Research 39, 1991), with
places that want one triple each or several alike, and shims that come from a stock. It is
NP-hard, so no formula gives the optimum, but a bound and a search inside it do:

1. Prices on outers, inners and shims (the linear programme's duals) give a lower bound on every
   solution, and a reduced cost for every column: what the bound rises by if it is used.
2. An integer programme over the columns of least reduced cost gives a solution.
3. No column whose reduced cost is more than solution less bound can be part of a better one. So
   once all the others were in the programme, its optimum is the optimum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, overload

import numpy as np
from numpy.typing import NDArray

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
