"""Springs to valves: brute force, SciPy's two-index optimum, invariants, and why there is none."""

import itertools
import json
import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.assignment import Assignment, Level
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile, parse_build
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.reasons import (
    ClearanceLow,
    EffortObstacle,
    LimitsTogether,
    MarginObstacle,
    Need,
    Obstacle,
    SolidUnknown,
    TooFewSprings,
    UnreadObstacle,
    ValvesAssumed,
)
from coilbench.analysis.engine.shims import EFFORTS
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Branch, Origin, Sweep

SEAT_N, OPEN_N, SEAT_TOLERANCE_N, OPEN_TOLERANCE_N, LIFT_MM = 300.0, 600.0, 20.0, 30.0, 10.0
Straight = tuple[float, float]  # free length in mm, rate in N/mm


def spring(label: str, free_mm: float, rate: float, low_mm: float = 5.0) -> SpringCurve:
    """A straight spring, read from its free length down."""
    read = Branch(np.array([free_mm, low_mm]), np.array([0.0, rate * (free_mm - low_mm)]))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", label, Origin.KEYED, read, none, 1.0, 0.0, 0.0)
    return fit_curve(label, [sweep], free_length_mm=free_mm)


def spring_set(
    name: str,
    role: str,
    springs: Sequence[Straight],
    solid_mm: float | None = 10.0,
    low_mm: float = 5.0,
) -> SetCurves:
    curves = [spring(f"{name}-{at:02}", *one, low_mm) for at, one in enumerate(springs, 1)]
    return SetCurves(name, role, tuple(curves), solid_mm)


def plan(
    heights_mm: Sequence[float] = (40.0,),
    *,
    shims: Sequence[tuple[float, int | None]] = (),
    head: str = "",
    limits: str = "",
    inner: bool = True,
    outers: Sequence[str] = ("larch",),
) -> BuildFile:
    valves = "\n".join(f'"{at}" = "{height} mm"' for at, height in enumerate(heights_mm, 1))
    stock = "\n".join(
        f'[[shims]]\nthickness = "{thickness} mm"' + ("" if n is None else f"\ncount = {n}")
        for thickness, n in shims
    )
    return parse_build(
        f"""
        [cam]
        name = "card"
        valve_lift = "{LIFT_MM} mm"
        seat_load = "{SEAT_N} N"
        seat_tolerance = "{SEAT_TOLERANCE_N} N"
        open_load = "{OPEN_N} N"
        open_tolerance = "{OPEN_TOLERANCE_N} N"
        [springs]
        outer = {list(outers)}
        {'inner = ["heron"]' if inner else ""}
        [limits]
        {limits}
        [head]
        inner_offset = "2 mm"
        {head}
        {"[head.valves]" if heights_mm else ""}
        {valves}
        {stock}
        """,
        "six.toml",
    )


def solve(build: BuildFile, *sets: SetCurves, effort: str = "shims") -> Assignment:
    sizes = {each.name: len(each.curves) for each in sets}
    return assign(build, {each.name: each for each in sets}, sizes, effort)  # type: ignore[arg-type]


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
    for stacks in itertools.product(STACKS, repeat=len(valves)):
        under = [shim for stack in stacks for shim in stack]
        if under.count(0.5) > stock[0] or under.count(1.0) > stock[1]:
            continue
        changes = [-sum(stack) for stack in stacks]
        for some in itertools.permutations(outers, len(valves)):
            for others in itertools.permutations(inners, len(valves)):
                least = min(least, sum(map(cost, valves, some, others, changes)))
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


# -- limits, and why there is no answer ------------------------------------------------------


def refusal(build: BuildFile, *sets: SetCurves, effort: str = "shims") -> tuple[Obstacle, ...]:
    assignment = solve(build, *sets, effort=effort)
    assert assignment.chosen.status in ("infeasible", "not_read")
    assert assignment.chosen.objective is None
    assert assignment.chosen.valves == ()
    assert assignment.reasons
    assert all(describe(reason, SI) for reason in assignment.reasons)
    return assignment.reasons


def test_too_few_springs() -> None:
    larch = spring_set("larch", "outer", [(50.0, 20.0)])
    heron = spring_set("heron", "inner", [(48.0, 10.0)] * 2)
    (reason,) = refusal(plan((40.0, 40.0)), larch, heron)
    assert reason == TooFewSprings("outer", 1, 2)
    assert "--use-flagged" in describe(reason, SI)


