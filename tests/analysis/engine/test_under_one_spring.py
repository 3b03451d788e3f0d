"""Shims under one spring alone, and what heights and shims are unsure by, by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile, Shim
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.depths import depth_rows
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.reasons import Shortage
from coilbench.analysis.engine.shims import SeatChoice, SeatOptions, height_errors
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

BUILD = """\
[cam]
name = "card"
valve_lift = "10 mm"
seat_load = "330 N"
seat_tolerance = "20 N"
open_load = "630 N"
open_tolerance = "30 N"
[springs]
outer = ["larch"]
{inner}
[head]
installed_height = "40 mm"
inner_offset = "2 mm"
valves = {valves}
{head}
{shims}
"""
OUTER_MM, INNER_MM, OUTER_RATE, INNER_RATE = 50.0, 48.0, 20.0, 10.0  # free lengths, N/mm


def build_of(
    shims: str = "", head: str = "", valves: int = 1, inner: str = 'inner = ["heron"]'
) -> BuildFile:
    text = BUILD.format(shims=shims, head=head, valves=valves, inner=inner)
    return parse_build(text, "six.toml")


def shim(thickness_mm: float, under: str = "both", more: str = "") -> str:
    return f'[[shims]]\nthickness = "{thickness_mm} mm"\nunder = "{under}"\n{more}\n'


def spring(label: str, free_mm: float, rate: float) -> SpringCurve:
    heights = np.linspace(free_mm, 20.0, 60)
    down, none = Branch(heights, rate * (free_mm - heights)), Branch(np.array([]), np.array([]))
    sweep = Sweep("0", label, Origin.CONVERTED_FILE, down, none, 1.0, 0.001, 0.02)
    return fit_curve(label, [sweep], free_length_mm=free_mm)


SETS = {
    "larch": SetCurves("larch", "outer", (spring("larch-1", OUTER_MM, OUTER_RATE),), 15.0),
    "heron": SetCurves("heron", "inner", (spring("heron-1", INNER_MM, INNER_RATE),), 15.0),
}


def load_n(outer_mm: float, inner_mm: float) -> float:
    """Hooke's law: rate times compression, both springs in parallel."""
    return OUTER_RATE * (OUTER_MM - outer_mm) + INNER_RATE * (INNER_MM - inner_mm)


@pytest.mark.parametrize(
    ("under", "outer_mm", "inner_mm"),
    [("both", 39.0, 37.0), ("outer", 39.0, 38.0), ("inner", 40.0, 37.0)],
)
def test_a_shim_lowers_only_what_stands_on_it(under: str, outer_mm: float, inner_mm: float) -> None:
    build = build_of(shim(1.0, under))
    found = [one for one in pair_sets(build, SETS).combinations if one.choice.count == 1]
    assert len(found) == 1
    assert found[0].seat.load_n == pytest.approx(load_n(outer_mm, inner_mm), abs=0.1)
    assert found[0].full.load_n == pytest.approx(load_n(outer_mm - 10, inner_mm - 10), abs=0.1)
    placed = {each.springs.name: each for each in found[0].placed}
    assert placed["larch"].seat_height_mm == pytest.approx(outer_mm)
    assert placed["heron"].seat_height_mm == pytest.approx(inner_mm)
    assert placed["heron"].bind_margin_mm == pytest.approx(inner_mm - 10.0 - 15.0)


def test_the_assignment_chooses_among_all_of_them() -> None:
    """Brute force over every stack of two at most: which is nearest to the card."""
    build = build_of(shim(0.5) + shim(0.7, "outer") + shim(0.4, "inner"))
    best = math.inf
    for counts in itertools.product(range(3), repeat=3):
        if sum(counts) <= 2:
            both, outer, inner = (n * mm for n, mm in zip(counts, (0.5, 0.7, 0.4), strict=True))
            seat = load_n(40.0 - both - outer, 38.0 - both - inner)
            best = min(best, ((seat - 330) / 20) ** 2 + ((seat + 300 - 630) / 30) ** 2)
    found = assign(build, SETS, {"larch": 1, "heron": 1}).chosen
    assert found.objective == pytest.approx(best, abs=1e-3)
    assert found.shims == found.valves[0].choice.count


def test_one_thickness_may_lie_under_each() -> None:
    build = build_of(shim(0.5, "outer", "count = 1") + shim(0.5, "inner") + shim(0.5))
    assert build.shims == (Shim(0.5, 1, "outer"), Shim(0.5, None, "inner"), Shim(0.5))
    choice = SeatChoice(outer_shims_mm=(0.5,))
    assert [choice.uses(one) for one in build.shims] == [1, 0, 0]
    assert SeatOptions.of(build, 2).shortages(choice) == (Shortage(0.5, 2, 1, "outer"),)
    assert SeatOptions.of(build, 1).shortages(choice) == ()


def test_what_is_as_thick_under_both_springs_is_one_choice() -> None:
    """One under both, and one under each: the single ring is kept, it needs fewer shims."""
    build = build_of(shim(0.5, "outer") + shim(0.5, "inner") + shim(0.5))
    alike = [one for one in SeatOptions.of(build, 1).alike() if one.under_mm("outer") == 0.5]
    by_inner = {one.under_mm("inner"): one for one in alike}
    assert by_inner[0.5] == SeatChoice((0.5,))
    assert by_inner[0.0] == SeatChoice(outer_shims_mm=(0.5,))
    assert not SeatChoice(outer_shims_mm=(0.5,)).allowed("none")


