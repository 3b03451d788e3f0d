"""Real springs of 1900: rates, solid heights, hysteresis and friction, as the tables print them.

U.S. Ordnance Department, Report of the Tests of Metals and Other Materials, Watertown Arsenal, 1900
(public domain): pp. 386-387, twelve nests closed down to solid and let back; p. 203, the springs in
the cylinder of a field gun, pushed in and let back twice. Read at chosen heights, never sampled.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.rates import Loop, NamedRate, Span
from coilbench.analysis.curves.shape_model import Shape
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.unit_factors import INCH_MM, LBF_N

Array = NDArray[np.float64]
DATA = Path(__file__).parents[2] / "data"
LBF_PER_IN = LBF_N / INCH_MM
CYLINDER_IN = 20.0  # the printed travel counts from here; any height serves
Rows = list[dict[str, str]]


def rows(name: str) -> Rows:
    text = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in text if not line.startswith("#")))


def grouped(found: Rows, key: str) -> dict[str, Rows]:
    groups: dict[str, Rows] = defaultdict(list)
    for row in found:
        groups[row[key]].append(row)
    return groups


def points(found: Rows, height_in: list[float], load_u_lbf: float) -> Sweep:
    """One stroke; heights were read to 0.01 in at best: half of that, k = 1."""
    height = np.array(height_in) * INCH_MM
    load = np.array([float(row["load_lbf"]) for row in found]) * LBF_N
    down = np.array([row["direction"] == "loading" for row in found])
    ways = Branch(height[down], load[down]), Branch(height[~down], load[~down])
    label = found[0].get("label", "gun")
    u_mm = 0.005 * INCH_MM
    return Sweep(label, label, Origin.POINTS_FILE, *ways, load_u_lbf * LBF_N, 0.002, u_mm)


# ------------------------------------------------------------- twelve nests, closed down


def printed(found: Rows, height_in: str, direction: str) -> float:
    for row in found:
        if float(row["height_in"]) == float(height_in) and row["direction"] == direction:
            return float(row["load_lbf"])
    raise LookupError(height_in)


@pytest.fixture(scope="module")
def nests() -> dict[str, tuple[SpringCurve, Rows]]:
    found = {}
    for label, own in grouped(rows("watertown1900_springs.csv"), "label").items():
        sweep = points(own, [float(row["height_in"]) for row in own], 10.0)
        most = max(float(row["load_lbf"]) for row in own)
        closed = [row for row in own if float(row["load_lbf"]) == most]
        solid_mm = min(float(row["height_in"]) for row in closed) * INCH_MM
        found[label] = (fit_curve(label, [sweep], solid_height_mm=solid_mm), own)
    return found


def test_twelve_nests_have_the_printed_rates_and_loops(nests, loop_n) -> None:
    """Rates to the reading's last digit; 12.25 and 9.75 in are printed for all."""
    for curve, own in nests.values():
        down = fit_curve(curve.label, _sweeps(own), "loading")
        rate = down.rate_between(12.25 * INCH_MM, 9.75 * INCH_MM)
        want = (printed(own, "9.75", "loading") - printed(own, "12.25", "loading")) / 2.5
        assert rate.rate_n_per_mm / LBF_PER_IN == pytest.approx(want, abs=1.0)
        if curve.label != "12":  # whose unloading was not read at 9.75 in
            for height in ("12.25", "9.75"):
                loop = printed(own, height, "loading") - printed(own, height, "unloading")
                got = loop_n(curve, float(height) * INCH_MM)
                assert got is not None
                assert got / LBF_N == pytest.approx(loop, abs=1.0)


def _sweeps(own: Rows) -> list[Sweep]:
    return [points(own, [float(row["height_in"]) for row in own], 10.0)]


