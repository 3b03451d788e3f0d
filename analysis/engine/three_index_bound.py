"""A lower bound on every solution, and what each column would add to it. Pure.

For any prices of 0 or less the Lagrangian bound holds, however they were found (Fisher,
Management Science 27, 1981, from memory): a solver's rounding can make it weaker, never wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from coilbench.analysis.engine.three_index import (
    Array,
    Columns,
    ThreeIndexProblem,
    without_costs,
)
from coilbench.analysis.engine.three_index_rows import Prices, relax

FIRST_COLUMNS = 60  # for each place, to begin with
MORE_COLUMNS = 20  # for each place and round
TOLERANCE = 1e-9


@dataclass(frozen=True)
class Priced:
    """Columns by what they would add to the bound.

    Attributes:
        bound: no solution costs less.
        columns: of each place those of least reduced cost.
        reduced: shape (n,), what the bound rises by if the column is used, 0 or more.
        complete_to: every column left out has a reduced cost of this or more; inf where none
            that is allowed was left out.
    """

    bound: float
    columns: Columns
    reduced: Array
    complete_to: float


def price(
    problem: ThreeIndexProblem, prices: Prices, most: int, filler_cost: float = np.inf
) -> Priced:
    """Price every column.

    Args:
        problem: the costs.
        prices: any, 0 or less.
        most: how many columns of each place to return.
        filler_cost: cost of leaving a place empty; inf where that is not allowed.
    """
    supply = prices.outer.sum() + prices.inner @ problem.inner_uses + prices.shim @ problem.stock
    bound, complete_to = float(supply), np.inf
    found, reduced = [], []
    for place, wanted in enumerate(problem.wanted):
        cost = problem.block(place)
        rest = (
            cost
            - prices.outer[:, None, None]
            - prices.inner[None, :, None]
            - (problem.uses @ prices.shim)[None, None, :]
        )
        least = min(float(rest.min()), filler_cost)
        bound += float(wanted) * least
        flat = rest.ravel() - least if np.isfinite(least) else rest.ravel()
        if most < flat.size:
            parted = np.argpartition(flat, most)
            complete_to = min(complete_to, float(flat[parted[most]]))
            parted = parted[:most]
        else:
            parted = np.arange(flat.size)
        parted = parted[np.isfinite(flat[parted])]
        outer, inner, stack = np.unravel_index(parted, cost.shape)
        at = np.full(len(parted), place)
        found.append(Columns(at, outer, inner, stack, cost.ravel()[parted]))
        reduced.append(flat[parted])
    return Priced(bound, _together(found), np.concatenate(reduced), complete_to)


def first_columns(problem: ThreeIndexProblem) -> Columns | None:
    """Return columns whose linear programme has a solution; None if no columns have, proven.

    Leaving a place empty costs 1 and filling it nothing: a bound above 0 proves that a place
    stays empty.
    """
    outers, inners, _ = problem.shape
    free = Prices(np.zeros(outers), np.zeros(inners), np.zeros(len(problem.stock)))
    columns = price(problem, free, FIRST_COLUMNS).columns
    allowed = without_costs(problem)
    while True:
        value, prices = relax(allowed, replace(columns, cost=np.zeros(len(columns))), 1.0)
        if value <= TOLERANCE:
            return columns
        priced = price(allowed, prices, MORE_COLUMNS, 1.0)
        if priced.bound > TOLERANCE:
            return None
        more = with_new(problem, columns, priced.columns)
        if len(more) == len(columns):
            return None
        columns = more


def best_prices(problem: ThreeIndexProblem, columns: Columns) -> Prices:
    """Return prices of the best bound, by adding columns to the linear programme.

    Args:
        problem: the costs.
        columns: some whose linear programme has a solution.
    """
    best, best_bound = None, -np.inf
    while True:
        value, prices = relax(problem, columns)
        priced = price(problem, prices, MORE_COLUMNS)
        if best is None or priced.bound > best_bound:
            best, best_bound = prices, priced.bound
        more = with_new(problem, columns, priced.columns)
        if value - best_bound <= TOLERANCE * max(1.0, abs(value)) or len(more) == len(columns):
            return best
        columns = more


def with_new(problem: ThreeIndexProblem, columns: Columns, others: Columns) -> Columns:
    """Join columns, each once, with the problem's costs."""
    both = _together([columns, others])
    outers, inners, stacks = problem.shape
    keys = ((both.place * outers + both.outer) * inners + both.inner) * stacks + both.stack
    _, once = np.unique(keys, return_index=True)
    joined = both.where(once)
    cost = np.empty(len(joined))
    for place in np.unique(joined.place):
        here = joined.place == place
        block = problem.block(int(place))
        cost[here] = block[joined.outer[here], joined.inner[here], joined.stack[here]]
    return replace(joined, cost=cost)


def _together(parts: Sequence[Columns]) -> Columns:
    return Columns(
        np.concatenate([part.place for part in parts]),
        np.concatenate([part.outer for part in parts]),
        np.concatenate([part.inner for part in parts]),
        np.concatenate([part.stack for part in parts]),
        np.concatenate([part.cost for part in parts]),
    )
