"""Pairs over shims and cuts: loads against the card, ranked, with reasons a person can act on."""

import json
import math
import re
from collections.abc import Mapping

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.outcomes import Combination, Pairing
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.reasons import BindRisk, HeightUnread, Shortage
from coilbench.analysis.engine.solid_heights import UNSTATED_U_MM
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.unit_factors import KGF_N

SCALE_U_N = 1.0  # standard uncertainty of the readings below


def curve(
    label: str,
    points: Mapping[float, float],
    free_mm: float | None = None,
    solid_mm: float | None = None,
) -> SpringCurve:
    """A spring straight between some heights, read every 0.1 mm; points are height_mm: load_n."""
    corners, corner_loads = np.array(sorted(points.items()), dtype=float).T
    count = round(10.0 * float(np.ptp(corners))) + 1
    heights = np.linspace(corners[0], corners[-1], count)
    loads = np.interp(heights, corners, corner_loads)
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", label, Origin.KEYED, Branch(heights, loads), none, SCALE_U_N, 0.0, 0.0)
    return fit_curve(label, [sweep], "mean", free_mm, solid_mm)


def linear(
    name: str,
    role: str,
    free_mm: float,
    rate: float,
    *,
    count: int = 1,
    low_mm: float = 5.0,
    solid_mm: float | None = 4.0,
    step_n: float = 0.0,
) -> SetCurves:
    """A set of straight springs; step_n makes each stronger than the last."""
    low_mm = max(low_mm, solid_mm or 0.0)  # no spring is read below where it is solid
    curves = tuple(
        curve(
            f"{name}-{number:02}",
            {low_mm: rate * (free_mm - low_mm) + number * step_n, free_mm: number * step_n},
            free_mm,
        )
        for number in range(count)
    )
    return SetCurves(name, role, curves, solid_mm)


def build(
    *,
    seat: str = "40 kg",
    full: str = "78 kg",
    lift: str = "10.9 mm",
    height: str = "40 mm",
    seat_tolerance: str = "1 kg",
    open_tolerance: str = "1 kg",
    offset: str = "0 mm",
    head: str = "",
    rest: str = "",
    outer: tuple[str, ...] = ("larch",),
    inner: tuple[str, ...] = ("heron",),
    name: str = "six.toml",
) -> BuildFile:
    inners = f"inner = {list(inner)}" if inner else ""
    return parse_build(
        f"""
        [cam]
        name = "card"
        valve_lift = "{lift}"
        seat_load = "{seat}"
        seat_tolerance = "{seat_tolerance}"
        open_load = "{full}"
        open_tolerance = "{open_tolerance}"
        [springs]
        outer = {list(outer)}
        {inners}
        [limits]
        coil_bind_margin = "1.2 mm"
        [head]
        installed_height = "{height}"
        inner_offset = "{offset}"
        {head}
        {rest}
        """,
        name,
    )


def said(one: Combination, units: Units | None = None) -> str:
    return " | ".join(describe(reason, units or Units()) for reason in one.reasons)


def by_name(*sets: SetCurves) -> dict[str, SetCurves]:
    return {each.name: each for each in sets}


def only(pairing: Pairing, shim_mm: float = 0.0, cut_mm: float = 0.0) -> Combination:
    found = [
        each
        for each in pairing.combinations
        if (each.choice.shim_mm, each.choice.seat_cut_mm) == (shim_mm, cut_mm)
    ]
    assert len(found) == 1
    return found[0]


# -- against the outside ---------------------------------------------------------------------


def pair_of_42_and_84() -> dict[str, SetCurves]:
    """Two sets that together push 42 kg at 40 mm and 84 kg at 29.1 mm."""
    rate = (84.0 - 42.0) * KGF_N / 10.9
    free_mm = 40.0 + 42.0 * KGF_N / rate
    return by_name(
        linear("larch", "outer", free_mm, 0.6 * rate), linear("heron", "inner", free_mm, 0.4 * rate)
    )


