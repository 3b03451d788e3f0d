"""Intake and exhaust on cards of their own: one assignment over all valves, by brute force."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.depths import depth_rows
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

Straight = tuple[float, float]  # free length in mm, rate in N/mm
TARGETS = {  # lift; load and tolerance shut, and at full lift
    "intake": (10.0, (300.0, 20.0), (600.0, 30.0)),
    "exhaust": (9.0, (320.0, 16.0), (580.0, 25.0)),
}
VALVES = (("1 in", 40.0, "intake"), ("1 ex", 40.0, "exhaust"), ("2 in", 39.6, "intake"))
TEXT = """\
[cam]
name = "Lake twin"
[cam.intake]
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
[cam.exhaust]
valve_lift = "9 mm"
seat_load = "320 N"
seat_tolerance = "16 N"
open_load = "580 N"
open_tolerance = "25 N"
[springs]
outer = ["larch"]
inner = ["heron"]
[[shims]]
thickness = "0.5 mm"
count = 2
[limits]
coil_bind_margin = "{margin} mm"
max_shims = 1
[head]
inner_offset = "2 mm"
retainer_clearance = "12 mm"
[head.valves]
"""


def build_of(margin: float = 1.0) -> BuildFile:
    valves = "".join(
        f'"{name}" = {{height = "{height} mm", cam = "{cam}"}}\n' for name, height, cam in VALVES
    )
    return parse_build(TEXT.format(margin=margin) + valves, "twin.toml")


def spring(label: str, free_mm: float, rate: float) -> SpringCurve:
    read = Branch(np.array([free_mm, 10.0]), np.array([0.0, rate * (free_mm - 10.0)]))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", label, Origin.KEYED, read, none, 1.0, 0.0, 0.0)
    return fit_curve(label, [sweep], free_length_mm=free_mm)


def sets_of(outers: list[Straight], inners: list[Straight]) -> dict[str, SetCurves]:
    return {
        name: SetCurves(
            name, role, tuple(spring(f"{name}-{at}", *one) for at, one in enumerate(springs)), 10.0
        )
        for name, role, springs in (("larch", "outer", outers), ("heron", "inner", inners))
    }


def cost(cam: str, height_mm: float, outer: Straight, inner: Straight, shim_mm: float) -> float:
    """What one valve misses, by Hooke's law and its own card."""
    lift_mm, shut, full = TARGETS[cam]
    total = 0.0
    for drop_mm, (target, tolerance) in ((0.0, shut), (lift_mm, full)):
        at_mm = height_mm - shim_mm - drop_mm
        load = outer[1] * (outer[0] - at_mm) + inner[1] * (inner[0] - (at_mm - 2.0))
        total += ((load - target) / tolerance) ** 2
    return total


@settings(max_examples=12, deadline=None)
@given(
    outers=st.lists(
        st.tuples(st.floats(49.0, 51.0), st.floats(18.0, 22.0)), min_size=3, max_size=3
    ),
    inners=st.lists(st.tuples(st.floats(47.5, 48.5), st.floats(9.0, 11.0)), min_size=3, max_size=3),
)
def test_one_assignment_over_both_cards_is_what_trying_all_gives(
    outers: list[Straight], inners: list[Straight]
) -> None:
    best = min(
        math.fsum(
            cost(cam, height, outer, inner, mm)
            for (_, height, cam), outer, inner, mm in zip(VALVES, o, i, stack, strict=True)
        )
        for o in itertools.permutations(outers)
        for i in itertools.permutations(inners)
        for stack in itertools.product((0.0, 0.5), repeat=3)
        if sum(stack) <= 1.0  # two shims in stock
    )
    found = assign(build_of(), sets_of(outers, inners), {"larch": 3, "heron": 3})
    assert found.chosen.objective == pytest.approx(best, rel=1e-6, abs=1e-6)
    cams = {name: cam for name, _, cam in VALVES}
    for plan in found.chosen.valves:
        lift_mm, shut, full = TARGETS[cams[plan.valve.name]]
        rate = 0.0
        for each, springs in ((plan.outer, outers), (plan.inner, inners)):
            rate += springs[int(each.name.rpartition("-")[2])][1]
        assert plan.open.load_n - plan.seat.load_n == pytest.approx(rate * lift_mm, rel=1e-6)
        inside = (
            abs(plan.seat.load_n - shut[0]) <= shut[1]
            and abs(plan.open.load_n - full[0]) <= full[1]
        )
        assert plan.fits == inside


def test_margin_and_clearance_are_those_of_each_lift() -> None:
    """Springs solid at 10 mm: 40 - 2 - 10 - 10 = 18 mm at the intake, 19 mm at the exhaust."""
    found = assign(
        build_of(),
        sets_of([(50.0, 20.0)] * 3, [(48.0, 10.0)] * 3),
        {"larch": 3, "heron": 3},
        "none",
    )
    margins = {plan.valve.name: plan.coil_bind_margin_mm for plan in found.chosen.valves}
    assert margins == pytest.approx({"1 in": 18.0, "1 ex": 19.0, "2 in": 17.6})
    assert build_of().clearance_mm == pytest.approx(2.0)  # 12 mm less the greater lift


def test_a_limit_is_kept_by_the_valves_whose_lift_breaks_it() -> None:
    """17.8 mm bars only 2 in (17.6 mm); no assignment is possible then, at 17.5 mm there is one."""
    sets = sets_of([(50.0, 20.0)] * 3, [(48.0, 10.0)] * 3)
    for margin, possible in ((17.5, True), (17.8, False)):
        found = assign(build_of(margin), sets, {"larch": 3, "heron": 3}, "none")
        assert bool(found.chosen.valves) == possible


def test_pairs_are_judged_card_by_card() -> None:
    sets = sets_of([(50.0, 20.0)] * 3, [(48.0, 10.0)] * 3)
    build = build_of()
    found = {card.cam.side: pair_sets(card, sets).combinations for card in build.cards}
    bare = {
        side: next(one for one in combos if one.choice.count == 0) for side, combos in found.items()
    }
    # 30 N/mm over a mean height of 39.8 mm and over 40 mm
    assert bare["intake"].seat.load_n == pytest.approx(30.0 * 10.2)
    assert bare["exhaust"].seat.load_n == pytest.approx(30.0 * 10.0)
    rises = {side: one.full.load_n - one.seat.load_n for side, one in bare.items()}
    assert rises == pytest.approx({"intake": 300.0, "exhaust": 270.0})


def test_depths_reach_each_valves_lift() -> None:
    """Intakes at 40.0 and 39.6 mm lift by 10 mm, the exhaust at 40.0 mm by 9 mm."""
    sizes = {"larch": SpringSize(50.0, None), "heron": SpringSize(48.0, None)}
    rows = {(row.set_name, row.at): row for row in depth_rows(build_of(), sizes)}
    low_mm, high_mm = 29.6, 31.0
    full = rows["larch", "open"]
    assert (full.heights_mm[-1], full.depths_mm[-1]) == (high_mm, 50.0 - high_mm)
    assert full.heights_mm[0] <= low_mm  # over the thickest stack, where there are shims
