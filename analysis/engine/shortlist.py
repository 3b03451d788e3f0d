"""Which sets of a whole shelf are worth judging, by first readings of their springs. Pure."""

from __future__ import annotations

import numpy as np

from coilbench.analysis.engine.three_index import Array, Index
from coilbench.analysis.engine.wide_search import WideProblem


def sets_for_pairs(
    problem: WideProblem, outer_set: Index, inner_set: Index, most: int
) -> tuple[list[int], list[int]]:
    """Return the sets that come nearest to the card, outer and inner by their means, few of them.

    The same under all valves.

    Args:
        problem: of first readings and how far they may be off.
        outer_set, inner_set: shape (N,), which set each spring is of.
        most: sets of a role at most.
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