def test_coil_bind_and_the_margin_that_could_be_kept() -> None:
    larch = SetCurves("larch", "single", tuple(
        fit_curve(s.label, [Sweep("0", s.label, Origin.KEYED,
            Branch(np.array([50.0, 5.0]), np.array([0.0, 1350.0])),
            Branch(np.array([]), np.array([])), 1.0, 0.0, 0.0)], solid_height_mm=solid)
        for s, solid in zip(spring_set("x", "single", [(50.0, 30.0)] * 3).curves,
                            (29.5, 29.2, 28.9), strict=True)
    ), None)  # fmt: skip
    (reason,) = refusal(plan((40.0, 40.0), inner=False, shims=[(0.5, None)]), larch)
    assert isinstance(reason, MarginObstacle)
    assert (reason.limit_mm, reason.reachable_mm) == pytest.approx((1.2, 0.8))
    assert "the limit is 1.20 mm" in describe(reason, SI)
    kept = solve(plan((40.0, 40.0), inner=False, limits='coil_bind_margin = "0.8 mm"'), larch)
    assert sorted(valve.coil_bind_margin_mm for valve in kept.chosen.valves) == [0.8, 1.1]


def test_a_limit_costs_what_it_costs() -> None:
    """Of two springs the nearer one binds: it is left out, and the margin is shown."""
    near, far = spring_set("larch", "outer", [(50.0, 30.0)], 29.5), (50.0, 29.0)
    rowan = spring_set("rowan", "outer", [far], 20.0)
    level = solve(plan(inner=False, outers=("larch", "rowan")), near, rowan).chosen
    assert [valve.outer.name for valve in level.valves] == ["rowan-01"]
    assert level.valves[0].coil_bind_margin_mm == pytest.approx(10.0)


def test_an_unknown_solid_height_is_said() -> None:
    larch = spring_set("larch", "single", [(50.0, 30.0)], solid_mm=None)
    assignment = solve(plan(inner=False), larch)
    assert assignment.chosen.valves[0].coil_bind_margin_mm is None
    assert SolidUnknown(("larch",)) in assignment.assumptions


def test_the_retainer() -> None:
    larch = spring_set("larch", "single", [(50.0, 30.0)])
    tight = plan(inner=False, head='retainer_clearance = "11 mm"')
    assert refusal(tight, larch) == (ClearanceLow(1.0, 1.3),)
    own = 'min_clearance = "1 mm"'
    loose = plan(inner=False, head='retainer_clearance = "11 mm"', limits=own)
    assert solve(loose, larch).chosen.status == "optimal"


def test_heights_that_were_not_read() -> None:
    larch = spring_set("larch", "single", [(50.0, 30.0)] * 2, low_mm=35.0)
    heights = tuple(Need("reading", "larch", f"larch-0{n}", 30.0, 20.0) for n in (1, 2))
    build = plan((40.0, 40.0), inner=False)
    assert refusal(build, larch) == (UnreadObstacle(heights),)
    level = solve(build, larch).chosen
    assert (level.status, level.needs, level.proven) == ("not_read", heights, False)


def loose_springs() -> SetCurves:
    """Two springs that stand loose at 50.5 mm without a shim of a millimetre."""
    return spring_set("larch", "single", [(50.0, 60.0)] * 2)


def test_the_stock_of_shims() -> None:
    build = plan((50.5, 50.5), inner=False, shims=[(1.0, 1)])
    kinds = [reason.kind for reason in refusal(build, loose_springs())]
    assert kinds == ["loose", "shim_stock"]
    assert solve(plan((50.5, 50.5), inner=False, shims=[(1.0, 2)]), loose_springs()).chosen.valves


def test_max_shims() -> None:
    build = plan((50.5,), inner=False, shims=[(0.3, None)], limits="max_shims = 1")
    assert EffortObstacle("max_shims", 1, 3) in refusal(build, loose_springs())


def test_more_effort_would_do() -> None:
    build = plan((50.5,), inner=False, shims=[(1.0, None)])
    reason = EffortObstacle("effort_none")
    assert reason in refusal(build, loose_springs(), effort="none")
    assert "--effort shims" in describe(reason, SI)
    near = spring_set("larch", "single", [(50.0, 30.0)], solid_mm=29.0)
    cut = plan(inner=False, head='max_seat_cut = "0.6 mm"')
    assert EffortObstacle("effort_shims") in refusal(cut, near)
    assert solve(cut, near, effort="cuts").chosen.valves[0].choice.seat_cut_mm >= 0.2 - 1e-9


def test_limits_that_only_together_stand_in_the_way() -> None:
    larch = spring_set("larch", "outer", [(50.0, 20.0)], solid_mm=29.5)
    heron = spring_set("heron", "inner", [(48.0, 10.0)], low_mm=33.0)
    both = LimitsTogether(("coil_bind_margin", "unread_heights"))  # neither shims nor their stock
    assert refusal(plan(shims=[(0.4, 3)]), larch, heron) == (both,)


def test_words_honour_the_units() -> None:
    larch = spring_set("larch", "single", [(50.0, 30.0)], low_mm=35.0)
    (reason,) = assign(plan(inner=False), {"larch": larch}, {"larch": 1}).reasons
    assert "1.181 in" in describe(reason, Units("lbf", "in"))
    (need,) = document(reason)["needs"]
    assert (need["label"], need["height_mm"], need["depth_mm"]) == ("larch-01", 30.0, 20.0)


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