def test_a_rate_that_no_shim_can_mend() -> None:
    """Common practice, no source: a card of 40 kg shut and 78 kg at 10.9 mm of lift implies
    3.49 kg/mm; a pair that gives 42 and 84 is too strong at full lift and no shim mends it."""
    pairing = pair_sets(build(), pair_of_42_and_84())
    best = pairing.combinations[0]
    assert best.seat.load_n / KGF_N == pytest.approx(42.0)
    assert best.full.load_n / KGF_N == pytest.approx(84.0)
    assert not best.fits
    assert [reason.kind for reason in best.reasons] == ["load_high", "load_high", "rate_high"]
    words = said(best)
    assert "seat load 42.00 kg is 2.00 kg above the card's 40.00 kg (tolerance 1.00 kg)" in words
    assert "open load 84.00 kg is 6.00 kg above the card's 78.00 kg (tolerance 1.00 kg)" in words
    assert "too strong at full lift" in words
    assert "no shim" in words
    assert "a rise of 38.00 kg over 10.90 mm = 3.486 kg/mm" in words
    assert "this pair rises 42.00 kg = 3.853 kg/mm" in words
    assert document(pairing)["card"]["implied_rate_n_per_mm"] / KGF_N == pytest.approx(
        3.49, abs=0.005
    )


def test_the_rate_that_no_shim_can_mend_is_true_of_every_shim() -> None:
    shims = '[[shims]]\nthickness = "0.25 mm"\n[[shims]]\nthickness = "0.4 mm"'
    head = 'max_seat_cut = "4 mm"\nseat_cut_step = "0.05 mm"'
    pairing = pair_sets(build(head=head, rest=shims), pair_of_42_and_84())
    changes = {each.choice.height_change_mm for each in pairing.combinations}
    assert len(changes) == len(pairing.combinations) == 97  # each 0.05 mm from -0.8 to 4 mm
    assert not any(each.fits for each in pairing.combinations)


def test_too_strong_with_wide_tolerances_still_says_no_shim() -> None:
    """With 2 and 3 kg a cut would do, a shim would not."""
    wide = {"seat_tolerance": "2 kg", "open_tolerance": "3 kg"}
    head = 'max_seat_cut = "1 mm"'
    pairing = pair_sets(build(head=head, **wide), pair_of_42_and_84())
    words = said(only(pairing))
    assert "too strong at full lift: no shim" in words
    assert "seat load 42.00 kg is" not in words  # just inside 40 ± 2, and not surely so:
    assert re.search(r"\b42\.00 kg ± 0\.29 kg.*inside", words)
    assert "it may be outside" in words
    assert only(pairing, cut_mm=0.9).fits
    assert pairing.combinations[0].choice.seat_cut_mm > 0.0


def test_a_load_that_a_thinner_shim_would_mend_is_not_called_past_mending() -> None:
    shims = '[[shims]]\nthickness = "1 mm"'
    springs = linear("larch", "single", 50.0, 20.0)
    card = {"seat": "200 N", "full": "400 N", "lift": "10 mm"}
    one = only(pair_sets(build(inner=(), rest=shims, **card), by_name(springs)), shim_mm=1.0)
    assert not one.fits
    assert "seat load 22.43 kg is 2.04 kg above the card's 20.39 kg" in said(one)
    assert "no shim" not in said(one)


def test_a_washer_adds_the_rate_at_both_ends() -> None:
    """Common practice, no source: 22.4 kg at 15 mm down and 40.7 kg at 25.9 mm down of a spring
    53 mm free is 1.68 kg/mm, and a 1 mm washer adds 1.68 kg at both ends."""
    per_mm = (40.7 - 22.4) / (25.9 - 15.0)
    points = {53.0 - 15.0: 22.4 * KGF_N, 26.0: (40.7 + 1.1 * per_mm) * KGF_N}
    springs = SetCurves("larch", "single", (curve("larch-01", points, 53.0),), 15.0)
    plan = build(
        height="38 mm", inner=(), rest='[[shims]]\nthickness = "1 mm"', seat="20 kg", full="40 kg"
    )
    pairing = pair_sets(plan, by_name(springs))
    bare, washer = only(pairing), only(pairing, shim_mm=1.0)
    assert bare.inner is None
    assert bare.rate_n_per_mm / KGF_N == pytest.approx(1.68, abs=0.005)
    assert (washer.seat.load_n - bare.seat.load_n) / KGF_N == pytest.approx(1.68, abs=0.005)
    assert (washer.full.load_n - bare.full.load_n) / KGF_N == pytest.approx(1.68, abs=0.005)


