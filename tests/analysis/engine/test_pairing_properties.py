"""What must hold of every pairing: brute force agrees, order has no effect, a shim adds load."""

import itertools
from collections.abc import Callable, Mapping

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.points import OUTSIDE_MM
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.reasons import VERDICTS
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

OUTER, INNER = ("larch", "rowan"), ("heron", "plover")


SHIMS = """
        [[shims]]
        thickness = "0.3 mm"
        [[shims]]
        thickness = "0.7 mm"
        """


def plan(
    outer: tuple[str, ...] = OUTER, inner: tuple[str, ...] = INNER, shims: str = SHIMS
) -> BuildFile:
    text = f"""
        [cam]
        name = "card"
        valve_lift = "10 mm"
        seat_load = "300 N"
        seat_tolerance = "60 N"
        open_load = "600 N"
        open_tolerance = "90 N"
        [head]
        installed_height = "40 mm"
        inner_offset = "0 mm"
        max_seat_cut = "0.3 mm"
        {shims}
        [limits]
        coil_bind_margin = "1.2 mm"
        [springs]
        outer = {list(outer)}
        inner = {list(inner)}
        """
    return parse_build(text, "six.toml")


def curve(label: str, points: Mapping[float, float]) -> SpringCurve:
    """A spring read at some heights, straight between them; points are height_mm: load_n."""
    read = Branch(np.array(list(points)), np.array(list(points.values())))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", label, Origin.KEYED, read, none, 1.0, 0.0, 0.0)
    return fit_curve(label, [sweep], free_length_mm=max(points))


@st.composite
def benches(draw: st.DrawFn) -> dict[str, SetCurves]:
    """Two outer and two inner sets of one straight spring; some were not pressed deep enough."""
    sets = {}
    for name in (*OUTER, *INNER):
        role = "outer" if name in OUTER else "inner"
        free_mm, rate = draw(st.floats(41.0, 55.0)), draw(st.floats(5.0, 40.0))
        low_mm = draw(st.sampled_from([5.0, 5.0, 5.0, 31.0]))
        solid_mm = draw(st.sampled_from([None, 20.0, 28.0, 29.5]))
        low_mm = max(low_mm, solid_mm or 0.0)  # no spring goes through its solid height
        spring = curve(name, {low_mm: rate * (free_mm - low_mm), free_mm: 0.0})
        sets[name] = SetCurves(name, role, (spring,), solid_mm)
    return sets


def line(springs: SetCurves) -> Callable[[float], float | None]:
    """The straight line's own formula; it gives None where the set wasn't read, nor nearly."""
    (one,) = springs.curves
    low_mm, free_mm = one.lowest_mm - OUTSIDE_MM - 1e-6, one.free_length_mm
    rate = one.load_at(35.0).load_n / (free_mm - 35.0)
    return lambda mm: rate * (free_mm - mm) if low_mm <= mm <= free_mm + 1e-6 else None


def all_choices() -> list[tuple[float, float, int]]:
    """Every shim thickness and cut that can be had, with the number of shims."""
    stacks = {0.0: 0, 0.3: 1, 0.7: 1, 0.6: 2, 1.0: 2, 1.4: 2}
    choices = [(shim, 0.0, count) for shim, count in stacks.items()]
    taken = {round(-shim, 6) for shim in stacks}
    for cut in (0.1, 0.2, 0.3):  # a shim over a cut, where neither alone changes the height so
        for shim, count in stacks.items():
            if round(cut - shim, 6) not in taken:
                taken.add(round(cut - shim, 6))
                choices.append((shim, cut, count))
    return choices


@settings(max_examples=24, deadline=None)
@given(sets=benches())
def test_brute_force_finds_the_same_and_the_same_best(sets: dict[str, SetCurves]) -> None:
    choices = all_choices()
    lines = {name: line(one) for name, one in sets.items()}
    found = {}
    for names in itertools.product(OUTER, INNER):
        for shim, cut, count in choices:
            change = cut - shim
            seats = [lines[name](40.0 + change) for name in names]
            opens = [lines[name](30.0 + change) for name in names]
            solids = [sets[name].solid_height_mm for name in names]
            bound = any(solid is not None and 30.0 + change - solid < 1.1999 for solid in solids)
            if None in (*seats, *opens):
                found[(*names, shim, cut)] = (True, True, 0.0, count)
                continue
            seat, full = (sum(seats) - 300.0) / 60.0, (sum(opens) - 600.0) / 90.0
            for miss in (seat, full):
                assume(abs(abs(miss) - 1.0) > 1e-6)  # on the very limit the last bit decides
            misses = bound or abs(seat) > 1.0 or abs(full) > 1.0
            found[(*names, shim, cut)] = (False, misses, seat**2 + full**2, count)
    pairing = pair_sets(plan(), sets)
    for each in pairing.combinations:
        unread, misses, distance, count = found.pop(
            (each.outer, each.inner, each.choice.shim_mm, each.choice.seat_cut_mm)
        )
        assert len(each.choice.shims_mm) == count
        assert (each.distance is None) == unread
        if unread:
            assert each.verdict in ("not_judged", "misses")
            continue
        assert each.distance == pytest.approx(distance, abs=1e-6)
        if each.verdict != "near":  # the readings' own uncertainty reaches over a tolerance
            assert each.verdict.startswith("fits") != misses
            assert (each.verdict == "misses") == misses
    assert not found
    ranks = [(VERDICTS.index(c.verdict), c.distance or 0.0) for c in pairing.combinations]
    assert all(each.reasons for each in pairing.combinations if each.verdict != "fits")
    for better, worse in itertools.pairwise(ranks):
        assert better[0] <= worse[0]
        assert better[0] < worse[0] or better[1] <= worse[1] + 1e-6 or not worse[1]


@settings(max_examples=18, deadline=None)
@given(sets=benches(), order=st.permutations(["larch", "rowan", "heron", "plover"]))
def test_the_order_of_sets_changes_nothing(sets: dict[str, SetCurves], order: list[str]) -> None:
    pairing = pair_sets(plan(shims=""), sets)
    shuffled = {name: sets[name] for name in order}
    outer = tuple(name for name in order if name in OUTER)
    inner = tuple(name for name in order if name in INNER)
    assert pair_sets(plan(outer, inner, shims=""), shuffled) == pairing


@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_a_shim_never_lowers_a_load(data: st.DataObject) -> None:
    """For any curve whose load rises as its height falls, straight or not."""
    sets = {}
    for name, role in (("larch", "outer"), ("heron", "inner")):
        steps = data.draw(st.lists(st.floats(0.0, 60.0), min_size=9, max_size=9))
        loads = itertools.accumulate(steps, initial=0.0)
        points = {50.0 - 3.0 * number: load for number, load in enumerate(loads)}
        sets[name] = SetCurves(name, role, (curve(name, points),), None)
    pairing = pair_sets(plan(("larch",), ("heron",)), sets)
    ordered = sorted(pairing.combinations, key=lambda each: each.choice.height_change_mm)
    for low, high in itertools.pairwise(ordered):
        assert low.seat.load_n >= high.seat.load_n - 1e-9
        assert low.full.load_n >= high.full.load_n - 1e-9
