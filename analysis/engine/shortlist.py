"""Which sets of a whole shelf are worth judging, by first readings of their springs. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from coilbench.analysis.engine.three_index import Array, Index
from coilbench.analysis.engine.wide_search import WideProblem

OWN_SHARE = 0.25  # ours: most of what a first look is off by, all springs have in common
ROUNDS = 2  # springs for each valve: some of them are flagged once they are judged


def sets_for_valves(
    problem: WideProblem, outer_set: Index, inner_set: Index, most: int
) -> tuple[list[int], list[int]]:
    """Return the sets whose springs come nearest to the card at the valves, few of them.

    Valve by valve the nearest pair that is left; another set is taken in only where it comes nearer
    by more than first readings may be off against each other.

    Args:
        problem: of first readings and how far they may be off.
        outer_set, inner_set: shape (N,), which set each spring is of.
        most: sets of a role at most.
    """
    of_set = outer_set, inner_set
    chosen: tuple[list[int], list[int]] = ([], [])
    free = np.ones(len(outer_set), dtype=bool), np.ones(len(inner_set), dtype=bool)
    price = (OWN_SHARE * _unsure(problem)) ** 2
    valves = np.repeat(np.arange(len(problem.wanted)), problem.wanted)
    for place in np.tile(valves, ROUNDS):
        best: _Pair | None = None
        for new in ((False, False), (True, False), (False, True), (True, True)):
            full = any(
                wants and len(known) >= most for wants, known in zip(new, chosen, strict=True)
            )
            dear = price * sum(new)
            if full or (best is not None and best.cost <= dear):
                continue
            springs = [
                np.flatnonzero(left if wants else left & np.isin(sets, known))
                for wants, left, sets, known in zip(new, free, of_set, chosen, strict=True)
            ]
            found = _nearest(problem, int(place), springs[0], springs[1])
            if found is not None and (best is None or found.cost + dear < best.cost):
                best = found._replace(cost=found.cost + dear)
        if best is None:
            break
        free[0][best.outer] = False
        free[1][best.inner] = len(inner_set) == 1  # a stand-in for no inner at all
        for spring, sets, known in zip(best[:2], of_set, chosen, strict=True):
            if (number := int(sets[spring])) not in known:
                known.append(number)
    return chosen


class _Pair(NamedTuple):
    outer: int
    inner: int
    cost: float


def _nearest(problem: WideProblem, place: int, outers: Index, inners: Index) -> _Pair | None:
    """Return the pair of some springs that is nearest to the card at a place, over any stack."""
    some = replace(problem, outer=problem.outer.of(outers), inner=problem.inner.of(inners))
    best: _Pair | None = None
    for near in some.near(place, 1):
        stack = int(near.stack[0])
        sums = some.outer.middle(place, stack)[near.outer]
        sums = sums + some.inner.middle(place, stack)[near.inner]
        cost = np.square(sums).sum(axis=1)
        at = int(cost.argmin())
        if best is None or cost[at] < best.cost:
            outer, inner = outers[near.outer[at]], inners[near.inner[at]]
            best = _Pair(int(outer), int(inner), float(cost[at]))
    return best


def _unsure(problem: WideProblem) -> float:
    """Return how far the readings of a pair may be off, in tolerances: the middle of all."""
    total = 0.0
    for side in (problem.outer, problem.inner):
        half = np.linalg.norm(side.most - side.least, axis=-1) / 2.0
        total += float(np.nanmedian(half)) if np.isfinite(half).any() else 0.0
    return total


def sets_for_pairs(
    problem: WideProblem, outer_set: Index, inner_set: Index, most: int
) -> tuple[list[int], list[int]]:
    """Return the sets that come nearest to the card, outer and inner by their means, few of them.

    Arguments as for `sets_for_valves`; the same under all valves.
    """
    outer, inner = _means(problem, outer_set, True), _means(problem, inner_set, False)
    share = problem.wanted / problem.wanted.sum()
    cost = np.full((outer.shape[2], inner.shape[2]), np.inf)
    for stack in range(outer.shape[1]):
        missed = np.zeros(cost.shape)
        for place in range(outer.shape[0]):
            off = outer[place, stack][:, None, :] + inner[place, stack][None, :, :]
            missed += share[place] * np.square(off).sum(axis=-1)
        cost = np.fmin(cost, missed)
    chosen: tuple[list[int], list[int]] = ([], [])
    for pair in np.argsort(np.nan_to_num(cost, nan=np.inf).ravel()):
        for number, known in zip(np.unravel_index(pair, cost.shape), chosen, strict=True):
            if int(number) not in known and len(known) < most:
                known.append(int(number))
        if all(len(known) == most for known in chosen):
            break
    return chosen


def _means(problem: WideProblem, of_set: Index, outer: bool) -> Array:
    """Return the mean of the middles of each set's springs, (K, S, sets, 2); NaN for none."""
    side = problem.outer if outer else problem.inner
    middle = (side.least + side.most) / 2.0
    places, stacks, _, ends = middle.shape
    found = np.full((places, stacks, int(of_set.max()) + 1, ends), np.nan)
    for number in range(found.shape[2]):
        mine = middle[:, :, of_set == number]
        read = ~np.isnan(mine)
        count = np.where(read.any(axis=2), read.sum(axis=2), np.nan)
        found[:, :, number] = np.where(read, mine, 0.0).sum(axis=2) / count
    return found
