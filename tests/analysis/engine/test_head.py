"""The heights of a head's valves."""

from __future__ import annotations

from coilbench.analysis.engine.head import Head, LengthMm


def test_the_middle_height_is_one_that_a_valve_has() -> None:
    head = Head(LengthMm(39.0), valves={"1": 38.0, "2": 38.8, "3": 40.2})
    assert head.middle_height_mm == 38.8
    assert Head(LengthMm(39.0), valves=4).middle_height_mm == 39.0
