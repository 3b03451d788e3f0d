"""Springs to valves: brute force, SciPy's two-index optimum, and invariants."""

import itertools
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from coilbench.analysis.choices import EFFORTS
from coilbench.analysis.engine.assignment import Level
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.reasons import (
    ValvesAssumed,
)
from coilbench.analysis.report.document import document
from coilbench.capture.errors import CoilbenchError
from support.straight_springs import (
    LIFT_MM,
    OPEN_N,
    OPEN_TOLERANCE_N,
    SEAT_N,
    SEAT_TOLERANCE_N,
    Straight,
    plan,
    solve,
    spring_set,
)


def cost(height_mm: float, outer: Straight, inner: Straight | None, change_mm: float) -> float:
    """The sum of one valve, from the straight lines' own formula."""
    total = 0.0
    for lift, target, tolerance in (
        (0.0, SEAT_N, SEAT_TOLERANCE_N),
        (LIFT_MM, OPEN_N, OPEN_TOLERANCE_N),
    ):
        load = outer[1] * (outer[0] - (height_mm + change_mm - lift))
        if inner is not None:
            load += inner[1] * (inner[0] - (height_mm + change_mm - 2.0 - lift))
        total += ((load - target) / tolerance) ** 2
    return total


outer_springs = st.tuples(st.floats(49.0, 51.0), st.floats(18.0, 22.0))
inner_springs = st.tuples(st.floats(47.5, 48.5), st.floats(9.0, 11.0))
heights = st.lists(st.sampled_from([39.5, 39.8, 40.0, 40.3]), min_size=1, max_size=3)
STACKS = [(), (0.5,), (1.0,), (0.5, 0.5), (0.5, 1.0), (1.0, 1.0)]


def stacks_of(level: Level) -> list[tuple[float, ...]]:
    return [valve.choice.shims_mm for valve in level.valves]


# -- against the outside ---------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(data=st.data(), valves=heights)
def test_brute_force_finds_no_better(data: st.DataObject, valves: list[float]) -> None:
    """Every outer, inner and stack on every valve, with a stock that runs short."""
    most = len(valves) + data.draw(st.integers(0, 1))
    outers = data.draw(st.lists(outer_springs, min_size=len(valves), max_size=most))
    inners = data.draw(st.lists(inner_springs, min_size=len(valves), max_size=most))
    stock = data.draw(st.tuples(st.integers(0, 3), st.integers(0, 2)))
    build = plan(valves, shims=list(zip((0.5, 1.0), stock, strict=True)))
    level = solve(
        build, spring_set("larch", "outer", outers), spring_set("heron", "inner", inners)
    ).chosen
    least = math.inf
    some = np.array(list(itertools.permutations(range(len(outers)), len(valves))))[:, None]
    others = np.array(list(itertools.permutations(range(len(inners)), len(valves))))[None]
    costs = {  # of each outer with each inner, by valve and stack
        (at, stack): np.array([[cost(mm, a, b, -sum(stack)) for b in inners] for a in outers])
        for at, mm in enumerate(valves)
        for stack in STACKS
    }
    for stacks in itertools.product(STACKS, repeat=len(valves)):
        under = [shim for stack in stacks for shim in stack]
        if under.count(0.5) > stock[0] or under.count(1.0) > stock[1]:
            continue
        totals = sum(
            costs[at, stack][some[..., at], others[..., at]] for at, stack in enumerate(stacks)
        )
        least = min(least, float(np.min(totals)))
    assert level.status == "optimal"
    assert level.objective == pytest.approx(least, rel=1e-7, abs=1e-7)
    assert level.bound <= least + 1e-9
    used = [shim for stack in stacks_of(level) for shim in stack]
    assert used.count(0.5) <= stock[0]
    assert used.count(1.0) <= stock[1]


@settings(max_examples=20, deadline=None)
@given(
    outers=st.lists(outer_springs, min_size=4, max_size=7),
    valves=st.lists(st.floats(39.0, 41.0), min_size=1, max_size=4),
)
def test_single_springs_without_shims_are_scipys_assignment(
    outers: list[Straight], valves: list[float]
) -> None:
    """scipy.optimize.linear_sum_assignment, the two-index case."""
    valves = [round(height, 3) for height in valves]
    outers = [(free, rate * 1.5) for free, rate in outers]
    costs = np.array([[cost(height, outer, None, 0.0) for outer in outers] for height in valves])
    rows, columns = linear_sum_assignment(costs)
    level = solve(plan(valves, inner=False), spring_set("larch", "single", outers)).chosen
    assert level.status == "optimal"
    assert level.objective == pytest.approx(costs[rows, columns].sum(), rel=1e-7, abs=1e-7)
    assert all(valve.inner is None for valve in level.valves)
    assert len(level.spares) == len(outers) - len(valves)


