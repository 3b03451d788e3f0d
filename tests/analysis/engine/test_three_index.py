"""The core of assignment: published instances, brute force, SciPy's two-index optimum, bounds."""

import itertools
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.optimize import linear_sum_assignment

from coilbench.analysis.engine import three_index_search
from coilbench.analysis.engine.programmes import Chosen
from coilbench.analysis.engine.solving import Answer, Solving
from coilbench.analysis.engine.three_index import Array, Columns, Prices, ThreeIndexProblem
from coilbench.analysis.engine.three_index_search import (
    _first_columns,
    _price,
    first_solution,
    solve,
)

DATA = Path(__file__).parents[2] / "data" / "balas_saltzman_3d.csv"


def plain(blocks: Array, **changes: object) -> ThreeIndexProblem:
    """A problem without shims; blocks of shape (K, O, I) or (K, O, I, S)."""
    blocks = blocks[..., None] if blocks.ndim == 3 else blocks
    places, _, inners, stacks = blocks.shape
    given: dict[str, object] = {
        "costs": blocks.__getitem__,
        "wanted": np.ones(places, dtype=np.intp),
        "inner_uses": np.ones(inners, dtype=np.intp),
        "uses": np.zeros((stacks, 0)),
        "stock": np.zeros(0),
        "effort": np.zeros(stacks),
    }
    return ThreeIndexProblem(**{**given, **changes})  # type: ignore[arg-type]


def test_each_part_of_a_problem_counts_in_its_digest() -> None:
    """What is kept of a solution is found by it: a part that it lacks is another problem's."""
    costs = np.arange(8.0).reshape(2, 2, 2, 1)
    least = plain(costs, uses=np.zeros((1, 1)), stock=np.ones(1))
    other = {
        "costs": (costs + 1.0).__getitem__,
        "wanted": np.array([1, 2]),
        "inner_uses": np.array([2, 1]),
        "uses": np.ones((1, 1)),
        "stock": np.full(1, 2.0),
        "effort": np.ones(1),
        "outside": np.array([3.0, np.inf]),
    }
    assert {*other} == set(ThreeIndexProblem.__struct_fields__)
    told = {replace(least, **{name: value}).digest for name, value in other.items()}  # type: ignore[arg-type]
    assert len(told | {least.digest}) == len(other) + 1


# -- against the outside ---------------------------------------------------------------------


def published() -> Iterator[tuple[str, int, Array]]:
    for line in DATA.read_text().splitlines():
        if not line.startswith("#"):
            size, instance, optimum, _, _, costs = line.split(",")
            shape = (int(size),) * 3
            yield f"{size}-{instance}", int(optimum), np.array(costs.split(), float).reshape(shape)


@pytest.mark.parametrize(
    ("optimum", "costs"), [pytest.param(o, c, id=name) for name, o, c in published()]
)
def test_published_optima_are_reached_and_proven(optimum: int, costs: Array) -> None:
    """Balas and Saltzman, Operations Research 39 (1991) 150-161: n = 4, 6, 8 and their optima."""
    solution = solve(plain(costs))
    assert solution.status == "optimal"
    assert solution.objective == optimum
    assert optimum - 1e-6 * optimum <= solution.bound <= optimum
    for used in zip(*((p.place, p.outer, p.inner) for p in solution.picks), strict=True):
        assert sorted(used) == list(range(len(costs)))


@pytest.mark.parametrize(
    ("optimum", "costs"), [pytest.param(o, c, id=name) for name, o, c in published()]
)
def test_a_search_that_begins_with_one_column_a_place_ends_at_the_optimum(
    optimum: int, costs: Array, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is left out at first is not forgotten, and neither is what no programme began with."""
    monkeypatch.setattr(three_index_search, "FIRST_POOL", 1)
    monkeypatch.setattr(three_index_search, "FIRST_COLUMNS", 1)
    monkeypatch.setattr(three_index_search, "MORE_COLUMNS", 1)
    monkeypatch.setattr(three_index_search, "first_solution", lambda *_: None)
    solution = solve(plain(costs))
    assert (solution.status, solution.objective) == ("optimal", optimum)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), places=st.integers(1, 6), spare=st.integers(0, 4))
def test_single_springs_are_the_two_index_problem(seed: int, places: int, spare: int) -> None:
    """scipy.optimize.linear_sum_assignment solves it exactly (Jonker and Volgenant's way)."""
    costs = np.random.default_rng(seed).random((places, places + spare))
    rows, columns = linear_sum_assignment(costs)
    stand_in = np.array([places])
    solution = solve(plain(costs[:, :, None], inner_uses=stand_in))
    assert solution.status == "optimal"
    assert solution.objective == pytest.approx(costs[rows, columns].sum(), abs=1e-9)


# -- against brute force ---------------------------------------------------------------------


@st.composite
def problems(draw: st.DrawFn) -> ThreeIndexProblem:
    """A few places, some of them wanted twice, holes, and shims of which there may be too few."""
    rng = np.random.default_rng(draw(st.integers(0, 100_000)))
    wanted = np.array(draw(st.sampled_from([(1,), (2,), (1, 1), (2, 1), (1, 1, 1), (3,)])))
    outers = int(wanted.sum()) + draw(st.integers(0, 1))
    inners = int(wanted.sum()) + draw(st.integers(-1, 1))
    blocks = np.round(rng.random((len(wanted), outers, max(inners, 1), 3)), draw(st.integers(1, 6)))
    blocks[rng.random(blocks.shape) < draw(st.sampled_from([0.0, 0.3, 0.7]))] = np.inf
    return plain(
        blocks,
        wanted=wanted,
        uses=np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]),
        stock=np.array([float(draw(st.integers(0, 3))), float(draw(st.integers(0, 2)))]),
        effort=np.array([0.0, 1.0, 2.0]),
    )