def test_what_the_twelve_rates_scatter_is_more_than_reading_errors(nests) -> None:
    """The rates' own standard deviation is the scale: a rate's interval must be far below it,
    for a set's check to tell its springs apart, yet above what 0.01 in and 20 lbf leave."""
    rates, us = [], []
    for curve, own in nests.values():
        down = fit_curve(curve.label, _sweeps(own), "loading")
        rate = down.rate_between(12.25 * INCH_MM, 9.75 * INCH_MM)
        rates.append(rate.rate_n_per_mm / LBF_PER_IN)
        us.append(rate.rate_u_n_per_mm / LBF_PER_IN)
    spread = float(np.std(rates, ddof=1))
    assert 2.0 * np.sqrt(2.0) * 10.0 / 2.5 < float(np.mean(us)) < spread


def test_four_readings_are_no_course(nests) -> None:
    """Neither a shape, nor coil bind, nor first contact, nor a line is claimed of them."""
    for curve, _ in nests.values():
        assert Shape.of(curve).kind == "cannot_tell"
        assert curve.bind is None
        assert curve.contact is None
        assert curve.free_length_mm is None
        assert Span.line_rate(curve, [Span(12.25 * INCH_MM, 9.75 * INCH_MM)], "robust") is None
        assert [each.method for each in NamedRate.all_of(curve, None, (311.15, 247.65))] in (
            ["two_heights"],
            [],
        )


def test_closed_down_they_are_stiffer_than_before(nests) -> None:
    """From 9.75 in to solid the load rises more steeply than from 12.25 in to 9.75 in.

    Coils begin to touch. Each ratio is unsure by what 0.01 in is of so short a way; their weighted
    mean stands above 1 by more than three of its standard errors.
    """
    ratios, weights = [], []
    for curve, own in nests.values():
        solid_in = float(np.float64(curve.solid_height_mm)) / INCH_MM
        way_in = 9.75 - solid_in
        if way_in < 0.03:
            continue
        most = max(float(row["load_lbf"]) for row in own)
        before = (printed(own, "9.75", "loading") - printed(own, "12.25", "loading")) / 2.5
        ratios.append((most - printed(own, "9.75", "loading")) / way_in / before)
        weights.append((way_in / (np.sqrt(2.0) * 0.005)) ** 2)
    mean = float(np.average(ratios, weights=weights))
    assert mean - 3.0 / np.sqrt(np.sum(weights)) > 1.0


# ------------------------------------------------ a field gun's springs, two full cycles


def cycle(own: Rows) -> Sweep:
    return points(own, [CYLINDER_IN - float(row["travel_in"]) for row in own], 20.0)


@pytest.fixture(scope="module")
def gun() -> dict[str, Rows]:
    return grouped(rows("watertown1900_recoil_spring_cycles.csv"), "cycle")


def window() -> Span:
    """1 to 4.5 in of travel: before it friction is turning round, after it comes the turn."""
    return Span((CYLINDER_IN - 1.0) * INCH_MM, (CYLINDER_IN - 4.5) * INCH_MM)


def between(own: Rows, direction: str) -> tuple[Array, Array]:
    chosen = [
        (float(row["travel_in"]), float(row["load_lbf"]))
        for row in own
        if row["direction"] == direction and 1.0 <= float(row["travel_in"]) <= 4.5
    ]
    travel, load = np.array(chosen).T
    return travel, load


@pytest.mark.parametrize("direction", ["loading", "unloading"])
def test_the_guns_rate_is_scipys_line_in_each_branch_and_cycle(gun, direction) -> None:
    slopes, errors = [], []
    for own in gun.values():
        line = stats.linregress(*between(own, direction))
        found = Span.line_rate(
            fit_curve("gun", [cycle(own)], direction), [window()], "least_squares"
        )
        assert found is not None
        assert found.rate_n_per_mm / LBF_PER_IN == pytest.approx(line.slope, rel=1e-9)
        slopes.append(line.slope)
        errors.append(line.stderr)
        u = found.rate_u_n_per_mm / LBF_PER_IN
        assert u > 2.0 * line.stderr
    # both cycles agree within what the lines' own scatter leaves
    assert abs(slopes[0] - slopes[1]) < 3.0 * float(np.hypot(*errors))


