"""Thousands of springs: the optimum of all from those near the card, and a bound that holds."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.optimize import Bounds, LinearConstraint, linear_sum_assignment, milp
from scipy.sparse import coo_array

from coilbench.analysis.engine import wide_search
from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.three_index import Array
from coilbench.analysis.engine.wide_search import Spans, WideProblem
from coilbench.analysis.inputs.selecting import sets_for_pairs


def shelf(
    seed: int,
    valves: int = 3,
    outers: int = 14,
    inners: int = 12,
    half: float = 0.0,
    gaps: float = 0.0,
    stock: int | None = None,
) -> WideProblem:
    """Random springs, in tolerances; half: how far each load may be off; gaps: how many are not."""
    rng = np.random.default_rng(seed)
    sides = []
    for count in (outers, inners):
        middle = rng.normal(0.0, 1.0, (valves, 3, count, 2))
        middle[rng.random((valves, 3, count)) < gaps] = np.nan
        own = half * rng.random(middle.shape)
        sides.append(Spans(middle - own, middle + own))
    uses = np.array([[0.0], [1.0], [2.0]]) if stock is not None else np.zeros((3, 0))
    return WideProblem(
        sides[0],
        sides[1],
        np.ones(valves, dtype=np.intp),
        np.ones(inners, dtype=np.intp),
        uses,
        np.full(uses.shape[1], float(stock or 0)),
        np.zeros(3),
    )


def by_milp(problem: WideProblem, most: float | None = None) -> float | None:
    """The textbook programme by scipy.optimize.milp (HiGHS): every triple and stack a binary.

    Given what a solution is said to cost, the triples that no solution as cheap can have are left
    out: with the least of every other place they cost more.
    """
    outers, inners = problem.outer.least.shape[2], problem.inner.least.shape[2]
    every = np.arange(outers), np.arange(inners)
    costs = np.stack([problem.costs(place, *every) for place in range(len(problem.wanted))])
    least = costs.min(axis=(1, 2, 3), keepdims=True)
    spare = np.inf if most is None else most + 1e-6 - least.sum()
    place, outer, inner, stack = np.nonzero(np.isfinite(costs) & (costs <= least + spare))
    cost = costs[place, outer, inner, stack]
    at, ones = np.arange(len(cost)), np.ones(len(cost))
    fill = coo_array((ones, (place, at)), shape=(len(problem.wanted), len(cost))).tocsr()
    once = coo_array(
        (np.tile(ones, 2), (np.concatenate([outer, outers + inner]), np.tile(at, 2))),
        shape=(outers + inners, len(cost)),
    ).tocsr()
    rows = [LinearConstraint(fill, 1.0, 1.0), LinearConstraint(once, -np.inf, 1.0)]
    if len(problem.stock):
        rows.append(LinearConstraint(problem.uses[stack].T, -np.inf, problem.stock))
    answer = milp(
        cost,
        constraints=rows,
        integrality=np.ones(len(cost)),
        bounds=Bounds(0.0, 1.0),
        options={"mip_rel_gap": 0.0},
    )
    return None if answer.x is None else float(answer.fun)


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    gaps=st.sampled_from([0.0, 0.5]),
    stock=st.sampled_from([None, 1, 3]),
    neighbours=st.integers(1, 3),
    nearest=st.integers(3, 8),
)
def test_what_is_called_optimal_is_scipys_optimum_over_all(
    seed: int, gaps: float, stock: int | None, neighbours: int, nearest: int
) -> None:
    """However few columns it begins with; a bound is never above the optimum."""
    problem = shelf(seed, gaps=gaps, stock=stock)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(wide_search, "NEIGHBOURS", neighbours)
        patch.setattr(wide_search, "NEAREST", nearest)
        found = problem.solve(Solving())
    least = by_milp(problem, found.objective)
    if least is None:
        assert found.status in ("infeasible", "unknown")
        return
    assert found.bound is not None
    assert found.bound <= least + 1e-7
    if found.objective is not None:
        assert found.objective >= least - 1e-7
    if found.status == "optimal":
        assert found.objective == pytest.approx(least, abs=2e-6)


def test_the_optimum_of_many_is_found_and_proven() -> None:
    problem = shelf(1, valves=3, outers=60, inners=60)
    found = problem.solve(Solving())
    assert found.status == "optimal"
    assert found.objective == pytest.approx(by_milp(problem, found.objective), abs=2e-6)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), half=st.sampled_from([0.05, 0.3]))
def test_the_bound_at_best_holds_wherever_the_loads_really_lie(seed: int, half: float) -> None:
    """Loads drawn anywhere within their spans never have a cheaper optimum than the bound."""
    problem = shelf(seed, half=half)
    bound = problem.solve(Solving()).bound
    rng, sides = np.random.default_rng(seed + 1), []
    for side in (problem.outer, problem.inner):
        true = side.least + rng.random(side.least.shape) * (side.most - side.least)
        sides.append(Spans(true, true))
    truth = by_milp(replace(problem, outer=sides[0], inner=sides[1]))
    assert truth is not None
    assert bound is not None
    assert bound <= truth + 1e-7


def test_single_springs_are_the_two_index_problem() -> None:
    """scipy.optimize.linear_sum_assignment solves it exactly."""
    problem = shelf(5, valves=4, outers=40)
    nothing = np.zeros((4, 3, 1, 2))
    alone = replace(problem, inner=Spans(nothing, nothing), inner_uses=np.array([4]))
    costs = np.square(problem.outer.least).sum(axis=-1).min(axis=1)
    rows, columns = linear_sum_assignment(costs)
    found = alone.solve(Solving())
    assert found.status == "optimal"
    assert found.objective == pytest.approx(float(costs[rows, columns].sum()), abs=2e-6)


def lined_up(offsets: Array) -> WideProblem:
    """Four sets of three outers and of three inners, each set off the card by its offset."""
    sides = []
    for sign in (1.0, -1.0):
        middle = np.repeat(sign * 5.0 + offsets, 3)[None, None, :, None] * np.ones((2, 1, 1, 2))
        sides.append(Spans(middle - 0.01, middle + 0.01))
    return WideProblem(
        sides[0],
        sides[1],
        np.ones(2, dtype=np.intp),
        np.ones(12, dtype=np.intp),
        np.zeros((1, 0)),
        np.zeros(0),
        np.zeros(1),
    )


def test_the_nearest_sets_are_short_listed_and_no_more_than_asked_for() -> None:
    problem = lined_up(np.array([3.0, 0.0, 4.0, 2.0]))
    of_set = np.repeat(np.arange(4), 3)
    outers, inners = sets_for_pairs(problem, of_set, of_set, 1)
    assert (len(outers), len(inners)) == (1, 1)
    middle = problem.outer.middle(0, 0)[3 * outers[0]] + problem.inner.middle(0, 0)[3 * inners[0]]
    assert np.abs(middle).max() == pytest.approx(0.0)


@pytest.mark.parametrize(("half", "gaps"), [(0.0, 0.3), (0.4, 0.0)])
def test_no_triple_is_below_what_is_said_of_its_springs(half: float, gaps: float) -> None:
    """Held to the cost of every triple; where loads are known exactly it is the least of them."""
    problem = shelf(3, half=half, gaps=gaps)
    every = np.arange(14), np.arange(12)
    costs = np.stack([problem.costs(place, *every) for place in range(3)])
    for said, least in zip(
        problem.least_costs(), (costs.min(axis=(0, 2, 3)), costs.min(axis=(0, 1, 3))), strict=True
    ):
        assert (said <= least + 1e-12).all()
        if half == 0.0:
            assert said == pytest.approx(least)


def test_springs_alike_that_may_all_meet_the_card_leave_no_place_empty() -> None:
    """Every pair may cost nothing: the nearest columns are of as many springs as there are."""
    spans = Spans(np.full((1, 2, 300, 2), -1.0), np.full((1, 2, 300, 2), 1.0))
    sixteen, once = np.array([16]), np.ones(300, dtype=np.intp)
    none = np.zeros(0)
    problem = WideProblem(spans, spans, sixteen, once, np.zeros((2, 0)), none, np.zeros(2))
    found = problem.solve(Solving())
    assert (found.status, found.objective, len(found.picks)) == ("optimal", 0.0, 16)
