"""What the calibration before says of a new one, by figures that can be worked out by hand."""

from __future__ import annotations

import math

import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.model import NewPart
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.calibration.standing import (
    STOP_REPEATS_MM,
    StandingLoad,
    StandingTravel,
    heights_moved,
    stop_counts_of,
    stop_note,
    stop_shows,
)

NONE = ((0.0, 0.0), (0.0, 0.0))
U_MM = 0.02
# height = 70 mm - 0.005 mm x counts, the height sure to U_MM (k = 1), the step exactly
TRAVEL = PolynomialFit((70.0, -0.005), ((U_MM**2, 0.0), (0.0, 0.0)), 0.0, 2000.0, 8000.0, 3)


def shifted(by_mm: float, by_counts: float = 0.0) -> PolynomialFit:
    """The same heights, all so much higher, counted from another zero."""
    return replace(
        TRAVEL,
        coefficients=(70.0 + by_mm + 0.005 * by_counts, -0.005),
        x_min=TRAVEL.x_min + by_counts,
        x_max=TRAVEL.x_max + by_counts,
    )


@pytest.mark.parametrize("by_mm", [-10.0, -0.08, -0.05, 0.05, 0.08, 5.0])
@pytest.mark.parametrize("stop", [0.0, None])
def test_by_the_same_counts_more_than_both_are_unsure_by_is_another_datum(
    by_mm: float, stop: float | None
) -> None:
    allowed_mm = 2.0 * math.hypot(U_MM, U_MM, 0.005)  # and a step of the scale
    new, before = StandingTravel(shifted(by_mm), stop), StandingTravel(TRAVEL, stop)
    found = heights_moved(new, before, same_counts=True)
    assert found is not None
    assert found["moved_mm"] == pytest.approx(by_mm)
    assert found["allowed_mm"] == pytest.approx(allowed_mm)
    assert (found.kind == "heights_moved") == (abs(by_mm) > allowed_mm)


@pytest.mark.parametrize("start_counts", [0.0, -14_000.0, 700.0])
@pytest.mark.parametrize("by_mm", [-5.0, -0.2, 0.1, 0.2])
def test_after_a_restart_the_quills_stop_tells(start_counts: float, by_mm: float) -> None:
    allowed_mm = 2.0 * math.hypot(U_MM, U_MM, 0.005) + STOP_REPEATS_MM
    new = StandingTravel(shifted(by_mm, start_counts), 3.0 + start_counts)
    found = heights_moved(new, StandingTravel(TRAVEL, 3.0), same_counts=False)
    assert found is not None
    assert found["moved_mm"] == pytest.approx(by_mm)
    assert (found.kind == "heights_moved") == (abs(by_mm) > allowed_mm)


def test_a_step_that_differs_shows_at_the_end_of_the_range() -> None:
    steeper = replace(TRAVEL, coefficients=(70.0, -0.00505))
    found = heights_moved(StandingTravel(steeper), StandingTravel(TRAVEL), same_counts=True)
    assert found is not None
    assert found.kind == "heights_moved"
    assert found["moved_mm"] == pytest.approx(-0.4)  # 8000 x 0.00005


@pytest.mark.parametrize(("new", "before"), [(None, 3.0), (3.0, None), (None, None)])
def test_without_counts_or_a_stop_in_common_nothing_is_said(
    new: float | None, before: float | None
) -> None:
    travels = StandingTravel(TRAVEL, new), StandingTravel(TRAVEL, before)
    assert heights_moved(*travels, same_counts=False) is None


def test_the_stop_is_kept_with_the_part() -> None:
    part = NewPart("travel", "guided", TRAVEL, ())
    assert stop_counts_of(part) is None
    note = stop_note(TRAVEL, -20.0)
    assert note == Finding.of("stop_at", stop_mm=70.1, stop_counts=-20.0)
    assert stop_counts_of(replace(part, notes=("in an older book", note))) == -20.0


def test_a_mass_by_the_calibration_before_with_what_it_is_unsure_by() -> None:
    """A newton a thousand counts, sure to 0.1 N at the zero and 0.05 % of the masses."""
    fit = PolynomialFit((0.0, 0.001), NONE, 0.3, 0.0, 2e5, 5)
    mass_kg, u_kg = StandingLoad(fit, 10.0, 0.0005).mass_kg(102_000.0, 2000.0)
    assert mass_kg == pytest.approx(10.0)
    assert u_kg == pytest.approx(2.0 * math.hypot(0.03, 0.005))  # JCGM 100:2008, 5.1.2


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(("over_mm", "shows"), [(0.001, True), (-0.001, False)])
def test_the_stop_shows_what_is_surely_more_than_it_repeats_by(over_mm, shows, way):
    assert stop_shows(way * (STOP_REPEATS_MM + U_MM + over_mm), U_MM) is shows