def test_the_guns_loop_is_friction_of_the_gear_not_of_the_load(gun, loop_n) -> None:
    """The loop as printed, reading by reading; and over the window about as wide at the end as at
    the beginning, though the load nearly doubles. Tolerance: the cycles' own differences."""
    both = fit_curve("gun", [cycle(own) for own in gun.values()])
    loops = {}
    for travel in (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5):
        each = [
            float(np.interp(travel, *between(own, "loading")))
            - float(np.interp(travel, *_ascending(between(own, "unloading"))))
            for own in gun.values()
        ]
        got = loop_n(both, (CYLINDER_IN - travel) * INCH_MM)
        assert got is not None
        assert got / LBF_N == pytest.approx(float(np.mean(each)), abs=0.1)
        loops[travel] = each
    repeat = float(np.sqrt(np.mean([(a - b) ** 2 / 2.0 for a, b in loops.values()])))
    assert repeat < 60.0
    found = Loop.of(both, window().top_mm, window().bottom_mm)
    assert found is not None
    mean = float(np.mean([np.mean(each) for each in loops.values()]))
    # the mean over the way, not over the readings: they differ by less than the readings' spread
    assert found.loop_n / LBF_N == pytest.approx(mean, abs=2.0 * repeat)
    assert found.loop_u_n / LBF_N > repeat / np.sqrt(2.0) / 8.0
    early, late = float(np.mean(loops[1.0] + loops[1.5])), float(np.mean(loops[4.0] + loops[4.5]))
    assert late / early < 1.15
    down = fit_curve("gun", [cycle(own) for own in gun.values()], "loading")
    loads = [down.load_at((CYLINDER_IN - travel) * INCH_MM).load_n for travel in (1.25, 4.25)]
    assert loads[1] / loads[0] > 1.45


def _ascending(pair: tuple[Array, Array]) -> tuple[Array, Array]:
    order = np.argsort(pair[0])
    return pair[0][order], pair[1][order]


def test_the_guns_rates_are_of_both_branches_by_every_definition(gun) -> None:
    """The turn was read going in alone, the begin too: by hand, the mean load at 4.5 in less that
    at 0.5 in, over 4 in. Lines through the same readings agree within their uncertainties; the way
    in alone, from 0 to 4.86 in, has twice that rate, since friction builds up meanwhile."""
    both = fit_curve("gun", [cycle(own) for own in gun.values()])
    ends = [(CYLINDER_IN - travel) * INCH_MM for travel in (0.5, 4.5)]
    assert both.rated_mm == pytest.approx(ends)
    rate = both.rate
    assert rate is not None
    mean = {
        travel: np.mean(
            [float(row["load_lbf"]) for own in gun.values() for row in own
             if float(row["travel_in"]) == travel]
        )
        for travel in (0.5, 4.5)
    }  # fmt: skip
    assert rate.rate_n_per_mm / LBF_PER_IN == pytest.approx((mean[4.5] - mean[0.5]) / 4.0, abs=5.0)
    for method in ("least_squares", "robust"):
        line = Span.line_rate(both, [Span(*both.rated_mm)], method)
        assert line is not None
        away = abs(line.rate_n_per_mm - rate.rate_n_per_mm)
        assert away < min(line.rate_u_n_per_mm, rate.rate_u_n_per_mm)
        assert line.side == rate.side == "both"
    alone = both.rate_between(CYLINDER_IN * INCH_MM, (CYLINDER_IN - 4.86) * INCH_MM)
    assert alone.side == "loading"
    # the other cycle turned within the height's uncertainty, and is a repeat
    assert alone.rate_n_per_mm / LBF_PER_IN == pytest.approx((4200.0 - 300.0) / 4.86, rel=0.01)
    loop_lbf = 3780.0 - 1980.0  # as wide as any printed but one; half of it may be at one end alone
    half = 0.5 * loop_lbf / 4.86
    assert alone.rate_u_n_per_mm / LBF_PER_IN > half


def test_eleven_readings_a_branch_are_no_course(gun) -> None:
    both = fit_curve("gun", [cycle(own) for own in gun.values()])
    assert Shape.of(both).kind == "cannot_tell"
    assert both.bind is None
    assert both.contact is None
