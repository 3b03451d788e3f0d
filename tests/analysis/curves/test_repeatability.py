"""How strokes repeat, against shifts put in, and what a spring of one stroke has of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace

from bench_days import World, draw_day
from bench_metrology import sweeps_of
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import _seen_repeat, undo_lag
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import STROKE_UNSEEN_U_MM, Origin, Sweep

SHIFTS_MM = [[0.0, 0.02, -0.01], [0.005, -0.015]]


def stroke(spring: int, shift_mm: float) -> Sweep:
    """Air, then a line of 16 N/mm and more, 1 % of friction, read higher by a shift."""
    rng = np.random.default_rng([spring, round(1000 * shift_mm) % 97])
    height = np.linspace(63.0, 28.0, 500)  # 10 mm of air
    load = (16.0 + spring) * np.clip(53.0 - height, 0.0, None)
    pressed, let_go = 1.01 * load + 0.01 * rng.normal(size=500), (0.99 * load)[::-1]
    down, up = Branch(height + shift_mm, pressed), Branch(height[::-1] + shift_mm, let_go)
    return Sweep("s", "x", Origin.RIG, down, up, 0.0, 0.0, 0.0)


def test_the_pooled_deviation_is_that_of_the_shifts() -> None:
    """The pooled variance of a textbook: squares about each mean, over n less the means."""
    springs = [[stroke(n, shift) for shift in own] for n, own in enumerate(SHIFTS_MM)]
    repeat = _seen_repeat([*springs, [stroke(3, 0.4)]])
    squares = sum(float(np.var(own)) * len(own) for own in SHIFTS_MM)
    assert repeat is not None
    assert repeat.u_mm == pytest.approx(math.sqrt(squares / 3.0), rel=0.01)
    assert (repeat.degrees_of_freedom, repeat.seen) == (3.0, True)


def test_springs_of_one_stroke_or_one_way_show_nothing() -> None:
    none = Branch(np.empty(0), np.empty(0))
    one_way = [replace(stroke(0, shift), unloading=none) for shift in (0.0, 0.1)]
    apart = [stroke(0, 0.0), stroke(0, 60.0)]
    assert _seen_repeat([[stroke(0, 0.0)], one_way, apart, []]) is None


def test_a_stroke_alone_takes_what_the_other_springs_show() -> None:
    day = draw_day(World("three", springs=3, strokes=3), 5)
    sweeps = sweeps_of(day, day.calibration())
    lone = undo_lag({**sweeps, "00": sweeps["00"][:1]})
    budget = fit_curve("00", lone["00"]).load_at(34.0).budget
    (line,) = [line for line in budget.lines if line.source == "stroke_repeat"]
    repeat = _seen_repeat([lone["01"], lone["02"]])
    assert repeat is not None
    assert (line.value, line.kind, line.shared) == (pytest.approx(repeat.u_mm), "A", False)
    assert line.degrees_of_freedom == 4.0
    several = fit_curve("01", lone["01"]).load_at(34.0).budget
    assert not any("repeat" in line.source for line in several.lines)


def test_a_stroke_that_nothing_tells_of_has_what_is_assumed() -> None:
    day = draw_day(World("one", strokes=1), 5)
    curve = fit_curve("00", undo_lag(sweeps_of(day, day.calibration()))["00"])
    lines = {line.source: line for line in curve.load_at(34.0).budget.lines}
    line = lines["stroke_repeat_assumed"]
    assert (line.value, line.kind) == (STROKE_UNSEEN_U_MM, "B")
    rate = curve.rate_between(40.0, 30.0).budget
    shift = [line for line in rate.lines if "repeat" in line.source]
    assert all(line.contribution_n < 0.1 * STROKE_UNSEEN_U_MM for line in shift)
