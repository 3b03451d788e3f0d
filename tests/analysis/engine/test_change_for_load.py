"""The exact shim or cut for a load, solved on measured curves."""

from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.pairing import REACH_MM, LoadByChange, _load_by_change
from coilbench.analysis.engine.placed import SetCurves
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.unit_factors import KGF_N


def spring_set(name: str, *springs: Mapping[float, float]) -> SetCurves:
    """Springs read at some heights; each is height_mm: load_n."""
    none = Branch(np.array([]), np.array([]))
    curves = []
    for number, points in enumerate(springs):
        read = Branch(np.array(list(points)), np.array(list(points.values())))
        sweep = Sweep("0", f"{number}", Origin.KEYED, read, none, 1.0, 0.0, 0.0)
        curves.append(fit_curve(f"{number}", [sweep]))
    return SetCurves(name, "outer", tuple(curves), None)


def straight(name: str, free_mm: float, rate: float, low_mm: float = 5.0) -> SetCurves:
    return spring_set(name, {low_mm: rate * (free_mm - low_mm), free_mm: 0.0})


def by_change(*standing: tuple[SetCurves, float]) -> LoadByChange:
    return _load_by_change(tuple(standing), {})


def test_a_washer_of_one_millimetre() -> None:
    """Common practice, no source: a spring of 1.68 kg/mm gains 1.68 kg with a 1 mm washer."""
    per_mm = (40.7 - 22.4) / (25.9 - 15.0)
    larch = spring_set("larch", {53.0 - 15.0: 22.4 * KGF_N, 53.0 - 25.9: 40.7 * KGF_N})
    seat = by_change((larch, 37.0))
    without = seat.load_n(0.0)
    assert seat.change_mm(without + per_mm * KGF_N) == pytest.approx(-1.0, abs=1e-5)
    assert seat.change_mm(without - 0.5 * per_mm * KGF_N) == pytest.approx(0.5, abs=1e-5)


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_the_solved_change_gives_the_load(data: st.DataObject) -> None:
    """For any curves whose loads rise as they are pressed, straight or not, two in parallel."""
    sets = []
    for name in ("larch", "heron"):
        steps = data.draw(st.lists(st.floats(1.0, 60.0), min_size=8, max_size=8))
        loads = np.concatenate([[0.0], np.cumsum(steps)])
        heights = 50.0 - 3.0 * np.arange(9)
        sets.append(spring_set(name, dict(zip(heights.tolist(), loads.tolist(), strict=True))))
    plan = by_change((sets[0], 38.0), (sets[1], 36.0))
    low_mm, high_mm = plan.known[0][0], plan.known[-1][0]
    wanted = data.draw(st.floats(low_mm, high_mm))
    load = plan.load_n(wanted)
    solved = plan.change_mm(load)
    assert plan.load_n(solved) == pytest.approx(load, abs=1e-3)
    assert solved == pytest.approx(wanted, abs=1e-3)


def test_the_window_of_a_straight_pair_is_its_tolerance_over_its_rate() -> None:
    plan = by_change((straight("larch", 50.0, 20.0), 40.0), (straight("heron", 48.0, 10.0), 38.0))
    assert plan.load_n(0.0) == pytest.approx(300.0)
    assert plan.window(300.0, 15.0) == pytest.approx((-0.5, 0.5, False, False), abs=1e-5)
    assert plan.window(330.0, 15.0) == pytest.approx((-1.5, -0.5, False, False), abs=1e-5)


def test_nothing_is_extended_beyond_what_was_measured() -> None:
    plan = by_change((straight("larch", 50.0, 20.0, low_mm=39.0), 40.0))
    assert plan.known[0][0] == pytest.approx(-1.0, abs=1e-5)
    assert plan.change_mm(240.0) is None
    assert plan.window(240.0, 10.0) is None
    # reaches into it, as far as it was read:
    assert plan.window(220.0, 10.0) == pytest.approx((-1.0, -0.5, True, False), abs=1e-5)
    far = by_change((straight("larch", 50.0, 20.0), 30.0))
    assert far.known[0][0] == -REACH_MM
    assert far.change_mm(20.0 * (20.0 + REACH_MM) + 1.0) is None
    nowhere = by_change((straight("larch", 50.0, 20.0), 60.0))
    assert nowhere.known == ()
    assert nowhere.window(200.0, 20.0) is None
