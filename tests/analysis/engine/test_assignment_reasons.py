"""Springs to valves: what limits cost, and why there is no answer."""

import numpy as np
import pytest

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
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
)
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from support.straight_springs import plan, solve, spring_set


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
    assert SolidUnknown("larch", None) in assignment.assumptions


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
    assert (level.status, level.needs[: len(heights)], level.proven) == ("not_read", heights, False)


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
