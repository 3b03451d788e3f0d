"""What is said of strokes beyond their calibration, or of a rig that could not follow."""

from __future__ import annotations

import re

import pytest
from msgspec.structs import replace

from bench_days import World, draw_day
from bench_metrology import heights_mm, sweeps_of
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import undo_lag
from coilbench.analysis.report.curve_text import set_notes
from coilbench.analysis.report.units import Units
from coilbench.capture.virtual.bench import StrokeKind

KG = Units("kg", "mm")


def measured(world: World, seed: int = 3) -> tuple[SpringCurve, tuple[float, float]]:
    day = draw_day(world, seed)
    curve = fit_curve("00", undo_lag(sweeps_of(day, day.calibration()))["00"])
    return curve, heights_mm(day.springs[0])


def test_a_usual_day_needs_no_words() -> None:
    curve, at_mm = measured(World("usual"))
    assert set_notes([curve], at_mm, KG) == ()


def test_loads_beyond_the_masses_are_said() -> None:
    curve, _ = measured(World("light", masses_kg=(2.0, 5.0, 10.0)))
    (note,) = curve.notes
    assert note.kind == "beyond_masses"
    assert note.load_n == pytest.approx(98.0665, rel=0.01)  # 10 kg


def test_heights_beyond_the_gauges_are_said() -> None:
    day = draw_day(World("usual"), 3)
    long = tuple(point for point in day.gauge_points if point.length_mm >= 40.0)
    day = replace(day, gauge_points=long)
    curve = fit_curve("00", undo_lag(sweeps_of(day, day.calibration()))["00"])
    (note,) = curve.notes
    assert note.kind == "beyond_gauges"
    assert note.height_mm == pytest.approx(40.0, abs=0.05)


def test_a_slow_converter_under_fast_strokes_says_so_and_is_unsure() -> None:
    """At 10 conversions a second a stroke of a second is over before the filter has settled."""
    fast = World("fast", rate_hz=10.0, hands=(StrokeKind.FAST,))
    curve, (seat_mm, _) = measured(fast)
    notes = set_notes([curve], [seat_mm], KG)
    assert any(re.search("conversions.*slowly", note) for note in notes)
    reading = curve.load_at(seat_mm)
    assert reading.load_u_n > 0.05 * reading.load_n
    slow = World("slow", rate_hz=10.0, hands=(StrokeKind.SLOW,))
    curve, (seat_mm, _) = measured(slow)
    assert not any("too fast" in note for note in set_notes([curve], [seat_mm], KG))
    assert curve.load_at(seat_mm).load_u_n < 0.01 * reading.load_n


def test_what_a_hand_can_mend_is_said_where_it_rules() -> None:
    """The open height 2 mm above the turn, under a window of 0.4 s: the turn rules it."""
    curve, (_, open_mm) = measured(World("steady", rate_hz=10.0, hands=(StrokeKind.STEADY,)))
    said = [note for note in set_notes([curve], [open_mm], KG) if "less certain" in note]
    assert said
    assert all("press" in note and "deeper" in note for note in said)