def test_under_a_single_spring_it_is_all_the_same() -> None:
    build = build_of(shim(0.5, "outer"), inner="")
    assert build.shims == (Shim(0.5),)


def test_depths_follow_the_spring_that_the_shim_is_under() -> None:
    sizes = {"larch": SpringSize(50.0, None), "heron": SpringSize(48.0, None)}
    rows = depth_rows(build_of(shim(0.5, "inner")), sizes)
    found = {row.set_name: row.heights_mm for row in rows if row.at == "seat"}
    assert found == {"larch": (40.0,), "heron": (37.0, 37.5, 38.0)}


@pytest.mark.parametrize(
    ("shims", "inner", "says"),
    [
        (shim(0.5, "left"), "x", ["shims[1].under", "'left'", "'both', 'outer', 'inner'"]),
        (shim(0.5, "inner"), "", ["shims[1].under", "no inner", "springs.inner"]),
        (shim(0.5) + shim(0.5), "x", ["shims[2].thickness", "twice"]),
        (shim(0.5) + shim(0.5, "outer"), "", ["shims[2].thickness", "twice"]),
        (shim(0.5, "both", 'thickness_u = "0.5 mm"'), "x", ["shims[1].thickness_u", "'0.5 mm'"]),
        (shim(0.5, "both", "thickness_u = 0.02"), "x", ["shims[1].thickness_u", "no unit"]),
        (shim(0.5, "both", 'thickness_u = "-1 mm"'), "x", ["shims[1].thickness_u", "above 0"]),
    ],
)
def test_shims_that_cannot_be(shims: str, inner: str, says: list[str]) -> None:
    with pytest.raises(CoilbenchError) as caught:
        build_of(shims, inner='inner = ["heron"]' if inner else "")
    for word in says:
        assert word in str(caught.value)


@pytest.mark.parametrize("value", ["0.1", '"0.1"', '"0 mm"', '"0.1 kg"'])
def test_an_uncertainty_of_heights_that_cannot_be(value: str) -> None:
    with pytest.raises(CoilbenchError, match=r"head\.height_u"):
        build_of(head=f"height_u = {value}")


def test_a_shim_just_thicker_than_it_is_unsure_is_taken() -> None:
    (one,) = build_of(shim(0.5, "both", 'thickness_u = "0.49 mm"')).shims
    assert one.thickness_u_mm == pytest.approx(0.49)


def test_nothing_given_adds_nothing() -> None:
    assert height_errors(build_of(shim(0.5)), SeatChoice((0.5,)), "outer") == ()


def test_shims_of_one_kind_err_alike_and_kinds_apart() -> None:
    """Two of 0.02 mm are 0.04 mm, and with one of 0.03 mm of another kind 0.05 mm: 3-4-5."""
    build = build_of(
        shim(0.5, "both", 'thickness_u = "0.02 mm"') + shim(0.3, "outer", 'thickness_u = "0.03 mm"')
    )
    choice = SeatChoice((0.5, 0.5), outer_shims_mm=(0.3,))
    (outer,) = height_errors(build, choice, "outer")
    (inner,) = height_errors(build, choice, "inner")
    assert (outer.u_mm, inner.u_mm) == pytest.approx((0.05, 0.04))


@pytest.mark.parametrize("by", ["pair", "assign"])
def test_loads_are_unsure_by_rate_times_what_the_height_is(by: str) -> None:
    """The law of propagation (JCGM 100:2008, 5.1.2): 0.1 mm under 20 + 10 N/mm is 3 N, and a shim
    of 0.05 mm 1.5 N; both springs stand on one seat, so that their parts add plainly.
    """
    stock = shim(0.5, "both", 'thickness_u = "0.05 mm"\ncount = 1')
    plain, unsure = build_of(shim(0.5)), build_of(stock, 'height_u = "0.1 mm"')

    def loads_u_n(build: BuildFile) -> list[float]:
        if by == "pair":
            (one,) = [c for c in pair_sets(build, SETS).combinations if c.choice.shims_mm == (0.5,)]
            return [one.seat.load_u_n, one.full.load_u_n]
        (valve,) = assign(build, SETS, {"larch": 1, "heron": 1}).chosen.valves
        assert valve.choice.shims_mm
        return [valve.seat.load_u_n, valve.open.load_u_n]

    limits = plain.limits
    assert limits.max_shims == 2
    added = math.hypot(30.0 * 0.1, 30.0 * 0.05)
    for before_n, after_n in zip(loads_u_n(plain), loads_u_n(unsure), strict=True):
        # each spring's own part is common to both: at most the plain sum, at least the root of it
        assert math.hypot(before_n, added) <= after_n * 1.001
        assert after_n <= before_n + added


def test_the_budget_names_both() -> None:
    reading = SETS["larch"].curves[0].load_at(40.0)
    build = build_of(shim(0.5, "both", 'thickness_u = "0.05 mm"'), 'height_u = "0.1 mm"')
    errors = height_errors(build, SeatChoice((0.5,)), "outer")
    lines = reading.at_unsure_height(errors).budget.lines[len(reading.budget.lines) :]
    assert [line.contribution_n for line in lines] == pytest.approx([1.0, 0.5], rel=1e-3)  # k = 1
    assert len({line.source for line in lines}) == 2
    assert reading.at_unsure_height(()).budget == reading.budget