Used = list[tuple[int, int, int, int]]
Solutions = list[tuple[float, float, Used]]


def brute_force(problem: ThreeIndexProblem) -> Solutions:
    """Cost, effort and triples of every solution there is, least first."""
    places = np.repeat(np.arange(len(problem.wanted)), problem.wanted)
    outers, inners, stacks = problem.shape
    found = []
    for outer in itertools.permutations(range(outers), len(places)):
        for inner in itertools.permutations(range(inners), len(places)):
            for stack in itertools.product(range(stacks), repeat=len(places)):
                if np.any(problem.uses[list(stack)].sum(axis=0) > problem.stock):
                    continue
                chosen = list(zip(places.tolist(), outer, inner, stack, strict=True))
                cost = sum(problem.costs(p)[o, i, s] for p, o, i, s in chosen)
                if np.isfinite(cost):
                    effort = float(problem.effort[list(stack)].sum())
                    found.append((float(cost), effort, chosen))
    return sorted(found)


@settings(max_examples=40, deadline=None)
@given(problem=problems(), seed=st.integers(0, 1000))
def test_against_every_solution_there_is(problem: ThreeIndexProblem, seed: int) -> None:
    everything = brute_force(problem)
    _same_optimum_or_same_nothing(problem, everything)
    _first_solution_is_one(problem, everything)
    _any_prices_give_a_true_bound_and_true_reduced_costs(problem, everything, seed)


def _same_optimum_or_same_nothing(problem: ThreeIndexProblem, everything: Solutions) -> None:
    solution = solve(problem)
    if not everything:
        assert solution.status == "infeasible"
        assert solution.picks == ()
        assert solution.objective is None
        return
    least = everything[0][0]
    assert solution.status == "optimal"
    assert solution.objective == pytest.approx(least, abs=1e-8)
    assert solution.bound <= least + 1e-12
    assert solution.objective - solution.bound <= 1e-6 * max(1.0, abs(least))
    equals = [effort for cost, effort, _ in everything if cost <= least + 1e-12]
    effort = sum(problem.effort[pick.stack] for pick in solution.picks)
    assert effort <= min(equals)  # less only where a hair's breadth of cost buys it


def _first_solution_is_one(problem: ThreeIndexProblem, everything: Solutions) -> None:
    """Each place has what it wants, no spring stands twice, and the stock suffices."""
    outers, inners, _ = problem.shape
    prices = Prices(np.zeros(outers), np.zeros(inners), np.zeros(len(problem.stock)))
    found = first_solution(problem, prices, Solving())
    if found is None:
        return
    chosen = list(zip(found.place, found.outer, found.inner, found.stack, strict=True))
    assert sorted(chosen) in [sorted(used) for _, _, used in everything]
    assert found.cost.sum() >= everything[0][0] - 1e-12


def _any_prices_give_a_true_bound_and_true_reduced_costs(
    problem: ThreeIndexProblem, everything: Solutions, seed: int
) -> None:
    """A column's reduced cost is what the bound rises by for every solution that uses it."""
    rng, (outers, inners, _) = np.random.default_rng(seed), problem.shape
    prices = Prices(-rng.random(outers) / 3, -rng.random(inners) / 3, -rng.random(2) / 3)
    priced = _price(problem, prices, 10_000)
    assert priced.complete_to == np.inf
    assert np.all(priced.reduced >= 0.0)
    few = _price(problem, prices, 2)
    assert few.bound == priced.bound
    assert np.sum(priced.reduced < few.complete_to) <= len(few.columns)
    for place, outer, inner, stack in itertools.product(*map(range, (1, *problem.shape))):
        at = priced.columns
        here = (at.place == place) & (at.outer == outer) & (at.inner == inner) & (at.stack == stack)
        with_it = [cost for cost, _, used in everything if (place, outer, inner, stack) in used]
        if with_it:
            (reduced,) = priced.reduced[here]
            assert priced.bound + reduced <= min(with_it) + 1e-6  # effort breaks ties with 2e-7


