"""What makes a scale usable, each limit at its value. Common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from coilbench.capture.calibration.keyed_setup import ScalePoint
from coilbench.capture.calibration.scale import calibrate_scale
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.unit_factors import KGF_N


def taken(*points: tuple[float, float]) -> bool:
    """Whether masses and what the scale showed make a scale."""
    try:
        calibrate_scale("s", [ScalePoint(kg, shown, "up", 1e-4) for kg, shown in points], "x")
    except CoilbenchError:
        return False
    return True


@pytest.mark.parametrize(("top_kg", "usable"), [(2.1, True), (1.9, False)])
def test_readings_span_twenty_steps(top_kg: float, usable: bool) -> None:
    assert taken((0.0, 0.0), (1.0, 1.0), (top_kg, top_kg)) == usable  # steps of 0.1 kg


def apart(span_kg: float, off_kg: float) -> Sequence[tuple[float, float]]:
    """Each mass shown as much too high as too low."""
    masses = (0.0, 0.525 * span_kg, span_kg)  # so that the readings step by 0.1 kg
    return [(kg, round(kg + off, 3)) for kg in masses for off in (off_kg, -off_kg)]


@pytest.mark.parametrize(
    ("span_kg", "off_kg", "usable"),
    [(40.0, 1.1, True), (40.0, 1.3, False), (4.0, 0.4, True), (4.0, 0.6, False)],
)
def test_a_scale_strays_by_three_per_cent_of_the_span_or_five_steps(
    span_kg: float, off_kg: float, usable: bool
) -> None:
    assert taken(*apart(span_kg, off_kg)) == usable


@pytest.mark.parametrize(("shown_kg", "read"), [(41.9, True), (42.1, False)])
def test_a_curve_is_read_a_twentieth_beyond_the_largest_mass(shown_kg: float, read: bool) -> None:
    points = [ScalePoint(kg, kg, "up", 1e-4) for kg in (0.0, 20.0, 40.0)]
    scale = calibrate_scale("s", points, "x")
    if read:
        assert scale.load_n(shown_kg * KGF_N) == pytest.approx(shown_kg * KGF_N, rel=1e-6)
    else:
        with pytest.raises(CoilbenchError):
            scale.load_n(shown_kg * KGF_N)
