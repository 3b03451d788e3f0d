"""Valves that are all alike: which outer goes with which inner, exactly. Pure.

With one place and shims enough each pair has its cost, that over its best stack. What is left is
the least cost of a flow through outers and inners, found pair by pair along the shortest path of
exchanges (Edmonds and Karp, Journal of the ACM 19, 1972, from memory). The distances of the last
one are prices that prove it. No programme is needed, nor SciPy, which takes long to load.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.engine.three_index import (
    Array,
    Columns,
    Index,
    Prices,
    ThreeIndexProblem,
)

_NONE = -1
_ROUNDING = 1e-14  # of the dearest pair: what is nearer by less is not, else paths end in circles


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


@dataclass(frozen=True)
class _Flow:
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
                used = np.unique(inner_of)
                least[used] = np.minimum(least[used], least[spare].min(initial=np.inf))
            nearer = least < to_inner - self.rounding
            if not nearer.any():
                break
            to_inner[nearer], via[nearer] = least[nearer], before[nearer]
            to_outer[taken] = np.minimum(to_outer[taken], to_inner[inner_of] - returned)
        return to_outer, to_inner, via