# -- invariants ------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(data=st.data(), valves=heights)
def test_order_and_labels_change_nothing(data: st.DataObject, valves: list[float]) -> None:
    outers = data.draw(st.lists(outer_springs, min_size=3, max_size=5))
    inners = data.draw(st.lists(inner_springs, min_size=3, max_size=5))
    shims = [(0.4, 2), (1.0, None)]

    def objective(heights_mm: list[float], some: list[Straight], others: list[Straight]) -> float:
        sets = spring_set("larch", "outer", some), spring_set("heron", "inner", others)
        return solve(plan(heights_mm, shims=shims), *sets).chosen.objective

    again = objective(
        data.draw(st.permutations(valves)),
        data.draw(st.permutations(outers)),
        data.draw(st.permutations(inners)),
    )
    assert again == pytest.approx(objective(valves, outers, inners), rel=1e-6, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(data=st.data(), valves=heights)
def test_more_effort_is_never_worse_and_the_numbers_hold_together(
    data: st.DataObject, valves: list[float]
) -> None:
    outers = data.draw(st.lists(outer_springs, min_size=3, max_size=4))
    inners = data.draw(st.lists(inner_springs, min_size=3, max_size=4))
    head = 'max_seat_cut = "0.4 mm"\nseat_cut_step = "0.2 mm"'
    sets = spring_set("larch", "outer", outers), spring_set("heron", "inner", inners)
    levels = solve(plan(valves, shims=[(0.4, 2), (1.0, 1)], head=head), *sets).levels
    assert [level.effort for level in levels] == list(EFFORTS)
    for less, more in itertools.pairwise(levels):
        assert more.objective <= less.objective + 1e-6
    assert not any(stacks_of(levels[0]))
    assert levels[0].cuts == levels[1].cuts == 0
    labels = [each.label for one in sets for each in one.curves]
    straight = dict(zip(labels, outers + inners, strict=True))
    for level in levels:
        assert level.bound <= level.objective
        assert level.objective - level.bound <= 1e-6 * max(1.0, level.objective)
        total = 0.0
        for valve in level.valves:
            pair = straight[valve.outer.name], straight[valve.inner.name]
            total += cost(valve.valve.height_mm, *pair, valve.choice.height_change_mm)
        assert total == pytest.approx(level.objective, rel=1e-7, abs=1e-9)
        names = [valve.outer.name for valve in level.valves]
        names += [valve.inner.name for valve in level.valves]
        assert sorted(names + [each.name for each in level.spares]) == sorted(straight)
        assert [valve.valve.name for valve in level.valves] == [
            str(number) for number in range(1, len(valves) + 1)
        ]


def test_a_shim_adds_its_rate_to_both_loads() -> None:
    """Common practice, no source: a washer adds the rate times its thickness at both ends."""
    larch = spring_set("larch", "single", [(49.0, 30.0)])
    bare, washer = solve(plan(shims=[(1.0, 1)], inner=False), larch).levels[:2]
    assert washer.valves[0].choice.shims_mm == (1.0,)
    assert washer.valves[0].seat.load_n == pytest.approx(bare.valves[0].seat.load_n + 30.0)
    assert washer.valves[0].open.load_n == pytest.approx(bare.valves[0].open.load_n + 30.0)


# -- effort ----------------------------------------------------------------------------------


def test_of_equals_the_cheapest_effort_is_taken() -> None:
    """One shim of 1 mm before two of 0.5; none where without is as near as with."""
    larch = spring_set("larch", "single", [(49.0, 30.0)])
    level = solve(plan(shims=[(0.5, None), (1.0, None)], inner=False), larch).chosen
    assert stacks_of(level) == [(1.0,)]
    short = solve(plan(shims=[(0.5, None), (1.0, 0)], inner=False), larch).chosen
    assert stacks_of(short) == [(0.5, 0.5)]
    # 15 N low at both ends without, 15 N high with a shim of 1 mm
    between = spring_set("larch", "single", [(49.5, 30.0)])
    assert stacks_of(solve(plan(shims=[(1.0, None)], inner=False), between).chosen) == [()]


def test_scarce_shims_go_where_they_help_most() -> None:
    low, lower = (49.5, 30.0), (49.0, 30.0)
    build = plan((40.0, 40.0), shims=[(1.0, 1)], inner=False)
    level = solve(build, spring_set("larch", "single", [low, lower])).chosen
    chosen = {valve.outer.name: valve.choice.shims_mm for valve in level.valves}
    assert chosen == {"larch-01": (), "larch-02": (1.0,)}


def test_a_cut_only_where_cuts_are_allowed() -> None:
    build = plan(head='max_seat_cut = "0.6 mm"', inner=False)
    levels = solve(build, spring_set("larch", "single", [(50.4, 30.0)])).levels
    assert [level.cuts for level in levels] == [0, 0, 1]
    assert levels[2].valves[0].choice.seat_cut_mm == pytest.approx(0.4)
    assert levels[2].objective == pytest.approx(0.0, abs=1e-9)


def test_a_cut_is_never_taken_where_something_else_is_as_near() -> None:
    """A cut can't be undone. Loads by hand: 30 N/mm times the compression at 40 and 30 mm."""
    head = 'max_seat_cut = "1 mm"\nseat_cut_step = "1 mm"'
    # 15 N high at both ends without, 15 N low with a cut of 1 mm
    high = spring_set("larch", "single", [(50.5, 30.0)])
    assert solve(plan(head=head, inner=False), high, effort="cuts").chosen.cuts == 0
    # right with four shims of 0.25 mm under the short one, or a cut of 1 mm under the long one
    both = spring_set("larch", "single", [(51.0, 30.0), (49.0, 30.0)])
    shims, limits = [(0.25, None)], "max_shims = 4"
    build = plan(head=head, inner=False, shims=shims, limits=limits)
    level = solve(build, both, effort="cuts").chosen
    assert (level.cuts, level.shims) == (0, 4)
    assert level.objective == pytest.approx(0.0, abs=1e-9)
    # on several valves a cut is more than all the shims of all of them
    twice = spring_set("larch", "single", [(51.0, 30.0)] + [(49.0, 30.0)] * 2)
    build = plan((40.0, 40.0), head=head, inner=False, shims=shims, limits=limits)
    assert solve(build, twice, effort="cuts").chosen.cuts == 0


# -- valves and springs ----------------------------------------------------------------------


def test_how_many_valves_there_are() -> None:
    larch = spring_set("larch", "single", [(50.0, 30.0)] * 5)
    listed = solve(plan((40.0, 40.1), inner=False), larch)
    assert [valve.valve.name for valve in listed.chosen.valves] == ["1", "2"]
    height = 'installed_height = "40 mm"'
    counted = solve(plan((), inner=False, head=f"{height}\nvalves = 3"), larch)
    assert len(counted.chosen.valves) == 3
    assert ValvesAssumed(3, by_set=False) in counted.assumptions
    build = plan((), inner=False, head=height)
    by_set = assign(build, {"larch": larch}, {"larch": 4})
    assert len(by_set.chosen.valves) == 4
    assert ValvesAssumed(4, by_set=True) in by_set.assumptions


def test_sets_are_pooled_and_labels_that_stand_twice_say_their_set() -> None:
    larch = spring_set("larch", "outer", [(50.0, 30.0)])
    twin = SetCurves("rowan", "outer", larch.curves, 10.0)
    build = plan((40.0, 40.0), inner=False, outers=("larch", "rowan"))
    level = solve(build, larch, twin).chosen
    assert sorted(v.outer.name for v in level.valves) == ["larch/larch-01", "rowan/larch-01"]


def test_a_set_that_will_not_do_is_refused() -> None:
    with pytest.raises(CoilbenchError, match="registered as inner"):
        solve(plan(inner=False), spring_set("larch", "inner", [(50.0, 30.0)]))


# -- the document ----------------------------------------------------------------------------


def test_the_document_has_the_agreed_keys() -> None:
    sets = (
        spring_set("larch", "outer", [(49.6, 20.0)] * 2),
        spring_set("heron", "inner", [(47.6, 10.0)] * 2),
    )
    assignment = solve(plan(shims=[(0.4, None)]), *sets)
    found = json.loads(json.dumps(document(assignment), allow_nan=False))
    assert {"status", "effort", "objective", "bound", "valves", "spares", "levels"} <= set(found)
    assert (found["status"], found["effort"]) == ("optimal", "shims")
    assert 0.0 <= found["gap"] <= 1e-6
    (valve,) = found["valves"]
    assert {
        "valve", "outer", "inner", "shims_mm", "seat_cut_mm", "seat_n", "open_n",
        "coil_bind_margin_mm",
    } <= set(valve)  # fmt: skip
    assert valve["shims_mm"] == [0.4]
    assert valve["seat_n"] == pytest.approx(300.0)
    assert valve["fits"] is True
    assert len(found["spares"]) == 2
    assert [level["effort"] for level in found["levels"]] == ["none", "shims", "cuts"]
    assert all({"effort", "objective", "bound"} <= set(level) for level in found["levels"])
    nothing = solve(plan((40.0,) * 3), *sets)
    found = json.loads(json.dumps(document(nothing), allow_nan=False))
    assert found["status"] == "infeasible"
    assert found["objective"] is None
    assert found["reasons"]