def test_a_nest_whose_inner_is_shorter() -> None:
    """Bhandari, Design of Machine Elements, example 10.19: outer 28.253 N/mm, inner 29.431 N/mm
    and 15 mm shorter; 1000 N presses 24.989 mm, shared as 706.02 and 293.98 N. The knee (15 mm,
    423.8 N) follows from the outer's rate."""
    free_mm, lift_mm = 60.0, 24.989 - 15.0
    outer = linear("larch", "outer", free_mm, 28.253)
    inner = linear("heron", "inner", free_mm - 15.0, 29.431)
    card = {"seat": "423.8 N", "full": "1000 N", "lift": f"{lift_mm} mm"}
    tolerances = {"seat_tolerance": "3 N", "open_tolerance": "3 N"}
    plan = build(height=f"{free_mm - 15.0} mm", **card, **tolerances)
    nest = pair_sets(plan, by_name(outer, inner)).combinations[0]
    assert nest.seat.load_n == pytest.approx(423.8, abs=0.05)
    assert nest.full.load_n == pytest.approx(1000.0, abs=0.1)
    assert nest.fits
    alone = pair_sets(build(height="45 mm", inner=(), **card), by_name(outer)).combinations[0]
    assert alone.full.load_n == pytest.approx(706.02, abs=0.05)
    assert nest.full.load_n - alone.full.load_n == pytest.approx(293.98, abs=0.05)


def test_a_raised_seat_under_a_shorter_inner_is_the_same_nest() -> None:
    outer = linear("larch", "outer", 60.0, 28.253)
    flat = by_name(outer, linear("heron", "inner", 45.0, 29.431))
    step = by_name(outer, linear("heron", "inner", 43.0, 29.431))
    one = pair_sets(build(height="45 mm"), flat).combinations[0]
    two = pair_sets(build(height="45 mm", offset="2 mm"), step).combinations[0]
    assert one.seat.load_n == pytest.approx(two.seat.load_n)
    assert one.full.load_n == pytest.approx(two.full.load_n)


# -- loads and uncertainty -------------------------------------------------------------------


def test_loads_are_means_of_the_sets_and_add() -> None:
    outer = linear("larch", "outer", 50.0, 20.0, count=3, step_n=6.0)
    inner = linear("heron", "inner", 48.0, 10.0, count=2, step_n=4.0)
    one = pair_sets(build(height="40 mm", lift="10 mm"), by_name(outer, inner)).combinations[0]
    assert one.seat.load_n == pytest.approx((200.0 + 6.0) + (80.0 + 2.0))
    assert one.full.load_n == pytest.approx((400.0 + 6.0) + (180.0 + 2.0))
    assert one.rate_n_per_mm == pytest.approx(30.0)
    # Each reading of a scale is its own, 2 * SCALE_U_N: three are averaged, and two.
    assert one.seat.load_u_n == pytest.approx(2.0 * SCALE_U_N * math.sqrt(1 / 3 + 1 / 2))
    assert one.full.load_u_n == pytest.approx(2.0 * SCALE_U_N * math.sqrt(1 / 3 + 1 / 2))
    assert (one.seat.lowest_n, one.seat.highest_n) == pytest.approx((280.0, 280.0 + 12.0 + 4.0))


def test_heights_of_the_valves_are_averaged_and_the_lowest_binds_first() -> None:
    springs = linear("larch", "outer", 50.0, 20.0, solid_mm=28.0)
    valves = '[head.valves]\n"1 in" = "41 mm"\n"1 ex" = "38 mm"'
    plan = build(inner=(), head=valves, lift="9 mm", height="45 mm")
    one = pair_sets(plan, by_name(springs)).combinations[0]
    assert one.seat.load_n == pytest.approx(20.0 * (50.0 - 39.5))
    assert one.coil_bind_margin_mm == pytest.approx(38.0 - 9.0 - 28.0)
    assert BindRisk("margin_low", "larch", 28.0, 1.0, 1.2) in one.reasons


# -- coil bind and what was not measured -----------------------------------------------------


def fitting(**changes: object) -> BuildFile:
    """A card that two springs of 20 and 10 N/mm, 50 mm free, meet at 40 mm."""
    card = {"seat": "300 N", "full": "600 N", "lift": "10 mm"}
    tolerances = {"seat_tolerance": "5 N", "open_tolerance": "5 N"}
    return build(**{**card, **tolerances, **changes})


