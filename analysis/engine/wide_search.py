"""The three-index problem of thousands of springs, from those that come near the card. Pure.

What a spring pushes, shut and at full lift, is a point of two loads; an outer and an inner are near
the card where the sum of their points is near it. So the columns of least cost are found by the
nearest neighbours of each outer among the inners (SciPy's k-d tree), without looking at every pair.
What was not looked at costs at least what the farthest neighbour says: that is what the search
within the near ones needs to know of the rest (`ThreeIndexProblem.outside`). Where it leaves the
optimum open, more are taken in.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.three_index import GAP, Array, Index, Solution, ThreeIndexProblem
from coilbench.analysis.engine.three_index_search import solve
from coilbench.capture.calibration.statistics import distinct

NEIGHBOURS = 8  # of each outer, to begin with
MOST_COLUMNS = 50_000  # of a place, that springs of their own are looked for among
NEAREST, MOST_NEAREST, GROWTH = 16, 100, 2  # columns of each place, more for more valves


class Spans(msgspec.Struct, frozen=True):
    """What springs push, in the card's tolerances: between least and most, (K, S, N, 2).

    K places, S stacks, N springs, shut and at full lift. NaN where one may not stand or was not
    read.
    """

    least: Array
    most: Array

    def middle(self, place: int, stack: int) -> Array:
        """Return the middle of each, shape (N, 2)."""
        middle: Array = (self.least[place, stack] + self.most[place, stack]) / 2.0
        return middle

    def width(self, place: int, stack: int) -> Array:
        """Return how far each may be from its middle, both ends together, shape (N,)."""
        half = (self.most[place, stack] - self.least[place, stack]) / 2.0
        width: Array = np.hypot(half[:, 0], half[:, 1])
        return width

    def of(self, springs: Index) -> Spans:
        """Return some springs'."""
        return Spans(self.least[:, :, springs], self.most[:, :, springs])


class _Near(NamedTuple):
    """Columns of one place and stack, shape (n,), and what every other there costs at least.

    Rank: the how manieth of its outer's neighbours the inner is.
    """

    rank: Index
    outer: Index
    inner: Index
    cost: Array
    others: float


