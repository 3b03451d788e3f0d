"""Which outer and inner at which place over which stack: the problem, and what is found. Pure.

The axial three-index assignment problem (Balas and Saltzman, Operations Research 39, 1991), with
places that want one triple each or several alike, and shims that come from a stock. It is solved
in `three_index_search`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from functools import cached_property
from typing import Literal

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Status = Literal["optimal", "feasible", "infeasible", "unknown"]

EFFORT_COST = 2e-7  # of all the effort there can be: it breaks ties and decides nothing else
GAP = 1e-6  # of the objective, or of 1 where that is less: within it a solution is proven


class ThreeIndexProblem(msgspec.Struct, frozen=True, dict=True):
    """K places, O outers, I inners, S stacks, T kinds of shim of which there may be too few.

    Attributes:
        costs: returns for a place the cost of outer, inner and stack there, shape (O, I, S), inf
            where it isn't allowed.
        wanted: shape (K,), how many triples each place wants.
        inner_uses: shape (I,), how often each inner may be used (1; more for a stand-in).
        uses: shape (S, T), how many shims of each kind a stack needs.
        stock: shape (T,), how many there are.
        effort: shape (S,), 0 or more; of equal costs the least effort is taken.
        outside: shape (K,), what a triple at least costs at each place that has a spring which is
            not among these; inf where these are all there are.
    """

    costs: Callable[[int], Array]
    wanted: Index
    inner_uses: Index
    uses: Array
    stock: Array
    effort: Array
    outside: Array | None = None

    @cached_property
    def least_outside(self) -> Array:
        """What is not among these at least costs, shape (K,)."""
        return np.full(len(self.wanted), np.inf) if self.outside is None else self.outside

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
        columns = self.wanted, self.inner_uses, self.uses, self.stock, self.effort
        for column in (*columns, self.least_outside):
            found.update(np.asarray(column, dtype=np.float64).tobytes())
        for place in range(self.wanted.size):
            found.update(np.asarray(self.costs(place), dtype=np.float64).tobytes())
        return found.digest()

    def without_costs(self) -> ThreeIndexProblem:
        """Return it with all that is allowed costing nothing: can it be filled at all?"""

        def free(place: int) -> Array:
            return np.where(np.isfinite(self.costs(place)), 0.0, np.inf)

        outside = np.where(np.isfinite(self.least_outside), 0.0, np.inf)
        return replace(self, costs=free, effort=np.zeros_like(self.effort), outside=outside)

    def block(self, place: int) -> Array:
        """Return one place's costs with its effort."""
        return self.costs(place) + self.tie * self.effort


class Columns(msgspec.Struct, frozen=True):
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

    def __add__(self, other: Columns) -> Columns:
        """Return both, one after the other."""
        return Columns.together([self, other])

    @classmethod
    def together(cls, parts: Sequence[Columns]) -> Columns:
        """Return some one after the other."""
        return cls(
            np.concatenate([part.place for part in parts]),
            np.concatenate([part.outer for part in parts]),
            np.concatenate([part.inner for part in parts]),
            np.concatenate([part.stack for part in parts]),
            np.concatenate([part.cost for part in parts]),
        )


class Pick(msgspec.Struct, frozen=True):
    """One triple of a solution, and the stack under it; all are indices."""

    place: int
    outer: int
    inner: int
    stack: int


class Solution(msgspec.Struct, frozen=True):
    """What was found.

    Attributes:
        status: optimal (proven within GAP), feasible (not proven), infeasible (proven), or
            unknown (it ended before any was found).
        picks: the triples, by place; empty where there are none.
        objective: the sum of their costs; None where there are none.
        bound: no solution has a lower sum; None where it is infeasible.
    """

    status: Status
    picks: tuple[Pick, ...]
    objective: float | None
    bound: float | None


class Prices(msgspec.Struct, frozen=True):
    """Duals of the supplies, 0 or less: shapes (O,), (I,) and (T,)."""

    outer: Array
    inner: Array
    shim: Array
