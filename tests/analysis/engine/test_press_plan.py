"""Which presses come next: what they are for, where they may be, when they end."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise
from typing import cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine import press_plan
from coilbench.analysis.engine.assignment import Level, ValvePlan
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.press_model import PressReading
from coilbench.analysis.engine.press_plan import once, plan_presses
from coilbench.analysis.engine.press_shop import LEAST_DEPTH_MM, Shop, ShopSet, press_heights
from coilbench.analysis.engine.presses import Press, PressPlan
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.tables.keyed import SOLID_KEPT_MM
from coilbench.capture.unit_factors import KGF_N

TEXT = """
[cam]
name = "card"
valve_lift = "11 mm"
seat_load = "34 kg"
seat_tolerance = "2 kg"
open_load = "72 kg"
open_tolerance = "2 kg"
[head]
installed_height = "39 mm"
inner_offset = "2 mm"
valves = 3
[[shims]]
thickness = "0.5 mm"
[limits]
max_shims = 1
[springs]
outer = ["larch", "rowan"]
inner = ["heron"]
"""
SINGLE = TEXT.replace('inner = ["heron"]', "").replace('["larch", "rowan"]', '["larch"]')
KG = {"larch": (21.0, 2.20), "rowan": (23.5, 2.35), "heron": (12.6, 1.22)}
LOWER_MM = {"larch": 0.0, "rowan": 0.0, "heron": 2.0}
SPRINGS = 6
U_N = 2.0
SIZE = SpringSize(60.0, 20.0)


def load_n(name: str, spring: int, height_mm: float) -> float:
    shut_kg, rate = KG[name]
    own = 1.0 + 0.006 * (spring - 2.5)
    return KGF_N * own * (shut_kg + rate * (39.0 - LOWER_MM[name] - height_mm))


def reading(name: str, spring: int, height_mm: float, share: float = 1.0) -> PressReading:
    rng = np.random.default_rng([spring, round(10 * height_mm), len(name)])
    found = share * load_n(name, spring, height_mm) + rng.normal(0.0, 0.5 * U_N)
    return PressReading(f"{name}-{spring}", height_mm, found, U_N)


def shop(
    readings: Iterable[PressReading] = (),
    text: str = TEXT,
    size: SpringSize = SIZE,
    *,
    curves: bool = False,
) -> Shop:
    build, sets = parse_build(text, "b.toml"), {}
    every = tuple(readings)
    for name in (*build.springs.outer, *build.springs.inner):
        own = tuple(each for each in every if each.label.startswith(name))
        labels = [f"{name}-{n}" for n in range(SPRINGS)]
        found = [_curve(label, own) for label in labels if any(e.label == label for e in own)]
        known = tuple(found) if curves else ()
        missing = tuple(n for n in labels if n not in {curve.label for curve in known})
        role = "inner" if name == "heron" else "outer"
        springs = SetCurves(name, role, known, size.solid_mm, None, size.free_mm, missing)
        sets[name] = ShopSet(springs, own, len(own), size)
    sizes = dict.fromkeys(sets, SPRINGS)
    return Shop(build, sets, sizes, U_N, 0.03, 0.005)


def _curve(label: str, own: tuple[PressReading, ...]):
    points = sorted((e.height_mm, e.load_n) for e in own if e.label == label)
    heights, loads = np.array(points).T
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep(label, label, Origin.KEYED, Branch(heights, loads), none, U_N, 0.0, 0.03)
    return fit_curve(label, [sweep], free_length_mm=60.0)


ENDS_MM = (27.5, 28.0, 38.5, 39.0)  # of larch's windows: bare and over one shim


def begun(share: float = 1.0, text: str = TEXT) -> list[PressReading]:
    """Two springs of each set at the ends of its windows; one of larch with a share of its load."""
    names = KG if "heron" in text else ("larch",)
    return [
        reading(name, spring, mm - LOWER_MM[name], share if (name, spring) == ("larch", 3) else 1)
        for name in names
        for spring in (0, 3)
        for mm in ENDS_MM
    ]


def places(presses: Iterable[Press]) -> set[tuple[str, str, float]]:
    return {(each.set_name, each.label, each.height_mm) for each in presses}


def test_two_springs_of_each_set_at_the_ends_of_its_windows_come_first() -> None:
    plan = plan_presses(shop())
    assert (plan.stage, plan.done, plan.best, plan.risk) == ("begin", False, None, None)
    assert places(plan.presses) == {
        (name, f"{name}-{spring}", mm - LOWER_MM[name])
        for name in KG
        for spring in (0, 3)
        for mm in ENDS_MM
    }
    assert {each.depth_mm for each in plan.presses} == {
        60.0 - mm + lower for mm in ENDS_MM for lower in (0.0, 2.0)
    }
    assert plan.remaining >= len(plan.presses)


def test_the_stop_is_set_once_for_each_set_and_height() -> None:
    for plan in (plan_presses(shop()), once(shop())):
        settings_made = [(each.set_name, each.height_mm) for each in plan.presses]
        changes = 1 + sum(a != b for a, b in pairwise(settings_made))
        assert changes == len(set(settings_made))


def test_what_was_read_is_not_asked_again() -> None:
    """A reading within 0.3 mm of where one is wanted stands for it."""
    near = [reading("larch", 0, 39.0 - 0.3), reading("larch", 3, 27.5 + 0.31)]
    asked = places(plan_presses(shop(near)).presses)
    assert ("larch", "larch-0", 39.0) not in asked
    assert ("larch", "larch-3", 27.5) in asked


@pytest.mark.parametrize(("give_mm", "again"), [(0.4, 0), (1.1, 0), (-1.1, 1), (3.0, 1)])
def test_the_opening_counts_though_the_faces_stood_higher_by_the_give(
    give_mm: float, again: int
) -> None:
    """Lower, or higher by more than a scale gives, they are other heights."""
    off = [e._replace(height_mm=e.height_mm + give_mm) for e in begun()]
    plan = plan_presses(shop(off))
    asked = len(plan.presses) if plan.stage == "begin" else 0
    assert (asked >= again) if again else asked == 0


@pytest.mark.parametrize(("valves", "lacking"), [(SPRINGS, ()), (SPRINGS + 1, ("larch", "heron"))])
def test_sets_that_cannot_fill_the_valves_are_named(valves: int, lacking: tuple[str, ...]) -> None:
    text = TEXT.replace("valves = 3", f"valves = {valves}").replace('"larch", "rowan"', '"larch"')
    plan = plan_presses(shop(begun(), text))
    assert plan.best is not None
    assert tuple(one.set_name for one in plan.lacking) == lacking
    assert all((one.sound, one.valves) == (SPRINGS, valves) for one in plan.lacking)


def test_a_set_read_elsewhere_is_begun_too() -> None:
    """All springs once in both windows are as much as two at their ends."""
    other = [e for e in begun() if not e.label.startswith("larch")]
    own = [reading("larch", n, mm) for n in range(SPRINGS) for mm in (27.9, 38.7)]
    assert plan_presses(shop([*other, *own[:8]])).stage != "begin"
    assert plan_presses(shop([*other, *own[:7]])).stage == "begin"
    shut = [each for each in own if each.height_mm > 30.0]
    assert plan_presses(shop([*other, *shut, *shut])).stage == "begin"


def decided(monkeypatch: pytest.MonkeyPatch, stop: float) -> PressPlan:
    monkeypatch.setattr(press_plan, "STOP_RISK", stop)
    return plan_presses(shop(begun()))


def test_the_stop_rule_just_inside_and_just_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    risk = plan_presses(shop(begun())).risk
    assert risk is not None
    assert 0.0 < risk < 1.0
    assert decided(monkeypatch, risk).stage == "decide"
    assert decided(monkeypatch, math.nextafter(risk, 1.0)).stage == "tired"


def test_presses_that_decide_are_few_and_say_from_which_rival(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plan = decided(monkeypatch, 1e-6)
    assert plan.stage == "decide"
    assert len(plan.presses) == press_plan.BATCH
    others = {rival.other for rival in plan.rivals}
    assert all(each.rival in others for each in plan.presses)
    assert plan.remaining >= len(plan.presses)


def test_a_near_tie_ends_as_equal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(press_plan, "STOP_RISK", 1e-6)
    made = len(begun())
    monkeypatch.setattr(press_plan, "MOST_A_SET", made / 3 + 1e-9)
    assert not plan_presses(shop(begun())).equal
    monkeypatch.setattr(press_plan, "MOST_A_SET", made / 3)
    plan = plan_presses(shop(begun()))
    assert plan.equal
    assert plan.stage == "tired"
    assert plan.rivals


def low_risk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(press_plan, "STOP_RISK", 1.1)


def test_then_every_spring_of_the_chosen_sets_once_with_the_valve_shut(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    low_risk(monkeypatch)
    plan = plan_presses(shop(begun()))
    assert plan.stage == "tired"
    assert plan.best is not None
    chosen = {plan.best.outer, plan.best.inner}
    shut_mm = 39.0 + plan.best.choice.height_change_mm
    assert places(plan.presses) >= {
        (name, f"{name}-{n}", shut_mm - LOWER_MM[name]) for name in chosen for n in (1, 2, 4, 5)
    }
    assert {each.set_name for each in plan.presses} == chosen
    everywhere = plan_presses(shop(begun()), every_set=True)
    assert {each.set_name for each in everywhere.presses} == set(KG)


@pytest.mark.parametrize("edge", [0, 1])
def test_a_spring_is_pressed_again_while_its_chance_is_open(
    monkeypatch: pytest.MonkeyPatch, edge: int
) -> None:
    """Its own chance as the limit leaves it out, the next number on the open side asks for it."""
    low_risk(monkeypatch)
    readings = [*begun(share=0.965), *(reading("larch", n, 38.5) for n in (1, 2, 4, 5))]
    readings = [e for e in readings if (e.label, e.height_mm) in KEPT or e.label[:-2] != "larch"]
    found = shop(readings)
    heights = press_heights(found.build, {name: one.size for name, one in found.sets.items()})
    model = press_plan._model(found, found.sets["larch"], heights["larch"])
    chance = float(model.tired[3])
    assert 0.001 < chance < 0.999

    def asks(limit: float) -> bool:
        limits = (limit, 2.0) if edge == 0 else (-1.0, limit)
        monkeypatch.setattr(press_plan, "OPEN_CHANCES", limits)
        asked = plan_presses(found, every_set=True).presses
        return "larch-3" in {each.label for each in asked if each.kind == "tired"}

    assert not asks(chance)
    assert asks(math.nextafter(chance, -1.0 if edge == 0 else 2.0))


KEPT = {(f"larch-{n}", mm) for n in (0, 1, 2, 4, 5) for mm in (*ENDS_MM, 38.5)}
KEPT |= {("larch-3", 38.5), ("larch-3", 28.0)}


def test_at_most_four_readings_tell_whether_a_spring_is_tired(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    low_risk(monkeypatch)
    monkeypatch.setattr(press_plan, "OPEN_CHANCES", (-1.0, 2.0))
    three = [e for e in begun() if (e.label, e.height_mm) != ("larch-0", 28.0)]
    asked = {e.label for e in plan_presses(shop(three), every_set=True).presses}
    assert "larch-0" in asked
    assert "larch-3" not in asked


def test_a_tired_spring_is_named() -> None:
    readings = [e._replace(load_n=0.88 * e.load_n) if e.label == "larch-3" else e for e in whole()]
    plan = plan_presses(shop(readings), every_set=True)
    assert [(one.set_name, one.label) for one in plan.tired if one.found] == [("larch", "larch-3")]


def whole(text: str = TEXT) -> list[PressReading]:
    """Every spring at the ends of its windows."""
    names = KG if "heron" in text else ("larch",)
    return [
        reading(name, n, mm - LOWER_MM[name])
        for name in names
        for n in range(SPRINGS)
        for mm in ENDS_MM
    ]


def test_last_each_chosen_spring_at_both_ends_of_the_lift(monkeypatch: pytest.MonkeyPatch) -> None:
    low_risk(monkeypatch)
    some = [e for e in whole() if e.label != "heron-4" or e.height_mm > 30.0]
    plan = plan_presses(shop(some))
    assert plan.stage == "valve"
    assert plan.best is not None
    open_mm = 39.0 + plan.best.choice.height_change_mm - 2.0 - 11.0
    assert places(plan.presses) == {("heron", "heron-4", open_mm)}


def test_then_what_an_assignment_needs_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read at mid-window alone, springs are not read where they would stand at the valves."""
    low_risk(monkeypatch)
    monkeypatch.setattr(press_plan, "OPEN_CHANCES", (0.5, 0.5))
    middles = [
        reading(name, n, mm - LOWER_MM[name])
        for name in KG
        for n in range(SPRINGS)
        for mm in (27.8, 38.7)
    ]
    plan = plan_presses(shop(middles, curves=True))
    assert plan.stage == "valve"
    assert plan.best is not None
    asked = places(plan.presses)
    assert {name for name, _, _ in asked} <= {plan.best.outer, plan.best.inner}
    assert {mm + LOWER_MM[name] for name, _, mm in asked} <= {27.5, 39.0}
    assert plan_presses(shop(whole(), curves=True)).stage == "done"


