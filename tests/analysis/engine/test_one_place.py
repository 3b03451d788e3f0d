"""Valves that are all alike, beside SciPy's assignment."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from coilbench.analysis.engine.three_index import ThreeIndexProblem
from coilbench.analysis.engine.three_index_search import (
    _price,
    is_of_one_place,
    solution_of_one_place,
)

Array = NDArray[np.float64]


def problem_of(block: Array, valves: int, uses: list[int] | None = None) -> ThreeIndexProblem:
    _, inners, stacks = block.shape
    return ThreeIndexProblem(
        costs=lambda _: block,
        wanted=np.array([valves]),
        inner_uses=np.array(uses or [1] * inners),
        uses=np.zeros((stacks, 0)),
        stock=np.zeros(0),
        effort=np.zeros(stacks),
    )


def least_by_scipy(block: Array, valves: int, uses: list[int]) -> float:
    """The least cost of so many pairs: stand-ins take the outers and inners that are left over."""
    pairs = np.repeat(block.min(axis=2), uses, axis=1)
    outers, inners = pairs.shape
    if valves > min(outers, inners):
        return np.inf
    square = np.zeros((outers + inners - valves, inners + outers - valves))
    square[:outers, :inners] = pairs
    square[outers:, inners:] = np.inf
    try:
        chosen = linear_sum_assignment(square)
    except ValueError:
        return np.inf
    return float(square[chosen].sum())


def random_blocks(seed: int) -> tuple[Array, int, list[int]]:
    random = np.random.default_rng(seed)
    outers, inners, stacks = random.integers(1, 8), random.integers(1, 8), random.integers(1, 4)
    block = random.random((outers, inners, stacks)) * random.choice([1.0, 1e4])
    if seed % 3 == 0:
        block = np.round(block, 1)  # many that cost the same
    block[random.random(block.shape) < random.choice([0.0, 0.3, 0.7])] = np.inf
    uses = [int(n) for n in random.integers(1, 3 if seed % 2 else 2, inners)]
    return block, int(random.integers(1, min(outers, sum(uses)) + 1)), uses


@pytest.mark.parametrize("seed", range(300))
def test_the_sum_is_the_least_and_the_prices_prove_it(seed: int) -> None:
    block, valves, uses = random_blocks(seed)
    problem, least = problem_of(block, valves, uses), least_by_scipy(block, valves, uses)
    assert is_of_one_place(problem)

    found = solution_of_one_place(problem)

    if found is None:
        assert not np.isfinite(least)
        return
    best, prices = found
    scale = 1e-9 * max(1.0, least)
    assert best.cost.sum() == pytest.approx(least, abs=scale)
    assert len(set(best.outer)) == valves
    assert (np.bincount(best.inner, minlength=len(uses)) <= uses).all()
    assert (block[best.outer, best.inner, best.stack] == best.cost).all()
    assert (prices.outer <= 0.0).all()
    assert (prices.inner <= 0.0).all()
    assert _price(problem, prices, 1).bound == pytest.approx(least, abs=scale)


def test_a_hundred_of_each_that_all_cost_the_same_come_to_an_end() -> None:
    block = np.add.outer(np.arange(100) * 0.1, np.arange(100) * 0.3)[:, :, None]

    found = solution_of_one_place(problem_of(block, 100))

    assert found is not None
    assert found[0].cost.sum() == pytest.approx(np.arange(100).sum() * 0.4)


def test_more_valves_than_springs_can_not_be_filled() -> None:
    assert solution_of_one_place(problem_of(np.zeros((3, 2, 1)), 3)) is None
    assert solution_of_one_place(problem_of(np.zeros((3, 2, 1)), 3, [2, 1])) is not None
