"""Each limit of a calibration's points at its absolute value, a case just inside, one just outside.

All are common practice, no source, but for the range of gravity (WGS 84, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from coilbench.capture.calibration.checks import (
    Standards,
    refuse_gravity,
    refuse_saturated,
    refuse_slip,
)
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.calibration.model import NewPart
from coilbench.capture.errors import CoilbenchError


def refused(call: Callable[[], object]) -> bool:
    try:
        call()
    except CoilbenchError:
        return True
    return False


def masses(
    known: Sequence[float] = (0.0, 10.0, 20.0, 30.0, 40.0),
    *,
    apart_kg: float = 0.0,
    u_kg: float | None = 1e-4,
    per_kg: float = 2500.0,
) -> NewPart:
    """Masses, each read twice, as much too high as too low: a line, and residuals of that much."""
    return load_part(
        [
            LoadPoint(kg, 50_000.0 + per_kg * (kg + off), way, u_kg if kg else None)
            for way, off in (("up", apart_kg), ("down", -apart_kg))
            for kg in known
        ],
        "m",
    )


def gauges(known: Sequence[float], apart_mm: float = 0.0, per_mm: float = 100.0) -> NewPart:
    offs = (apart_mm, -apart_mm) if apart_mm else (0.0,)
    return travel_part(
        [GaugePoint(mm, -per_mm * (mm + off), 0.002) for off in offs for mm in known], "g"
    )


@pytest.mark.parametrize(
    ("gravity_m_s2", "out"), [(9.749, True), (9.751, False), (9.849, False), (9.851, True)]
)
def test_gravity_on_this_earth(gravity_m_s2: float, out: bool) -> None:
    assert refused(lambda: refuse_gravity(gravity_m_s2)) == out


@pytest.mark.parametrize(
    ("call", "out"),
    [
        (lambda: masses((0.0, 20.0, 40.0)), False),
        (lambda: masses((0.0, 40.0)), True),
        (lambda: gauges((20.0, 40.0)), False),
        (lambda: gauges((20.0,)), True),
        # the counts from the first to the last
        (lambda: masses((0.0, 10.0, 20.0), per_kg=50.1), False),
        (lambda: masses((0.0, 10.0, 20.0), per_kg=49.9), True),
        (lambda: gauges((20.0, 40.0), per_mm=2.51), False),
        (lambda: gauges((20.0, 40.0), per_mm=2.49), True),
        # residuals of 0.5 % of 40 kg
        (lambda: masses(apart_kg=0.198), False),
        (lambda: masses(apart_kg=0.202), True),
        # and of four standard uncertainties of 0.1 kg
        (lambda: masses(apart_kg=0.395, u_kg=0.2), False),
        (lambda: masses(apart_kg=0.405, u_kg=0.2), True),
        # of a tenth of a millimetre, and of 0.5 % of 60 mm
        (lambda: gauges((20.0, 25.0, 30.0), 0.095), False),
        (lambda: gauges((20.0, 25.0, 30.0), 0.105), True),
        (lambda: gauges((0.0, 30.0, 60.0), 0.295), False),
        (lambda: gauges((0.0, 30.0, 60.0), 0.305), True),
    ],
)
def test_points_just_inside_a_limit_are_taken_and_just_outside_refused(
    call: Callable[[], object], out: bool
) -> None:
    assert refused(call) == out


@pytest.mark.parametrize(
    ("make", "kind", "noted"),
    [
        (lambda: masses(per_kg=2110.0), "weak_span", False),  # 40 kg of them are 1.006 % of 2**23
        (lambda: masses(per_kg=2080.0), "weak_span", True),
        (lambda: masses((3.9, 10.0, 20.0)), "no_light_mass", False),
        (lambda: masses((4.1, 10.0, 20.0)), "no_light_mass", True),
        (lambda: gauges((29.9, 40.0)), "gauges_narrow", False),
        (lambda: gauges((30.1, 40.0)), "gauges_narrow", True),
        (lambda: gauges((20.0, 40.0)), "two_gauges", True),
        (lambda: gauges((20.0, 30.0, 40.0)), "two_gauges", False),
    ],
)
def test_what_is_poor_but_can_be_used_is_noted(
    make: Callable[[], NewPart], kind: str, noted: bool
) -> None:
    assert (kind in {note.kind for note in make().notes}) == noted


def test_masses_and_gauges_that_say_nothing_are_taken_as_good_as_common_ones() -> None:
    points = [LoadPoint(kg, 2500.0 * kg, "up") for kg in (0.0, 20.0, 40.0)]
    assert load_part(points, "m").reference_u_relative == pytest.approx(0.0005, rel=0.01)
    fitted = travel_part([GaugePoint(mm, -1000.0 * mm) for mm in (0.0, 40.0)], "g")
    assert fitted.fit.covariance[0][0] == pytest.approx(0.01**2, rel=0.01)


@pytest.mark.parametrize(("counts", "out"), [(8_380_210.0, False), (8_380_230.0, True)])
def test_a_thousandth_of_the_adcs_range_is_its_end(counts: float, out: bool) -> None:
    assert refused(lambda: refuse_saturated(np.array([0.0, counts]), str)) == out
    assert refused(lambda: refuse_saturated(np.array([0.0, -counts]), str)) == out


def slips(known: Sequence[float], counts: Sequence[float]) -> bool:
    points = Standards("mass", "kg", np.array(known), np.array(counts), np.full(len(known), 0.01))
    return refused(lambda: refuse_slip(points, lambda _: 2.0))


@pytest.mark.parametrize(
    ("typed", "slipped"), [(89.0, False), (91.0, True), (109.0, True), (111.0, False)]
)
def test_a_tenfold_value_to_a_tenth_is_a_slip(typed: float, slipped: bool) -> None:
    assert slips((0.0, typed, 20.0, 30.0), (0.0, 10.0, 20.0, 30.0)) == slipped


@pytest.mark.parametrize(("sd", "slipped"), [(0.087, True), (0.093, False)])
def test_a_slip_stands_out_by_ten_times_the_others_scatter(sd: float, slipped: bool) -> None:
    off = sd / np.sqrt(6.0 / 4.0)  # six readings, two coefficients
    rest = (10.0, 10.0, 20.0, 20.0, 30.0, 30.0)
    counts = [kg + off * (-1.0) ** at for at, kg in enumerate(rest)]
    assert slips((0.1, *rest), (1.0, *counts)) == slipped


@pytest.mark.parametrize(("most", "slipped"), [(88.0, True), (92.0, False)])
def test_a_slip_stands_out_by_a_thousandth_of_the_span(most: float, slipped: bool) -> None:
    assert slips((0.1, 0.0, most / 2, most), (0.01, 0.0, most / 2, most)) == slipped
