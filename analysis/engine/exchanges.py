"""A first solution, near the best: springs exchanged while that comes nearer to the card. Pure.

Of valves, outers and inners two are left together and the third is given anew, exactly, each in
turn, until nothing gets better (the dimensionwise variation of Karapetyan and Gutin, Discrete
Applied Mathematics 159, 2011, from memory). From there a few outers are exchanged at random, and
what is no farther from the card is kept.
"""

from __future__ import annotations

import msgspec
import numpy as np

from coilbench.analysis.engine.programmes import choose
from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.three_index import (
    Array,
    Columns,
    Index,
    Prices,
    ThreeIndexProblem,
)

KICKS = 80  # for each valve; ours
LARGEST_KICK = 8  # outers exchanged at a time
LARGEST_TABLE = 8_000_000  # places x outers x inners: above it no first solution is looked for
SEED = 0  # the same question has the same answer


class _Given(msgspec.Struct, frozen=True):
    """Springs given to each triple that is wanted, shape (V,); cost is inf where one may not."""

    cost: float
    outer: Index
    inner: Index


def first_solution(problem: ThreeIndexProblem, prices: Prices, solving: Solving) -> Columns | None:
    """Return a solution, its columns by place; None where none was found, which proves nothing."""
    outers, inners, _ = problem.shape
    valves, places = int(problem.wanted.sum()), len(problem.wanted)
    copies = np.repeat(np.arange(inners), np.minimum(problem.inner_uses, valves))
    if min(outers, len(copies)) < valves or places * outers * inners > LARGEST_TABLE:
        return None
    shims = -problem.uses @ prices.shim
    costs = np.array([(problem.block(at) + shims).min(axis=2) for at in range(places)])
    place = np.repeat(np.arange(places), problem.wanted)
    barred = ~np.isfinite(costs)
    dear = 1.0 + 2.0 * valves * float(np.where(barred, 0.0, costs).max(initial=0.0))
    best = _exchanged(np.where(barred, dear, costs), place, copies, solving)
    if barred[place, best.outer, copies[best.inner]].any():
        return None
    return _with_stacks(problem, place, best.outer, copies[best.inner], solving)


def _exchanged(costs: Array, place: Index, copies: Index, solving: Solving) -> _Given:
    random = np.random.default_rng(SEED)
    valves, outers = len(place), costs.shape[1]
    best = _settled(costs, place, copies, random.permutation(outers)[:valves])
    for kick in range(KICKS * valves if valves > 1 else 0):
        if kick % LARGEST_KICK == 0 and solving.left_s() <= 0.0:
            break
        outer = best.outer.copy()
        count = min(valves, int(random.integers(2, LARGEST_KICK)))
        some = random.choice(valves, count, replace=False)
        if outers > valves and random.random() < 0.5:
            outer[some[0]] = random.choice(np.setdiff1d(np.arange(outers), outer))
        outer[some] = outer[random.permutation(some)]
        found = _settled(costs, place, copies, outer)
        best = found if found.cost <= best.cost else best
    return best


def _settled(costs: Array, place: Index, copies: Index, outer: Index) -> _Given:
    """Give inners, outers and valves anew, in turn, until that gains nothing."""
    from scipy.optimize import linear_sum_assignment  # imported late: slow to load

    best = _Given(np.inf, outer, outer)
    while True:
        inner = linear_sum_assignment(costs[place, outer][:, copies])[1]
        outer = linear_sum_assignment(costs[place, :, copies[inner]])[1]
        moved = linear_sum_assignment(costs[place[:, None], outer, copies[inner]])[1]
        outer, inner = outer[moved], inner[moved]
        cost = float(costs[place, outer, copies[inner]].sum())
        if cost >= best.cost:
            return best
        best = _Given(cost, outer, inner)


def _with_stacks(
    problem: ThreeIndexProblem, place: Index, outer: Index, inner: Index, solving: Solving
) -> Columns | None:
    """Put shims under each triple, the nearest to the card that the stock gives together."""
    blocks = np.array(
        [problem.block(at)[o, i] for at, o, i in zip(place, outer, inner, strict=True)]
    )
    every = np.indices(blocks.shape).reshape(2, -1)
    if not len(problem.stock):
        every = np.array([np.arange(len(place)), blocks.argmin(axis=1)])
    valve, stack = every[:, np.isfinite(blocks[tuple(every)])]
    columns = Columns(place[valve], outer[valve], inner[valve], stack, blocks[valve, stack])
    if not len(problem.stock):
        return columns
    chosen = solving.run(lambda: choose(problem, columns, max(solving.left_s(), 1.0)))
    return None if chosen is None else chosen.columns