def pair_solid_at(outer_mm: float | None, inner_mm: float | None) -> Combination:
    outer = linear("larch", "outer", 50.0, 20.0, solid_mm=outer_mm)
    inner = linear("heron", "inner", 50.0, 10.0, solid_mm=inner_mm)
    return pair_sets(fitting(), by_name(outer, inner)).combinations[0]


def test_the_smaller_margin_counts() -> None:
    good = pair_solid_at(27.0, 28.8 - UNSTATED_U_MM)
    assert good.verdict == "fits"
    assert good.reasons == ()
    assert good.coil_bind_margin_mm == pytest.approx(1.2 + UNSTATED_U_MM)
    unsure = pair_solid_at(27.0, 28.81 - UNSTATED_U_MM)
    assert unsure.verdict == "near"
    assert [reason.kind for reason in unsure.reasons] == ["margin_unsure"]
    near = pair_solid_at(27.0, 28.9)
    assert not near.fits
    assert near.coil_bind_margin_mm == pytest.approx(1.1)
    assert near.reasons == (BindRisk("margin_low", "heron", 28.9, 1.1, 1.2),)
    bound = pair_solid_at(30.5, 28.0)
    assert not bound.fits
    assert bound.reasons == (BindRisk("binds", "larch", 30.5, -0.5, 1.2),)
    assert "0.50 mm beyond its solid height 30.50 mm" in said(bound)


def test_an_unknown_solid_height_is_said_and_hides_nothing() -> None:
    unknown = pair_solid_at(None, 28.0)
    assert unknown.coil_bind_margin_mm is None
    assert unknown.fits
    assert unknown.reasons == (BindRisk("solid_unknown", "larch", None, None, 1.2),)
    bound = pair_solid_at(None, 30.5)
    assert bound.coil_bind_margin_mm is None
    assert not bound.fits
    assert "heron binds" in said(bound)


def test_the_highest_solid_height_known_of_a_set_counts() -> None:
    curves = (
        curve("larch-01", {5.0: 900.0, 50.0: 0.0}, 50.0, solid_mm=27.0),
        curve("larch-02", {5.0: 900.0, 50.0: 0.0}, 50.0, solid_mm=27.5),
        curve("larch-03", {28.0: 440.0, 50.0: 0.0}, 50.0),
    )
    assert SetCurves("larch", "outer", curves, None).highest_solid_mm == 27.5
    assert SetCurves("larch", "outer", curves, 28.0).highest_solid_mm == 28.0
    assert SetCurves("larch", "outer", curves[2:], None).highest_solid_mm is None


def test_a_height_that_was_not_read_is_unknown_with_the_depth_to_press() -> None:
    good = linear("rowan", "outer", 50.0, 20.0)
    shallow = linear("larch", "outer", 50.0, 20.0, low_mm=35.0, count=5, solid_mm=None)
    inner = linear("heron", "inner", 50.0, 10.0)
    sets = by_name(good, shallow, inner)
    pairing = pair_sets(fitting(outer=("larch", "rowan")), sets)
    assert [each.outer for each in pairing.combinations] == ["rowan", "larch"]
    unknown = pairing.combinations[1]
    assert unknown.seat.load_n == pytest.approx(320.0 - 20.0)
    assert unknown.full is None
    assert unknown.rate_n_per_mm is None
    assert not unknown.fits
    labels = tuple(f"larch-0{number}" for number in range(5))
    assert unknown.reasons[0] == HeightUnread("larch", labels, 30.0, 20.0)
    assert "on larch-00, larch-01, larch-02 and 2 more (pressed by 20.00 mm)" in said(unknown)
    assert unknown.distance is None
    json.dumps(document(pairing), allow_nan=False)


def test_words_honour_the_units_and_numbers_do_not() -> None:
    sets = pair_of_42_and_84()
    best = pair_sets(build(), sets).combinations[0]
    words = said(best, Units("lbf", "in"))
    assert "seat load 92.6 lbf" in words
    assert "over 0.429 in" in words
    assert "kg" not in words
    assert document(best)["reasons"][0]["text"].startswith("seat load 411.9 N")


# -- several cards ---------------------------------------------------------------------------


