"""Means and sums of loads: what the bench shares stays, what is each reading's own averages out."""

import math

import numpy as np
import pytest

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.loads import Load, parallel_load
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.valve_loads import candidates_of
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from support.shops import make_shop


def test_shared_errors_add_plainly_and_own_ones_as_squares() -> None:
    """JCGM 100:2008, 5.2.2: correlation 1 adds uncertainties, correlation 0 their squares."""
    one, two = Load(300.0, 3.0, 2.0), Load(100.0, 4.0, 1.0)
    both = parallel_load([one, two])
    assert both == Load(400.0, 5.0, 3.0)
    assert parallel_load([one, None]) is None
    assert both.load_u_n == pytest.approx(math.sqrt(25.0 + 9.0))


def test_a_mean_lessens_only_what_is_own() -> None:
    mean = Load.mean([Load(300.0 + n, 4.0, 2.0) for n in range(4)])
    assert mean == Load(301.5, 2.0, 2.0)


def test_a_sum_of_drawn_readings_scatters_as_said() -> None:
    """NumPy draws: a shared offset on both springs, an own one on each, k = 1 each half of u."""
    rng = np.random.default_rng(6)
    shared = rng.normal(0.0, 1.0, 40_000)
    outer = 300.0 + 1.0 * shared + rng.normal(0.0, 1.5, 40_000)
    inner = 100.0 + 0.5 * shared + rng.normal(0.0, 2.0, 40_000)
    both = parallel_load([Load(300.0, 3.0, 2.0), Load(100.0, 4.0, 1.0)])
    assert np.std(outer + inner) == pytest.approx(both.load_u_n / 2.0, rel=0.02)


def test_a_readings_parts_make_its_whole() -> None:
    heights = np.linspace(50.0, 30.0, 200)
    down = Branch(heights, 20.0 * (50.0 - heights))
    up = Branch(heights[::-1], 20.0 * (50.0 - heights[::-1]))
    sweep = Sweep("0", "larch-01", Origin.CONVERTED_FILE, down, up, 1.0, 0.002, 0.02)
    reading = fit_curve("larch-01", [sweep]).load_at(40.0)
    load = Load.of(reading)
    assert load.load_n == pytest.approx(200.0)
    assert load.load_u_n == pytest.approx(reading.load_u_n)
    assert load.common_u_n > 0.0
    assert load.own_u_n > 0.0


BUILD = """
[cam]
name = "card"
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
[head]
inner_offset = "2 mm"
valves = 1
installed_height = "40 mm"
[[shims]]
thickness = "0.5 mm"
[limits]
coil_bind_margin = "1.2 mm"
max_shims = 1
[springs]
outer = ["larch"]
inner = ["heron"]
"""


def noisy(name: str, role: str, free_mm: float, rate: float) -> SetCurves:
    """A set of one spring, pressed once, with 1 N of noise."""
    heights = np.linspace(free_mm, 25.0, 200)
    noise = np.random.default_rng(len(name)).normal(0.0, 1.0, 200)
    down = Branch(heights, rate * (free_mm - heights) + noise)
    up = Branch(heights[::-1], rate * (free_mm - heights[::-1]) - noise)
    sweep = Sweep("0", f"{name}-01", Origin.CONVERTED_FILE, down, up, 0.5, 0.004, 0.05)
    return SetCurves(name, role, (fit_curve(f"{name}-01", [sweep]),), 20.0)


def test_pairing_and_assignment_give_the_same_loads_and_uncertainties() -> None:
    """One outer and one inner on one valve: a set's mean is its spring, by either way."""
    build = parse_build(BUILD, "one.toml")
    sets = {
        "larch": noisy("larch", "outer", 50.0, 20.0),
        "heron": noisy("heron", "inner", 48.0, 10.0),
    }
    paired = {each.choice.shims_mm: each for each in pair_sets(build, sets).combinations}
    (valve,) = assign(build, sets, {"larch": 1}).chosen.valves
    same = paired[valve.choice.shims_mm]
    assert same.seat is not None
    assert same.full is not None
    assert (valve.seat.load_n, valve.seat.load_u_n) == pytest.approx(
        (same.seat.load_n, same.seat.load_u_n)
    )
    assert (valve.open.load_n, valve.open.load_u_n) == pytest.approx(
        (same.full.load_n, same.full.load_u_n)
    )
    shut_mm = 40.0 - valve.choice.shim_mm
    outer, inner = sets["larch"].curves[0], sets["heron"].curves[0]
    each_u_n = [outer.load_at(shut_mm).load_u_n, inner.load_at(shut_mm - 2.0).load_u_n]
    assert (
        math.hypot(*each_u_n) < valve.seat.load_u_n < sum(each_u_n)
    )  # the bench's errors are shared
    assert valve.coil_bind_margin_mm == same.coil_bind_margin_mm


def test_springs_are_pooled_in_the_order_of_their_sets_whatever_these_are_called() -> None:
    """Benches that share their books call a set otherwise, and are to print the same sheet."""
    sets = make_shop(1).sets()
    for names in (("larch", "rowan"), ("rowan", "larch")):
        pool = candidates_of([sets[name] for name in names])
        assert tuple(dict.fromkeys(one.springs.name for one in pool)) == names
