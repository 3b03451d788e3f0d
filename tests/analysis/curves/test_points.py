"""Readings at chosen heights pooled into one curve. References: hand arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from tests.support.hand_shop import FREE_MM, RATE, swept

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.points import OUTSIDE_MM


def bent(heights_mm: list[float]) -> NDArray[np.float64]:
    """A spring that stiffens: chords through far heights lie above it by up to 5 N."""
    depth = FREE_MM - np.array(heights_mm)
    return RATE * depth * (1.0 + 0.01 * depth)


def test_a_second_session_at_other_heights_is_no_chord_averaged_in() -> None:
    first = swept("a", np.array([38.5, 27.6]), bent([38.5, 27.6]), run="one")
    second = swept("a", np.array([41.0, 33.0]), bent([41.0, 33.0]), run="two")
    alone, joined = fit_curve("a", [first]), fit_curve("a", [first, second])
    for height_mm in (38.5, 27.6):
        before, after = alone.load_at(height_mm), joined.load_at(height_mm)
        assert after.load_n == pytest.approx(before.load_n, rel=1e-12)
        assert after.load_u_n == pytest.approx(before.load_u_n, rel=0.05)
    assert joined.load_at(33.0).load_n == pytest.approx(float(bent([33.0])[0]), rel=1e-12)


def test_the_same_height_read_in_two_sessions_is_a_mean() -> None:
    runs = [
        swept("a", np.array([38.0, 27.0]), np.array(loads), run=run)
        for run, loads in (("one", (240.0, 416.0)), ("two", (244.0, 418.0)))
    ]
    assert fit_curve("a", runs).load_at(38.0).load_n == pytest.approx(242.0)


@pytest.mark.parametrize(("beyond_mm", "read"), [(-0.01, True), (0.01, False)])
def test_a_little_outside_what_was_read_the_line_goes_on(beyond_mm: float, read: bool) -> None:
    curve = fit_curve("a", [swept("a", np.array([38.0, 27.0]), np.array([240.0, 416.0]))])
    height_mm = 27.0 - OUTSIDE_MM - beyond_mm
    if not read:
        with pytest.raises(HeightNotMeasured):
            curve.load_at(height_mm)
        return
    found = curve.load_at(height_mm)
    assert found.load_n == pytest.approx(416.0 + 16.0 * (27.0 - height_mm))
    assert found.load_u_n > curve.load_at(27.0).load_u_n
    assert "outside_read" in {note.kind for note in found.notes}