class WideProblem(msgspec.Struct, frozen=True):
    """Outers and inners in thousands; inner is one that pushes nothing for single springs.

    Attributes:
        outer: less the card's loads.
        wanted, inner_uses, uses, stock, effort: as in ThreeIndexProblem.
    """

    outer: Spans
    inner: Spans
    wanted: Index
    inner_uses: Index
    uses: Array
    stock: Array
    effort: Array

    def costs(self, place: int, outers: Index, inners: Index) -> Array:
        """Return what every pair of some springs costs at best over each stack, (O, I, S)."""
        found = np.empty((len(outers), len(inners), len(self.effort)))
        for stack in range(len(self.effort)):
            one, other = (
                [each[place, stack][springs] for each in (side.least, side.most)]
                for side, springs in ((self.outer, outers), (self.inner, inners))
            )
            pair = [a[:, None] + b[None, :] for a, b in zip(one, other, strict=True)]
            found[:, :, stack] = _at_best(*pair)
        return found

    def near(self, place: int, neighbours: int = NEIGHBOURS) -> Iterator[_Near]:
        """Yield, stack by stack, the columns of each outer's nearest inners at a place."""
        from scipy.spatial import KDTree  # imported late: slow to load

        for stack in range(len(self.effort)):
            outer_at, inner_at = self.outer.middle(place, stack), self.inner.middle(place, stack)
            outers, inners = (
                np.flatnonzero(~np.isnan(at).any(axis=1)) for at in (outer_at, inner_at)
            )
            if not (len(outers) and len(inners)):
                continue
            count = min(neighbours, len(inners))
            tree = KDTree(inner_at[inners])
            ranks = np.arange(1, count + 1)
            far, index = map(np.asarray, tree.query(-outer_at[outers], k=ranks))
            width = self.outer.width(place, stack)[outers]
            widest = float(self.inner.width(place, stack)[inners].max())
            others = np.inf
            if count < len(inners):
                others = float(np.square(np.maximum(far[:, -1] - width - widest, 0.0)).min())
            outer, inner = np.repeat(outers, count), inners[index.ravel()]
            cost = _at_best(
                self.outer.least[place, stack, outer] + self.inner.least[place, stack, inner],
                self.outer.most[place, stack, outer] + self.inner.most[place, stack, inner],
            )
            rank = np.tile(ranks, len(outers))
            yield _Near(rank, outer, inner, cost, others)

    def least_costs(self) -> tuple[Array, Array]:
        """Return below what no triple with each outer, with each inner, is; shapes (O,), (I,)."""
        return (
            self._least_costs(self.outer, self.inner),
            self._least_costs(self.inner, self.outer),
        )

    def _least_costs(self, own: Spans, other: Spans) -> Array:
        from scipy.spatial import KDTree  # imported late: slow to load

        found = np.full(own.least.shape[2], np.inf)
        for place in range(len(self.wanted)):
            for stack in range(len(self.effort)):
                at, other_at = own.middle(place, stack), other.middle(place, stack)
                some, others = (np.flatnonzero(~np.isnan(m).any(axis=1)) for m in (at, other_at))
                if not (len(some) and len(others)):
                    continue
                far, _ = KDTree(other_at[others]).query(-at[some])
                widest = float(other.width(place, stack)[others].max())
                left = np.maximum(far - own.width(place, stack)[some] - widest, 0.0)
                found[some] = np.minimum(found[some], np.square(left))
        return found

    def within(self, neighbours: int, nearest: int) -> tuple[ThreeIndexProblem, Index, Index]:
        """Return the problem of the springs of the nearest columns, and which springs these are."""
        outside, outers, inners = [], [], []
        apart = _Apart(self)
        for place in range(len(self.wanted)):
            near, others = [], np.inf
            for part in self.near(place, neighbours):
                near.append(part)
                others = min(others, part.others)
            cost = np.concatenate([part.cost for part in near]) if near else np.zeros(0)
            rank, outer, inner = (
                np.concatenate([getattr(part, name) for part in near] or [np.zeros(0, np.intp)])
                for name in ("rank", "outer", "inner")
            )
            if nearest < len(cost):
                least = np.lexsort((rank, cost))
                others = min(others, float(cost[least[nearest]]))
                near_ones = np.concatenate([least[:nearest], apart.add(place, least, outer, inner)])
                outer, inner = outer[near_ones], inner[near_ones]
            outside.append(others)
            outers.append(outer)
            inners.append(inner)
        chosen_outers, chosen_inners = (distinct(np.concatenate(all_)) for all_ in (outers, inners))
        every = len(chosen_outers) == self.outer.least.shape[2]
        every = every and len(chosen_inners) == self.inner.least.shape[2]
        problem = ThreeIndexProblem(
            costs=cache(lambda place: self.costs(place, chosen_outers, chosen_inners)),
            wanted=self.wanted,
            inner_uses=self.inner_uses[chosen_inners],
            uses=self.uses,
            stock=self.stock,
            effort=self.effort,
            outside=None if every else np.array(outside),
        )
        return problem, chosen_outers, chosen_inners

    def solve(self, solving: Solving) -> Solution:
        """Find the least sum of costs, and prove it; else the status says what is known."""
        neighbours, bound = NEIGHBOURS, 0.0
        nearest = max(NEAREST, int(self.wanted.sum()))
        while True:
            problem, outers, inners = self.within(neighbours, nearest)
            found = solve(problem, solving)
            bound = max(bound, found.bound or 0.0)
            if found.status == "infeasible" and problem.outside is not None:
                found = replace(found, status="unknown")
            if found.objective is not None and found.objective - bound <= GAP:  # none is below 0
                found = replace(found, status="optimal")
            picks = tuple(
                replace(each, outer=int(outers[each.outer]), inner=int(inners[each.inner]))
                for each in found.picks
            )
            done = found.status in ("optimal", "infeasible") or problem.outside is None
            if done or nearest >= MOST_NEAREST or solving.left_s() <= 0.0:
                return replace(found, picks=picks, bound=bound)
            neighbours, nearest = neighbours * GROWTH, nearest * GROWTH


class _Apart:
    """Columns of springs of their own for all places: of those alone every place can be filled.

    Where many columns cost the same, the nearest may all be of a few springs.
    """

    def __init__(self, problem: WideProblem) -> None:
        self._wanted = problem.wanted
        self._left = [dict[int, int](), dict(enumerate(problem.inner_uses.tolist()))]

    def add(self, place: int, order: Index, outer: Index, inner: Index) -> Index:
        """Choose columns of a place, in an order, of springs that no other takes."""
        found: list[int] = []
        outers, inners = self._left
        for at in order[:MOST_COLUMNS].tolist():
            if len(found) == self._wanted[place]:
                break
            one, other = int(outer[at]), int(inner[at])
            if outers.get(one, 1) and inners[other]:
                outers[one] = 0
                inners[other] -= 1
                found.append(at)
        return np.array(found, dtype=np.intp)


def _at_best(least: Array, most: Array) -> Array:
    """Return the least that loads between two limits miss 0 by, squared and summed; inf for NaN."""
    shut, opened = (np.maximum(np.maximum(least[..., end], -most[..., end]), 0.0) for end in (0, 1))
    cost = np.square(shut) + np.square(opened)
    cost[np.isnan(cost)] = math.inf
    return cost