def test_an_assignment_is_settled_in_a_press_a_spring_and_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Valves of unequal height, each spring read at its own two heights: still few presses."""
    low_risk(monkeypatch)
    monkeypatch.setattr(press_plan, "OPEN_CHANCES", (0.5, 0.5))
    text = TEXT.replace("valves = 3", "").replace(
        "[[shims]]", '[head.valves]\na = "38.8 mm"\nb = "39.0 mm"\nc = "39.1 mm"\n[[shims]]'
    )
    readings = [
        reading(name, n, round(mm - LOWER_MM[name], 1))
        for name in KG
        for n in range(SPRINGS)
        for mm in (27.6 + 0.1 * (n % 3), 38.6 - 0.1 * (n % 2))
    ]
    made: list[tuple[str, str, float]] = []
    while not (plan := plan_presses(shop(readings, text, curves=True))).done:
        assert plan.stage == "valve"
        made += [(each.set_name, each.label, each.height_mm) for each in plan.presses]
        readings += [reading(n, int(label[-1]), mm) for n, label, mm in made[-len(plan.presses) :]]
    assert len(made) == len(set(made)) <= 2 * 2 * SPRINGS


@pytest.mark.parametrize("inside", [True, False])
def test_an_assignment_that_can_hardly_be_bettered_needs_no_press(
    monkeypatch: pytest.MonkeyPatch, inside: bool
) -> None:
    """Three valves that miss by 0.5 of a tolerance each; at best what was not read leaves 0.4."""
    level = Level("shims", "optimal", 3 * 0.5**2, 3 * 0.4**2, (cast("ValvePlan", None),) * 3)
    cam, gain_n = parse_build(TEXT, "b.toml").cam, 0.1 * 2.0 * KGF_N
    monkeypatch.setattr(press_plan, "MARGIN_N", gain_n * (1 + 1e-9 if inside else 1 - 1e-9))
    assert press_plan._may_gain(level, cam) is not inside


def test_single_springs_have_no_inner() -> None:
    text = SINGLE.replace("34 kg", "21 kg").replace("72 kg", "45 kg")
    assert plan_presses(shop(text=text)).stage == "begin"
    plan = plan_presses(shop(whole(text), text=text, curves=True))
    assert plan.stage == "done"
    assert plan.best is not None
    assert (plan.best.outer, plan.best.inner) == ("larch", None)


def test_the_fixed_plan_reads_the_rest_in_mid_window() -> None:
    plan = once(shop())
    assert plan.stage == "once"
    assert len(plan.presses) == len(KG) * (2 * 4 + (SPRINGS - 2) * 2)
    middles = {e.height_mm for e in plan.presses if e.label == "larch-1"}
    assert middles == {27.7, 38.7}
    assert once(shop(whole())).done


def test_depth_is_unknown_without_a_free_length() -> None:
    plan = plan_presses(shop(size=SpringSize(None, 20.0)))
    assert {each.depth_mm for each in plan.presses} == {None}


def sizes(build: BuildFile, size: SpringSize) -> dict[str, SpringSize]:
    return dict.fromkeys((*build.springs.outer, *build.springs.inner), size)


def test_no_press_within_a_millimetre_of_solid_just_inside_and_outside() -> None:
    build = parse_build(TEXT, "b.toml")
    inside = press_heights(build, sizes(build, SpringSize(60.0, 27.5 - SOLID_KEPT_MM)))["larch"]
    assert inside.ends_mm[0] == 27.5
    assert inside.too_low_mm is None
    outside = press_heights(build, sizes(build, SpringSize(60.0, 27.51 - SOLID_KEPT_MM)))["larch"]
    assert outside.ends_mm[0] == 28.0
    assert outside.too_low_mm == 27.5
    plan = plan_presses(shop(size=SpringSize(60.0, 27.51 - SOLID_KEPT_MM)))
    assert ("larch", 27.5) in {(one.set_name, one.lowest_mm) for one in plan.not_pressed}


def test_a_set_that_no_choice_can_use_is_not_pressed() -> None:
    """With its solid height at the running height it is left out, and named."""
    full = shop()
    solid = replace(full.sets["larch"], size=SpringSize(60.0, 28.0))
    plan = plan_presses(replace(full, sets=full.sets | {"larch": solid}))
    assert {each.set_name for each in plan.presses} == {"rowan", "heron"}
    assert [one.set_name for one in plan.not_pressed] == ["larch"]
    begun_rest = [each for each in begun() if not each.label.startswith("larch")]
    read = shop(begun_rest)
    plan = plan_presses(replace(read, sets=read.sets | {"larch": solid}), every_set=True)
    assert plan.best is not None
    assert plan.best.outer == "rowan"
    assert "larch" not in {each.set_name for each in plan.presses}


def test_no_press_above_the_free_length() -> None:
    build = parse_build(TEXT, "b.toml")
    free_mm = 38.8
    found = press_heights(build, sizes(build, SpringSize(free_mm, None)))["larch"]
    assert max(found.ends_mm) == free_mm - LEAST_DEPTH_MM or max(found.ends_mm) == 28.0
    assert plan_presses(shop(size=SpringSize(20.0, None))).stage == "no_choice"


lengths = st.one_of(st.none(), st.floats(15.0, 60.0))


@settings(deadline=None, max_examples=60)
@given(free_mm=lengths, solid_mm=lengths)
def test_every_press_is_safe(free_mm: float | None, solid_mm: float | None) -> None:
    """Whatever is known of free length and solid height."""
    known = shop(size=SpringSize(free_mm, solid_mm))
    for plan in (plan_presses(known), once(known)):
        for each in plan.presses:
            assert solid_mm is None or each.height_mm >= solid_mm + SOLID_KEPT_MM - 1e-9
            assert free_mm is None or each.height_mm < free_mm


def test_what_all_readings_have_in_common_is_kept_apart() -> None:
    """It changes the risk that more presses can't lower, and never the stop rule."""
    exact, rough = shop(whole()), replace(shop(whole()), common_u=0.03)
    one, other = plan_presses(replace(exact, common_u=0.0)), plan_presses(rough)
    assert other.risk == one.risk == one.common_risk
    assert other.common_risk is not None
    assert one.common_risk is not None
    assert other.common_risk > one.common_risk
    assert other.stage == one.stage


def test_the_same_readings_give_the_same_plan() -> None:
    readings = begun()
    assert plan_presses(shop(readings)) == plan_presses(shop(reversed(readings)))