def test_the_card_that_is_met_best_comes_first() -> None:
    sets = pair_of_42_and_84()
    near = build(seat="41 kg", full="83 kg", seat_tolerance="2 kg", name="near.toml")
    pairings = [pair_sets(build(name="far.toml"), sets), pair_sets(near, sets)]
    ranked = sorted(pairings, key=lambda pairing: pairing.rank)
    assert [pairing.name for pairing in ranked] == ["near.toml", "far.toml"]
    assert [each.combinations[0].verdict for each in ranked] == ["near", "misses"]
    assert sorted(ranked, key=lambda pairing: pairing.rank) == ranked


def alone(plan: BuildFile, *springs: SetCurves) -> list[tuple[str, float, float]]:
    """Pair single springs; name, shim and cut of each combination, best first."""
    combinations = pair_sets(plan, by_name(*springs)).combinations
    return [(each.outer, each.choice.shim_mm, each.choice.seat_cut_mm) for each in combinations]


def test_of_equals_fewest_shims_come_first_then_no_cut_then_names() -> None:
    shims = '[[shims]]\nthickness = "0.4 mm"\n[[shims]]\nthickness = "1 mm"'
    short = linear("larch", "single", 49.1, 10.0)  # 0.9 mm would do: 0.4 and 0.4, or 1 mm
    card = {"seat": "100 N", "full": "200 N", "inner": (), "outer": ("larch",)}
    ranked = alone(fitting(rest=shims, **card), short)
    assert [shim for _, shim, _ in ranked] == [1.0, 0.8, 0.4, 1.4, 0.0, 2.0]
    above = linear("larch", "single", 50.5, 10.0)
    ranked = alone(fitting(head='max_seat_cut = "1 mm"\nseat_cut_step = "1 mm"', **card), above)
    assert ranked == [("larch", 0.0, 0.0), ("larch", 0.0, 1.0)]
    # right with a shim of 0.5 mm under the one, with a cut of as much under the other
    sets = [linear("larch", "single", 50.5, 10.0), linear("rowan", "single", 49.5, 10.0)]
    half = {
        "head": 'max_seat_cut = "0.5 mm"\nseat_cut_step = "0.5 mm"',
        "outer": ("larch", "rowan"),
    }
    ranked = alone(fitting(**{**card, **half}, rest='[[shims]]\nthickness = "0.5 mm"'), *sets)
    assert ranked[:2] == [("rowan", 0.5, 0.0), ("larch", 0.0, 0.5)]  # a cut can't be undone
    twins = [linear(name, "single", 50.0, 10.0) for name in ("rowan", "larch")]
    ranked = alone(fitting(**{**card, "outer": ("rowan", "larch")}), *twins)
    assert [name for name, _, _ in ranked] == ["larch", "rowan"]


# -- shims and cuts --------------------------------------------------------------------------


def test_what_the_stock_does_not_give_misses_and_says_so() -> None:
    outer = linear("larch", "outer", 49.5, 20.0, count=12)
    inner = linear("heron", "inner", 49.5, 10.0, count=12)
    shims = '[[shims]]\nthickness = "0.5 mm"\ncount = 10'
    one = only(pair_sets(fitting(rest=shims), by_name(outer, inner)), shim_mm=0.5)
    assert one.verdict == "misses"
    assert one.reasons == (Shortage(0.5, 12, 10),)
    assert "12 needed, 10 in stock" in said(one)


def test_a_cut_raises_the_height_and_lies_under_a_shim_only_where_neither_does_alone() -> None:
    head, shims = 'max_seat_cut = "0.6 mm"', '[[shims]]\nthickness = "0.5 mm"'
    pairing = pair_sets(build(head=head, rest=shims), pair_of_42_and_84())
    cuts = sorted(each.choice.seat_cut_mm for each in pairing.combinations)
    assert cuts == [0.0] * 3 + [0.1] * 3 + [0.2] * 3 + [0.3] * 3 + [0.4] * 3 + [0.5, 0.6]
    changes = [round(each.choice.height_change_mm, 6) for each in pairing.combinations]
    assert len(set(changes)) == len(changes)
    rate = 42.0 * KGF_N / 10.9
    bare, cut = only(pairing), only(pairing, cut_mm=0.6)
    assert cut.seat.load_n == pytest.approx(bare.seat.load_n - 0.6 * rate)