# -- proof and refusal -----------------------------------------------------------------------


def test_an_infeasible_problem_is_proven_so() -> None:
    costs = np.ones((2, 3, 3))
    costs[:, 1:, :] = np.inf  # both places can only have the first outer
    assert _first_columns(plain(costs)) is None
    assert solve(plain(costs)).status == "infeasible"


def test_too_few_shims_are_infeasible_where_every_place_needs_one() -> None:
    costs = np.ones((2, 2, 2, 2))
    costs[..., 0] = np.inf
    short = {"uses": np.array([[0.0], [1.0]]), "effort": np.array([0.0, 1.0])}
    assert solve(plain(costs, stock=np.array([1.0]), **short)).status == "infeasible"
    assert solve(plain(costs, stock=np.array([2.0]), **short)).status == "optimal"


def test_a_programme_that_is_feasible_only_in_fractions_is_infeasible() -> None:
    """Each place takes half of two triples, but no two whole triples go together."""
    costs = np.full((2, 2, 2), np.inf)
    for triple in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 0)):
        costs[triple] = 1.0
    assert _first_columns(plain(costs)) is not None
    assert solve(plain(costs)).status == "infeasible"


def test_of_equal_costs_the_least_effort_is_taken() -> None:
    costs = np.ones((3, 3, 3, 3))
    costs[..., 0] = [[[2.0]]]
    stacks = {"uses": np.zeros((3, 0)), "effort": np.array([0.0, 2.0, 1.0])}
    solution = solve(plain(costs, **stacks))
    assert [pick.stack for pick in solution.picks] == [2, 2, 2]
    assert solution.objective == 3.0


class _Stopped(Solving):
    """No time from the start, or an integer programme that is given up."""

    def __init__(self, left_s: float, *, gives_up: bool = False) -> None:
        self._left_s, self._gives_up = left_s, gives_up
        self.told: list[tuple[float, float]] = []

    def left_s(self) -> float:
        return self._left_s

    def run(self, work: Callable[[], Answer]) -> Answer | None:
        return None if self._gives_up else work()

    def tell(self, least: float, bound: float) -> None:
        self.told.append((least, bound))


def hard() -> ThreeIndexProblem:
    """A published instance whose optimum, 32, is above the linear programme's."""
    return plain(next(costs for name, _, costs in published() if name == "8-2"))


@pytest.mark.parametrize(
    "solving",
    [_Stopped(0.0), _Stopped(100.0, gives_up=True), _Stopped(-1.0)],
    ids=["no time", "given up", "time is over"],
)
def test_what_is_stopped_gives_the_best_so_far_with_a_true_bound(
    solving: _Stopped, monkeypatch: pytest.MonkeyPatch
) -> None:
    # so that the first solution is not the optimum
    monkeypatch.setattr(three_index_search, "KICKS", 0)
    solution = solve(hard(), solving)
    assert solution.status == "feasible"
    assert 0.0 < solution.bound <= 32.0 < solution.objective
    assert solving.told == [(solution.objective, solution.bound)]


def test_without_a_first_solution_a_stopped_search_knows_the_bound_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(three_index_search, "first_solution", lambda *_: None)
    solution = solve(hard(), _Stopped(100.0, gives_up=True))
    assert (solution.status, solution.picks, solution.objective) == ("unknown", (), None)
    assert 0.0 < solution.bound <= 32.0


@pytest.mark.parametrize(
    ("optimum", "costs"), [pytest.param(o, c, id=name) for name, o, c in published()]
)
def test_a_first_solution_is_near_the_published_optimum(optimum: int, costs: Array) -> None:
    problem = plain(costs)
    count = len(costs)
    found = first_solution(
        problem, Prices(np.zeros(count), np.zeros(count), np.zeros(0)), Solving()
    )
    assert found is not None
    assert optimum <= found.cost.sum() <= 1.05 * optimum


def test_what_is_not_proven_is_not_called_optimal(monkeypatch: pytest.MonkeyPatch) -> None:
    """A programme that stops at the worst diagonal leaves it feasible, with a bound below."""
    problem = hard()
    at = np.arange(8)
    costs = [problem.costs(place)[place, place, 0] for place in range(8)]

    def stopped(_problem: ThreeIndexProblem, _columns: Columns, *_: float) -> Chosen:
        picked = Columns(at, at, at, np.zeros(8, dtype=np.intp), np.array(costs))
        return Chosen("feasible", picked, -np.inf)

    monkeypatch.setattr(three_index_search, "first_solution", lambda *_: None)
    monkeypatch.setattr(three_index_search, "choose", stopped)
    solution = solve(problem)
    assert solution.status == "feasible"
    assert solution.objective == sum(costs)
    assert 0.0 < solution.bound <= 32.0 < solution.objective
